"""`regcheck record`: a live bus into a file, as it comes."""

from __future__ import annotations

import signal
import sys
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Optional

import typer

from regcheck.errors import BusError, UsageError

if TYPE_CHECKING:
    from regcheck.live.listening import Listening
    from regcheck.live.recorder import Rotation
    from regcheck.live.source import BusName, Opener, Stop

CAUTION = "A battery can burn and its bus can be live: follow your lab's rules, local codes and licensed practice."
BUS_HELP = "A live bus: i2c-1, can0, INTERFACE:CHANNEL of python-can, sim:RECIPE; LABEL=BUS where the map names it. May be given again."


def record(
    map: Annotated[Path, typer.Argument(metavar="MAP", help="A register map (YAML): what is polled, and how often.")],
    bus: Annotated[Optional[list[str]], typer.Option(metavar="BUS", help=BUS_HELP)] = None,  # noqa: UP045 - typer reads it
    output: Annotated[
        Optional[Path],  # noqa: UP045
        typer.Option("--output", "-o", metavar="FILE", help="The file: a transfer log (SMBus) or a SocketCAN text log (CAN)."),
    ] = None,
    for_: Annotated[Optional[str], typer.Option("--for", metavar="TIME", help="End after so long, such as '10 min'.")] = None,  # noqa: UP045
    count: Annotated[int, typer.Option("--count", metavar="N", min=0, help="End after so many records; 0: no such end.")] = 0,
    rotate: Annotated[
        Optional[str],  # noqa: UP045
        typer.Option(metavar="SIZE|TIME", help="Begin a new file, NAME-0001 and on, at each 100MB or 10min."),
    ] = None,
    force: Annotated[bool, typer.Option("--force", help="Write over a file that is there.")] = False,
    poll: Annotated[str, typer.Option(metavar="TIME", help="How often registers are read of which the map does not say.")] = "1 s",
    wait: Annotated[str, typer.Option(metavar="TIME", help="How long a bus that is lost is waited for.")] = "5 min",
    allow_writes: Annotated[
        bool,
        typer.Option(
            "--allow-writes", help="Let the selector writes happen that the map's `through` asks for. Nothing else is ever written."
        ),
    ] = False,
    take_part: Annotated[
        bool, typer.Option("--take-part", help="CAN: do not ask the interface to only listen; it then acknowledges frames.")
    ] = False,
    quiet: Annotated[bool, typer.Option("--quiet", "-q", help="No summary and no progress.")] = False,
) -> int:
    """Record a live bus into a file that check and decode read.

    SMBus registers are polled as the map says; CAN is listened to. Nothing is written to a device but what --allow-writes permits.

    A battery can burn and its bus can be live: follow your lab's rules, local codes and licensed practice.

    What is recorded is on the disk within a second. Ctrl-C ends it in order. Prints what came, register by register.

    \b
    Exit codes:
      0    recorded; ended by Ctrl-C, --for or --count
      2    usage, or a wrong map
      3    the bus cannot be opened or did not come back; the disk is full

    \b
    Examples:
      regcheck record maps/ridge_4s.yaml --bus i2c-1 -o bus.jsonl
      regcheck record maps/scarp_96.yaml --bus can0 -o bus.log --for '10 min'
      regcheck record maps/ridge_4s.yaml --bus sim:ridge_4s -o try.jsonl
    """
    from regcheck.cli import say
    from regcheck.cli.inputs import readable
    from regcheck.device_map.compile import load_map
    from regcheck.live.clock import SystemClock
    from regcheck.live.opening import NAMES_HELP, kind_of, open_named
    from regcheck.live.recorder import Recorder
    from regcheck.live.source import Stop
    from regcheck.live.summary import summary_lines

    if not bus:
        raise UsageError(f"no bus is named; give --bus: {NAMES_HELP}, sim:RECIPE")
    if output is None:
        raise UsageError("no file is named; give -o FILE")
    span_ns = _time("--for", for_) if for_ is not None else 0
    poll_ns, wait_ns = _time("--poll", poll), _time("--wait", wait)
    rotation = _rotation(rotate)
    register_map = load_map(readable(map, "map"))
    openers = simulated_openers()
    clock = SystemClock()
    recorder = Recorder(output, kind=kind_of(bus[0], openers), clock=clock, rotation=rotation, force=force)
    source = open_named(
        bus,
        register_map,
        allow_writes=allow_writes,
        listen_only=not take_part,
        poll_ns=poll_ns,
        wait_ns=wait_ns,
        fd=None,
        recorder=recorder,
        openers=openers,
        clock=clock,
    )
    say(CAUTION)
    source.open()
    say(*source.notes)
    stop = Stop()
    began = time.monotonic()
    with ended_by_signals(stop):
        failure = _follow(source, stop, began, span_ns=span_ns, count=count, quiet=quiet)
    if not quiet:
        for line in summary_lines(source, register_map, seconds=time.monotonic() - began):
            typer.echo(line)
    if failure is not None:
        raise failure
    return 0


def _follow(source: Listening, stop: Stop, began: float, *, span_ns: int, count: int, quiet: bool) -> BusError | None:
    """Let the recording run to its end; return what ended it before."""
    is_shown = not quiet and sys.stderr.isatty()
    shown = began
    try:
        for batch in source.batches(stop):
            now = time.monotonic()
            if (span_ns and (now - began) * 1e9 >= span_ns) or (count and source.heard >= count):
                stop.set()
            if is_shown and now - shown >= 0.5:
                shown = now
                wrong = sum(batch.complained.values())
                text = f"{now - began:.0f} s, {source.heard} records{f', {wrong} errors just now' if wrong else ''}; Ctrl-C ends it"
                sys.stderr.write(f"\r{text[:78]:<78}")
                sys.stderr.flush()
    except BusError as error:
        return error
    finally:
        if is_shown:
            sys.stderr.write("\r" + " " * 78 + "\r")
            sys.stderr.flush()
    return None


@contextmanager
def ended_by_signals(stop: Stop) -> Iterator[None]:
    """Let Ctrl-C and a polite kill end a live command in order; a second Ctrl-C ends it at once."""

    def end(number: int, _: object) -> None:
        if stop.is_set and number == signal.SIGINT:
            raise KeyboardInterrupt
        stop.set()

    before = {number: signal.signal(number, end) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def simulated_openers() -> Mapping[str, Opener]:
    """Return what opens `sim:RECIPE` and `sim:RECIPE@FAULTS`: the board of a recipe, without hardware."""

    def simulated(bus: BusName) -> tuple[str, Callable[[], Any]]:
        from regcheck.sim.host import PollPlan
        from regcheck.sim.live_bus import SimulatedAdapter, SimulatedInterface
        from regcheck.sim.recipe import load_recipe

        name, _, listed = bus.channel.partition("@")
        recipe = load_recipe(_recipe_file(name))
        if listed and listed not in recipe.faults:
            raise UsageError(f"{bus.text}: the recipe has no faults '{listed}'; it has {', '.join(recipe.faults) or 'none'}")
        faults = recipe.faults[listed] if listed else ()
        if isinstance(recipe.plan, PollPlan):
            return "smbus", lambda: SimulatedAdapter(recipe, faults)
        return "can", lambda: SimulatedInterface(recipe, faults)

    return {"sim": simulated}


def _recipe_file(name: str) -> Path:
    """Return the file of a recipe, or of a shipped one by its bare name."""
    from regcheck.cli.demo import shipped

    path = Path(name)
    if path.is_file():
        return path
    home = shipped("ridge-4s").parent / "recipes"
    found = home / f"{name}.yaml"
    if "/" not in name and found.is_file():
        return found
    raise UsageError(
        f"sim:{name}: there is no such recipe; shipped are {', '.join(sorted(one.stem for one in home.glob('*_[0-9]*.yaml')))}"
    )


def _time(option: str, text: str) -> int:
    from regcheck.device_map.limits import parse_time_ns

    try:
        time_ns = parse_time_ns(text)
    except ValueError as error:
        raise UsageError(f"{option}: {error}") from error
    if not time_ns:
        raise UsageError(f"{option}: '{text}' is no time; expected such as 10 min")
    return time_ns


def _rotation(text: str | None) -> Rotation:
    from regcheck.device_map.limits import parse_quantity
    from regcheck.device_map.units import TABLE
    from regcheck.live.recorder import Rotation

    if text is None:
        return Rotation()
    try:
        value, unit = parse_quantity(text)
    except ValueError as error:
        raise UsageError(f"--rotate: {error}") from error
    amount = value * unit.factor
    if unit.fits(TABLE["s"]) and amount >= 1:
        return Rotation(time_ns=int(amount * 1_000_000_000))
    if unit.fits(TABLE["bit"]) and amount >= 8 * 1000:
        return Rotation(size=int(amount / 8))
    raise UsageError(f"--rotate: '{text}' is neither a size of 1 kB or more nor a time of 1 s or more; expected such as 100MB or 10min")
