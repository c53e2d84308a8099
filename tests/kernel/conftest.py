"""The guest's tests run in the guest alone."""

import os

collect_ignore = [] if "REGCHECK_GUEST" in os.environ else ["guest"]
