"""Whether each mapped signal did in a log what its quantity does, alone and beside the others.

A finding is a mistake where the signal cannot be what it is taken for, and a doubt where that is unlikely
or where the sensor behind it may be at fault. What an idling, cranked, cold or fully loaded engine does, or
one on a mountain, is no finding.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import combinations
from typing import Final

import numpy as np
from numpy.typing import NDArray

from mixmon.arrays import SECOND_NS, Floats, Ints
from mixmon.findings.plausible.notes import Implausible, Level, PlausibleNote
from mixmon.findings.plausible.ranges import (
    SELF_RUNNING_RPM,
    Possible,
    converted,
    fits,
    fitting_conversions,
    possible_range,
    quantity_named,
)
from mixmon.findings.plausible.samples import SignalSamples
from mixmon.gas.exhaust import lambda_from_oxygen
from mixmon.gas.fuel import Fuel
from mixmon.messages.misread import Rescaling
from mixmon.mixture.track import Source
from mixmon.note import Value, note

Mask = NDArray[np.bool_]

_LEAST_SAMPLES: Final = 20
"""Fewer say nothing. Our choice: a second at 20 Hz."""

_FIFTH = 0.2
"""Share of samples that make a mistake of what cannot be, and a doubt of what is not usual: our choice."""

_HOLD_NS: Final = SECOND_NS // 2
"""How old another signal may be to be compared with. Our choice: a slow frame of an engine control."""

_BURNT: Final = 1.3
"""Lambda below which gas has burnt; a cut reads air (common practice, no source)."""

_WARM_S: Final = 60.0
"""After so long a sensor is warm, or will not be (common practice, no source: 10 to 30 s)."""

_LONG_S: Final = 20.0
"""For how long something must hold to be told. Our choice: no start takes that long."""


@dataclass(frozen=True)
class Mapped:
    """One quantity of a session and what its signal did.

    key       in the session file
    quantity  its name there: lambda, rpm, ...
    position  of the node; None for the engine's
    source    where it comes from and how its number is read
    samples   as decoded
    cycle_s   time between samples as the definitions tell; NaN where they do not
    """

    key: str
    quantity: str
    position: int | None
    source: Source
    samples: SignalSamples
    cycle_s: float = np.nan

    @property
    def signal(self) -> str:
        """Message and signal."""
        return f"{self.source.message}.{self.source.signal}"

    @cached_property
    def t(self) -> Ints:
        """Stamps of its samples, int64[k], ns."""
        return self.samples.t

    @cached_property
    def values(self) -> Floats:
        """The quantity as the session reads it, float64[k]."""
        return self.source.read(self.samples.values)

    def held(self, t: Ints) -> Floats:
        """Its newest value at each time, float64[k]; NaN where that is too old."""
        if not len(self.t):
            return np.full(len(t), np.nan)
        at = np.searchsorted(self.t, t, side="right") - 1
        apart = max(_HOLD_NS, 2 * int(np.median(np.diff(self.t)))) if len(self.t) > 1 else _HOLD_NS
        known = (at >= 0) & (t - self.t[at] <= apart)
        return np.where(known, self.values[at], np.nan)

    def seconds(self, rows: Mask) -> float:
        """For how long the chosen samples lasted, by their share of the steady steps."""
        return float(np.count_nonzero(rows)) * self._step_s

    @cached_property
    def _step_s(self) -> float:
        return float(np.median(np.diff(self.t))) / SECOND_NS if len(self.t) > 1 else 0.0


@dataclass(frozen=True)
class Declared:
    """What the session says beside its signals.

    fuel          what is burnt
    strokes       of the engine
    natural       no boost is declared to be there
    dead_time_ms  of the injectors; None where not declared
    stale_s       from which age on a sample does not count
    """

    fuel: Fuel
    strokes: int = 4
    natural: bool = False
    dead_time_ms: float | None = None
    stale_s: float = 0.25


class _Log:
    """All mapped signals that came, by quantity, and when the engine ran."""

    def __init__(self, mapped: Sequence[Mapped], declared: Declared) -> None:
        self.declared = declared
        self.mapped = [one for one in mapped if one.samples.good]
        self.engine = {one.quantity: one for one in self.mapped if one.position is None}
        self.nodes: dict[str, list[Mapped]] = defaultdict(list)
        for one in self.mapped:
            if one.position is not None:
                self.nodes[one.quantity].append(one)

    def ran(self, t: Ints) -> Mask:
        """Whether the engine ran at each time; always, where no speed is mapped."""
        speed = self.engine.get("rpm")
        if speed is None:
            return np.ones(len(t), bool)
        return speed.held(t) >= SELF_RUNNING_RPM

    def counted(self, one: Mapped) -> Mask:
        """Which samples of a signal are judged by its range."""
        possible = possible_range(one.quantity)
        rows = np.isfinite(one.values)
        if possible is not None and possible.running:
            rows &= self.ran(one.t)
        if possible is not None and possible.nonzero:
            rows &= one.values != 0.0
        return rows & self._is_ready(one)

    def _is_ready(self, one: Mapped) -> Mask:
        """Whether the node of a mixture reading is ready; always, where it never says so for long."""
        if one.quantity not in {"lambda", "oxygen"}:
            return np.ones(len(one.t), bool)
        ready = next((r for r in self.nodes["ready"] if r.position == one.position), None)
        if ready is not None and np.any(ready.values > 0):
            return ready.held(one.t) > 0
        every = np.ones(len(one.t), bool)
        return every & (ready is None or one.seconds(every) >= _WARM_S)

    def mixtures(self) -> Iterator[tuple[Mapped, Floats]]:
        """Each node's lambda while it was ready and the engine ran."""
        for one in self.nodes["lambda"]:
            yield one, one.values[self.counted(one)]


def judge(mapped: Sequence[Mapped], declared: Declared) -> tuple[Implausible, ...]:
    """Everything that is not plausible, in the order of the signals given; nodes alike are told once.

    Args:
        mapped: every mapped signal, also those that never came.
        declared: what the session says beside them.
    """
    log = _Log(mapped, declared)
    found = _first_of_each(_without_consequences(one for rule in _JUDGEMENTS for one in rule(log)))
    order = {one.key: i for i, one in reversed(list(enumerate(mapped)))}
    return tuple(sorted(_told_once(found, log), key=lambda one: order.get(one.key, len(order))))


def judge_alone(
    quantity: str, source: Source, samples: SignalSamples, ran: Mask | None
) -> Implausible | None:
    """Whether a signal by itself can be the quantity, by its range.

    Args:
        quantity: of the session file.
        source: how its number is read.
        samples: what it did.
        ran: whether the engine ran at each of the kept samples; None where that is not known.
    """
    one = Mapped(quantity, quantity, None, source, samples)
    rows = np.isfinite(one.values)
    possible = possible_range(quantity)
    if possible is not None and possible.nonzero:
        rows &= one.values != 0.0
    if possible is not None and possible.running and ran is not None:
        rows &= ran
    return None if possible is None else _judge_range(one, one.values[rows], possible)


def _tell(level: Level, code: PlausibleNote, one: Mapped, **values: Value) -> Implausible:
    quantity = quantity_named(one.quantity)
    unit = quantity.units[0]
    return Implausible(level, one.key, one.signal, note(code, quantity=one.quantity, unit=unit, **values))


def _first_of_each(found: Iterable[Implausible]) -> Iterator[Implausible]:
    """The first finding about the values of each signal, as the others follow from it; all about rates."""
    about: set[tuple[str, Value]] = set()
    for one in found:
        which = (one.key, dict(one.note.values)["position"])
        if one.note.code in _OF_RATES or which not in about:
            yield one
        about.add(which)


def _without_consequences(found: Iterable[Implausible]) -> Iterator[Implausible]:
    """What was found, without what is judged by an engine speed that is wrong itself."""
    told = list(found)
    wrong = any(one.key == "engine_signals.rpm" and one.note.code not in _OF_RATES for one in told)
    return (one for one in told if not (wrong and one.note.code in _BY_SPEED))


def _told_once(found: Iterable[Implausible], log: _Log) -> Iterator[Implausible]:
    """What was found, with findings of one kind and key about several nodes joined to the first of them.

    What holds for some nodes of several is more likely a fault of theirs than of the session.
    """
    joined: dict[tuple[str, object], list[Implausible]] = defaultdict(list)
    for one in found:
        joined[one.key, one.note.code].append(one)
    for (_, code), alike in joined.items():
        first, values = alike[0], dict(alike[0].note.values)
        if values.get("position") is not None and code in _OF_ALL_NODES:
            values["positions"] = tuple(dict(one.note.values)["position"] for one in alike)  # type: ignore[misc]
            if len(alike) < len(log.nodes[str(values["quantity"])]):
                first = replace(first, level=Level.DOUBT)
        yield replace(first, note=note(first.note.code, **values))


_OF_RATES: Final = {PlausibleNote.RATE, PlausibleNote.TOO_SLOW, PlausibleNote.STAMPS}
_BY_SPEED: Final = {
    PlausibleNote.LONG_PULSE,
    PlausibleNote.THROTTLE_PART,
    PlausibleNote.THROTTLE_NEVER_SHUT,
}
_OF_ALL_NODES: Final = {
    PlausibleNote.RANGE,
    PlausibleNote.OXYGEN_AGAINST_LAMBDA,
    PlausibleNote.NUMBER_AS_CLAIM,
}


# --- By the range of its values. ---


def _find_out_of_range(log: _Log) -> Iterator[Implausible]:
    for one in log.mapped:
        possible = possible_range(one.quantity, natural=log.declared.natural)
        if possible is not None and (found := _judge_range(one, one.values[log.counted(one)], possible)):
            yield found


def _judge_range(one: Mapped, values: Floats, possible: Possible) -> Implausible | None:
    if len(values) < _LEAST_SAMPLES:
        return None
    beyond, unusual = (float(np.mean((values < a) | (values > b))) for a, b in (possible.can, possible.usual))
    if beyond < possible.strays and unusual < max(_FIFTH, possible.strays):
        return None
    level = Level.MISTAKE if beyond >= max(_FIFTH, possible.strays) else Level.DOUBT
    return _tell(
        level,
        PlausibleNote.RANGE,
        one,
        **_seen(values),
        share_percent=100.0 * (beyond if beyond >= possible.strays else unusual),
        least=possible.usual[0],
        most=possible.usual[1],
        remedies=_remedies(one, values, possible),
        position=one.position,
    )


def _remedies(one: Mapped, values: Floats, possible: Possible) -> tuple[str, ...]:
    """Keys by which the values would be usual ones; an empty one where they are so as they are sent."""
    plain, source = _plain(one, values), one.source
    given = (source.scale, source.offset) != (1.0, 0.0) and source.scale != 0.0
    if given and fits((plain - source.offset) / source.scale, possible):
        return ("",)
    fitting = fitting_conversions(one.quantity, plain, possible)
    return tuple(_remedy(source, by) for by in fitting[:2])


def _plain(one: Mapped, values: Floats) -> Floats:
    """Readings as they would be without the unit that the session gives."""
    if one.source.unit == "afr" and one.source.stoich_afr:
        return values * one.source.stoich_afr
    return values


def _remedy(source: Source, by: Rescaling) -> str:
    """The keys that read the signal by a further conversion."""
    return str(Rescaling(source.scale * by.scale, source.offset * by.scale + by.offset, by.unit or None))


def _seen(values: Floats) -> dict[str, Value]:
    """Lowest, middle and highest of the values, single strays left out."""
    low, middle, high = np.quantile(values, (0.005, 0.5, 0.995)).tolist()
    return {"lowest": low, "median": middle, "highest": high, "samples": len(values)}


# --- By how it moves. ---


_MOVES: Final = 0.03
"""Lambda by which others move while one stands still. Our choice: three steps of the coarsest reading."""


def _find_still_nodes(log: _Log) -> Iterator[Implausible]:
    readings = [(one, values) for one, values in log.mixtures() if len(values) >= _LEAST_SAMPLES]
    spans = [float(np.subtract(*np.quantile(values, (0.95, 0.05)))) for _, values in readings]
    if not spans or np.median(spans) < _MOVES:
        return
    for one, values in readings:
        if np.ptp(values) == 0.0 and one.seconds(np.ones(len(values), bool)) >= _LONG_S:
            yield _tell(Level.DOUBT, PlausibleNote.STANDS_STILL, one, **_seen(values), position=one.position)


def _find_still_speed(log: _Log) -> Iterator[Implausible]:
    """A speed that stays at one value, or at 0, while the gas of the cylinders changes."""
    speed = log.engine.get("rpm")
    if speed is None or np.ptp(speed.values) > 0.0 or len(speed.values) < _LEAST_SAMPLES:
        return
    readings = [one.values[np.isfinite(one.values)] for one in log.nodes["lambda"]]
    readings = [values for values in readings if len(values) >= _LEAST_SAMPLES]
    spans = [np.ptp(np.quantile(values, (0.05, 0.95))) for values in readings]
    burnt = [float(np.median(values)) < _BURNT for values in readings]
    moving = bool(spans) and float(np.median(spans)) >= _MOVES and all(burnt)
    if moving and speed.seconds(np.ones(len(speed.t), bool)) >= _LONG_S:
        yield _tell(Level.DOUBT, PlausibleNote.STANDS_STILL, speed, **_seen(speed.values), position=None)


def _find_same_nodes(log: _Log) -> Iterator[Implausible]:
    """Two nodes whose readings come from one signal, or are the same numbers all along."""
    for quantity in ("lambda", "oxygen"):
        for one, other in combinations(log.nodes[quantity], 2):
            together = {"position": one.position, "other": other.position, "other_signal": other.signal}
            if (one.source.stream, one.source.signal) == (other.source.stream, other.source.signal):
                yield _tell(Level.MISTAKE, PlausibleNote.SAME_SIGNAL, other, **together)
            elif _are_same(one, other):
                yield _tell(Level.MISTAKE, PlausibleNote.SAME_VALUES, other, **together, samples=len(one.t))


_DIFFERENT_VALUES: Final = 20
"""Different values that two signals must share to be the same. Our choice: by chance they share few."""


def _are_same(one: Mapped, other: Mapped) -> bool:
    same_length = len(one.values) == len(other.values) and one.samples.good == other.samples.good
    if not same_length or len(one.values) < _LEAST_SAMPLES:
        return False
    varied = len(np.unique(one.values)) >= _DIFFERENT_VALUES
    return varied and bool(np.array_equal(one.values, other.values, equal_nan=True))


_MOST_STEP: Final[Mapping[str, float]] = {
    "rpm": 300.0,
    "map_kpa": 40.0,
    "coolant_c": 5.0,
    "oil_c": 5.0,
    "intake_c": 10.0,
    "baro_kpa": 5.0,
    "battery_v": 3.0,
}
"""By quantity: from one sample to the next no real one changes by more, half of the time. Our choice."""

_JUMP_SHARE: Final = 0.03
"""Share of the value that such a step has at least. Our choice: the noise of another unit makes less."""

_NEXT_NS: Final = SECOND_NS // 2
"""Samples that are further apart are not compared. Our choice: a slow frame of an engine control."""


def _find_jumps_and_counters(log: _Log) -> Iterator[Implausible]:
    """Bytes in the wrong order make a number that jumps; a counter rises by one step and begins again."""
    for one in log.mapped:
        if quantity_named(one.quantity).claim or one.quantity not in {*_MOST_STEP, "throttle", "pulse_ms"}:
            continue
        near = np.diff(one.t) <= _NEXT_NS
        steps = np.diff(one.values)[near]
        steps = steps[np.isfinite(steps)]
        if len(steps) < 5 * _LEAST_SAMPLES:
            continue
        if _is_counting(steps):
            yield _tell(Level.MISTAKE, PlausibleNote.COUNTS, one, **_seen(one.values), position=one.position)
        step, height = (float(np.nanmedian(np.abs(row))) for row in (steps, one.values))
        if step > max(_MOST_STEP.get(one.quantity, np.inf), _JUMP_SHARE * height):
            yield _tell(
                Level.MISTAKE, PlausibleNote.JUMPS, one, **_seen(one.values), step=step, position=one.position
            )


def _is_counting(steps: Floats) -> bool:
    """Whether nearly all steps are one and the same, and the others fall back by many of them."""
    step = float(np.median(steps))
    if step <= 0.0:
        return False
    same = np.abs(steps - step) < 1e-6 * step
    back = steps < -3.0 * step
    return bool(np.count_nonzero(back) >= 2 and np.mean(same | back) > _NEARLY_ALWAYS)


def _find_one_signal_for_two(log: _Log) -> Iterator[Implausible]:
    """One signal for two quantities of the engine, or for the target and a node's reading."""
    numbers = [one for one in log.engine.values() if not quantity_named(one.quantity).claim]
    readings = [*log.nodes["lambda"], *log.nodes["oxygen"]]
    for i, one in enumerate(numbers):
        for other in (*readings, *numbers[:i]):
            same = (one.source.stream, one.source.signal) == (other.source.stream, other.source.signal)
            if same and "trim" not in one.quantity:
                yield _tell(Level.MISTAKE, PlausibleNote.ONE_SIGNAL, one, other_key=other.key, position=None)
                break


# --- The target beside the readings. ---


_BLOCK_NS: Final = SECOND_NS // 4
"""Over which target and readings are averaged before they are compared. Our choice: as batches are."""

_LEAST_BLOCKS: Final = 40
"""Fewer say nothing. Our choice: ten seconds."""

_MOVES_ALIKE: Final = 0.6
"""Correlation from which two move alike. Our choice: in 40 blocks chance makes 0.3."""

_NOISE_SHARE: Final = 0.5
"""A target that moves from sample to sample by less than this share of a reading's steps has not its noise.

Our choice: an interpolated target changes smoothly, and readings then follow it.
"""

_TARGET_STEP: Final = 0.01
"""Lambda by which a target changes at will; what follows a sensor's noise changes by less. Our choice."""


def _find_odd_target(log: _Log) -> Iterator[Implausible]:
    """A target that repeats the noise of the readings, or that goes rich where they go lean."""
    target = log.engine.get("target")
    if target is None or not log.nodes["lambda"]:
        return
    rows = np.isfinite(target.values) & log.ran(target.t)
    readings = [one.held(target.t) for one in log.nodes["lambda"]]
    every = np.vstack([*readings, np.mean(readings, axis=0)])
    rows &= np.isfinite(every[-1]) & (every[-1] < _BURNT)
    if np.count_nonzero(rows) < _LEAST_BLOCKS:
        return
    both = np.vstack([target.values[rows], every[:, rows]])
    noise = np.median(np.abs(np.diff(both, axis=1)), axis=1)
    wanted, *seen = _block_means(target.t[rows], both)
    if len(wanted) < _LEAST_BLOCKS:
        return
    noisy = (noise[0] > 0.0) & (noise[0] > _NOISE_SHARE * noise[1:])
    if any(_repeats(wanted, one) for one, as_noisy in zip(seen, noisy, strict=True) if as_noisy):
        yield _tell(
            Level.DOUBT, PlausibleNote.TARGET_FOLLOWS, target, **_seen(target.values[rows]), position=None
        )
    elif (
        np.ptp(np.quantile(wanted, (0.05, 0.95))) >= _MOVES and _correlation(wanted, seen[-1]) < -_MOVES_ALIKE
    ):
        yield _tell(
            Level.DOUBT,
            PlausibleNote.INVERTED,
            target,
            **_seen(target.values[rows]),
            other_key=log.nodes["lambda"][0].key,
            position=None,
        )


def _block_means(t: Ints, rows: Floats) -> Floats:
    """Means of each row over blocks of time, float64[rows, blocks]."""
    _, first = np.unique((t - t[0]) // _BLOCK_NS, return_index=True)
    means: Floats = np.add.reduceat(rows, first, axis=1) / np.diff(np.append(first, rows.shape[1]))
    return means


def _repeats(wanted: Floats, seen: Floats) -> bool:
    """Whether a target moves all along, by little, and as a reading does."""
    steps, beside = np.diff(wanted), np.diff(seen)
    small = (np.abs(steps) < _TARGET_STEP) & (steps != 0.0)
    if np.count_nonzero(small) < max(_LEAST_BLOCKS // 2, 0.5 * len(steps)):
        return False
    return _correlation(steps[small], beside[small]) > _MOVES_ALIKE


def _correlation(one: Floats, other: Floats) -> float:
    if np.ptp(one) == 0.0 or np.ptp(other) == 0.0:
        return 0.0
    return float(np.corrcoef(one, other)[0, 1])


_IN_CUT_NS: Final = 7 * SECOND_NS // 10
"""After so much of a cut air has come to the sensor (common practice, no source)."""


def _find_rich_in_cuts(log: _Log) -> Iterator[Implausible]:
    """Readings that go rich where the fuel is cut: they tell fuel to air."""
    cut = log.engine.get("fuel_cut")
    if cut is None:
        return
    told = []
    for one in log.nodes["lambda"]:
        now, before = cut.held(one.t) > 0, cut.held(one.t - _IN_CUT_NS) > 0
        counted = log.counted(one)
        air, burnt = one.values[counted & now & before], one.values[counted & ~now & ~before]
        if len(air) < _LEAST_SAMPLES or len(burnt) < _LEAST_SAMPLES:
            return
        told.append(float(np.median(air)) < float(np.median(burnt)) - 2 * _MOVES)
    if told and all(told):
        one = log.nodes["lambda"][0]
        beside = {**_seen(one.values), "other_key": cut.key}
        yield _tell(Level.MISTAKE, PlausibleNote.INVERTED, one, **beside, position=one.position)


# --- Oxygen beside lambda. ---


_OTHER_GAS: Final = 0.08
"""Of lambda: our choice. Another fuel's curve or humid air make 0.03, a wrong sign or scale far more."""

_GAS_SLOPES: Final = (0.5, 2.0)
"""Between which lambda by oxygen must follow lambda. Our choice: lags and limits bend it by far less."""


def _find_oxygen_apart(log: _Log) -> Iterator[Implausible]:
    lams = {one.position: one for one in log.nodes["lambda"]}
    for oxygen in log.nodes["oxygen"]:
        lam = lams.get(oxygen.position)
        if lam is None:
            continue
        beside = lam.held(oxygen.t)
        rows = log.counted(oxygen) & (beside > 0.7) & (beside < 1.5)  # where a sensor is at its best
        given, lam_beside, fuel = oxygen.values[rows], beside[rows], log.declared.fuel
        if len(given) < _LEAST_SAMPLES or _is_same_gas(given, lam_beside, fuel):
            continue
        tried = (Rescaling(-1.0), Rescaling(100.0), Rescaling(0.1), Rescaling(0.01))
        fitting = [by for by in tried if _is_same_gas(converted(given, by), lam_beside, fuel)]
        yield _tell(
            Level.MISTAKE,
            PlausibleNote.OXYGEN_AGAINST_LAMBDA,
            oxygen,
            **_seen(given),
            lam=float(np.median(lam_beside)),
            lambda_by_oxygen=float(np.median(lambda_from_oxygen(given, fuel))),
            remedies=tuple(_remedy(oxygen.source, by) for by in fitting[:1]),
            position=oxygen.position,
        )


def _is_same_gas(oxygen: Floats, lam: Floats, fuel: Fuel) -> bool:
    """Whether oxygen and lambda of a node may be of one gas: near each other, and moving alike."""
    by_oxygen = lambda_from_oxygen(oxygen, fuel)
    known = np.isfinite(by_oxygen)
    if known.mean() < 0.5 or float(np.median(np.abs(by_oxygen - lam)[known])) > _OTHER_GAS:
        return False
    if np.ptp(np.quantile(lam, (0.05, 0.95))) < _MOVES:
        return True
    apart = lam[known] - 1.0
    slope = float(np.dot(by_oxygen[known] - 1.0, apart) / np.dot(apart, apart))
    return _GAS_SLOPES[0] < slope < _GAS_SLOPES[1]


# --- Yes or no. ---


_CLAIM_VALUES: Final = 4
"""Values that a signal of yes and no may have: off, on, error, not available (SAE J1939, from memory)."""


def _find_numbers_as_claims(log: _Log) -> Iterator[Implausible]:
    for one in log.mapped:
        if not quantity_named(one.quantity).claim or one.source.equals is not None:
            continue
        seen = one.samples.values_seen
        if seen is None or len(seen) > _CLAIM_VALUES or any(value % 1 for value in seen):
            yield _tell(
                Level.MISTAKE,
                PlausibleNote.NUMBER_AS_CLAIM,
                one,
                **_seen(one.samples.values),
                different=0 if seen is None else len(seen),
                position=one.position,
            )


_NEARLY_ALWAYS: Final = 0.9
"""Share of the time for which a cut cannot last while the gas is burnt: our choice."""


def _find_always_yes(log: _Log) -> Iterator[Implausible]:
    """A cut, or an element that is too hot, that is reported nearly all the time in which gas was burnt."""
    burnt = [float(np.median(v)) < _BURNT for _, v in log.mixtures() if len(v) >= _LEAST_SAMPLES]
    cuts = [log.engine[name] for name in ("fuel_cut", "spark_cut") if name in log.engine]
    for one in (*cuts, *log.nodes["over_temperature"]):
        rows = log.ran(one.t)
        yes = one.values[rows] > 0
        if not burnt or not all(burnt) or one.seconds(rows) < _LONG_S or yes.mean() < _NEARLY_ALWAYS:
            continue
        share = 100.0 * float(yes.mean())
        level = Level.MISTAKE if one.position is None else Level.DOUBT
        yield _tell(level, PlausibleNote.ALWAYS_YES, one, share_percent=share, position=one.position)


def _find_never_ready(log: _Log) -> Iterator[Implausible]:
    """No node was ever ready, while their readings moved as those of warm sensors do."""
    ready = log.nodes["ready"]
    if not ready or any(np.any(one.values > 0) for one in ready):
        return
    moved = [
        one
        for one, values in log.mixtures()
        if len(values) >= _LEAST_SAMPLES
        and np.ptp(np.quantile(values, (0.05, 0.95))) >= _MOVES
        and float(np.median(values)) < _BURNT
        and one.seconds(log.counted(one)) >= 2 * _LONG_S
    ]
    if moved and len(moved) == len(log.nodes["lambda"]):
        yield _tell(
            Level.DOUBT,
            PlausibleNote.NEVER_READY,
            ready[0],
            seen=tuple((ready[0].samples.values_seen or {}).keys()),
            counted=ready[0].source.equals or (),
            position=ready[0].position,
        )


# --- Engine signals beside each other. ---


def _find_slow_speed(log: _Log) -> Iterator[Implausible]:
    """A speed at which no engine runs by itself, for longer than one is cranked."""
    speed = log.engine.get("rpm")
    if speed is None:
        return
    turning = speed.values > 20.0  # our choice: below it is a stop
    slow = turning & (speed.values < SELF_RUNNING_RPM)
    if speed.seconds(slow) < _LONG_S or np.count_nonzero(slow) < 0.1 * np.count_nonzero(turning):
        return
    values = speed.values[turning]
    tried = (Rescaling(4.0), Rescaling(9.549297), Rescaling(2.0), Rescaling(60.0))
    fitting = [by for by in tried if _is_speed(converted(values, by))]
    level = (
        Level.MISTAKE if float(np.quantile(values, 0.995)) < 3 * SELF_RUNNING_RPM and fitting else Level.DOUBT
    )
    yield _tell(
        level,
        PlausibleNote.SLOW_SPEED,
        speed,
        **_seen(values),
        slow_s=speed.seconds(slow),
        remedies=tuple(_remedy(speed.source, by) for by in fitting[:2]),
        position=None,
    )


def _is_speed(values: Floats) -> bool:
    """Whether the values are speeds of an engine: from a usual idle on, and not beyond what engines reach."""
    low, high = np.quantile(values, (0.05, 0.995))
    return bool(low >= 500.0 and high <= 16_000.0)  # common practice, no source


_OVER_CYCLE: Final = (1.3, 2.0)
"""Pulse over the time of a cycle from which it is a doubt and a mistake.

Computed: an injector that never closes has 1; controls that count on beyond it stay below the first.
"""


def _find_long_pulses(log: _Log) -> Iterator[Implausible]:
    pulse, speed = log.engine.get("pulse_ms"), log.engine.get("rpm")
    if pulse is None or speed is None:
        return
    rpm = speed.held(pulse.t)
    rows = (rpm >= SELF_RUNNING_RPM) & np.isfinite(pulse.values)
    if np.count_nonzero(rows) < _LEAST_SAMPLES:
        return
    cycle_ms = 60_000.0 * (log.declared.strokes / 2) / rpm[rows]
    share = pulse.values[rows] / cycle_ms
    high = float(np.quantile(share, 0.99))
    if high < _OVER_CYCLE[0]:
        return
    worst = int(np.argmin(np.abs(share - high)))
    yield _tell(
        Level.MISTAKE if high >= _OVER_CYCLE[1] else Level.DOUBT,
        PlausibleNote.LONG_PULSE,
        pulse,
        **_seen(pulse.values[rows]),
        rpm=float(rpm[rows][worst]),
        pulse_ms=float(pulse.values[rows][worst]),
        cycle_ms=float(cycle_ms[worst]),
        position=None,
    )


def _find_short_pulses(log: _Log) -> Iterator[Implausible]:
    pulse, dead = log.engine.get("pulse_ms"), log.declared.dead_time_ms
    if pulse is None or dead is None:
        return
    values = pulse.values[log.counted(pulse)]
    if len(values) >= _LEAST_SAMPLES and float(np.median(values)) < dead:
        yield _tell(
            Level.DOUBT, PlausibleNote.SHORT_PULSE, pulse, **_seen(values), dead_time_ms=dead, position=None
        )


_LOADED_RPM: Final = 3000.0
"""No engine gets there with its throttle shut to one percent, but on overrun: our choice."""

_SLOW_RPM: Final = 1300.0
"""Below it a throttle is nearly shut at some moment of a log (common practice, no source)."""

_NEARLY_SHUT_PERCENT: Final = 20.0
"""A throttle that was never below it was not shut: our choice, as closed ones are told as up to 15."""


def _find_odd_throttle(log: _Log) -> Iterator[Implausible]:
    """A throttle from 0 to 1, or one that never shuts while the engine idles."""
    throttle, speed = log.engine.get("throttle"), log.engine.get("rpm")
    if throttle is None or speed is None:
        return
    rpm = speed.held(throttle.t)
    running = np.isfinite(throttle.values) & (rpm >= SELF_RUNNING_RPM)
    if np.count_nonzero(running) < _LEAST_SAMPLES:
        return
    values = throttle.values[running]
    low, high = np.quantile(values, (0.005, 0.995)).tolist()
    pulled = throttle.seconds(running & (rpm > _LOADED_RPM)) > 2.0  # our choice: more than a blip
    if 0.2 < high <= 1.05 and low > -0.05 and pulled:  # our choice: opened by a fifth
        found, remedies = PlausibleNote.THROTTLE_PART, [_remedy(throttle.source, Rescaling(100.0))]
    elif low > _NEARLY_SHUT_PERCENT and throttle.seconds(running & (rpm < _SLOW_RPM)) > _LONG_S / 2:
        found, remedies = PlausibleNote.THROTTLE_NEVER_SHUT, []
    else:
        return
    yield _tell(Level.DOUBT, found, throttle, **_seen(values), remedies=tuple(remedies), position=None)


_LEAST_TOP_KPA: Final = 16.0
"""Pressure that every intake exceeds at some moment, also shut at speed (common practice, no source)."""


def _find_low_pressure(log: _Log) -> Iterator[Implausible]:
    for name in ("map_kpa", "baro_kpa", "exhaust_kpa"):
        one = log.engine.get(name)
        if one is None or len(one.values) < _LEAST_SAMPLES:
            continue
        values = one.values[np.isfinite(one.values)]
        possible = possible_range(name)
        assert possible is not None
        already = _judge_range(one, values, possible)
        if already is None and float(np.quantile(values, 0.995)) < _LEAST_TOP_KPA:
            tried = (Rescaling(6.894757), Rescaling(100.0))
            remedies = tuple(_remedy(one.source, by) for by in tried[:1])
            yield _tell(
                Level.MISTAKE,
                PlausibleNote.PRESSURE_LOW,
                one,
                **_seen(values),
                remedies=remedies,
                position=None,
            )


# --- By when it comes. ---


_RATE_TIMES: Final = 2.0
"""How many times slower or faster than told: our choice. Less is the census's, which says it by percent."""


def _find_odd_rates(log: _Log) -> Iterator[Implausible]:
    told: set[tuple[int, str]] = set()
    for one in log.mapped:
        step, message = one.samples.step_s, (one.source.bus, one.source.message)
        if message in told or not (np.isfinite(step) and step > 0 and one.samples.frames >= _LEAST_SAMPLES):
            continue
        if np.isfinite(one.cycle_s) and not 1 / _RATE_TIMES < step / one.cycle_s < _RATE_TIMES:
            told.add(message)
            yield _tell(
                Level.DOUBT,
                PlausibleNote.RATE,
                one,
                rate_hz=1 / step,
                told_hz=1 / one.cycle_s,
                position=one.position,
            )


def _find_slow_readings(log: _Log) -> Iterator[Implausible]:
    stale = log.declared.stale_s
    for name in ("lambda", "oxygen"):
        for one in log.nodes[name]:
            if one.samples.step_s > stale:
                step = one.samples.step_s
                yield _tell(
                    Level.DOUBT,
                    PlausibleNote.TOO_SLOW,
                    one,
                    step_s=step,
                    stale_s=stale,
                    position=one.position,
                )


_FASTEST_HZ: Final = 2000.0
"""No message comes more often. Computed: 8 bytes at 1 Mbit/s take 0.11 ms, and no bus has but one message."""


def _find_odd_stamps(log: _Log) -> Iterator[Implausible]:
    """Messages that come too often or too seldom for any of them: the log's times are in another unit."""
    came = [one for one in log.mapped if one.samples.frames >= _LEAST_SAMPLES and len(one.t) > 1]
    steps = [float(np.median(np.diff(one.t))) / SECOND_NS for one in came]
    rates = [1.0 / one.samples.step_s if one.samples.step_s > 0 else np.nan for one in came]
    seldom = bool(came) and all(np.isnan(rate) for rate in rates)
    if came and (seldom or max(rates, default=0.0) > _FASTEST_HZ):
        at = int(np.argmax(steps)) if seldom else int(np.nanargmax(rates))
        step = steps[at] if seldom else came[at].samples.step_s
        yield _tell(Level.DOUBT, PlausibleNote.STAMPS, came[at], step_s=step, position=came[at].position)


_JUDGEMENTS: Final[tuple[Callable[[_Log], Iterator[Implausible]], ...]] = (
    _find_same_nodes,
    _find_numbers_as_claims,
    _find_one_signal_for_two,
    _find_rich_in_cuts,
    _find_jumps_and_counters,
    _find_out_of_range,
    _find_odd_target,
    _find_low_pressure,
    _find_slow_speed,
    _find_still_speed,
    _find_long_pulses,
    _find_short_pulses,
    _find_odd_throttle,
    _find_oxygen_apart,
    _find_still_nodes,
    _find_always_yes,
    _find_never_ready,
    _find_odd_rates,
    _find_slow_readings,
    _find_odd_stamps,
)
"""Every rule, each over the whole log."""


# --- What cannot be judged. ---


def find_unjudged(mapped: Sequence[Mapped], declared: Declared) -> tuple[str, ...]:
    """Keys of signals that came with too few values for their range, most of all with the engine running."""
    log = _Log(mapped, declared)
    few = (
        one.key
        for one in log.mapped
        if possible_range(one.quantity) is not None and np.count_nonzero(log.counted(one)) < _LEAST_SAMPLES
    )
    return tuple(dict.fromkeys(few))


# --- What never came. ---


def judge_absent(
    mapped: Sequence[Mapped], buses: Sequence[str], channels: Sequence[str], present: Collection[int]
) -> tuple[Implausible, ...]:
    """Buses of which no mapped message came, and single signals that never came or never had a value.

    Args:
        mapped: every mapped signal.
        buses: names of the session's buses.
        channels: all channels of the log.
        present: indexes of the buses to which one of them belongs.
    """
    found = []
    for bus, name in enumerate(buses):
        of_bus = [one for one in mapped if one.source.bus == bus]
        if of_bus and not any(one.samples.frames for one in of_bus):
            known = bus in present
            absent = note(PlausibleNote.NO_BUS, bus=name, channels=tuple(channels), present=known)
            found.append(Implausible(Level.MISTAKE, f"bus[{bus + 1}].log_channel", "", absent))
            continue
        found += _absent_of_bus(of_bus)
    return tuple(found)


def _lasted(one: Mapped) -> bool:
    """Whether a signal came for long enough for a cold sensor to be warm."""
    step = one.samples.step_s
    return bool(np.isfinite(step)) and one.samples.frames * step >= _WARM_S


def _absent_of_bus(mapped: Sequence[Mapped]) -> Iterator[Implausible]:
    """Signals that never came, by message; and those that came and never had a value."""
    never: dict[str, list[Mapped]] = defaultdict(list)
    empty: dict[str, list[Mapped]] = defaultdict(list)
    for one in mapped:
        if not one.samples.frames:
            never[one.source.message].append(one)
        elif not one.samples.good and _lasted(one) and not quantity_named(one.quantity).claim:
            empty[one.key].append(one)
    for alike in empty.values():
        places = tuple(one.position for one in alike if one.position is not None)
        frames = alike[0].samples.frames
        yield _tell(
            Level.DOUBT,
            PlausibleNote.NEVER_GOOD,
            alike[0],
            frames=frames,
            position=alike[0].position,
            positions=places,
        )
    by_keys: dict[tuple[str, ...], list[list[Mapped]]] = defaultdict(list)
    for alike in never.values():
        by_keys[tuple(one.key for one in alike)].append(alike)
    for keys, messages in by_keys.items():
        first = messages[0]
        yield _tell(
            Level.DOUBT,
            PlausibleNote.NO_SIGNAL,
            first[0],
            message=first[0].source.message,
            others=len(messages) - 1,
            signals=tuple(one.source.signal for one in first),
            keys=keys,
            position=first[0].position,
        )
