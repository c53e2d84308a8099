"""The examples in the docstrings are right."""

from __future__ import annotations

import doctest

import pytest

from regcheck.traffic import times, transfer_log


@pytest.mark.parametrize("module", [times, transfer_log])
def test_examples(module):
    failed, tried = doctest.testmod(module)
    assert tried
    assert not failed
