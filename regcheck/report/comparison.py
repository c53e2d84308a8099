"""What changed between runs: verdicts that turned, errors that moved beyond their uncertainty, the spread over boards, drifts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import copysign, fsum, hypot, sqrt

from regcheck.checks.finding import WORST_FIRST, Finding, Verdict
from regcheck.checks.wording import plain
from regcheck.errors import UsageError
from regcheck.report.history import Entry, History, RunHead
from regcheck.report.strip import ratio

COVERAGE = 2.0
"""Factor of expanded uncertainties (k = 2)."""

FEWEST_FOR_DRIFT = 5
"""Runs that a drift is told from; fewer have no interval worth its name."""

FALSE_DRIFTS = 0.05
"""Chance that any drift at all is told where there is none, over all requirements together."""


@dataclass(frozen=True, slots=True)
class Side:
    """Runs that count as one: a single run, or all that bear one value of a tag. Its verdict is the worst of its runs."""

    name: str
    runs: tuple[RunHead, ...]


@dataclass(frozen=True, slots=True)
class Shift:
    """An error that moved: ``what`` is the worst or the mean error, or the gain; ``expanded`` the change's expanded uncertainty."""

    what: str
    before: float
    after: float
    expanded: float
    unit: str


@dataclass(frozen=True, slots=True)
class Change:
    """One requirement whose verdict turned or whose error moved between the first and the last side.

    ``before`` and ``after`` are the findings that decided each side, None where a side has none; ``turn`` is worse, better, other or "".
    """

    id: str
    before: Finding | None
    after: Finding | None
    turn: str
    shifts: tuple[Shift, ...]
    limits: tuple[tuple[float, float], tuple[float, float]] | None
    """The limits of both sides where another map gives others: then the requirement itself is another."""


@dataclass(frozen=True, slots=True)
class Spread:
    """An error over one side's runs, such as boards: lowest, highest, standard deviation of the mean errors, and whose is worst."""

    id: str
    runs: int
    lowest: float
    highest: float
    deviation: float | None
    worst: RunHead
    finding: Finding


@dataclass(frozen=True, slots=True)
class Drift:
    """An error that moves steadily from run to run: by how much a run, with half its interval, over how many runs."""

    id: str
    slope: float
    half: float
    runs: int
    unit: str


@dataclass(frozen=True, slots=True)
class Comparison:
    """What changed from the first side to the last, and what the runs between show."""

    sides: tuple[Side, ...]
    files: Mapping[str, str]
    """Of map, bench and captures: ``same``, or ``other``."""
    changes: tuple[Change, ...]
    alike: int
    verdicts: Mapping[str, tuple[Verdict | None, ...]]
    """Of each requirement: its verdict by side."""
    shares: Mapping[str, tuple[float | None, ...]]
    """Of each requirement: its worst error by side as a share of the limit on its side, with the error's sign; None where there is none."""
    spreads: tuple[Spread, ...]
    drifts: tuple[Drift, ...]

    def turned(self, turn: str) -> list[Change]:
        """Return the changes of one turn: worse, better, other."""
        return [change for change in self.changes if change.turn == turn]

    @property
    def moved(self) -> list[Change]:
        """The requirements that kept their verdict while their error moved."""
        return [change for change in self.changes if not change.turn]

    @property
    def unsteady(self) -> list[str]:
        """The requirements that came out otherwise in between, though first and last side agree."""
        return [id for id, found in self.verdicts.items() if found[0] is found[-1] and len(set(found)) > 1]

    @property
    def exit_code(self) -> int:
        """1 where a verdict turned for the worse, else 0."""
        return 1 if self.turned("worse") else 0


def sides_of(runs: Sequence[RunHead], tag: str | None) -> list[Side]:
    """Return each run as a side, or with ``tag`` the runs that bear each of its values together, in the order of their first.

    Raises UsageError: fewer than two sides, or a run lacks the tag.
    """
    if tag is None:
        sides = [Side(run.file, (run,)) for run in runs]
    else:
        groups: dict[str, list[RunHead]] = {}
        for run in runs:
            if tag not in run.tested:
                has = ", ".join(run.tested) or "nothing"
                raise UsageError(f"--by {tag}: {run.file} does not say its {tag}; under `tested` it says: {has}")
            groups.setdefault(run.tested[tag], []).append(run)
        sides = [Side(f"{tag} {value}", tuple(found)) for value, found in groups.items()]
    if len(sides) < 2:
        only = sides[0].name if sides else "none"
        raise UsageError(f"there is one thing to compare, {only}; expected two runs or more, or a folder of them")
    return sides


def compare(history: History, sides: Sequence[Side]) -> Comparison:
    """Compare the first side with the last. Raises UsageError where the runs have no requirement in common."""
    runs = [run for side in sides for run in side.runs]
    requirements = history.requirements(runs)
    changes: list[Change] = []
    verdicts: dict[str, tuple[Verdict | None, ...]] = {}
    shares: dict[str, tuple[float | None, ...]] = {}
    common = alike = 0
    files = _files(sides[0].runs, sides[-1].runs)
    for id, entries in requirements:
        deciding = [_deciding(entries, side) for side in sides]
        verdicts[id] = tuple(entries[run.number].verdict if run is not None else None for run in deciding)
        shares[id] = tuple(_signed(entries[run.number]) if run is not None else None for run in deciding)
        first, last = deciding[0], deciding[-1]
        common += first is not None and last is not None
        change = _change(history, id, entries, first, last, other_map=files["map"] != "same")
        if change is None:
            alike += 1
        else:
            changes.append(change)
    fewest = min(sum(found[at] is not None for found in verdicts.values()) for at in (0, -1))
    if common * 10 < fewest:  # a bus of its own and a name by chance are all that devices of two kinds share
        maps = " and ".join(dict.fromkeys(run.map_name or run.file for run in runs))
        raise UsageError(
            f"the runs have {common} of {fewest} requirements in common; they are of {maps}, which are compared each with its own"
        )
    return Comparison(
        tuple(sides),
        files,
        tuple(sorted(changes, key=_rank)),
        alike,
        verdicts,
        shares,
        tuple(_spreads(history, requirements, sides[-1])),
        tuple(_drifts(history, requirements, runs)),
    )


def _files(before: Sequence[RunHead], after: Sequence[RunHead]) -> dict[str, str]:
    def held(runs: Sequence[RunHead], key: str) -> set[tuple[str, ...]]:
        return {run.files[key] for run in runs}

    return {key: "same" if held(before, key) == held(after, key) else "other" for key in ("map", "bench", "captures")}


def _deciding(entries: Mapping[int, Entry], side: Side) -> RunHead | None:
    """Return the run that decides a side's verdict: the worst, then the one nearest to its limit, then the earliest."""
    there = [run for run in side.runs if run.number in entries]

    def rank(run: RunHead) -> tuple[int, float]:
        entry = entries[run.number]
        return WORST_FIRST.index(entry.verdict), -entry.share

    return min(there, key=rank) if there else None


_WORTH = {Verdict.PASS: 2, Verdict.UNTESTED: 1, Verdict.UNDECIDED: 1, Verdict.FAIL: 0, None: 1}
"""How good a verdict is; a requirement that is not there says as little as an untested one."""


def _turn(before: Verdict | None, after: Verdict | None) -> str:
    if before is after:
        return ""
    worth = _WORTH[after] - _WORTH[before]
    return "worse" if worth < 0 else "better" if worth > 0 else "other"


def _change(
    history: History, id: str, entries: Mapping[int, Entry], first: RunHead | None, last: RunHead | None, *, other_map: bool
) -> Change | None:
    before = entries[first.number] if first is not None else None
    after = entries[last.number] if last is not None else None
    turn = _turn(before.verdict if before else None, after.verdict if after else None)
    limits = _other_limits(before, after) if other_map else None
    shifts = _shifts(before, after) if before is not None and after is not None else ()
    if not turn and not shifts:
        return None
    found = [history.finding(id, run) if run is not None else None for run in (first, last)]
    unit = next((str(one.evidence.get("unit") or "") for one in found if one is not None), "")
    with_unit = tuple(Shift(one.what, one.before, one.after, one.expanded, unit if one.what != "gain" else "") for one in shifts)
    return Change(id, found[0], found[1], turn, with_unit, limits)


def _signed(entry: Entry) -> float | None:
    return None if entry.error is None else copysign(entry.share, entry.error)


def _other_limits(before: Entry | None, after: Entry | None) -> tuple[tuple[float, float], tuple[float, float]] | None:
    """Return the limits at both worst readings where they differ by more than what a limit in % of the reading does."""
    if before is None or after is None or before.low is None or before.high is None or after.low is None or after.high is None:
        return None
    pair = (before.low, before.high), (after.low, after.high)
    near = all(abs(one - other) <= 0.02 * max(abs(one), abs(other)) for one, other in zip(*pair, strict=True))
    return None if near else pair


def _shifts(before: Entry, after: Entry) -> tuple[Shift, ...]:
    """Return what moved by more than its expanded uncertainty: a normalised error E_n above 1 (ISO 13528:2022, 9.7, from memory).

    The bench's parts are added as if independent, which is careful where both runs used one bench: its own offset cancels then.
    A worst reading carries the device's noise, too; a fitted offset has averaged it out.
    """
    found = []
    bench = hypot(before.u or 0.0, after.u or 0.0)
    if before.offset is not None and after.offset is not None and before.centre is not None and after.centre is not None:
        middle = (before.centre + after.centre) / 2
        one, other = _line(before, middle), _line(after, middle)
        if abs(other - one) > COVERAGE * bench:
            found.append(Shift("mean error", plain(one, 4), plain(other, 4), plain(COVERAGE * bench, 3), ""))
    elif before.error is not None and after.error is not None and before.u is not None and after.u is not None:
        expanded = COVERAGE * hypot(bench, before.noise or 0.0, after.noise or 0.0)
        if abs(after.error - before.error) > expanded:
            found.append(Shift("worst error", before.error, after.error, plain(expanded, 3), ""))
    if before.gain is not None and after.gain is not None and before.gain_half is not None and after.gain_half is not None:
        half = hypot(before.gain_half, after.gain_half)
        if abs(after.gain - before.gain) > half:
            found.append(Shift("gain", before.gain, after.gain, plain(half, 3), ""))
    return tuple(found)


def _line(entry: Entry, at: float) -> float:
    """Return the fitted error at an applied value."""
    return (entry.offset or 0.0) + ((entry.gain or 1.0) - 1) * (at - (entry.centre or 0.0))


def _rank(change: Change) -> tuple[int, int, float, str]:
    turn = ("worse", "other", "better", "").index(change.turn)
    verdict = WORST_FIRST.index(change.after.verdict) if change.after is not None else len(WORST_FIRST)
    share = float(ratio(change.after)) if change.after is not None else 0.0
    return turn, verdict, -share, change.id


def _spreads(history: History, requirements: Sequence[tuple[str, Mapping[int, Entry]]], side: Side) -> list[Spread]:
    """Return the spread of every accuracy over a side's runs, that with the worst error against its limit first."""
    found = []
    for id, entries in requirements:
        there = [(run, entries[run.number]) for run in side.runs if run.number in entries and entries[run.number].error is not None]
        if len(there) < 2:
            continue
        errors = [entry.error for _, entry in there if entry.error is not None]
        offsets = [entry.offset for _, entry in there if entry.offset is not None]
        worst = max(there, key=lambda one: one[1].share)[0]
        deviation = plain(_deviation(offsets), 4) if len(offsets) == len(there) else None
        found.append(
            (
                max(entry.share for _, entry in there),
                Spread(id, len(there), min(errors), max(errors), deviation, worst, history.finding(id, worst)),
            )
        )
    return [spread for _, spread in sorted(found, key=lambda one: (-one[0], one[1].id))]


def _deviation(values: Sequence[float]) -> float:
    mean = fsum(values) / len(values)
    return sqrt(fsum((value - mean) ** 2 for value in values) / (len(values) - 1))


def _drifts(history: History, requirements: Sequence[tuple[str, Mapping[int, Entry]]], runs: Sequence[RunHead]) -> list[Drift]:
    """Return the errors whose straight line over the runs is not level: by the t-interval of its slope, Bonferroni over requirements."""
    series = []
    for id, entries in requirements:
        numbers = [(at, _level(entries[run.number])) for at, run in enumerate(runs) if run.number in entries]
        known = [(at, value) for at, value in numbers if value is not None]
        if len(known) >= FEWEST_FOR_DRIFT:
            series.append((id, entries, known))
    if not series:
        return []
    from scipy.stats import linregress, t

    found = []
    for id, entries, known in series:
        values = [value for _, value in known]
        if len(set(values)) < 3:
            continue
        line = linregress([at for at, _ in known], values)
        half = float(line.stderr * t.ppf(1 - FALSE_DRIFTS / len(series) / 2, len(known) - 2))
        last = next(run for run in reversed(runs) if run.number in entries)
        expanded = COVERAGE * (entries[last.number].u or 0.0)
        if abs(line.slope) > half and abs(line.slope) * (known[-1][0] - known[0][0]) > expanded:
            unit = str(history.finding(id, last).evidence.get("unit") or "")
            found.append(Drift(id, plain(float(line.slope), 4), plain(half, 3), len(known), unit))
    return found


def _level(entry: Entry) -> float | None:
    return entry.offset if entry.offset is not None else entry.error
