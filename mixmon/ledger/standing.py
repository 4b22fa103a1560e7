"""What is known of one sensor: its entries put together, how it compares with its class, and its trend.

`record_of` takes the entries that count, orders the runs by their data time (by entry where stamps are no
dates), adds up hours, and puts beside each run what its log taught. Flags say what does not fit: a sensor
slower, slower to warm up, or further off in air than its class is published to be; one in two places at once;
one that was somewhere else before.

All sensors are of one class, wide-range oxygen sensors; `ClassLimits` are starting points to be replaced by
the sheet of the sensor's maker. An interval must lie beyond a limit as a whole before a flag says so.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Final

from mixmon.ledger.entries import Entry, EntryKind, Fact, in_force, is_dated
from mixmon.ledger.forecast import DriftPoint, Forecast, forecast
from mixmon.ledger.lessons import overlap, same_place
from mixmon.ledger.notes import LedgerNote
from mixmon.note import Note, note


@dataclass(frozen=True, slots=True)
class ClassLimits:
    """What a wide-range sensor in service is expected to keep; common practice, no source.

    t63_s        longest T63 either way, sensor and controller together: tens of ms to about 0.15 s in
                 service; measured time constants are 0.05 to 0.1 s (Regitz & Collings, Meas. Sci. Technol.
                 19, 2008, abstract)
    warm_up_s    longest time from heating to ready
    air_percent  farthest from the oxygen of the air, or from the other sensors in the same air, percent of it
    """

    t63_s: float = 0.15
    warm_up_s: float = 30.0
    air_percent: float = 3.0


@dataclass(frozen=True, slots=True)
class Measured:
    """A number with half of its 95 % interval, and the part of that which is its own; None: not known."""

    value: float
    half: float | None
    own_half: float | None = None


@dataclass(frozen=True, slots=True)
class Place:
    """Where a sensor sat: the session's name, its place in the chain, its cylinders."""

    session: str
    position: int
    cylinders: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class RunRecord:
    """One run of a sensor: what its log taught; None where it did not.

    number     of its entry, by which it can be withdrawn
    begin_ns   data time; None where stamps are no dates
    hours      hot at the middle of this run, all entered runs before it included; NaN where one did not tell
    exposure   lambda_s, valid_s, over_target, load_signal (see `usage.Exposure`)
    lean, rich   T63 of readings that rise and that fall, s
    air_off    percent off the oxygen of the air if that was given, else off the other sensors in the same air
    warm_up_at_least   it may have begun before the log, and have taken longer
    """

    number: int
    log_name: str
    begin_ns: int | None
    seconds: float
    place: Place
    hot_s: float | None
    hours: float
    heater_cycles: int | None
    leaded: bool | None
    exposure: Mapping[str, Any] | None
    lean: Measured | None
    rich: Measured | None
    air_off: Measured | None
    air_is_expected: bool
    warm_up_s: float | None
    warm_up_at_least: bool


@dataclass(frozen=True, slots=True)
class Bias:
    """A sensor's own error: percent of lambda by which it reads lean, half of its 95 % interval, source."""

    number: int
    percent: float
    half_percent: float
    source: str
    reason: str


@dataclass(frozen=True, slots=True)
class AirCheck:
    """A reading in free air: oxygen read, and held by that air, percent, wet; entered_ns since 1970."""

    number: int
    entered_ns: int
    percent: float
    expected_percent: float

    @property
    def off_percent(self) -> float:
        """How far off it read, percent of the oxygen of the air."""
        return 100.0 * (self.percent / self.expected_percent - 1.0)


@dataclass(frozen=True, slots=True)
class HarmRecord:
    """One event that can hurt: a code of `HarmfulEvent`, when (data time, ns), and its numbers by name."""

    number: int
    what: str
    t_ns: int
    log_name: str
    values: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class SensorRecord:
    """All that is known of one sensor.

    hot_h, leaded_h   hours of the element at work, of the runs that tell; the latter on leaded fuel
    runs_without_hours, hot_h_fuel_unknown   what these sums do not hold: runs; hours on undeclared fuel
    heater_cycles     of the runs that tell; None where none does
    bias              the newest; None: the sensor's error is not known
    forecasts         of T63 both ways and of the warm-up
    flags             what stands out
    """

    serial: str
    runs: tuple[RunRecord, ...]
    hot_h: float
    runs_without_hours: int
    leaded_h: float
    hot_h_fuel_unknown: float
    heater_cycles: int | None
    bias: Bias | None
    biases: tuple[Bias, ...]
    air_checks: tuple[AirCheck, ...]
    harms: tuple[HarmRecord, ...]
    forecasts: tuple[Forecast, ...]
    flags: tuple[Note, ...]

    def newest(self, quantity: str) -> Any:
        """The newest `lean`, `rich`, `air_off` or `warm_up_s` of the runs; None where none was measured."""
        found = [value for run in self.runs if (value := getattr(run, quantity)) is not None]
        return found[-1] if found else None


_HOUR_S: Final = 3600.0


def records(entries: Iterable[Entry], limits: ClassLimits | None = None) -> tuple[SensorRecord, ...]:
    """The record of every sensor, in the order of their serials."""
    by_serial: dict[str, list[Entry]] = {}
    for entry in in_force(entries):
        by_serial.setdefault(entry.serial, []).append(entry)
    limits = limits or ClassLimits()
    return tuple(_record_of(serial, by_serial[serial], limits) for serial in sorted(by_serial))


def _record_of(serial: str, entries: Sequence[Entry], limits: ClassLimits) -> SensorRecord:
    runs = _order_runs([entry for entry in entries if entry.kind is EntryKind.RUN])
    histories = _list_runs(runs, entries)
    biases = tuple(_bias_of(entry) for entry in entries if entry.kind is EntryKind.BIAS)
    checks = tuple(_check_of(entry) for entry in entries if entry.kind is EntryKind.AIR_CHECK)
    told = [run for run in histories if run.hot_s is not None]
    cycles = [run.heater_cycles for run in histories if run.heater_cycles is not None]
    return SensorRecord(
        serial=serial,
        runs=histories,
        hot_h=_sum_hours(told) if told else math.nan,
        runs_without_hours=len(histories) - len(told),
        leaded_h=_sum_hours(run for run in told if run.leaded),
        hot_h_fuel_unknown=_sum_hours(run for run in told if run.leaded is None),
        heater_cycles=sum(cycles) if cycles else None,
        bias=biases[-1] if biases else None,
        biases=biases,
        air_checks=checks,
        harms=tuple(_harm_of(entry) for entry in entries if entry.kind is EntryKind.EVENT),
        forecasts=_forecast_all(histories, limits),
        flags=(
            *_compare_with_class(histories, limits),
            *_flag_air(histories, checks, limits),
            *_flag_places([run.fact for run in runs]),
        ),
    )


def _sum_hours(runs: Iterable[RunRecord]) -> float:
    return math.fsum(run.hot_s or 0.0 for run in runs) / _HOUR_S


# The runs in order, each with what its log taught.


def _order_runs(runs: Sequence[Entry]) -> list[Entry]:
    """By data time where all stamps are dates, else as they were entered."""
    if all(is_dated(run.fact) for run in runs):
        return sorted(runs, key=lambda run: (run.fact.begin_ns or 0, run.number))
    return list(runs)


def _list_runs(runs: Sequence[Entry], entries: Sequence[Entry]) -> tuple[RunRecord, ...]:
    taught = {(e.fact.log, e.kind): e.fact.facts for e in entries}
    found, hours = [], 0.0
    for run in runs:
        hot_s = run.fact.facts["hot_s"]
        own = math.nan if hot_s is None else hot_s / _HOUR_S
        beside = {kind: taught.get((run.fact.log, kind), {}) for kind in EntryKind}
        found.append(_run_record(run, hours + own / 2, beside))
        hours += own
    return tuple(found)


def _run_record(run: Entry, hours: float, beside: Mapping[EntryKind, Mapping[str, Any]]) -> RunRecord:
    facts, air = run.fact.facts, beside[EntryKind.AIR]
    expected = air.get("to_expected_percent") is not None
    return RunRecord(
        number=run.number,
        log_name=run.fact.log_name,
        begin_ns=run.fact.begin_ns if is_dated(run.fact) else None,
        seconds=facts["seconds"],
        place=Place(facts["session"], facts["position"], tuple(facts["cylinders"])),
        hot_s=facts["hot_s"],
        hours=hours,
        heater_cycles=facts["heater_cycles"],
        leaded=facts["leaded"],
        exposure=facts["exposure"],
        lean=_time_of(beside[EntryKind.T63].get("lean")),
        rich=_time_of(beside[EntryKind.T63].get("rich")),
        air_off=_air_of(air, "to_expected_percent" if expected else "to_peers_percent"),
        air_is_expected=expected,
        warm_up_s=beside[EntryKind.WARM_UP].get("seconds"),
        warm_up_at_least=bool(beside[EntryKind.WARM_UP].get("at_least")),
    )


def _time_of(facts: Mapping[str, Any] | None) -> Measured | None:
    return None if facts is None else Measured(facts["t63_s"], facts["half_s"], facts["own_half_s"])


def _air_of(facts: Mapping[str, Any], name: str) -> Measured | None:
    """How far off in air, percent of the oxygen read."""
    off, half = facts.get(name), facts.get("half_percent")
    if off is None:
        return None
    return Measured(off, None if half is None else 100.0 * half / facts["percent"])


def _bias_of(entry: Entry) -> Bias:
    facts = entry.fact.facts
    return Bias(
        entry.number,
        facts["percent"],
        facts["half_percent"],
        facts.get("source", ""),
        facts.get("reason", ""),
    )


def _check_of(entry: Entry) -> AirCheck:
    facts = entry.fact.facts
    return AirCheck(entry.number, entry.entered_ns, facts["percent"], facts["expected_percent"])


def _harm_of(entry: Entry) -> HarmRecord:
    values = {name: value for name, value in entry.fact.facts.items() if name not in {"what", "t_ns"}}
    facts = entry.fact.facts
    return HarmRecord(entry.number, facts["what"], facts["t_ns"], entry.fact.log_name, values)


# Trends.


def _forecast_all(runs: Sequence[RunRecord], limits: ClassLimits) -> tuple[Forecast, ...]:
    quantities = {
        "t63 lean": ([_point_of(run, run.lean) for run in runs], limits.t63_s),
        "t63 rich": ([_point_of(run, run.rich) for run in runs], limits.t63_s),
        "warm-up": ([_warm_up_point(run) for run in runs], limits.warm_up_s),
    }
    return tuple(
        _forecast_one(name, [point for point in points if point is not None], limit)
        for name, (points, limit) in quantities.items()
    )


def _forecast_one(name: str, points: Sequence[DriftPoint], limit: float) -> Forecast:
    """The forecast from the points whose hours are known."""
    known = [point for point in points if math.isfinite(point.hours)]
    found = forecast(name, known, limit)
    if len(known) == len(points) or found.why_not is None:
        return found
    why = note(LedgerNote.HOURS_MISSING, points=len(points) - len(known))
    return Forecast(name, limit, len(known), math.nan, math.nan, math.nan, (math.nan, math.nan), why)


def _point_of(run: RunRecord, time: Measured | None) -> DriftPoint | None:
    if time is None:
        return None
    common = math.sqrt(max((time.half or 0.0) ** 2 - (time.own_half or 0.0) ** 2, 0.0))
    return DriftPoint(run.hours, time.value, time.own_half, common)


def _warm_up_point(run: RunRecord) -> DriftPoint | None:
    if run.warm_up_s is None or run.warm_up_at_least:
        return None
    return DriftPoint(run.hours, run.warm_up_s)


# What does not fit.

_QUICKER: Final = 0.75
"""Times its T63 before, from which down a sensor may be another one: our choice. Sensors become slower; some
recover a little on unleaded fuel after leaded (SAE 790143, 1979, abstract)."""


def _compare_with_class(runs: Sequence[RunRecord], limits: ClassLimits) -> list[Note]:
    """Flags by the newest measurement of each quantity."""
    found = []
    for way in ("lean", "rich"):
        times = [time for run in runs if (time := getattr(run, way)) is not None]
        if times and times[-1].value - (times[-1].half or 0.0) > limits.t63_s:
            newest = times[-1]
            found.append(
                note(
                    LedgerNote.SLOWER_THAN_CLASS,
                    way=way,
                    t63_s=newest.value,
                    half_s=newest.half,
                    limit_s=limits.t63_s,
                )
            )
        found += _flag_quicker(way, times)
    warm_ups = [run.warm_up_s for run in runs if run.warm_up_s is not None]
    if warm_ups and warm_ups[-1] > limits.warm_up_s:
        found.append(
            note(LedgerNote.WARMS_UP_SLOWER_THAN_CLASS, seconds=warm_ups[-1], limit_s=limits.warm_up_s)
        )
    return found


def _flag_quicker(way: str, times: Sequence[Measured]) -> list[Note]:
    """The newest T63 is so much shorter than the one before that it may be of another sensor."""
    for before, now in list(pairwise(times))[-1:]:
        if now.value + (now.half or 0.0) < _QUICKER * (before.value - (before.half or 0.0)):
            return [
                note(LedgerNote.MUCH_QUICKER_THAN_BEFORE, way=way, t63_s=now.value, before_s=before.value)
            ]
    return []


def _flag_air(runs: Sequence[RunRecord], checks: Sequence[AirCheck], limits: ClassLimits) -> list[Note]:
    """The newest level in air of a run, and the newest check in free air, where they are too far off."""
    levels = [(run.air_off, run.air_is_expected) for run in runs if run.air_off is not None]
    measured = [(off, "the air" if known else "the other sensors") for off, known in levels[-1:]]
    measured += [(Measured(one.off_percent, None), "free air") for one in checks[-1:]]
    return [
        note(
            LedgerNote.OFF_IN_AIR,
            off_percent=off.value,
            half_percent=off.half,
            against=against,
            limit_percent=limits.air_percent,
        )
        for off, against in measured
        if abs(off.value) - (off.half or 0.0) > limits.air_percent
    ]


def _flag_places(runs: Sequence[Fact]) -> list[Note]:
    """A sensor in two places at one time, and one that was somewhere else before."""
    found = []
    for i, one in enumerate(runs):
        other = next((o for o in runs[i + 1 :] if overlap(one, o) and not same_place(one, o)), None)
        if other is not None:
            names = {"log": one.log_name, "other_log": other.log_name}
            found.append(note(LedgerNote.TWO_PLACES_AT_ONCE, **names, **_place_values(one, other)))
    if runs:
        elsewhere = [run for run in runs[:-1] if not same_place(run, runs[-1])]
        if elsewhere:
            newest = elsewhere[-1].facts
            found.append(
                note(
                    LedgerNote.SEEN_ELSEWHERE,
                    session=newest["session"],
                    position=newest["position"],
                    cylinders=tuple(newest["cylinders"]),
                    runs=len(elsewhere),
                )
            )
    if any(not is_dated(run) for run in runs):
        found.append(note(LedgerNote.NO_DATE, runs=sum(not is_dated(run) for run in runs)))
    return found


def _place_values(one: Fact, other: Fact) -> dict[str, Any]:
    return {
        "session": one.facts["session"],
        "position": one.facts["position"],
        "other_session": other.facts["session"],
        "other_position": other.facts["position"],
    }
