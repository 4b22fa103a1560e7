"""The pictures of the page, each from a finding; beside each stands a table with the same numbers.

Lean is to the right and above, rich to the left and below, with words. The cylinder that a picture is about
is drawn bold, the others thin, each named at its line, so that nothing hangs on colour.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import numpy as np

from mixmon.arrays import SECOND_NS, Floats
from mixmon.findings.balance.balance import Balance
from mixmon.findings.proof.compare import BeforeAfter
from mixmon.findings.pulls.review import PullReview
from mixmon.findings.trims.sheet import CellOutlook
from mixmon.report.handover.drawing import Drawing, DrawnScale, apart, scale_over
from mixmon.report.handover.evidence import Trace
from mixmon.report.text import number
from mixmon.report.units import Unit
from mixmon.session.model import Node

_PICTURE_WIDTH: Final = 720.0
_ROW: Final = 26.0
_LEFT, _RIGHT, _TOP, _BOTTOM = 190.0, 84.0, 30.0, 46.0
"""Coordinates of our choice: at this width letters of 13 are as large as the text beside the picture. Numbers
stand at the left, where a narrow screen shows them."""

_MOST_DRAWN_ROWS: Final = 34
"""Rows of a picture at most: our choice, so that it stays on one page of A4."""


def _percent(value: float) -> str:
    return f"{number(value, 1, signed=True)} %"


def _axis_below(drawing: Drawing, scale: DrawnScale, bottom: float, unit: str, *, signed: bool) -> None:
    """Lines of a scale from left to right, with their numbers below."""
    for tick in scale.ticks(8):
        x = scale.at(tick)
        drawing.line(x, _TOP - 6, x, bottom, "axis" if abs(tick) < 1e-9 else "grid")
        sign = "+" if signed and tick > 1e-9 else ""
        drawing.text(x, bottom + 16, f"{sign}{0 if abs(tick) < 1e-9 else tick:g}", "quiet", "middle")
    drawing.text(_PICTURE_WIDTH - 4, bottom + 16, unit, "quiet", "end")


def needs_picture(balance: Balance, places: dict[int, str]) -> str:
    """The need of every cylinder, with what repeats (thick) and with the sensors' own errors (thin).

    places: by cylinder, where its number leads.
    """
    known = [one for one in balance.cylinders if math.isfinite(one.needs_percent)]
    if not known:
        return ""
    bottom = _TOP + _ROW * len(balance.cylinders)
    words = "; ".join(
        f"cylinder {c.cylinder} {_percent(c.needs_percent)}, 95 % {_percent(c.interval95_percent[0])} to "
        f"{_percent(c.interval95_percent[1])}"
        for c in known
    )
    drawing = Drawing(
        "picture-needs",
        _PICTURE_WIDTH,
        bottom + _BOTTOM,
        "What each cylinder needs, percent of fuel",
        f"{words}.",
    )
    ends = [x for c in known for x in (c.needs_percent, *c.interval95_percent, *c.total_interval95_percent)]
    scale = scale_over(ends, _LEFT, _PICTURE_WIDTH - _RIGHT, least=2.0, holds=0.0)
    _axis_below(drawing, scale, bottom, "% of fuel", signed=True)
    drawing.text(_LEFT, bottom + 36, "◀ rich: less fuel", "trich")
    drawing.text(_PICTURE_WIDTH - _RIGHT, bottom + 36, "lean: more fuel ▶", "tlean", "end")
    worst = max(known, key=lambda c: abs(c.needs_percent)).cylinder
    for i, one in enumerate(balance.cylinders):
        y = _TOP + _ROW * (i + 0.5)
        bold = "bold" if one.cylinder == worst else ""
        drawing.text(4, y + 4.5, f"cylinder {one.cylinder}", bold, target=places.get(one.cylinder, ""))
        if not math.isfinite(one.needs_percent):
            drawing.text(scale.at(0.0) + 8, y + 4.5, "not known", "quiet")
            continue
        side = _side(one.needs_percent, one.interval95_percent)
        for (low, high), kind in ((one.total_interval95_percent, "thin"), (one.interval95_percent, "mid")):
            if math.isfinite(high - low):
                drawing.line(scale.at(low), y, scale.at(high), y, f"{kind}{side}")
        drawing.dot(scale.at(one.needs_percent), y)
        number_target = places.get(one.cylinder, "")
        drawing.text(_LEFT - 34, y + 4.5, _percent(one.needs_percent), bold, "end", number_target)
    return drawing.svg()


def _side(need: float, interval: tuple[float, float]) -> str:
    """The class of a need that is surely lean, or surely rich; empty within its error of zero."""
    if not math.isfinite(interval[0]) or interval[0] <= 0 <= interval[1]:
        return ""
    return " lean" if need > 0 else " rich"


def _place_words(rpm: float | None, load: float | None) -> str:
    axes = [f"{value:g}{unit}" for value, unit in ((rpm, " rpm"), (load, " load")) if value is not None]
    return ", ".join(axes) or "all together"


def outlook_picture(outlook: Sequence[CellOutlook], places: Sequence[str]) -> str:
    """The spread of every cell now (full) and once the set is typed (hollow, with its interval)."""
    pairs = list(zip(outlook, places, strict=True))
    shown = [(o, p) for o, p in pairs if math.isfinite(o.after.value) and math.isfinite(o.now_percent)]
    if len(shown) > _MOST_DRAWN_ROWS:
        shown = [(o, p) for o, p in shown if o.used_for_trims]
    if not shown or len(shown) > _MOST_DRAWN_ROWS:
        return ""
    bottom = _TOP + _ROW * len(shown)
    words = "; ".join(
        f"{_place_words(o.rpm, o.load)}: {o.now_percent:.1f} % now, {o.after.value:.1f} % after"
        for o, _ in shown
    )
    drawing = Drawing(
        "picture-outlook",
        _PICTURE_WIDTH,
        bottom + _BOTTOM,
        "Spread of every cell, percent of fuel: as it is, and predicted once these trims are typed",
        f"{words}.",
    )
    ends = [x for o, _ in shown for x in (o.now_percent, o.after.value, *o.after.interval95)]
    scale = scale_over(ends, _LEFT + 45, _PICTURE_WIDTH - _RIGHT, least=2.0, holds=0.0)
    _axis_below(drawing, scale, bottom, "% of fuel", signed=False)
    drawing.dot(_LEFT + 20, bottom + 32)
    drawing.text(_LEFT + 32, bottom + 36, "now", "quiet")
    drawing.dot(_LEFT + 90, bottom + 32, "hollow")
    drawing.text(_LEFT + 102, bottom + 36, "predicted, with its 95 % interval", "quiet")
    for i, (one, place) in enumerate(shown):
        y = _TOP + _ROW * (i + 0.5)
        drawing.text(4, y + 4.5, _place_words(one.rpm, one.load), target=place)
        drawing.line(scale.at(one.after.value), y, scale.at(one.now_percent), y, "thin d2")
        low, high = one.after.interval95
        if math.isfinite(high - low):
            drawing.line(scale.at(low), y, scale.at(high), y, "mid")
        drawing.dot(scale.at(one.now_percent), y)
        drawing.dot(scale.at(one.after.value), y, "hollow")
        said = f"{one.now_percent:.1f} → {one.after.value:.1f}"
        drawing.text(_LEFT + 25, y + 4.5, said, "", "end", place)
    return drawing.svg()


_THIN = ("thin", "thin d1", "thin d2", "thin d3")
"""Lines of the others, by turns."""

_TALL: Final = 300.0


def _axis_left(
    drawing: Drawing, scale: DrawnScale, left: float, right: float, *, signed: bool, digits: str
) -> None:
    """Lines of a scale from below to above, with their numbers at the left."""
    for tick in scale.ticks(7):
        y, zero = scale.at(tick), abs(tick) < 1e-9
        drawing.line(left, y, right, y, "axis" if zero and signed else "grid")
        sign = "+" if signed and not zero and tick > 0 else ""
        drawing.text(left - 6, y + 4.5, f"{sign}{0.0 if zero else tick:{digits}}", "quiet", "end")


def pull_picture(review: PullReview, i: int, nodes: Sequence[Node], target: str) -> str:
    """The needs of every cylinder over speed, against the mean of the cylinders.

    target: where the numbers stand.
    """
    table, centres = review.tables[i], np.array(review.bands.centres)
    known = np.isfinite(table.peers).sum(axis=0) > 0
    if not known.any():
        return ""
    left, right, bottom = 52.0, _PICTURE_WIDTH - 120, _TALL - 44
    x_scale = scale_over([*review.bands.edges], left, right)
    y_scale = scale_over(table.peers[np.isfinite(table.peers)].tolist(), bottom, 16, least=2.0, holds=0.0)
    farthest = [-1.0 if point is None else abs(point.needs_percent) for point in table.worst]
    worst = int(np.argmax(np.where(known, farthest, -1.0)))
    words = "; ".join(
        f"cylinder {_name(node)}: "
        + ", ".join(
            f"{_percent(float(v))} at {c:.0f}"
            for v, c in zip(table.peers[:, j], centres, strict=True)
            if np.isfinite(v)
        )
        for j, node in enumerate(nodes)
        if known[j]
    )
    title = f"Pull {i + 1}: needs over speed, percent of fuel against the mean of the cylinders"
    drawing = Drawing(f"picture-pull-{i + 1}", _PICTURE_WIDTH, _TALL, title, f"{words}.")
    _axis_left(drawing, y_scale, left, right, signed=True, digits="g")
    for tick in x_scale.ticks(8):
        drawing.line(x_scale.at(tick), 16, x_scale.at(tick), bottom, "grid")
        drawing.text(x_scale.at(tick), bottom + 16, f"{tick:.0f}", "quiet", "middle")
    drawing.text(right, bottom + 34, "rpm", "quiet", "end")
    drawing.text(left, 10, "% of fuel; lean above, rich below", "quiet")
    xs = np.array([x_scale.at(float(c)) for c in centres])
    named: list[tuple[int, Node]] = []
    ends: list[float] = []
    for j, node in enumerate(nodes):
        if not known[j]:
            continue
        ys = np.array([y_scale.at(float(v)) if np.isfinite(v) else np.nan for v in table.peers[:, j]])
        drawing.curve(xs, ys, "own" if j == worst else _THIN[len(named) % len(_THIN)])
        ends.append(float(ys[np.flatnonzero(np.isfinite(ys))[-1]]))
        named.append((j, node))
    for (j, node), y, end in zip(named, apart(ends, 15, 16, bottom), ends, strict=True):
        mean = float(_medians(table.peers)[j])
        said = f"{_name(node)}  {_percent(mean)}"
        drawing.line(right, end, right + 14, y, "grid")
        drawing.text(right + 18, y + 4.5, said, "bold" if j == worst else "", target=target)
    return drawing.svg()


def _medians(needs: Floats) -> Floats:
    """The median of each node over the bands; NaN where nothing is known."""
    out = np.full(needs.shape[1], np.nan)
    for j in range(needs.shape[1]):
        own = needs[np.isfinite(needs[:, j]), j]
        if len(own):
            out[j] = np.median(own)
    return out


def _name(node: Node) -> str:
    return "+".join(map(str, node.cylinders))


_MOST_POINTS: Final = 700
"""Points of a curve at most: our choice, about one a coordinate."""


def trace_picture(trace: Trace, number_: int, nodes: Sequence[Node], unit: Unit, when: str) -> str:
    """The readings around an event: its own cylinders bold, the median of the others, what was asked for.

    number_: of the event in its table. when: its moment as the clock shows it.
    """
    rows, event = trace.rows, trace.event
    if not len(rows):
        return ""
    step = max(1, -(-len(rows) // _MOST_POINTS))
    seconds = (rows.t - event.t)[::step] / SECOND_NS
    lam = np.asarray(rows.lam[::step], np.float64)
    own, others = list(event.nodes), [j for j in range(lam.shape[1]) if j not in event.nodes]
    median = _row_medians(lam[:, others])
    target = _row_medians(np.asarray(rows.target[::step], np.float64)[:, own])
    left, right, bottom, tall = 52.0, _PICTURE_WIDTH - 120, 156.0, 200.0
    shown = [_in_unit(one, unit) for one in (*(lam[:, j] for j in own[:_MOST_OWN]), median, target)]
    x_scale = DrawnScale(float(seconds[0]), max(float(seconds[-1]), float(seconds[0]) + 0.01), left, right)
    near = (seconds >= -_NEAR_S) & (seconds <= event.duration_ns / SECOND_NS + _NEAR_S)
    y_scale = scale_over(np.concatenate([one[near] for one in shown]).tolist(), bottom, 16, least=0.05)
    who = "all cylinders" if event.all_nodes else f"cylinder {', '.join(map(str, event.cylinders))}"
    peak = number(unit.of(event.peak_lambda) if math.isfinite(event.peak_lambda) else math.nan, unit.decimals)
    words = (
        f"{event.kind.value} of {who} at {when}: {unit.heading} {peak} at its farthest, for "
        f"{event.duration_ns / SECOND_NS:.2f} s, at {number(event.rpm)} rpm."
    )
    title = f"Event {number_}: {unit.heading} of {who} around {when}"
    drawing = Drawing(f"picture-event-{number_}", _PICTURE_WIDTH, tall, title, words)
    begin, end = x_scale.at(0.0), x_scale.at(event.duration_ns / SECOND_NS)
    drawing.box(begin, 16, max(end - begin, 2.0), bottom - 16, "span")
    _axis_left(drawing, y_scale, left, right, signed=False, digits="g")
    for tick in x_scale.ticks(8):
        drawing.text(x_scale.at(tick), bottom + 16, f"{tick:+g}" if tick else "0", "quiet", "middle")
    drawing.text(right, bottom + 34, f"seconds from {when}", "quiet", "end")
    drawing.text(left, 10, unit.heading, "quiet")
    xs = np.array([x_scale.at(float(s)) for s in seconds])
    named: list[tuple[str, Floats, str, str]] = [
        *(
            (f"cylinder {_name(nodes[j])}", y, "own", "bold")
            for j, y in zip(own[:_MOST_OWN], shown, strict=False)
        ),
        ("median of others", shown[-2], "thin", ""),
        ("target", shown[-1], "thin d1", "quiet"),
    ]
    ends: list[float] = []
    kept = []
    for name, values, kind, weight in named:
        if len(values):
            inside = np.isfinite(values) & (values >= y_scale.low) & (values <= y_scale.high)
            if not inside.any():
                continue
            ys = np.array(
                [y_scale.at(v) if ok else np.nan for v, ok in zip(values.tolist(), inside, strict=True)]
            )
            drawing.curve(xs, ys, kind)
            ends.append(float(ys[np.flatnonzero(inside)[-1]]))
            kept.append((name, weight))
    for (name, weight), y in zip(kept, apart(ends, 15, 16, bottom), strict=True):
        drawing.text(right + 6, y + 4.5, name, weight, target=f"event-{number_}")
    return drawing.svg()


_NEAR_S: Final = 0.5
"""Seconds around an event that decide the scale: our choice; a cut that follows would flatten the event."""

_MOST_OWN: Final = 3
"""Cylinders of an event that are drawn: our choice; of an event of all they look alike."""


def _in_unit(lam: Floats, unit: Unit) -> Floats:
    return np.array([unit.of(float(x)) if np.isfinite(x) else np.nan for x in lam])


def _row_medians(values: Floats) -> Floats:
    out = np.full(len(values), np.nan)
    known = np.isfinite(values).any(axis=1) if values.shape[1] else np.zeros(len(values), np.bool_)
    if known.any():
        out[known] = np.nanmedian(values[known], axis=1)
    return out


def change_picture(found: BeforeAfter) -> str:
    """The need of every cylinder before (hollow) and after (full), with the margin about zero."""
    known = [c for c in found.cylinders if math.isfinite(c.before_percent) and math.isfinite(c.after_percent)]
    if not known:
        return ""
    bottom = _TOP + _ROW * len(known)
    words = "; ".join(
        f"cylinder {c.cylinder} {_percent(c.before_percent)} before, {_percent(c.after_percent)} after"
        for c in known
    )
    drawing = Drawing(
        "picture-change",
        _PICTURE_WIDTH,
        bottom + _BOTTOM,
        "What each cylinder needs, before and after, percent of fuel",
        f"{words}.",
    )
    ends = [
        x
        for c in known
        for x in (
            c.before_percent,
            c.after_percent - c.after_half_interval_percent,
            c.after_percent + c.after_half_interval_percent,
        )
    ]
    margin = found.margin_percent
    scale = scale_over([*ends, -margin, margin], _LEFT + 20, _PICTURE_WIDTH - _RIGHT, least=2.0, holds=0.0)
    drawing.box(scale.at(-margin), _TOP - 6, scale.at(margin) - scale.at(-margin), bottom - _TOP + 6, "span")
    _axis_below(drawing, scale, bottom, "% of fuel", signed=True)
    drawing.dot(_LEFT, bottom + 32, "hollow")
    drawing.text(_LEFT + 12, bottom + 36, "before", "quiet")
    drawing.dot(_LEFT + 80, bottom + 32)
    drawing.text(_LEFT + 92, bottom + 36, f"after, with its 95 % interval; shaded: ± {margin:g} %", "quiet")
    for i, one in enumerate(known):
        y = _TOP + _ROW * (i + 0.5)
        drawing.text(4, y + 4.5, f"cylinder {one.cylinder}", target=f"change-{one.cylinder}")
        drawing.line(scale.at(one.before_percent), y, scale.at(one.after_percent), y, "thin d2")
        half = one.after_half_interval_percent
        if math.isfinite(half):
            drawing.line(scale.at(one.after_percent - half), y, scale.at(one.after_percent + half), y, "mid")
        drawing.dot(scale.at(one.before_percent), y, "hollow")
        drawing.dot(scale.at(one.after_percent), y)
        said = f"{number(one.before_percent, 1, signed=True)} → {_percent(one.after_percent)}"
        drawing.text(_LEFT, y + 4.5, said, "", "end", f"change-{one.cylinder}")
    return drawing.svg()
