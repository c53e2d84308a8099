"""Set against measured: whether the bench did what it was told (verdicts, rule 21)."""

from __future__ import annotations

from math import hypot

import numpy as np

from regcheck.bench.applied import channel_curve, term_size
from regcheck.bench.bench_file import Bench, Channel
from regcheck.bench.curves import KNOWN, resample
from regcheck.bench.stimulus import StimulusLog
from regcheck.checks.finding import Finding, Requirement, Strip, Verdict
from regcheck.checks.wording import plain, worded
from regcheck.device_map.limits import Limit


def _expanded(limit: Limit | None, channel: Channel, value: float) -> float:
    terms = limit.high if limit is not None else ()
    return float(sum(term_size(term, channel.unit, np.array([value]))[0] for term in terms))


def bench_findings(bench: Bench, log: StimulusLog) -> list[Finding]:
    """Return a finding `bench/<channel>` for every channel whose set and measured values are both logged.

    Rows measured at the very time of a step are left out: either value may be meant.
    """
    return [_finding(channel, log) for channel in bench.channels.values() if channel.set_column]


def _finding(channel: Channel, log: StimulusLog) -> Finding:
    requirement = Requirement("bench", channel.name, place=channel.place)
    unit = str(channel.unit or "")
    measured = log.columns[channel.counts]
    set_curve = channel_curve(channel, log, channel.set_column)
    rows = np.flatnonzero(np.isfinite(measured.value) & ~np.isin(measured.time, set_curve.time[1:]))
    at = resample(set_curve, np.unique(measured.time[rows])) if len(rows) else None
    worst: tuple[float, int, float, float] | None = None
    compared = 0
    for row in rows.tolist():
        assert at is not None  # noqa: S101 - there are rows
        index = int(np.searchsorted(at.time, measured.time[row]))
        if at.state[index] != KNOWN:
            continue
        compared += 1
        wanted, found = float(at.after[index]), float(measured.value[row])
        doubt = hypot(
            _expanded(channel.set_uncertainty or channel.uncertainty, channel, wanted), _expanded(channel.uncertainty, channel, found)
        )
        ratio = abs(found - wanted) / doubt if doubt else (0.0 if found == wanted else float("inf"))
        if worst is None or ratio > worst[0]:
            worst = (ratio, row, found - wanted, doubt)
    if worst is None:
        return Finding(
            requirement,
            Verdict.UNTESTED,
            f"{channel.name} was never measured while set",
            "no_reading",
            "log both columns over the whole trial",
            {"compared": 0},
        )
    ratio, row, difference, doubt = worst
    evidence = {
        "unit": unit or None,
        "compared": compared,
        "difference": plain(difference),
        "allowed": plain(doubt),
        "ratio": plain(ratio, 4) if np.isfinite(ratio) else None,
        "time_s": float(measured.time[row]) / 1e9,
    }
    strip = Strip(difference, -doubt, doubt, 0.0, unit)
    if ratio > 1:
        off = f"the bench's {channel.name} measured {worded(difference, unit, signed=True)} off what was set"
        says = f"{off}, {ratio:.2g} times what both uncertainties allow"
        return Finding(requirement, Verdict.FAIL, says, evidence=evidence, strip=strip)
    return Finding(
        requirement,
        Verdict.PASS,
        f"the bench's {channel.name} did what was set, within {worded(difference, unit, signed=True)} in {compared} rows",
        evidence=evidence,
        strip=strip,
    )
