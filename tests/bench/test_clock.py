"""The clock (verdicts, rule 12): intervals intersected, drift, and every refusal."""

from typing import Any

import numpy as np
import pytest

from regcheck.bench.clock import (
    DRIFT,
    Clock,
    ClockRefused,
    Events,
    Evidence,
    estimate_clock,
    find_events,
    intersect_offsets,
    shared_clock,
    told_clock,
)
from regcheck.errors import UsageError

S = 1_000_000_000


def ns(*seconds: Any) -> Any:
    return np.array([round(t * S) for t in seconds], np.int64)


def polled(
    steps: Any,
    offset: Any,
    *,
    delay: Any = 0.2,
    every: Any = 1.0,
    until: Any = None,
    latency: Any = 1.0,
    drift: Any = 0.0,
    sizes: Any = None,
    shift_ns: Any = 0,
    phase: Any = 0.0,
) -> Any:
    """Evidence of a device that shows each step ``delay`` late and is polled ``every`` so often, on a clock ahead by ``offset``."""
    steps = np.array(steps, float)
    sizes = (
        np.array([(1.0 if k % 2 == 0 else -0.8) * (1 + 0.1 * k) for k in range(len(steps))]) if sizes is None else np.array(sizes, float)
    )
    until = steps[-1] + offset + 20 if until is None else until
    poll = np.arange(phase, until, every)
    shown = steps * (1 + drift) + offset + delay
    value = np.array([sizes[shown <= t].sum() for t in poll])
    time = np.rint(poll * S).astype(np.int64) + shift_ns
    events = find_events(time, time, value, len(steps))
    begin = np.rint(steps * S).astype(np.int64)
    return Evidence("cells.cell_voltage[1]", begin, begin, sizes, events, round(latency * S))


def aligned(*evidence: Any, **options: Any) -> Clock:
    clock = estimate_clock(evidence, **options)
    assert isinstance(clock, Clock), clock
    return clock


def refusal(*evidence: Any, **options: Any) -> ClockRefused:
    refused = estimate_clock(evidence, **options)
    assert isinstance(refused, ClockRefused)
    return refused


UNEVEN = (10.3, 20.7, 38.2, 47.9, 71.4, 80.1, 103.6)


def test_rule_12_example_of_three_steps() -> None:
    evidence = polled((10.3, 20.7, 31.1), 5.0)
    assert (evidence.events.last_old / S).tolist() == [15, 25, 36]
    assert (evidence.events.first_new / S).tolist() == [16, 26, 37]
    clock = aligned(evidence, drift=0.0)
    low, high = ((clock.offset_ns + rest) / S for rest in clock.offset_range(0))
    assert (low, high) == pytest.approx((3.9, 5.3))
    bench, doubt = clock.bench_time(100 * S)
    assert float(doubt) / S == pytest.approx(0.7)
    assert float(bench) / S == pytest.approx(100 - 4.6)
    assert (clock.matched, clock.steps, clock.kind) == (3, 3, "estimated")


def test_rule_12_an_estimated_clock_never_clears_a_delay() -> None:
    assert not aligned(polled(UNEVEN, 5.0)).may_clear_delay
    assert shared_clock().may_clear_delay
    assert told_clock(12_500_000_000, 100_000_000).may_clear_delay


@pytest.mark.parametrize(("offset", "delay", "phase"), [(5.0, 0.2, 0.0), (-3.3, 0.9, 0.4), (1234.5, 0.0, 0.7)])
def test_rule_12_the_true_offset_is_always_inside(offset: Any, delay: Any, phase: Any) -> None:
    clock = aligned(polled(UNEVEN, offset, delay=delay, phase=phase, until=UNEVEN[-1] + offset + 20))
    low, high = clock.offset_range(int(50 * S))
    assert low <= offset * S - clock.offset_ns <= high
    assert (high - low) / S < 2.0


def test_rule_12_several_fields_narrow_it() -> None:
    one, two = polled(UNEVEN, 5.0), polled(UNEVEN, 5.0, every=0.1, latency=0.3)
    wide, narrow = (float(aligned(*fields).bench_time(50 * S)[1]) for fields in ((one,), (one, two)))
    assert narrow < wide / 2


def test_rule_12_epochs_keep_every_nanosecond() -> None:
    epoch = 1_795_000_000_000_000_007
    clock = aligned(polled(UNEVEN, 5.0, shift_ns=epoch))
    plain = aligned(polled(UNEVEN, 5.0))
    assert (clock.bench_time(epoch + 50 * S)[0], clock.bench_time(epoch + 50 * S)[1]) == plain.bench_time(50 * S)


def test_rule_12_drift_over_eight_hours_is_1_44_s() -> None:
    assert pytest.approx(1.44) == DRIFT * 8 * 3600
    rng = np.random.default_rng(6)
    steps = np.sort(rng.uniform(0, 8 * 3600, 60)).round(3)
    evidence = polled(steps, 5.0, drift=50e-6, until=8 * 3600 + 50)
    assert refusal(evidence, drift=0.0).reason == "contradiction"
    clock = aligned(evidence, drift=60e-6)
    for bench in (0.0, 14_400.0, 28_800.0):
        middle, doubt = clock.bench_time(round((bench * (1 + 50e-6) + 5.0) * S))
        assert abs(int(middle) - bench * S) <= int(doubt)
        assert doubt / S < 0.8


def test_rule_12_a_clock_without_drift_is_no_reason_for_drift() -> None:
    clock = aligned(polled(UNEVEN, 5.0))
    assert all(abs(drift) <= 50e-6 for _, drift in clock.corners)


def test_rule_12_refuses_fewer_than_three_steps() -> None:
    refused = refusal(polled((10.3, 20.7), 5.0))
    assert refused.reason == "too_few_steps"
    assert refused.says == "the bench made 2 steps, a clock needs at least 3"
    assert "at least three steps" in refused.remedy
    # the same three times in two fields are three steps, not six
    assert refusal(polled((10.3, 20.7), 5.0), polled((10.3, 20.7), 5.0)).reason == "too_few_steps"
    assert refusal().reason == "too_few_steps"


def test_rule_12_refuses_under_60_percent_matched() -> None:
    refused = refusal(polled(UNEVEN, 5.0, until=50))  # the capture ends after the third step
    assert refused.reason == "few_matched"
    assert "of 7 steps are matched" in refused.says


def test_rule_12_accepts_a_capture_that_misses_a_few() -> None:
    clock = aligned(polled(UNEVEN, 5.0, until=90))  # 6 of 7
    assert clock.matched == 6


def test_rule_12_refuses_periodic_stimuli() -> None:
    steps = np.arange(10, 200, 10) + 0.3
    refused = refusal(polled(steps, 5.0, sizes=np.ones(len(steps))))
    assert refused.reason == "ambiguous"
    assert "stimuli repeat themselves" in refused.says
    assert "uneven intervals" in refused.remedy


def test_rule_12_refuses_an_empty_intersection() -> None:
    begin = ns(0, 100, 210, 330, 460)
    size = np.array([1.0, -1, 1, -1, 1])
    # the device is once 2.6 s late where 2 s are declared: four steps agree, the fifth must not be dropped
    seen = begin + ns(5, 5.2, 5.1, 5.3, 7.6)
    refused = refusal(Evidence("x", begin, begin, size, Events(seen - S // 10, seen, size), 2 * S))
    assert refused.reason == "contradiction"
    assert "check the latency" in refused.remedy
    assert intersect_offsets(begin, seen - S // 10 - 2 * S - begin, seen - begin, 50e-6) == ()
    assert aligned(Evidence("x", begin, begin, size, Events(seen - S // 10, seen, size), 4 * S)).matched == 5


def test_rule_12_a_leap_of_the_clock_is_a_contradiction() -> None:
    # votes allow 50 ppm around the middle each way, which no one drift can serve: both ends late, the middle early
    begin = ns(0, 10_000, 20_000, 30_000, 40_010)
    size = np.array([1.0, -1, 1, -1, 1])
    late = ns(0.9, 0.4, 0.0, 0.4, 0.9)
    seen = begin + 5 * S + late
    evidence = Evidence("x", begin, begin, size, Events(seen - S // 10, seen, size), 0)
    refused = refusal(evidence)
    assert refused.reason == "contradiction"
    assert "later than its latency, or a clock leapt" in refused.says


def test_rule_12_no_events_at_all() -> None:
    begin = ns(*UNEVEN)
    none = Events(begin[:0], begin[:0], np.zeros(0))
    assert refusal(Evidence("x", begin, begin, np.ones(7), none, S)).reason == "no_events"


def test_rule_12_a_wrong_scale_or_sign_still_aligns() -> None:
    right = polled(UNEVEN, 5.0)
    for factor in (0.1, -1.0, -37.0):
        turned = Evidence(right.field, right.step_begin, right.step_end, right.step_size * factor, right.events, right.latency_ns)
        clock = aligned(turned)
        assert (clock.offset_ns, clock.corners) == (aligned(right).offset_ns, aligned(right).corners)


def test_a_step_with_two_events_in_reach_counts_once_and_keeps_both() -> None:
    right = polled(UNEVEN, 5.0)
    seen = right.events
    doubled = Events(
        np.append(seen.last_old, seen.last_old[2] + S), np.append(seen.first_new, seen.first_new[2] + S), np.append(seen.size, seen.size[2])
    )
    clock = aligned(Evidence(right.field, right.step_begin, right.step_end, right.step_size, doubled, right.latency_ns))
    assert clock.matched == clock.steps == 7
    low, high = clock.offset_range(50 * S)
    assert low <= 5.0 * S - clock.offset_ns <= high


def test_measured_edges_widen_the_offset() -> None:
    right = polled(UNEVEN, 5.0)
    wide = Evidence(right.field, right.step_begin - S // 4, right.step_end + S // 4, right.step_size, right.events, right.latency_ns)
    difference = aligned(wide).bench_time(50 * S)[1] - aligned(right).bench_time(50 * S)[1]
    assert difference / S == pytest.approx(0.25, abs=1e-3)


def test_events_stand_out_from_the_fields_own_noise() -> None:
    rng = np.random.default_rng(9)
    time = np.arange(200) * S
    value = np.where(np.arange(200) < 60, 3700.0, np.where(np.arange(200) < 140, 4100.0, 3500.0)) + rng.integers(-2, 3, 200).astype(float)
    events = find_events(time, time + 1000, value, 5)
    assert (events.last_old / S).tolist() == [59, 139]
    assert (events.first_new - 1000).tolist() == [60 * S, 140 * S]
    assert events.size == pytest.approx([400, -600], abs=5)


def test_a_slow_field_makes_one_event_a_step() -> None:
    time = np.arange(100) * S
    value = np.where(np.arange(100) < 50, 0.0, 600 * (1 - np.exp(-(np.arange(100) - 49) / 1.0)))
    events = find_events(time, time, value, 1)
    assert (events.last_old / S).tolist() == [49]
    assert events.size[0] > 300


def test_ramps_and_still_fields_have_no_events() -> None:
    time = np.arange(50) * S
    assert len(find_events(time, time, np.arange(50.0), 3).size) == 0
    assert len(find_events(time, time, np.full(50, 7.0), 3).size) == 0
    assert len(find_events(time[:1], time[:1], np.ones(1), 3).size) == 0
    assert len(find_events(time[:0], time[:0], np.ones(0), 3).size) == 0


def test_shared_and_told_clocks() -> None:
    times = ns(0, 100)
    bench, doubt = shared_clock().bench_time(times)
    assert bench.tolist() == times.tolist()
    assert doubt.tolist() == [0, 0]
    bench, doubt = told_clock(12_500_000_000, 100_000_000).bench_time(times)
    assert (bench / S).tolist() == [-12.5, 87.5]
    assert doubt.tolist() == [100_000_000] * 2
    bench, doubt = told_clock(0, 0, drift=50e-6).bench_time(28_800 * S)
    assert float(doubt) / S == pytest.approx(1.44, abs=1e-3)
    with pytest.raises(UsageError, match="0 or more"):
        told_clock(0, -1)


def test_intersection_against_a_grid() -> None:
    rng = np.random.default_rng(12)
    x = np.array([-500, -100, 50, 300, 600]) * 1000
    middle = 40 + 1e-3 * x
    low, high = (middle - rng.uniform(5, 60, 5)).astype(int), (middle + rng.uniform(5, 60, 5)).astype(int)
    corners = intersect_offsets(x, low, high, 0.01)
    offset, rate = np.meshgrid(np.linspace(-200, 300, 1001), np.linspace(-0.01, 0.01, 2001))
    good = np.all([(offset + rate * a >= lo) & (offset + rate * a <= hi) for a, lo, hi in zip(x, low, high, strict=True)], axis=0)
    assert good.any()
    for at in (-500_000, 0, 600_000):
        ends = [o + r * at for o, r in corners]
        grid = (offset + rate * at)[good]
        assert min(ends) <= grid.min() + 1e-9
        assert max(ends) >= grid.max() - 1e-9
        assert grid.min() - min(ends) < 12
        assert max(ends) - grid.max() < 12
