"""Items about the response of the sensors and the delay from fuel to reading."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

import numpy as np

from mixmon.findings.response.notes import ResponseNote
from mixmon.findings.response.response import CellDelay, ResponseReview
from mixmon.findings.response.sensors import (
    AIR_OFF_PERCENT,
    SLOW_RATIO,
    UNEVEN_RATIO,
    WARM_UP_RATIO,
    SensorResponse,
)
from mixmon.grade.evidence import Evidence
from mixmon.grade.item import WIDE, Item, does_not_apply, excused, judged, weighed
from mixmon.simulate.sensor import step_time_s

T63_SHARE = 0.10
"""How far the time of a sensor to 63 % may be from the truth, as a share: our choice."""

DELAY_S = 0.020
"""How far the delay of a cell may be from the truth, s: our choice, two rows."""

_BURNS_AGAIN_S = 1.0
"""Seconds until the gas and the sensors are back from a cut: our choice, ten lags."""

_SLOW, _UNEVEN, _WARMS, _AIR = "slow", "uneven", "slow to warm up", "off in air"

Sensor = dict[str, Any]


def response_times(evidence: Evidence) -> Item:
    """T63 of every sensor, lean-going and rich-going, that saw a whole fuel cut."""
    name = "time to 63 % of every sensor, both ways"
    saw = [one for one in evidence.truth["sensors"] if _saw_a_cut(evidence, one)]
    if not saw:
        return does_not_apply(name, "no clear fuel cut in the script")
    errors: list[float] = []
    for sensor in saw:
        found = _response_of(evidence, sensor)
        errors += [found.lean.t63_s / _true_t63(evidence, sensor, "lean_s") - 1]
        errors += (
            [found.rich.t63_s / _true_t63(evidence, sensor, "rich_s") - 1] if _came_back(evidence) else []
        )
    worst = max(errors, key=lambda error: math.inf if math.isnan(error) else abs(error))
    spans = [_true_t63(evidence, sensor, way) for sensor in saw for way in ("lean_s", "rich_s")]
    said = "not known" if math.isnan(worst) else f"worst of {len(errors)}: {100 * worst:+.0f} %"
    right = abs(worst) <= T63_SHARE
    expected = f"{min(spans):.3f} to {max(spans):.3f} s"
    return judged(name, expected, said, f"±{100 * T63_SHARE:.0f} %", right=right)


def odd_sensors(evidence: Evidence) -> Item:
    """The sensors that are slow, uneven, slow to warm up or off in air are named, and no others."""
    name = "odd sensors named"
    saw = [one for one in evidence.truth["sensors"] if _saw_a_cut(evidence, one)]
    if not saw:
        return does_not_apply(name, "no clear fuel cut in the script")
    true = {one["sensor"]: set(_true_oddities(evidence, one)) for one in saw}
    found = {one["sensor"]: set(_found_oddities(_response_of(evidence, one))) for one in saw}
    return judged(name, _list_oddities(true), _list_oddities(found), "exact", right=true == found)


def delays(evidence: Evidence) -> Item:
    """Dead delay at the cells of the script that are centres of the axes; each cell has its own."""
    return _grade_delays("dead delay by operating point, ms", "dead_delay_s", evidence)


def delays_to_63(evidence: Evidence) -> Item:
    """The same until 63 % of a step is read."""
    return _grade_delays("delay until 63 % by operating point, ms", "delay_63_s", evidence)


def _grade_delays(name: str, key: str, evidence: Evidence) -> Item:
    if not _clear_cuts(evidence) and not evidence.parts("pattern"):
        return does_not_apply(name, "no clear fuel cut and no random pattern in the script")
    if evidence.response.model is None:
        return judged(name, "a delay", _no_delay(evidence.response), "", right=False)
    true = _true_delays(evidence, key)
    if not true:
        return does_not_apply(name, "no cell of the script is a centre of the axes")
    answers = {(cell.rpm, cell.load): _delay_of(cell, key) for cell in evidence.response.cells}
    found = [answers.get(point, (math.nan, math.nan)) for point in true]
    expected = ", ".join(f"{rpm:g}/{load:g}: {1000 * s:.0f}" for (rpm, load), s in true.items())
    said = ", ".join(f"{1000 * value:.0f}±{1000 * half:.0f}" for value, half in found)
    return weighed(
        name,
        expected,
        said,
        f"±{1000 * DELAY_S:.0f}; up to ±{1000 * WIDE * DELAY_S:.0f} if it says so itself",
        gradings=[
            excused(value, (value - half, value + half), s, DELAY_S)
            for (value, half), s in zip(found, true.values(), strict=True)
        ],
        why="no change of fuel near enough to the cells with wide intervals",
    )


def _true_delays(evidence: Evidence, key: str) -> dict[tuple[float, float], float]:
    """The middle cylinder's delay at every point of the script that is a centre of the axes."""
    axes = evidence.simulation.session.axes
    return {
        (cell["rpm"], cell["load"]): float(np.median(cell[key]))
        for cell in evidence.truth["cells"]
        if cell["rpm"] in axes.rpm and cell["load"] in axes.load
    }


def _delay_of(cell: CellDelay, key: str) -> tuple[float, float]:
    dead = key == "dead_delay_s"
    return (cell.dead_s, cell.dead_half_s) if dead else (cell.delay_s, cell.delay_half_s)


def _response_of(evidence: Evidence, sensor: Sensor) -> SensorResponse:
    """What was found of the sensor, by its place in the chain."""
    return next(one for one in evidence.response.sensors if one.position == sensor["position"])


def _true_t63(evidence: Evidence, sensor: Sensor, way: str) -> float:
    return step_time_s(sensor[way], evidence.truth["controller_filter_s"])


def _clear_cuts(evidence: Evidence) -> list[dict[str, Any]]:
    """Fuel cuts that were played to their end and after which the engine was not stopped.

    One that runs into a stop looks the same as switching the engine off.
    """
    stops = [part["from_s"] for part in evidence.parts("stop")]
    return [
        cut
        for cut in evidence.events("fuel cut")
        if cut["to_s"] <= evidence.simulation.duration_s
        and not any(cut["t_s"] < stop < cut["to_s"] + _BURNS_AGAIN_S for stop in stops)
    ]


def _saw_a_cut(evidence: Evidence, sensor: Sensor) -> bool:
    """Whether the sensor was ready throughout one clear cut."""
    away = [d for d in evidence.events("supply drop-out") if d["position"] == sensor["position"]]
    return any(
        cut["t_s"] > sensor["ready_s"]
        and not any(d["t_s"] < cut["to_s"] and d["ready_again_s"] > cut["t_s"] for d in away)
        for cut in _clear_cuts(evidence)
    )


def _came_back(evidence: Evidence) -> bool:
    """Whether there was time for a way back from a clear cut."""
    end = evidence.simulation.duration_s
    return any(end - cut["to_s"] > _BURNS_AGAIN_S for cut in _clear_cuts(evidence))


def _true_oddities(evidence: Evidence, sensor: Sensor) -> Iterator[str]:
    sensors = evidence.truth["sensors"]

    def t63(one: Sensor) -> float:
        return (_true_t63(evidence, one, "lean_s") + _true_t63(evidence, one, "rich_s")) / 2

    if t63(sensor) >= SLOW_RATIO * float(np.median([t63(one) for one in sensors])):
        yield _SLOW
    ratio = _true_t63(evidence, sensor, "lean_s") / _true_t63(evidence, sensor, "rich_s")
    if _came_back(evidence) and max(ratio, 1 / ratio) > UNEVEN_RATIO:
        yield _UNEVEN
    if sensor["warm_up_s"] >= WARM_UP_RATIO * float(np.median([one["warm_up_s"] for one in sensors])):
        yield _WARMS
    if abs(sensor["free_air_percent"]) > AIR_OFF_PERCENT:
        yield _AIR


def _no_delay(review: ResponseReview) -> str:
    return "no delay" if review.refusal is None else review.refusal.code.value.replace("_", " ")


_ODDITIES = {
    ResponseNote.SLOWER_LEAN_GOING: _UNEVEN,
    ResponseNote.SLOWER_RICH_GOING: _UNEVEN,
    ResponseNote.LOW_IN_AIR: _AIR,
    ResponseNote.HIGH_IN_AIR: _AIR,
    ResponseNote.SLOW: _SLOW,
    ResponseNote.SLOW_TO_WARM_UP: _WARMS,
}


def _found_oddities(found: SensorResponse) -> Iterator[str]:
    return (_ODDITIES[ResponseNote(flag.code)] for flag in found.flags)


def _list_oddities(odd: dict[str, set[str]]) -> str:
    said = [f"{sensor} {', '.join(sorted(words))}" for sensor, words in odd.items() if words]
    return "; ".join(said) or "none"
