"""Settings of the whole suite."""

import os

from hypothesis import HealthCheck, settings

# A shared machine is slow at times: a test that takes long is no fault of the code. In CI the examples are the same each time.
settings.register_profile("regcheck", deadline=None, suppress_health_check=[HealthCheck.too_slow], derandomize="CI" in os.environ)
settings.load_profile("regcheck")
