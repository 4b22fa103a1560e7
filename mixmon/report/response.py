"""Response and delay as JSON and as text."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from mixmon.findings.response.cuts import CutEdge, MeasuredCut, Way
from mixmon.findings.response.notes import ResponseNote
from mixmon.findings.response.response import CellDelay, ResponseReview
from mixmon.findings.response.sensors import (
    SLOW_RATIO,
    ElementShape,
    PairComparison,
    ResponseTime,
    SensorResponse,
)
from mixmon.findings.response.steps import DelayPoint
from mixmon.note import Note
from mixmon.report.answers import answer_text, response_answer
from mixmon.report.balance import log_json, log_text
from mixmon.report.page import Bounds
from mixmon.report.text import (
    NO_VALUE,
    Cell,
    Column,
    clock_of,
    counted,
    half_width,
    log_notes,
    note_lines,
    number,
    paragraph,
    since_first,
    table,
    title,
)
from mixmon.report.words import sentence
from mixmon.run import Run
from mixmon.session.model import Node

_MOST_COLUMNS = 8  # our choice: as many speeds stand side by side on a page; further ones form another grid


def response_json(review: ResponseReview, pairs: Sequence[PairComparison], run: Run) -> Mapping[str, Any]:
    """The fields of `mixmon response --json`, in their order; times t_s count from the log's first frame.

    session, log   as for the balance
    element_shape  "two lags", "porous layer", or which of both is open
    sensors        one a node: position, cylinders, sensor; lean and rich (readings that rise, that fall):
                   t63_s, half_s (95 %), own_half_s (without the error by the
                   shape, which all share), tau_s (element alone, by two lags), cuts,
                   steps; t63_s (both ways),
                   times_peers, uneven (lean over rich, by the others'), uneven_half; air_percent,
                   air_half_percent, air_to_peers_percent, air_to_expected_percent; warm_up_s,
                   warm_up_times_peers; left_out (reason to count); flags
    cuts           t_s, seconds; lean and rich (null if not seen): t_s (zero of dead_s), command (the zero
                   is the control's command), rpm, load, after_spark_cut, nodes: position, dead_s, t63_s,
                   tau_s, filter_s, their standard deviations (*_sd_s), before_percent, after_percent,
                   misfit (share of the step), left_out (reason or null); air: position, percent, clipped
    unclear_cuts   times in air with the engine at rest, or that could not be measured
    fuel_steps     t_s, seconds, signal, rpm, load, lean_moves, rich_moves, dead_s, dead_half_s; nodes:
                   position, dead_s, delay_s (63 %, both ways), lean_s, rich_s (T63), gain (1: the readings
                   move as the fuel), their standard deviations, explained (share of the variance)
    steps_refused  t_s, why
    delay          refusal (null if there is a delay); model (null if there is none): cycles, pipe_factor,
                   constant_s with *_sd; measured: rpm, load, dead_s, sd_s, model_misses_s; cells: rpm, load,
                   dead_s, dead_half_s, delay_s (63 %), delay_half_s
    comparisons    t_s, faster and slower (position), lag_s, lag_sd_s, tau_s, peak_faster, peak_slower (oxygen
                   percent from the level before), recovered (share of the peak), missed (largest
                   difference on the way), missed_area (percent s), residual (rms), explained
    """
    nodes = run.session.chain.nodes
    return {
        "session": run.session.name or str(run.session.path or ""),
        "log": log_json(run.log),
        "element_shape": review.shape.value,
        "sensors": review.sensors,
        "cuts": [_cut_json(cut, nodes, run) for cut in review.cuts],
        "unclear_cuts": review.unclear,
        "fuel_steps": [_steps_json(point, nodes, run) for point in review.points],
        "steps_refused": [{"t_s": since_first(r.t, run), "why": r.why} for r in review.refused],
        "delay": _delay_json(review),
        "comparisons": [_pair_json(pair, nodes, run) for pair in pairs],
        "answer": response_answer(review.sensors).notes,
    }


def _cut_json(cut: MeasuredCut, nodes: Sequence[Node], run: Run) -> Mapping[str, Any]:
    return {
        "t_s": since_first(cut.t, run),
        "seconds": cut.seconds,
        "lean": _edge_json(cut.lean, nodes, run),
        "rich": None if cut.rich is None else _edge_json(cut.rich, nodes, run),
        "air": [
            {"position": node.position, "percent": cut.air.percent[j], "clipped": bool(cut.clipped[j])}
            for j, node in enumerate(nodes)
        ],
    }


def _edge_json(edge: CutEdge, nodes: Sequence[Node], run: Run) -> Mapping[str, Any]:
    fit = edge.fit
    return {
        "t_s": since_first(edge.t, run),
        "command": edge.command,
        "rpm": edge.rpm,
        "load": edge.load,
        "after_spark_cut": edge.rough,
        "nodes": [
            {
                "position": node.position,
                "dead_s": fit.dead_s[j],
                "dead_sd_s": fit.dead_sd[j],
                "t63_s": fit.t63_s[j],
                "t63_sd_s": fit.t63_sd[j],
                "tau_s": fit.tau_s[j],
                "tau_sd_s": fit.tau_sd[j],
                "filter_s": fit.filter_s[j],
                "before_percent": fit.before[j],
                "after_percent": fit.after[j],
                "misfit": fit.misfit[j],
                "left_out": edge.left_out[j],
            }
            for j, node in enumerate(nodes)
        ],
    }


def _steps_json(point: DelayPoint, nodes: Sequence[Node], run: Run) -> Mapping[str, Any]:
    fit = point.fit
    return {
        "t_s": since_first(point.t, run),
        "seconds": point.seconds,
        "signal": point.signal,
        "rpm": point.rpm,
        "load": point.load,
        "lean_moves": point.lean_moves,
        "rich_moves": point.rich_moves,
        "dead_s": point.dead_s,
        "dead_half_s": point.dead_half_s,
        "nodes": [
            {
                "position": node.position,
                "dead_s": fit.dead_s[j],
                "dead_sd_s": fit.dead_sd[j],
                "delay_s": fit.delay_s[j],
                "delay_sd_s": fit.delay_sd[j],
                "lean_s": fit.lean_s[j],
                "lean_sd_s": fit.lean_sd[j],
                "rich_s": fit.rich_s[j],
                "rich_sd_s": fit.rich_sd[j],
                "gain": fit.gain[j],
                "gain_sd": fit.gain_sd[j],
                "explained": fit.explained[j],
            }
            for j, node in enumerate(nodes)
        ],
    }


def _delay_json(review: ResponseReview) -> Mapping[str, Any]:
    model = review.model
    if model is None:
        return {"refusal": review.refusal, "model": None, "measured": [], "cells": []}
    names = ("cycles", "cycles_sd", "pipe_factor", "pipe_factor_sd", "constant_s", "constant_sd")
    measured = zip(review.measured, model.residual_s, strict=True)
    return {
        "refusal": None,
        "model": {name: getattr(model, name) for name in names},
        "measured": [
            {"rpm": m.rpm, "load": m.load, "dead_s": m.dead_s, "sd_s": m.sd, "model_misses_s": misses}
            for m, misses in measured
        ],
        "cells": review.cells,
    }


def _pair_json(pair: PairComparison, nodes: Sequence[Node], run: Run) -> Mapping[str, Any]:
    return {
        "t_s": since_first(pair.t, run),
        "faster": nodes[pair.fast].position,
        "slower": nodes[pair.slow].position,
        "lag_s": pair.lag_s,
        "lag_sd_s": pair.lag_sd,
        "tau_s": pair.tau_s,
        "peak_faster": pair.peak_fast,
        "peak_slower": pair.peak_slow,
        "recovered": pair.recovered,
        "missed": pair.missed,
        "missed_area": pair.missed_area,
        "residual": pair.residual,
        "explained": pair.explained,
    }


def response_text(review: ResponseReview, run: Run) -> str:
    """Sensors, events and delay, for a terminal of 80 columns."""
    source = f"{counted(len(review.cuts), 'fuel cut')}, {counted(len(review.points), 'stretch', 'stretches')}"
    answer = answer_text(response_answer(review.sensors))
    parts = [title("RESPONSE", run.session.name) + answer + log_text(run.log)]
    parts.append(paragraph(f"from {source} of fuel steps"))
    if review.cuts or review.points or any(np.isfinite(s.warm_up_s) for s in review.sensors):
        parts.append(_sensors_table(review.sensors) + paragraph(_SENSORS_SAY))
        parts.append(paragraph(_SHAPE_SAYS[review.shape]))
    if review.cuts or review.points:
        parts.append(_events_table(review, run))
    else:
        parts.append(paragraph(_NO_RESPONSE))
    refused = [f"at {clock_of(r.t, run)} fuel step not usable: {sentence(r.why)}" for r in review.refused]
    parts += [_delay_text(review), *map(paragraph, refused)]
    notes = note_lines(log_notes(run))
    return "\n".join([*parts, notes] if notes else parts)


_SENSORS_SAY = (
    "ms: T63, the time in which a reading covers 63 % of a step after its dead time, sensor and controller "
    f"together, of readings that rise (lean-going) and fall (rich-going); ± 95 %; slow: {SLOW_RATIO:g} "
    "times its peers or more; air: oxygen percent read in cuts; off: percent off the peers, or off the air "
    "that was given; ready: s of warm-up; a filter that the steps do not show is drawn towards the usual "
    "20 ms, by a few ms of T63"
)
_SHAPE_SAYS = {
    ElementShape.LAGS: "shape: element and filter as two lags; a porous layer fits worse",
    ElementShape.LAYER: (
        "shape: the element as a porous layer, which fits better than a lag; then the filter; ± reaches down "
        "to the T63 of a lag, because gas that comes spread makes a lag look like a layer"
    ),
    ElementShape.OPEN: (
        "shape: a lag or a porous layer, then the filter; the readings do not tell which. A layer's T63 is "
        "about 16 % longer than a lag's and its dead time shorter by as much; both are between the two, by "
        "the odds that cuts give, or a lag's where those show one way alone or clip; ± reaches both"
    ),
}
_NO_RESPONSE = (
    "no response: no fuel cut in which all sensors saw air, and no fuel steps; one overrun cut of half a "
    "second or more is enough"
)


def _sensors_table(sensors: Sequence[SensorResponse]) -> str:
    columns = [
        Column("cyl", left=True),
        Column("sensor", left=True),
        Column("lean ms"),
        Column("±", is_half=True),
        Column("rich ms"),
        Column("±", is_half=True),
        Column("x peers", 2),
        Column("air", 2),
        Column("off %", 1, signed=True),
        Column("ready", 1),
        Column("", left=True, wraps=True),
    ]
    rows: list[tuple[Cell, ...]] = []
    for one in sensors:
        remarks = [
            *map(sentence, one.flags),
            *(f"{sentence(Note(problem))}: {count}" for problem, count in one.left_out.items()),
        ]
        name = "+".join(map(str, one.cylinders))
        times = (*_in_ms(one.lean), *_in_ms(one.rich), one.times_peers)
        air = (one.air_percent, _off_air(one), one.warm_up_s)
        rows.append((name, one.sensor or "", *times, *air, ", ".join(remarks)))
    return table(columns, rows, bars=_lag_bars(sensors), bar_unit="ms")


def _lag_bars(sensors: Sequence[SensorResponse]) -> list[Bounds]:
    """T63 of each sensor with its ends, ms: one way for all, which most of them were measured in."""
    ways = [[one.lean for one in sensors], [one.rich for one in sensors]]
    most = max(ways, key=lambda way: sum(math.isfinite(_in_ms(one)[0]) for one in way))
    return [(t63, t63 - half, t63 + half) for t63, half in map(_in_ms, most)]


def _off_air(one: SensorResponse) -> float:
    """Percent off the oxygen of the air, where that was given; else off the peers."""
    expected = one.air_to_expected_percent
    return expected if np.isfinite(expected) else one.air_to_peers_percent


def _in_ms(time: ResponseTime) -> tuple[float, float]:
    return 1000.0 * time.t63_s, 1000.0 * time.half_s


def _events_table(review: ResponseReview, run: Run) -> str:
    columns = [
        Column("at"),
        Column("event", left=True),
        Column("rpm"),
        Column("load"),
        Column("dead ms"),
        Column("63 % ms"),
        Column("sensors"),
        Column("", left=True, wraps=True),
    ]
    ways = [(way, edge) for cut in review.cuts for way, edge in cut.edges.items()]
    rows = [(edge.t, _edge_row(way, edge, run)) for way, edge in ways]
    apart = review.refusal is not None and review.refusal.code is ResponseNote.CLOCKS_APART
    rows += [(point.t, _point_row(point, run, apart=apart)) for point in review.points]
    rows.sort(key=lambda row: row[0])
    return table(columns, [row for _, row in rows]) + paragraph(
        "dead: from the command to the first movement, mean of the sensors; 63 %: from the command, "
        "middle sensor"
    )


def _edge_row(way: Way, edge: CutEdge, run: Run) -> tuple[Cell, ...]:
    what = "fuel cut, lean-going" if way is Way.LEAN else "fuel back, rich-going"
    remark = "sparks cut before" if edge.rough else "" if edge.command else "command not seen"
    seen = f"{int(edge.followed.sum())}/{len(edge.followed)}"
    return (
        clock_of(edge.t, run),
        what,
        edge.rpm,
        edge.load,
        1e3 * edge.dead_s,
        1e3 * edge.delay_s,
        seen,
        remark,
    )


def _point_row(point: DelayPoint, run: Run, *, apart: bool) -> tuple[Cell, ...]:
    what = f"{counted(point.moves, 'fuel step')} ({point.signal})"
    error = "stamps are apart" if apart else f"dead ±{half_width(1e3 * point.dead_half_s)} ms"
    seen = f"{int(point.followed.sum())}/{len(point.followed)}"
    return (
        clock_of(point.t, run),
        what,
        point.rpm,
        point.load,
        1e3 * point.dead_s,
        1e3 * point.delay_s,
        seen,
        error,
    )


def _delay_text(review: ResponseReview) -> str:
    model = review.model
    if model is None:
        return "" if review.refusal is None else paragraph(sentence(review.refusal))
    constant_ms = round(1e3 * model.constant_s)
    said = (
        f"DELAY from command to 63 % of the reading in ms, ± 95 %: {model.cycles:.2f} ± "
        f"{model.cycles_half:.2f} cycles + gas in the pipe x {model.pipe_factor:.2f} "
        f"{'-' if constant_ms < 0 else '+'} {abs(constant_ms)} ms, and the middle sensor's T63; "
        "across: rpm/1000, down: load"
    )
    lines = paragraph(said)
    speeds = list(dict.fromkeys(cell.rpm for cell in review.cells))
    grids = [
        _delay_grid(review.cells, speeds[i : i + _MOST_COLUMNS]) for i in range(0, len(speeds), _MOST_COLUMNS)
    ]
    return lines + "\n".join(grids)


def _delay_grid(cells: Sequence[CellDelay], speeds: Sequence[float]) -> str:
    columns = [Column("load", left=True), *(Column(f"{rpm / 1000:g}") for rpm in speeds)]
    rows: list[tuple[Cell, ...]] = []
    for load in sorted({cell.load for cell in cells}):
        at = {cell.rpm: cell for cell in cells if cell.load == load}
        rows.append((f"{load:g}", *(_delay_cell(at[rpm]) for rpm in speeds)))
    return table(columns, rows)


def _delay_cell(cell: CellDelay) -> str:
    if not np.isfinite(cell.delay_s):
        return NO_VALUE
    return f"{1e3 * cell.delay_s:.0f}±{half_width(1e3 * cell.delay_half_s)}"


def pairs_text(pairs: Sequence[PairComparison], run: Run) -> str:
    """Two sensors on every event, for a terminal of 80 columns."""
    if not pairs:
        return paragraph("no event in which both sensors moved: nothing to compare")
    columns = [
        Column("at"),
        Column("faster", left=True),
        Column("slower", left=True),
        Column("lag ms"),
        Column("tau ms"),
        Column("peak %", 1, signed=True),
        Column("recovered", left=False),
        Column("missed %", 1, signed=True),
        Column("area %s", 2, signed=True),
        Column("left", 2),
    ]
    nodes = run.session.chain.nodes
    rows: list[tuple[Cell, ...]] = []
    for pair in pairs:
        who = (_name_of(nodes[pair.fast]), _name_of(nodes[pair.slow]))
        size = (pair.peak_fast, f"{number(100 * pair.recovered)} %", pair.missed, pair.missed_area)
        rows.append((clock_of(pair.t, run), *who, 1e3 * pair.lag_s, 1e3 * pair.tau_s, *size, pair.residual))
    return table(columns, rows) + paragraph(
        "oxygen percent; lag: mean delay of the slower reading; tau: time constant of the slower sensor, "
        "predicted by the faster one; peak: of the faster; missed: largest difference; left: rms of what "
        "the faster reading does not predict of the slower"
    )


def _name_of(node: Node) -> str:
    return node.sensor or f"cyl {'+'.join(map(str, node.cylinders))}"
