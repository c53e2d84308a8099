"""Checks that frames carry themselves: CRC and checksum fields, and the CRC of a protection profile."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from regcheck.checks.accumulator import Count
from regcheck.checks.finding import Finding, Requirement, Verdict
from regcheck.checks.streams import is_from_device, is_judged, spot_at
from regcheck.codec.columns import Check
from regcheck.codec.decoded import DecodedBatch
from regcheck.codec.framing import Fault
from regcheck.device_map.model import Message, RegisterMap


def is_checked(message: Message) -> bool:
    """Return whether a frame carries a check. A register's stands in its `pec` finding."""
    return message.kind == "frame" and (message.protect is not None or any(item.check is not None for item in message.all_fields()))


class CrcCheck:
    """The checks of every frame that carries one and that the device sends."""

    def __init__(self, register_map: RegisterMap, source: int) -> None:
        self.source = source
        self.messages = {one.name: one for one in register_map.messages if is_checked(one) and is_from_device(one)}
        self.tallies: dict[tuple[str, str], dict[Check, Count]] = {}

    def update(self, batch: DecodedBatch) -> None:
        """Take the next batch in order of time."""
        for columns in batch.messages:
            if columns.message.name not in self.messages or not is_judged(columns):
                continue
            tally = self.tallies.setdefault((columns.message.name, columns.instance), {})
            # a frame of another length may have lost its check: the length is its finding
            told = np.where((columns.fault == Fault.LENGTH) & (columns.check != Check.GOOD), np.uint8(Check.UNKNOWN), columns.check)
            for code in np.unique(told).tolist():
                rows = np.flatnonzero(told == code)
                tally.setdefault(Check(code), Count()).add(len(rows), spot_at(columns, int(rows[0]), self.source))

    def tick(self, end_ns: int) -> None:
        """Silence changes nothing here."""

    def then(self, later: CrcCheck) -> None:
        """Take all that a later check of the same map has seen."""
        for key, theirs in later.tallies.items():
            mine = self.tallies.setdefault(key, {})
            for code, count in theirs.items():
                mine.setdefault(code, Count()).then(count)

    def findings(self, *, closed: bool) -> Sequence[Finding]:  # noqa: ARG002 - what was seen is final at any time
        """Return a finding for every such frame and instance, in the order of the map."""
        found = []
        for name, message in self.messages.items():
            instances = sorted(instance for seen, instance in self.tallies if seen == name) or [""]
            found += [_finding(message, instance, self.tallies.get((name, instance), {})) for instance in instances]
        return found


def _finding(message: Message, instance: str, tally: dict[Check, Count]) -> Finding:
    item = next((one for one in message.all_fields() if one.check is not None), None)
    place = item.place if item is not None else message.given_keys.get("protect", message.place)
    requirement = Requirement("crc", message.name, instance=instance, place=place)
    number = {code: tally.get(code, Count()) for code in Check}
    total = sum(count.number for count in number.values())
    good, bad, missing = (number[code].number for code in (Check.GOOD, Check.BAD, Check.MISSING))
    evidence: dict[str, Any] = {"frames": total, "good": good, "bad": bad, "missing": missing, "not_told": total - good - bad - missing}
    for word, code in (("bad", Check.BAD), ("missing", Check.MISSING)):
        first = number[code].first
        if first is not None:
            evidence[f"first_{word}"] = first.as_json()
    if bad or missing:
        parts = [f"wrong in {bad} of {total} frames"] if bad else []
        parts += [f"missing in {missing} of {total} frames"] if missing else []
        return Finding(requirement, Verdict.FAIL, f"the check of {requirement.path} is " + " and ".join(parts), evidence=evidence)
    if not good:
        says = (
            f"{requirement.path} never came" if not total else f"none of {total} frames of {requirement.path} was long enough for its check"
        )
        return Finding(requirement, Verdict.UNTESTED, says, "not_seen", "have the device send it", evidence)
    return Finding(requirement, Verdict.PASS, f"the check of {requirement.path} is right in all {good} frames", evidence=evidence)
