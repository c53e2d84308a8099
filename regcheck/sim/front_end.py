"""The board's front end: what it senses, how exactly, how often, and how old it is when it is reported."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import exp
from zlib import crc32

import numpy as np

from regcheck.errors import UsageError
from regcheck.sim.stimuli import Array, Stimuli, Times

KELVIN_25 = 298.15


@dataclass(frozen=True, slots=True)
class Difference:
    """The first channel, less the second one if there is one, times ``factor``.

    ``integrates``: what counts is the mean over a conversion, else its end.
    """

    channels: tuple[str, ...]
    factor: float = 1.0
    integrates: bool = False

    def sense(self, stimuli: Stimuli, begin: Times, end: Times) -> Array:
        """Return the true values over the conversions begin .. end i8[n] ns."""
        first, *others = [_sampled(stimuli, name, begin, end, integrates=self.integrates) for name in self.channels]
        return (first - sum(others, np.zeros(len(end)))) * self.factor


@dataclass(frozen=True, slots=True)
class Thermistor:
    """A temperature from a thermistor by its beta; of several channels the first one that is neither open nor shorted.

    In kelvin above ``zero_k``. IEC 60539-1 (from memory): R = R25 exp(B (1/T - 1/298.15 K)).
    """

    channels: tuple[str, ...]
    r25_ohm: float
    beta_k: float
    zero_k: float = 0.0

    def sense(self, stimuli: Stimuli, begin: Times, end: Times) -> Array:
        """Return the true values over the conversions begin .. end i8[n] ns."""
        ohm = np.full(len(end), np.nan)
        for name in reversed(self.channels):
            own = _sampled(stimuli, name, begin, end)
            ohm = np.where((own > 0) & np.isfinite(own), own, ohm)
        if np.isnan(ohm).any():
            raise UsageError(f"{' and '.join(self.channels)} are open or shorted at once; the board has no temperature then")
        return 1.0 / (1.0 / KELVIN_25 + np.log(ohm / self.r25_ohm) / self.beta_k) - self.zero_k


@dataclass(frozen=True, slots=True)
class Divider:
    """The code of a converter of ``full`` counts behind a thermistor to ground and a resistor to its reference."""

    channel: str
    pull_up_ohm: float
    full: int

    def sense(self, stimuli: Stimuli, begin: Times, end: Times) -> Array:
        """Return the true values over the conversions begin .. end i8[n] ns; ``full`` where the sensor is open, 0 where shorted."""
        ohm = _sampled(stimuli, self.channel, begin, end)
        share = np.ones(len(ohm))
        np.divide(ohm, ohm + self.pull_up_ohm, out=share, where=np.isfinite(ohm))
        return share * self.full


Sensor = Difference | Thermistor | Divider


def _sampled(stimuli: Stimuli, name: str, begin: Times, end: Times, *, integrates: bool = False) -> Array:
    if name not in stimuli.columns:
        raise UsageError(f"the board senses '{name}', which the schedule never sets")
    column = stimuli.columns[name]
    return column.mean(begin, end) if integrates else column.at(end)


@dataclass(frozen=True, slots=True)
class FrontEnd:
    """How one field is sensed: a conversion each ``every_ns``, the first one ended at ``phase_ns`` (0: after ``every_ns``).

    It can be reported ``delay_ns`` after its end, but none before ``starts_ns``: until then the board has no value yet.

    Reported = true x (1 + ``gain``) + ``offset`` + noise of that standard deviation (normal), behind a first-order filter of
    ``filter_ns``; all in the field's own unit, or in codes where ``raw_codes``. Conversions within
    ``unfiltered`` (first to last, both included: an open or shorted sensor) are reported as they are.
    """

    sensor: Sensor
    every_ns: int
    phase_ns: int = 0
    delay_ns: int = 0
    filter_ns: int = 0
    gain: float = 0.0
    offset: float = 0.0
    noise: float = 0.0
    raw_codes: bool = False
    unfiltered: tuple[tuple[int, int], ...] = ()
    starts_ns: int = 0


@dataclass(frozen=True, slots=True, eq=False)
class Series:
    """What is there to be reported: ``value`` f8[n] from ``time`` i8[n] ns on, none before ``starts_ns``.

    ``raw_codes``: values are codes on the wire.
    """

    time: Times
    value: Array
    raw_codes: bool = False
    starts_ns: int = 0

    def at(self, time_ns: int) -> float:
        """Return the value that stands at a time; before the first one that one."""
        return float(self.value[max(int(np.searchsorted(self.time, time_ns, side="right")) - 1, 0)])

    def many(self, times: Times) -> Array:
        """Return the values that stand at ``times`` i8[n]."""
        return self.value[np.clip(np.searchsorted(self.time, times, side="right") - 1, 0, None)]


def conversions(name: str, front_end: FrontEnd, stimuli: Stimuli, seed: int) -> Series:
    """Return all conversions of a run. Noise hangs on ``seed`` and ``name`` alone, so that no field changes another's."""
    end = np.arange(front_end.phase_ns or front_end.every_ns, stimuli.end_ns + 1, front_end.every_ns, dtype=np.int64)
    true = front_end.sensor.sense(stimuli, end - front_end.every_ns, end)
    special = np.zeros(len(end), np.bool_)
    for low, high in front_end.unfiltered:
        special |= (true >= low) & (true <= high)
    value = np.where(special, true, true * (1 + front_end.gain) + front_end.offset)
    if front_end.filter_ns:
        value = _filtered(value, special, 1 - exp(-front_end.every_ns / front_end.filter_ns))
    noise = normal_draws(seed, crc32(name.encode()), len(end)) * front_end.noise
    return Series(end + front_end.delay_ns, np.where(special, value, value + noise), front_end.raw_codes, front_end.starts_ns)


def normal_draws(seed: int, stream: int, count: int) -> Array:
    """Return ``count`` draws of mean 0 and standard deviation 1, nearly normal: sums of twelve even ones, never beyond 6.

    Made of the generator's raw words, which NumPy promises to keep (NEP 19), unlike what it makes of them.
    """
    words = np.random.PCG64(np.random.SeedSequence([seed, stream])).random_raw(3 * count)
    even = words.astype("<u8").view("<u2").reshape(count, 12)
    return np.asarray((even.astype(np.int64).sum(axis=1) - 12 * 0x7FFF - 6) / 0x10000)


def even_draws(seed: int, stream: int, count: int, top: int) -> Times:
    """Return ``count`` whole numbers 0 .. ``top``, as even as makes no difference."""
    words = np.random.PCG64(np.random.SeedSequence([seed, stream])).random_raw(count)
    return np.asarray(words % np.uint64(top + 1)).astype(np.int64)


def _filtered(value: Array, special: np.ndarray, share: float) -> Array:
    """Return the values behind a first-order filter; it begins anew after a conversion that is no number."""
    out = value.copy()
    for index in range(1, len(value)):
        if not special[index] and not special[index - 1]:
            out[index] = out[index - 1] + share * (value[index] - out[index - 1])
    return out


def moving_mean(series: Series, width_ns: int, every_ns: int, delay_ns: int) -> Series:
    """Return the mean of the last ``width_ns`` of conversions, worked out each ``every_ns``; while there are fewer, of those there are."""
    if len(series.time) < 2:
        raise UsageError("a mean needs at least two conversions of what it is the mean of")
    step = int(series.time[1] - series.time[0])
    count, stride = width_ns // step, max(every_ns // step, 1)
    total = np.append(0.0, np.cumsum(series.value))
    last = np.arange(stride, len(series.value) + 1, stride)
    first = np.clip(last - count, 0, None)
    return Series(series.time[last - 1] + delay_ns, (total[last] - total[first]) / (last - first))


def charge(current: Series, start_mah: float) -> Series:
    """Return the charge in mAh that a counter of a current in mA holds."""
    hours = np.diff(current.time, prepend=current.time[:1]) / 3.6e12
    return Series(current.time, start_mah + np.cumsum(current.value * hours))


FOLDS = ("max", "min", "sum", "which")


def folded(kind: str, elements: list[Series], times: float) -> Series:
    """Return the largest, smallest or sum of elements, ``times`` a factor; or ``which`` is the largest, counted from 1.

    Raises UsageError where they are not converted together.
    """
    first = elements[0]
    if any(not np.array_equal(one.time, first.time) for one in elements):
        raise UsageError(f"a {kind} is taken of fields that are not converted at the same times")
    values = np.array([one.value for one in elements])
    of_kind = {"max": values.max(axis=0), "min": values.min(axis=0), "sum": values.sum(axis=0), "which": values.argmax(axis=0) + 1.0}
    return Series(first.time, of_kind[kind] * times, starts_ns=max(one.starts_ns for one in elements))


@dataclass(frozen=True, slots=True)
class Step:
    """One level of a state, reported as ``raw``: set once a value was beyond ``set_at`` for ``after_ns``, until back at ``clear_at``."""

    raw: int
    set_at: float
    clear_at: float
    above: bool = True
    after_ns: int = 0


def state(watched: list[Series], steps: tuple[Step, ...]) -> Series:
    """Return a state as raw codes: the last of ``steps`` that is set, by the largest (for `below`: the smallest) of the watched values."""
    times = watched[0].time
    values = np.array([one.many(times) for one in watched]).T
    raw = np.zeros(len(times))
    for step in steps:
        extreme = values.max(axis=1) if step.above else -values.min(axis=1)
        set_at, clear_at = (step.set_at, step.clear_at) if step.above else (-step.set_at, -step.clear_at)
        since: int | None = None
        on = False
        for index, (time, value) in enumerate(zip(times.tolist(), extreme.tolist(), strict=True)):
            since = None if value <= set_at else (time if since is None else since)
            on = value >= clear_at if on else since is not None and time - since >= step.after_ns
            if on:
                raw[index] = step.raw
    return Series(times, raw, raw_codes=True)


def with_error(front_end: FrontEnd, *, factor: float = 1.0, by: float = 0.0) -> FrontEnd:
    """Return a front end whose gain and offset are wrong by so much."""
    return replace(front_end, gain=(1 + front_end.gain) * factor - 1, offset=front_end.offset * factor + by)
