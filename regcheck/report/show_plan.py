"""A plan of stimuli as text: how long it takes, each step with what it serves, how to read meanwhile, and what it cannot reach."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from regcheck.report.words import number_ranges, wrap

if TYPE_CHECKING:
    from regcheck.planning.schedule import StimulusPlan
    from regcheck.planning.thresholds import Unreached

WIDTH = 79
INDENT = 22


def show_plan(plan: StimulusPlan, *, ascii: bool = False) -> list[str]:
    """Return the summary of a plan as lines of at most 79 columns; with ``ascii`` nothing but ASCII is in them."""
    said = f"{plan.register_map.title or plan.register_map.name}: {len(plan.steps)} steps, {_duration(plan.end_ns)}, nominal at both ends"
    lines = [*wrap(said, WIDTH, ascii_only=ascii), "", f"{'from':>9} {'held':>8}   step, and what it is for"]
    served: tuple[str, ...] = ()
    for begin_ns, step in zip(plan.begins_ns, plan.steps, strict=True):
        head = f"{begin_ns / 1e9:7.1f} s {step.hold_ns / 1e9:6.1f} s   "
        parts = wrap(step.what, WIDTH - INDENT, ascii_only=ascii)
        lines += [f"{head if number == 0 else '':{INDENT}}{part}" for number, part in enumerate(parts)]
        if step.serves and step.serves != served:
            lines += [" " * INDENT + part for part in wrap(f"for {'; '.join(step.serves)}", WIDTH - INDENT, ascii_only=ascii)]
        served = step.serves
    for title, notes in (("reading meanwhile", plan.polling), ("notes", plan.notes)):
        if notes:
            lines += ["", title, *(line for note in notes for line in _told(note, ascii))]
    lines += _open(plan.foreseen.undecided, "stays undecided with this bench", ascii)
    lines += _open(plan.foreseen.unreached, "cannot reach", ascii)
    if not plan.foreseen.unreached:
        lines += ["", "nothing that the bench drives stays untested"]
    caution = "Look through the steps before a board sees them: they go to the ends of its ranges and over its alarms."
    return [*lines, "", *wrap(caution, WIDTH, ascii_only=ascii)]


def _told(text: str, ascii_only: bool) -> list[str]:
    first, *others = wrap(text, WIDTH - 4, ascii_only=ascii_only)
    return [f"  {first}", *(f"    {line}" for line in others)]


def _open(items: Sequence[Unreached], title: str, ascii_only: bool) -> list[str]:
    """Return requirements that stay open, elements of one array that are alike said once."""
    groups: dict[tuple[str, str, str], list[str]] = {}
    for one in items:
        bare, number = _apart(one.id)
        groups.setdefault((bare, one.remedy, one.place), []).append(number)
    first = {(_apart(one.id)[0], one.remedy, one.place): one for one in reversed(items)}
    lines = ["", title] if items else []
    for (bare, remedy, place), numbers in groups.items():
        which = f"[{number_ranges([int(number) for number in numbers])}]" if all(numbers) else ""
        says = first[bare, remedy, place].says
        lines += _told(f"{bare}{which}, because {says}; {remedy}" + (f" ({place})" if place else ""), ascii_only)
    return lines


def _apart(id: str) -> tuple[str, str]:
    """Return an id without its element's number, and that number; "" where it has none."""
    bare, bracket, rest = id.rpartition("[")
    return (bare, rest[:-1]) if bracket and rest[:-1].isdigit() and rest.endswith("]") else (id, "")


def _duration(time_ns: int) -> str:
    minutes, seconds = divmod(-(-time_ns // 10**9), 60)
    return f"{minutes} min {seconds} s" if minutes else f"{seconds} s"
