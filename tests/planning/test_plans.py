"""The test that matters: a faultless board that is led through a plan leaves nothing untested but what the plan said, and faults show."""

from __future__ import annotations

from collections.abc import Mapping

import pytest

from regcheck.checks.finding import Finding, Verdict
from regcheck.planning.schedule import StimulusPlan
from regcheck.sim import faults
from regcheck.sim.faults import Fault

from .conftest import Led

NOT_READ = ("optional_function_", "alarm_to_")
"""Registers that the host never reads, and what the board has no reason to send."""


def with_verdict(found: Mapping[str, Finding], verdict: Verdict) -> set[str]:
    return {id for id, finding in found.items() if finding.verdict is verdict}


def test_a_faultless_pack_leaves_nothing_reachable_untested(led_ridge: Led, ridge_plan: StimulusPlan) -> None:
    found = led_ridge()
    assert with_verdict(found, Verdict.FAIL) == set()
    assert with_verdict(found, Verdict.UNDECIDED) == {one.id for one in ridge_plan.foreseen.undecided} == set()
    untested = {id for id in with_verdict(found, Verdict.UNTESTED) if not id.partition("/")[2].startswith(NOT_READ)}
    assert untested == {one.id for one in ridge_plan.foreseen.unreached} == {"accuracy/relative_charge", "accuracy/absolute_charge"}


def test_a_faultless_rack_leaves_nothing_untested(led_rack: Led, rack_plan: StimulusPlan) -> None:
    found = led_rack()
    assert with_verdict(found, Verdict.FAIL) == set()
    assert with_verdict(found, Verdict.UNDECIDED) == set()
    assert with_verdict(found, Verdict.UNTESTED) == {one.id for one in rack_plan.foreseen.unreached} == set()
