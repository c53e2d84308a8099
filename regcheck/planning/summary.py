"""What is to be said of a plan: how often each message must be read, what the bench cannot do, what a person has to do by hand."""

from __future__ import annotations

from collections.abc import Sequence

from regcheck.bench.bench_file import Bench
from regcheck.checks.wording import lasted
from regcheck.device_map.model import RegisterMap
from regcheck.planning.bench_model import BenchModel
from regcheck.planning.goals import Pace, state_conditions, words_of
from regcheck.planning.lanes import Lane
from regcheck.planning.order import asked_ns
from regcheck.planning.thresholds import Watched


def polling_notes(pace: Pace, watched: Sequence[Watched]) -> list[str]:
    """Return how often alarms must be read, each message once with its shortest time, and what was assumed of the others."""
    asked: dict[str, tuple[int, Watched]] = {}
    for level in watched:
        wanted = asked_ns(level)
        if wanted and wanted < asked.get(level.item.message, (wanted + 1, level))[0]:
            asked[level.item.message] = wanted, level
    notes = []
    for message, (wanted, level) in asked.items():
        said = pace.said_ns(level.item)
        if not said:
            notes.append(f"read {message} every {lasted(wanted)} or faster: a quarter of what {level.name} may take")
        elif said > wanted:
            notes.append(
                f"{message} comes every {lasted(said)}, slower than a quarter of what {level.name} may take ({lasted(wanted)}): "
                "its reaction may stay undecided"
            )
    for level in watched:
        low = level.react_ns[0]
        if low and level.level.react_ns is not None:
            notes.append(
                f"{level.name} may not come before {lasted(low)}: read faster than the device waits beyond that, or it stays undecided"
            )
    assumed = sorted({one.field.message for one in pace.bench.applied if not pace.said_ns(one.field)})
    if assumed:
        notes.append(f"assumed (--poll): every {lasted(pace.assumed_ns)} or faster for {', '.join(assumed)}")
    return notes


def bench_notes(register_map: RegisterMap, bench: Bench, model: BenchModel, lanes: Sequence[Lane], watched: Sequence[Watched]) -> list[str]:
    """Return what else a person has to know before the bench runs: latches, columns that stand for a meter, what is not moved."""
    notes = [
        f"{level.name} stays until {level.level.latched_until}: send it by hand once the level was read, the plan drives only the bench"
        for level in watched
        if level.level.latched_until
    ]
    hanging = dict.fromkeys(field.path for _, field in state_conditions(register_map))
    notes += [f"the accuracy of {path} hangs on the device's own state: bring it into each state by hand" for path in hanging]
    measured = [channel.counts for channel in bench.channels.values() if channel.measured]
    if measured:
        notes.append(f"{', '.join(measured)} hold what is set; give check the log that the bench measures")
    idle = [name for name, channel in bench.channels.items() if channel.states or not any(name in one.channels for one in model.targets)]
    if idle:
        notes.append(f"{', '.join(idle)} stay as they begin: no applied number hangs on them")
    played = {member.target.key for lane in lanes for member in lane.members if words_of(member)}
    played |= {target.key for lane in lanes for member in lane.members if words_of(member) for target in member.targets}
    silent = sorted(
        {
            target.field.name
            for target in model.targets
            if target.key not in played and {"open", "short"} & {code.word for code in target.field.codes}
        }
    )
    if silent:
        notes.append(f"{', '.join(silent)}: has codes for open or short that no channel of this bench can play; open the lead by hand")
    return notes
