"""What one check needs, made once: the map, what the bench applied, each capture's clock and states, how each field is judged."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from functools import partial
from pathlib import Path

from regcheck.bench.applied import AppliedField, applied_fields
from regcheck.bench.bench_file import Bench
from regcheck.bench.clock import Clock, ClockRefused
from regcheck.bench.stimulus import StimulusLog
from regcheck.checks.accuracy import AccuracyCheck, CaptureClock
from regcheck.checks.accuracy_findings import accuracy_findings
from regcheck.checks.alarms import Clocks
from regcheck.checks.answers import answer_findings
from regcheck.checks.array_numbers import device_findings, fitted_findings
from regcheck.checks.availability import AvailableCheck
from regcheck.checks.bench_channels import bench_findings
from regcheck.checks.cadence import CadenceCheck
from regcheck.checks.cadence_findings import cadence_findings
from regcheck.checks.cadence_series import cadence_paths
from regcheck.checks.check_fields import CrcCheck
from regcheck.checks.checks import Checks
from regcheck.checks.conditional_values import ConditionalCheck, limit_paths, value_paths
from regcheck.checks.counters import CounterCheck
from regcheck.checks.evidence_messages import WireMessage, fetch_messages, wanted_spots
from regcheck.checks.exercised import coverage_finding
from regcheck.checks.finding import Finding, Requirement, Verdict
from regcheck.checks.fold import ONE_PASS, Progress, Splitting, Work, fold, watched
from regcheck.checks.frozen import FrozenCheck
from regcheck.checks.granularity import granularity_findings, holding_findings
from regcheck.checks.judge import Judge, TableTimes, make_judge, siblings
from regcheck.checks.pairing import Driven
from regcheck.checks.plot_data import MapText, Plots, bus_plots, field_plots
from regcheck.checks.plots import PlotCheck
from regcheck.checks.rule_findings import rule_findings
from regcheck.checks.rule_record import RuleRecord
from regcheck.checks.survey import ClockSurvey
from regcheck.checks.transfers import TransferCheck
from regcheck.checks.unknown_ids import UnknownCheck, required_instances
from regcheck.checks.values import ValueCheck
from regcheck.codec.columns import FieldId
from regcheck.codec.plan import ColumnPlan, Survey, SurveyPass, decoded_to_the_end, survey_states
from regcheck.codec.states import States
from regcheck.device_map.frames import Fitted, message_ids
from regcheck.device_map.model import RegisterMap
from regcheck.device_map.sensors import SENSORS
from regcheck.errors import Place, Problem, SourceError
from regcheck.traffic.open import Capture


class Plan:
    """What one check needs, made once: the map, what the bench applied, how each field is judged."""

    def __init__(
        self,
        register_map: RegisterMap,
        bench: Bench | None,
        log: StimulusLog | None,
        fitted: Fitted | None = None,
        buses: Mapping[str, str] | None = None,
    ) -> None:
        self.register_map, self.bench, self.log, self.fitted, self.buses = register_map, bench, log, fitted, buses
        self.applied: list[AppliedField] = applied_fields(bench, log) if bench is not None and log is not None else []
        which = [(self._driven(one), one) for one in self.applied]
        self.driven = {id: one for id, one in which if id is not None}
        self.not_said = {(one.field.message, one.field.name) for id, one in which if id is None}
        self.clocks: list[Clock | ClockRefused | None] = []
        self.states: list[States] = []
        self.judges: list[Judge] = []
        self.times: list[dict[FieldId, TableTimes]] = []

    def survey(self, captures: Sequence[Capture], progress: Progress | None = None, splitting: Splitting = ONE_PASS) -> None:
        """Read what the judges need before any reading is judged: clocks and states of every capture."""
        for number, capture in enumerate(captures):
            also = (limit_paths(self.register_map) if self.applied else frozenset()) | cadence_paths(self.register_map)
            also |= value_paths(self.register_map)
            common = partial(
                survey_states, self.register_map, capture.batches, sensors=SENSORS, also=also, fitted=self.fitted, buses=self.buses
            )

            def one_pass(survey: SurveyPass, capture: Capture = capture) -> Survey:
                return fold(Work(survey.decoder, survey.new), capture, splitting, progress)

            self.states.append(common(fold=one_pass))
            self.clocks.append(self._clock(number, capture, progress, splitting))
        self.times = [{} for _ in captures]
        for id, one in self.driven.items():
            if self.bench is None:
                break
            settle, latency = self.bench.timing.of(one.field)
            warm_up, known = self.bench.timing.warm_up_ns, [own.of(id.instance) for own in self.states]
            judge, times = make_judge(id, one, self.register_map, known, settle_ns=settle, latency_ns=latency, warm_up_ns=warm_up)
            self.judges.append(judge)
            for number, own in enumerate(times):
                self.times[number][id] = own

    def _driven(self, one: AppliedField) -> FieldId | None:
        """Return which device's field a bench target is; None where several are fitted and the bench file does not say which."""
        message = self.register_map.message(one.field.message)
        fitted = [""]
        if message is not None and message.kind == "frame":
            fitted = list(dict.fromkeys(found.instance for found in message_ids(self.register_map, message, self.fitted)))
        meant = [instance for instance in fitted if one.instance in ("", instance)]
        return FieldId(one.field.message, one.field.name, one.element, meant[0]) if len(meant) == 1 else None

    def decoder(self, number: int, capture: Capture) -> ColumnPlan:
        """Return the decoder of capture ``number``, once it has been surveyed."""
        states = self.states[number]
        common = partial(ColumnPlan, self.register_map, states, sensors=SENSORS, fitted=self.fitted, buses=self.buses)
        return common(file=str(capture.path), by_line=capture.by_line)

    def _clock(self, number: int, capture: Capture, progress: Progress | None, splitting: Splitting) -> Clock | ClockRefused | None:
        if self.bench is None or self.log is None:
            return None
        new = partial(ClockSurvey, self.bench, self.driven)
        survey = new()
        if survey.needed:
            survey = fold(Work(partial(self.decoder, number, capture), new), capture, splitting, progress)
        return survey.clock(self.log)

    def clock_of(self, number: int) -> CaptureClock:
        """Return the clock of capture ``number`` as the checks use it."""
        clock, doubt = self.clocks[number], self.bench.timing.timestamps_ns if self.bench is not None else 0
        return CaptureClock(clock if isinstance(clock, Clock) else None, doubt)

    def checks(self, number: int, *, plots: bool = False) -> Checks:
        """Return the accumulators of capture ``number``, or of one stretch of it, before anything is read.

        With ``plots`` they gather what a report draws, too.
        """
        context, judges, states = self.clock_of(number), tuple(self.judges), self.states[number]
        required = required_instances(self.register_map, self.fitted)
        made = Checks(
            TransferCheck(self.register_map, number),
            ValueCheck(self.register_map, frozenset(judge.id for judge in judges), number),
            ConditionalCheck(self.register_map, frozenset(judge.id for judge in judges), number, states),
            AccuracyCheck(judges, self.times[number], context, number),
            AvailableCheck(judges, context, number),
            CadenceCheck(self.register_map, number, states, context.timestamps_ns, required),
            CounterCheck(self.register_map, number),
            CrcCheck(self.register_map, number),
            FrozenCheck([one for one in judges if self._is_frame(one.field.message)], context, number),
            UnknownCheck(self.register_map, number, self.fitted),
            RuleRecord(self.register_map, number),
        )
        if plots:
            made.plots = PlotCheck(self.register_map, judges, number)
            for id, tally in made.accuracy.tallies.items():
                tally.watch = made.plots.trace(id).judged
        return made

    def fold(
        self, number: int, capture: Capture, progress: Progress | None = None, splitting: Splitting = ONE_PASS, *, plots: bool = False
    ) -> Checks:
        """Read capture ``number`` through the accumulators. Raises SourceError where its stimulus log is of another time."""
        work = Work(partial(self.decoder, number, capture), partial(self.checks, number, plots=plots))
        done = fold(work, capture, splitting, progress)
        self._refuse_another_time(self.clocks[number], done, capture)
        return done

    def _alarm_clocks(self) -> Clocks:
        """Return what rules need of the bench: what it applied by which judge, each capture's clock, how long an alarm may take unasked."""
        if self.bench is None or self.log is None:
            return Clocks(Driven({}, ()), {})
        clocks = [self.clock_of(number) for number in range(len(self.clocks))]
        slack = {item.path: sum(self.bench.timing.of(item)) for message in self.register_map.messages for item in message.all_fields()}
        driven = Driven({judge.id: judge for judge in self.judges}, clocks)
        return Clocks(driven, slack, self.log.begin_ns + self.bench.timing.warm_up_ns)

    def _is_frame(self, name: str) -> bool:
        message = self.register_map.message(name)
        return message is not None and message.kind == "frame"

    def _refuse_another_time(self, clock: Clock | ClockRefused | None, done: Checks, capture: Capture) -> None:
        """A log that ends before the capture begins, or the other way round, proves nothing: it is refused."""
        if not isinstance(clock, Clock) or self.log is None or done.begin_ns is None or done.end_ns is None:
            return
        (low, high), doubt = clock.bench_time([done.begin_ns, done.end_ns])
        first, last = self.log.begin_ns, self.log.last_ns
        if int(high + doubt[1]) < first or int(low - doubt[0]) > last:
            runs = f"the stimulus log runs from {first / 1e9:g} s to {last / 1e9:g} s"
            seen = f"the capture {capture.path} from {int(low) / 1e9:g} s to {int(high) / 1e9:g} s of the bench's time"
            text = f"{runs}, {seen}: they do not overlap"
            raise SourceError(
                [Problem(Place(self.log.file), text, "is it the log of this capture, and is `clock` in the bench file right?")]
            )

    def plots(self, done: Checks, findings: Sequence[Finding], captures: Sequence[Capture], progress: Progress | None = None) -> Plots:
        """Return what a report of these findings draws; reads the captures once more, for the messages that evidence points at."""
        texts = {}
        for name in self.register_map.files:
            data = Path(name).read_bytes()
            texts[name] = MapText(hashlib.sha256(data).hexdigest(), tuple(data.decode("utf-8", "replace").splitlines()))
        wire: dict[tuple[int, int], WireMessage] = {}
        for source, places in wanted_spots(findings).items():
            capture = captures[source]
            wire |= fetch_messages(decoded_to_the_end(self.decoder(source, capture), watched(capture, progress)), source, places)
        clocks = [self.clock_of(number) for number in range(len(self.clocks))]
        fields = field_plots(done.plots, self.judges, clocks) if done.plots is not None else {}
        bus = bus_plots(done.plots) if done.plots is not None else ()
        return Plots(fields, bus, wire, texts, self.register_map)

    def findings(self, done: Checks, *, closed: bool = True) -> list[Finding]:
        """Return every finding so far, in the order of the map; ``closed``: nothing more will come."""
        kin = siblings(self.judges)
        tallies = done.accuracy.tallies
        found = [*done.unknown.findings(closed=closed), *done.transfers.findings(closed=closed)]
        found += [*done.crc.findings(closed=closed), *done.counters.findings(closed=closed), *cadence_findings(done.cadence)]
        found += done.values.findings(closed=closed)
        found += done.conditional.findings(closed=closed)
        found += _clock_findings(self.clocks)
        found += accuracy_findings(tallies, kin)
        found += self.not_driven(done.accuracy.not_driven)
        if self.bench is not None:
            for tally in tallies.values():
                if tally.judge.field.accuracy:
                    covered = coverage_finding(tally, self.bench.coverage)
                    found += [covered] if covered is not None else []
        found += [*done.frozen.findings(closed=closed), *done.available.findings(closed=closed)]
        if self.bench is not None and self.log is not None:
            found += bench_findings(self.bench, self.log)
        return found + self._of_record(done)

    def _of_record(self, done: Checks) -> list[Finding]:
        """Return the findings that need readings in order: what messages and fields ask of each other, and the map's rules."""
        books, clocks = done.rules.books(), self._alarm_clocks()
        required = required_instances(self.register_map, self.fitted)
        doubt_ns = self.bench.timing.timestamps_ns if self.bench is not None else 0
        found = [*answer_findings(self.register_map, books, doubt_ns, required), *holding_findings(self.register_map, books)]
        if self.fitted:
            heard = frozenset(instance for _, instance, _ in done.unknown.seen)
            devices = list(dict.fromkeys(one for instances in required.values() for one in instances if one))
            found += device_findings(devices, heard, anything=bool(done.unknown.seen))
        found += fitted_findings(self.register_map, books, required)
        found += granularity_findings(self.register_map, books, {judge.id: judge for judge in self.judges})
        return found + rule_findings(self.register_map, books, clocks, required)

    def not_driven(self, seen: Mapping[FieldId, int]) -> list[Finding]:
        """Fields with an accuracy that the bench drives not at all, and ``seen`` ones of an array or a device that it leaves out."""
        driven = {(id.message, id.field) for id in self.driven}
        found: dict[str, Finding] = {}
        for message in self.register_map.messages:
            for item in message.all_fields():
                if not item.accuracy:
                    continue
                path = (item.message, item.name)
                ids = sorted(id for id, count in seen.items() if count and (id.message, id.field) == path)
                if not ids and path not in driven:
                    ids = [FieldId(*path)]
                for id in ids:
                    place = item.given_keys.get("accuracy", item.place)
                    requirement = Requirement("accuracy", item.message, item.name, id.element, id.instance, place)
                    says, reason, remedy = self._why_not_driven(path, id)
                    one = Finding(requirement, Verdict.UNTESTED, says.format(requirement.path), reason, remedy)
                    found.setdefault(requirement.id, one)
        return list(found.values())

    def _why_not_driven(self, path: tuple[str, str], id: FieldId) -> tuple[str, str, str]:
        if self.bench is None:
            return "nothing is known of what was applied to {}", "no_bench", "give the check a bench file and its stimulus log"
        if path in self.not_said:
            remedy = f"write it in the bench file, such as {id.instance or 'rack[3]'}.{id.field}: …, or fit only one in the trial"
            return "the bench does not say which of several devices it drives, so {} was not judged", "instance_not_said", remedy
        return "the bench applies nothing to {}", "not_applied", "add it under `applied` in the bench file"


def _clock_findings(clocks: Sequence[Clock | ClockRefused | None]) -> list[Finding]:
    refused = [(number, clock) for number, clock in enumerate(clocks) if isinstance(clock, ClockRefused)]
    return [
        Finding(
            Requirement("bench", "clock" if len(clocks) == 1 else f"clock[{number}]"),
            Verdict.UNTESTED,
            f"the capture's clock cannot be told: {clock.says}",
            clock.reason,
            clock.remedy,
        )
        for number, clock in refused
    ]
