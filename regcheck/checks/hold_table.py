"""The holds of a field one by one, as evidence: what was applied, what was reported, how far off, what room was left."""

from __future__ import annotations

from typing import Any

import numpy as np

from regcheck.checks.accuracy import Tally
from regcheck.checks.hold_evidence import HoldRow
from regcheck.checks.wording import plain

MOST_HOLDS = 64
"""Holds that are told one by one: of more, those with the least room between error and limit."""


def hold_table(tally: Tally, rows: list[HoldRow]) -> dict[str, Any]:
    """Return the holds in order of time; ``margin`` is from the mean error to the limit on its side, below 0 beyond it."""
    told = [_told(tally, row) for row in rows]
    if not told:
        return {}
    worst = sorted(range(len(told)), key=lambda at: (told[at]["margin"] / (_width(told[at]) or 1.0), at))
    kept = [told[at] for at in sorted(worst[:MOST_HOLDS])]
    more = {"more_holds": len(told) - MOST_HOLDS} if len(told) > MOST_HOLDS else {}
    return {"hold_table": kept} | more


def _width(row: dict[str, Any]) -> float:
    return float(row["limit_high"] - row["limit_low"])


def _told(tally: Tally, row: HoldRow) -> dict[str, Any]:
    judge = tally.judge
    segment = int(np.searchsorted(judge.curve.time, round(row.begin_s * 1e9), side="right") - 1)
    limits = [table.limits for table in judge.tables]
    low, high = min(float(one.fail_low[segment]) for one in limits), max(float(one.fail_high[segment]) for one in limits)
    return {
        "from_s": plain(row.begin_s, 12),
        "to_s": plain(row.end_s, 12),
        "applied": plain(row.applied),
        "readings": row.count,
        "mean": plain(row.applied + row.mean_error),
        "noise": plain(row.noise, 4),
        "error": plain(row.mean_error, 6),
        "limit_low": plain(low),
        "limit_high": plain(high),
        "margin": plain(min(high - row.mean_error, row.mean_error - low), 6),
    }
