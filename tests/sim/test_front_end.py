"""What the simulated front end senses, against resistances and temperatures from outside the project."""

import numpy as np
import pytest

from regcheck.errors import UsageError
from regcheck.sim.front_end import (
    Difference,
    Divider,
    FrontEnd,
    Series,
    Step,
    Thermistor,
    charge,
    conversions,
    even_draws,
    moving_mean,
    normal_draws,
    state,
    with_error,
)
from regcheck.sim.stimuli import Row, Stimuli

SECOND = 1_000_000_000


def bench(*rows: tuple[int, dict[str, str]], end_s: int = 60) -> Stimuli:
    return Stimuli.of([Row(time_s * SECOND, cells) for time_s, cells in rows], end_s * SECOND)


@pytest.mark.parametrize(
    ("ohm", "celsius"), [("28704.3", 0.0), ("18410.4", 10.0), ("10000", 25.0), ("4846.9", 45.0), ("1451.3", 85.0), ("248276.5", -40.0)]
)
def test_a_thermistor_by_beta(ohm: str, celsius: float) -> None:
    # IEC 60539-1 (from memory): R = R25 exp(B (1/T - 1/298.15)); the resistances are recomputed from that definition, B 3435 K
    series = conversions("t", FrontEnd(Thermistor(("ntc",), 10_000, 3435), SECOND), bench((0, {"ntc": ohm})), seed=1)
    assert series.at(30 * SECOND) == pytest.approx(celsius + 273.15, abs=0.002)


def test_of_two_thermistors_the_first_one_that_is_whole_counts() -> None:
    stimuli = bench((0, {"a": "open", "b": "4846.9"}), (20, {"a": "10000"}), (40, {"a": "short"}))
    series = conversions("t", FrontEnd(Thermistor(("a", "b"), 10_000, 3435), SECOND), stimuli, seed=1)
    assert [round(series.at(time * SECOND) - 273.15, 2) for time in (10, 30, 50)] == [45.0, 25.0, 45.0]


def test_two_broken_thermistors_leave_no_temperature() -> None:
    with pytest.raises(UsageError, match="open or shorted at once"):
        conversions("t", FrontEnd(Thermistor(("a",), 10_000, 3435), SECOND), bench((0, {"a": "open"})), seed=1)


def test_a_divider_gives_codes_up_to_its_ends() -> None:
    stimuli = bench((0, {"ntc": "10000"}), (20, {"ntc": "open"}), (40, {"ntc": "short"}))
    series = conversions("t", FrontEnd(Divider("ntc", 10_000, 4095), SECOND, raw_codes=True), stimuli, seed=1)
    assert [series.at(time * SECOND) for time in (10, 30, 50)] == [2047.5, 4095.0, 0.0]


def test_gain_comes_before_offset() -> None:
    front_end = FrontEnd(Difference(("shunt",), 200), SECOND, gain=0.01, offset=3.0)
    series = conversions("i", front_end, bench((0, {"shunt": "-5"})), seed=1)
    assert series.at(30 * SECOND) == pytest.approx(-1007.0)
    wrong = conversions("i", with_error(front_end, factor=1.02), bench((0, {"shunt": "-5"})), seed=1)
    assert wrong.at(30 * SECOND) == pytest.approx(-1007.0 * 1.02)


def test_a_value_is_not_reported_before_its_delay() -> None:
    stimuli = bench((0, {"x": "1"}), (10, {"x": "2"}))
    series = conversions("x", FrontEnd(Difference(("x",)), SECOND, delay_ns=SECOND // 2), stimuli, seed=1)
    assert series.at(10 * SECOND + SECOND // 2 - 1) == 1
    assert series.at(10 * SECOND + SECOND // 2) == 2


def test_a_first_order_filter_needs_tau_ln_step_over_rest() -> None:
    # 600 mV to 5 mV at tau 1 s: 4.79 s (recomputed: ln 120)
    stimuli = bench((0, {"x": "0"}), (10, {"x": "600"}))
    series = conversions("x", FrontEnd(Difference(("x",)), SECOND // 1000, filter_ns=SECOND), stimuli, seed=1)
    assert 600 - series.at(round(14.75 * SECOND)) > 5
    assert 600 - series.at(round(14.83 * SECOND)) < 5


def test_an_integrating_conversion_sees_the_mean() -> None:
    stimuli = bench((0, {"x": "0"}), (10, {"x": "100"}))
    series = conversions("x", FrontEnd(Difference(("x",), integrates=True), 4 * SECOND), stimuli, seed=1)
    assert series.at(12 * SECOND) == 50


def test_a_moving_mean_ramps_after_a_step() -> None:
    # 25 s after a step of -1500 of a minute's mean: 25/60 of it
    stimuli = bench((0, {"x": "0"}), (80, {"x": "-1500"}), end_s=200)
    current = conversions("x", FrontEnd(Difference(("x",), integrates=True), SECOND // 4), stimuli, seed=1)
    mean = moving_mean(current, 60 * SECOND, SECOND // 2, 0)
    assert mean.at(105 * SECOND) == pytest.approx(-625)
    assert mean.at(150 * SECOND) == pytest.approx(-1500)


def test_charge_is_the_integral_of_the_current() -> None:
    times = np.arange(3601) * SECOND
    assert charge(Series(times, np.full(3601, 1200.0)), 500).at(3600 * SECOND) == pytest.approx(1700)


def test_a_state_is_set_late_and_cleared_with_hysteresis() -> None:
    volts = Series(np.arange(8) * SECOND, np.array([4.1, 4.25, 4.25, 4.25, 4.18, 4.18, 4.1, 4.1]))
    assert state([volts], (Step(1, 4.2, 4.15, after_ns=2 * SECOND),)).value.tolist() == [0, 0, 0, 1, 1, 1, 0, 0]
    amps = Series(np.arange(4) * SECOND, np.array([0.0, -100, -10, 0]))
    assert state([amps], (Step(1, -20, -5, above=False),)).value.tolist() == [0, 1, 1, 0]


def test_draws_hang_on_seed_and_stream_alone() -> None:
    one = normal_draws(4, 7, 20_000)
    assert (one == normal_draws(4, 7, 20_000)).all()
    assert not (one[:100] == normal_draws(5, 7, 100)).any()
    # a sum of twelve even numbers of variance 1/12 has variance 1; 20000 draws: the mean within 4/sqrt(20000)
    assert abs(one.mean()) < 0.03
    assert abs(one.std() - 1) < 0.03
    assert set(even_draws(4, 7, 500, 3).tolist()) == {0, 1, 2, 3}


def test_a_schedule_must_rise_and_begin_with_every_channel() -> None:
    with pytest.raises(UsageError, match="in order of time"):
        bench((5, {"x": "1"}), (5, {"x": "2"}))
    with pytest.raises(UsageError, match="first row of the schedule says nothing of 'y'"):
        bench((0, {"x": "1"}), (5, {"y": "2"}))
    with pytest.raises(UsageError, match="expected a number, open or short"):
        bench((0, {"x": "one"}))


def test_the_log_of_a_schedule() -> None:
    stimuli = bench((0, {"x": "1.50", "y": "open"}), (5, {"y": "7"}), end_s=9)
    assert stimuli.csv() == "time_s,x,y\n0.000,1.50,open\n5.000,,7\n9.000,end,\n"
