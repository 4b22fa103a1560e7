"""The ledger of sensors as JSON and as text."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from mixmon.arrays import DATED_FROM_NS, SECOND_NS
from mixmon.ledger.entries import Entry
from mixmon.ledger.forecast import Forecast
from mixmon.ledger.lessons import Lesson
from mixmon.ledger.standing import AirCheck, Measured, Place, RunRecord, SensorRecord
from mixmon.report.answers import answer_text, sensors_answer
from mixmon.report.balance import log_json, log_text
from mixmon.report.text import (
    NO_VALUE,
    Cell,
    Column,
    Grid,
    counted,
    half_width,
    note_lines,
    number,
    paragraph,
    set_grid,
    table,
    title,
)
from mixmon.report.words import sentence
from mixmon.run import LogFacts


@dataclass(frozen=True, slots=True)
class TaughtLog:
    """What a log taught, and what became of its lines; of one that had been entered they were not read."""

    lesson: Lesson
    log: LogFacts


def sensors_json(
    place: str, sensors: Sequence[SensorRecord], logs: Sequence[TaughtLog] = (), entries: Sequence[Entry] = ()
) -> Mapping[str, Any]:
    """The fields of `mixmon sensors --json`, in their order.

    ledger     the file
    sensors    one a serial: sensor; runs: number (of its entry), log, begin (UTC; null where stamps are no
               dates), seconds, session, position, cylinders, hot_s, hours (hot at the middle of the run),
               heater_cycles, leaded, exposure (lambda_s, valid_s, over_target, load_signal), lean and rich
               (t63_s, half_s, own_half_s), air_off_percent, air_half_percent, air_against ("air" or "peers"),
               warm_up_s, warm_up_at_least (it was heating when the log began); hot_h, runs_without_hours,
               leaded_h, hot_h_fuel_unknown, heater_cycles; bias (null if not known) and biases: number,
               percent (+ reads lean), half_percent, source, reason; air_checks: number, entered (UTC),
               percent, expected_percent, off_percent; events: number, what, t_s (since 1970), log, values;
               forecasts: quantity, limit, points, per_100_h, per_100_h_half, hours_left, interval95_h,
               why_not; flags
    logs       with --add, one a log: log (its name), account (of its lines, as the balance gives it),
               fingerprint, entered_before, entries (their numbers), notes
    withdrawn  with --withdraw: numbers of the entries that count no more
    """
    return {
        "ledger": place,
        "sensors": [_sensor_json(one) for one in sensors],
        "logs": [
            {
                "log": one.lesson.log_name,
                "account": log_json(one.log),
                "fingerprint": one.lesson.log,
                "entered_before": one.lesson.taught,
                "entries": [entry.number for entry in one.lesson.entries],
                "notes": one.lesson.notes,
            }
            for one in logs
        ],
        "withdrawn": [entry.number for entry in entries],
    }


def _sensor_json(one: SensorRecord) -> Mapping[str, Any]:
    return {
        "sensor": one.serial,
        "runs": [_run_json(run) for run in one.runs],
        "hot_h": one.hot_h,
        "runs_without_hours": one.runs_without_hours,
        "leaded_h": one.leaded_h,
        "hot_h_fuel_unknown": one.hot_h_fuel_unknown,
        "heater_cycles": one.heater_cycles,
        "bias": one.bias,
        "biases": one.biases,
        "air_checks": [
            {
                "number": check.number,
                "entered": _utc_text(check.entered_ns),
                "percent": check.percent,
                "expected_percent": check.expected_percent,
                "off_percent": check.off_percent,
            }
            for check in one.air_checks
        ],
        "events": [
            {
                "number": harm.number,
                "what": harm.what,
                "t_s": harm.t_ns / SECOND_NS,
                "log": harm.log_name,
                "values": harm.values,
            }
            for harm in one.harms
        ],
        "forecasts": one.forecasts,
        "flags": one.flags,
    }


def _run_json(run: RunRecord) -> Mapping[str, Any]:
    air = run.air_off
    return {
        "number": run.number,
        "log": run.log_name,
        "begin": None if run.begin_ns is None else _utc_text(run.begin_ns),
        "seconds": run.seconds,
        "session": run.place.session,
        "position": run.place.position,
        "cylinders": run.place.cylinders,
        "hot_s": run.hot_s,
        "hours": run.hours,
        "heater_cycles": run.heater_cycles,
        "leaded": run.leaded,
        "exposure": run.exposure,
        "lean": _time_json(run.lean),
        "rich": _time_json(run.rich),
        "air_off_percent": None if air is None else air.value,
        "air_half_percent": None if air is None else air.half,
        "air_against": None if air is None else "air" if run.air_is_expected else "peers",
        "warm_up_s": run.warm_up_s,
        "warm_up_at_least": run.warm_up_at_least,
    }


def _time_json(time: Measured | None) -> Mapping[str, Any] | None:
    if time is None:
        return None
    return {"t63_s": time.value, "half_s": time.half, "own_half_s": time.own_half}


def _utc_text(t_ns: int) -> str:
    """A moment in UTC, to the second (ISO 8601)."""
    return datetime.fromtimestamp(t_ns // SECOND_NS, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


# Text.


def sensors_text(place: str, sensors: Sequence[SensorRecord]) -> str:
    """All sensors, one a line, for a terminal of 80 columns."""
    head = title("SENSORS", "") + answer_text(sensors_answer(sensors)) + paragraph(f"ledger: {place}")
    if not sensors:
        return f"{head}\n{paragraph(_NOTHING_KNOWN)}"
    remarks = "".join(
        paragraph(f"{one.serial}: {'; '.join(said)}") for one in sensors if (said := remarks_on(one))
    )
    parts = [head, set_grid(overview_grid(sensors)) + paragraph(COLUMNS_SAY), remarks]
    return "\n".join(part for part in parts if part)


def overview_grid(sensors: Iterable[SensorRecord]) -> Grid:
    """One row a sensor; `COLUMNS_SAY` says what the columns are."""
    columns = [
        Column("sensor", left=True),
        Column("runs"),
        Column("hours", 1),
        Column("leaded", 1),
        Column("cycles"),
        Column("lean ms"),
        Column("rich ms"),
        Column("air %", 1, signed=True),
        Column("ready", left=True),
        Column("bias %", left=True),
    ]
    return Grid(columns, [_overview_row(one) for one in sensors])


_NOTHING_KNOWN = (
    "no sensor is known yet: mixmon sensors --add LOG --session FILE enters what a log teaches; "
    "mixmon sensors --bias SERIAL PCT HALF --reason TEXT a sensor's own error"
)
COLUMNS_SAY = (
    "hours, leaded: of the element at work, on leaded fuel, in the logs entered; cycles: of its heater; "
    "lean, rich: "
    "newest T63 of readings that rise and fall, sensor and controller together; air: newest percent off the "
    "air, or off "
    "the other sensors in it; ready: newest warm-up, s, + where it may have begun before the log; bias: the "
    "sensor's own error, + reads lean, ± 95 %; "
    "-- not "
    "known. mixmon sensors SERIAL tells one sensor in full"
)


def _overview_row(one: SensorRecord) -> tuple[Cell, ...]:
    lean, rich, air = (one.newest(name) for name in ("lean", "rich", "air_off"))
    bias = NO_VALUE if one.bias is None else bias_text(one.bias.percent, one.bias.half_percent)
    return (
        one.serial,
        float(len(one.runs)),
        one.hot_h,
        one.leaded_h if one.runs else None,
        None if one.heater_cycles is None else float(one.heater_cycles),
        *(None if time is None else 1e3 * time.value for time in (lean, rich)),
        None if air is None else air.value,
        newest_warm_up_text(one),
        bias,
    )


def remarks_on(one: SensorRecord) -> list[str]:
    """What stands out about a sensor: its flags, what may have hurt it, the forecast that comes first."""
    return [*map(sentence, one.flags), *_count_harms(one), *_soonest_text(one.forecasts)]


def newest_warm_up_text(one: SensorRecord) -> str:
    """The newest warm-up, s; a plus behind it where it may have begun before the log."""
    measured = [run for run in one.runs if run.warm_up_s is not None]
    return _warm_up_text(measured[-1]) if measured else NO_VALUE


def bias_text(percent: float, half: float) -> str:
    """A sensor's own error with half of its 95 % interval."""
    return f"{number(percent, 2, signed=True)} ±{half_width(half, 2)}"


def _count_harms(one: SensorRecord) -> list[str]:
    """The events that can hurt, by what they were."""
    what = [harm.what for harm in one.harms]
    return [f"{kind}: {what.count(kind)}" for kind in dict.fromkeys(what)]


def _soonest_text(forecasts: Iterable[Forecast]) -> list[str]:
    """The forecast that comes first."""
    known = [one for one in forecasts if math.isfinite(one.hours_left)]
    return [forecast_text(min(known, key=lambda one: one.hours_left))] if known else []


_FORECAST_OF: Mapping[str, str] = {
    "t63 lean": "T63 of readings that rise:",
    "t63 rich": "T63 of readings that fall:",
    "warm-up": "warm-up:",
}
"""What a forecast is of, in words."""


def forecast_text(one: Forecast) -> str:
    """One forecast in words; where there is none, the reason."""
    unit, scale = ("s", 1.0) if one.quantity == "warm-up" else ("ms", 1e3)
    limit = f"{_FORECAST_OF[one.quantity]} limit of {scale * one.limit:g} {unit}"
    if one.why_not is not None:
        return f"{limit}: no forecast, {sentence(one.why_not)}"
    low, high = one.interval95_h
    return f"{limit} in about {one.hours_left:.0f} h hot (95 %: {low:.0f} to {high:.0f})"


def sensor_text(place: str, one: SensorRecord) -> str:
    """One sensor in full, for a terminal of 80 columns."""
    answer = answer_text(sensors_answer([one]))
    parts = [title("SENSOR", one.serial) + answer + paragraph(f"ledger: {place}"), paragraph(sums_words(one))]
    if one.runs:
        parts.append(_runs_table(one.runs) + paragraph(_RUNS_SAY))
    parts += [_exposure_text(one), _biases_text(one), _list_air_checks(one), _harms_text(one)]
    parts.append("".join(paragraph(f"trend: {forecast_text(f)}{_slope_text(f)}") for f in one.forecasts))
    parts.append(note_lines(one.flags))
    return "\n".join(part for part in parts if part)


def sums_words(one: SensorRecord) -> str:
    """Hours, fuel and heater cycles of a sensor in one sentence."""
    hours = f"{number(one.hot_h, 2)} h hot in {counted(len(one.runs), 'run')}"
    if one.runs_without_hours:
        hours = f"at least {hours}, {one.runs_without_hours} of which did not tell"
    fuel = f"; {number(one.leaded_h, 2)} h on leaded fuel"
    if one.hot_h_fuel_unknown:
        fuel += f", {number(one.hot_h_fuel_unknown, 2)} h on fuel that was not declared"
    cycles = "" if one.heater_cycles is None else f"; {counted(one.heater_cycles, 'heater cycle')}"
    return f"{hours}{fuel}{cycles}"


def _runs_table(runs: Sequence[RunRecord]) -> str:
    columns = [
        Column("no."),
        Column("begin (UTC)", left=True),
        Column("pos"),
        Column("cyl", left=True),
        Column("hours", 2),
        Column("lean ms"),
        Column("±", is_half=True),
        Column("rich ms"),
        Column("±", is_half=True),
        Column("air %", 1, signed=True),
        Column("ready", left=True),
        Column("session", left=True, wraps=True),
    ]
    return table(columns, [_run_row(run) for run in runs])


_RUNS_SAY = (
    "no.: of the entry, for --withdraw; hours: hot at the middle of the run; lean, rich: T63 of readings "
    "that rise and "
    "fall, ± 95 %; air: percent off the air where it was given, else off the other sensors; ready: warm-up, "
    "s, + where it may have begun before the log"
)


def _run_row(run: RunRecord) -> tuple[Cell, ...]:
    times: list[Cell] = []
    for time in (run.lean, run.rich):
        half = None if time is None else time.half
        times += [None if time is None else 1e3 * time.value, None if half is None else 1e3 * half]
    return (
        float(run.number),
        "no date" if run.begin_ns is None else _utc_text(run.begin_ns)[:16].replace("T", " "),
        float(run.place.position),
        _cylinders_text(run.place),
        run.hours,
        *times,
        None if run.air_off is None else run.air_off.value,
        _warm_up_text(run),
        run.place.session,
    )


def _warm_up_text(run: RunRecord) -> str:
    """The warm-up; a plus behind it where it had begun before the log, and took longer."""
    return f"{number(run.warm_up_s, 1)}{'+' if run.warm_up_at_least else ''}"


def _cylinders_text(place: Place) -> str:
    return "+".join(map(str, place.cylinders))


def _exposure_text(one: SensorRecord) -> str:
    """Exposure to lean gas by cylinder and kind; no model of damage."""
    sums: dict[tuple[str, str, float, str], list[Mapping[str, Any]]] = {}
    for run in one.runs:
        if run.exposure is not None:
            key = (run.exposure["load_signal"], _cylinders_text(run.place), run.exposure["over_target"])
            sums.setdefault((*key, run.place.session), []).append(run.exposure)
    return "".join(
        paragraph(
            f"exposure in cylinder {cylinders} of {session or 'a session without a name'}: "
            f"{math.fsum(e['lambda_s'] for e in each):.2f} lambda s beyond {limit:g} over target, times "
            f"{load}"
            f"{'/100 %' if load == 'throttle' else '/100 kPa'}, in "
            f"{math.fsum(e['valid_s'] for e in each):.0f} s of "
            "valid samples; what was seen, no model of damage"
        )
        for (load, cylinders, limit, session), each in sums.items()
    )


def _biases_text(one: SensorRecord) -> str:
    return "".join(
        paragraph(
            f"bias {bias_text(bias.percent, bias.half_percent)} % of lambda ({bias.source}, entry "
            f"{bias.number}): "
            f"{bias.reason}"
        )
        for bias in one.biases
    )


def _list_air_checks(one: SensorRecord) -> str:
    return "".join(paragraph(f"{air_check_words(check)} (entry {check.number})") for check in one.air_checks)


def air_check_words(check: AirCheck) -> str:
    """A check in free air: what was read, what the air held, when it was entered."""
    return (
        f"free air: {check.percent:.2f} % oxygen read of {check.expected_percent:.2f}, "
        f"{number(check.off_percent, 1, signed=True)} %, {_utc_text(check.entered_ns)}"
    )


def _harms_text(one: SensorRecord) -> str:
    return "".join(
        paragraph(
            f"{harm.what} (entry {harm.number}, {harm.log_name}, {_moment_text(harm.t_ns)})"
            + "".join(
                f", {name.replace('_', ' ')} {value:g}"
                for name, value in harm.values.items()
                if value is not None
            )
        )
        for harm in one.harms
    )


def _moment_text(t_ns: int) -> str:
    return _utc_text(t_ns) if t_ns >= DATED_FROM_NS else f"at {t_ns / SECOND_NS:.1f} s"


def _slope_text(one: Forecast) -> str:
    if not math.isfinite(one.per_100_h):
        return ""
    unit, scale = ("s", 1.0) if one.quantity == "warm-up" else ("ms", 1e3)
    return (
        f"; {number(scale * one.per_100_h, 1, signed=True)} ± {number(scale * one.per_100_h_half, 1)} {unit} "
        "in 100 h, "
        f"from {counted(one.points, 'run')}"
    )


def lessons_text(logs: Sequence[TaughtLog]) -> str:
    """What the logs taught, before the sensors."""
    parts = []
    for one in logs:
        lesson = one.lesson
        what = {entry.serial: None for entry in lesson.entries}
        entered = (
            f"{lesson.log_name}: {counted(len(lesson.entries), 'entry', 'entries')} about "
            f"{counted(len(what), 'sensor')}"
            if what
            else f"{lesson.log_name}: nothing new"
        )
        account = log_text(one.log) if one.log.frames else ""
        parts.append(paragraph(entered) + account + note_lines(lesson.notes))
    return "".join(parts)


def withdrawal_text(entries: Sequence[Entry]) -> str:
    """Which entries count no more."""
    listed = ", ".join(f"{entry.number} ({entry.kind.value} of {entry.serial})" for entry in entries)
    return paragraph(f"withdrawn, and kept in the file: {listed}")
