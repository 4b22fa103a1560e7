"""Tip-ins and tip-outs as JSON and as text: each tip, its excursion by node, and repeats averaged."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from mixmon.findings.events.tips import BACK_WITHIN, Repeated, Tip, TipGroup, TipMeasure, TipReview
from mixmon.findings.lags import NodeLag
from mixmon.report.answers import answer_text, tips_answer
from mixmon.report.balance import log_json, log_text
from mixmon.report.lags import lags_json, lags_words
from mixmon.report.text import (
    Cell,
    Column,
    clock_of,
    counted,
    log_notes,
    note_lines,
    paragraph,
    since_first,
    table,
    title,
)
from mixmon.run import Run
from mixmon.session.model import Node


def tips_json(found: TipReview, known: Sequence[NodeLag], run: Run) -> Mapping[str, Any]:
    """The fields of `mixmon pulls --transients --json`, in their order.

    session, log   as for the balance
    too_short      tips that were not held, or came before the last one had settled
    unjudged       tips in which no cylinder was valid throughout, such as into a fuel cut
    tips           tip (its number), kind ("tip-in" or "tip-out"), t_s (from the log's first frame),
                   from_opening, to_opening (percent), rate_percent_s, from_rpm, to_rpm, seconds,
                   equalised_lag_s, misfired (cylinders that may have misfired within it: not judged),
                   nodes: position, cylinders, sensor, and measures or null where the node could not be
                   judged: peak (lambda off its own settled mixture; lean positive), peak_s, area (lambda
                   times seconds), back_s (null: not back), over_target (highest lambda over the target),
                   noise (standard deviation of the same before the tip); times from the arrival of the
                   new gas
    lags           of the sensors, see `report.lags`
    repeats        tips (numbers of repeats of one another), nodes: position, cylinders, sensor, and
                   measures of their mean, repeats, peak_half_interval, area_half_interval
    """
    nodes = run.session.chain.nodes
    return {
        "session": run.session.name or str(run.session.path or ""),
        "log": log_json(run.log),
        "too_short": found.too_short,
        "unjudged": found.unjudged,
        "tips": [_tip_json(i, tip, run) for i, tip in enumerate(found.tips, 1)],
        "lags": lags_json(known),
        "repeats": [_group_json(group, nodes) for group in found.groups],
        "answer": tips_answer(found, nodes).notes,
    }


def _tip_json(number: int, tip: Tip, run: Run) -> Mapping[str, Any]:
    nodes = run.session.chain.nodes
    return {
        "tip": number,
        "kind": tip.kind.value,
        "t_s": since_first(tip.t, run),
        "from_opening": tip.from_opening,
        "to_opening": tip.to_opening,
        "rate_percent_s": tip.rate,
        "from_rpm": tip.from_rpm,
        "to_rpm": tip.to_rpm,
        "seconds": tip.seconds,
        "equalised_lag_s": tip.lag_s,
        "misfired": _misfired(tip, nodes),
        "nodes": [
            {**_node_json(node), "measures": one} for node, one in zip(nodes, tip.measures, strict=True)
        ],
    }


def _misfired(tip: Tip, nodes: Sequence[Node]) -> list[int]:
    """Gives the cylinders that may have misfired within the tip."""
    return [c for i in tip.misfired for c in nodes[i].cylinders]


def _group_json(group: TipGroup, nodes: Sequence[Node]) -> Mapping[str, Any]:
    return {
        "tips": [i + 1 for i in group.tips],
        "nodes": [
            {
                **_node_json(node),
                "measures": None if one is None else one.mean,
                "repeats": 0 if one is None else one.repeats,
                "peak_half_interval": None if one is None else one.peak_half,
                "area_half_interval": None if one is None else one.area_half,
            }
            for node, one in zip(nodes, group.measures, strict=True)
        ],
    }


def _node_json(node: Node) -> Mapping[str, Any]:
    return {"position": node.position, "cylinders": node.cylinders, "sensor": node.sensor}


def tips_text(found: TipReview, known: Sequence[NodeLag], run: Run) -> str:
    """Gives all tips, then averaged repeats, then tips without a repeat, as text of 80 columns."""
    answer = answer_text(tips_answer(found, run.session.chain.nodes))
    parts = [title("TIP-INS AND TIP-OUTS", run.session.name) + answer + log_text(run.log)]
    if found.tips:
        parts.append(_list_tips(found.tips, run))
    nodes = run.session.chain.nodes
    grouped = {i for group in found.groups for i in group.tips}
    parts += [_describe_group(group, found.tips, nodes) for group in found.groups]
    parts += [_describe_single(i, tip, nodes) for i, tip in enumerate(found.tips) if i not in grouped]
    return "\n".join([*parts, _closing_words(found, known, nodes) + note_lines(log_notes(run))])


def _list_tips(tips: Sequence[Tip], run: Run) -> str:
    columns = [
        Column("tip"),
        Column("at"),
        Column("kind", left=True),
        Column("from %"),
        Column("to %"),
        Column("%/s", signed=True),
        Column("from rpm"),
        Column("to rpm"),
        Column("cylinders judged"),
    ]
    rows = [
        (
            i,
            clock_of(tip.t, run),
            tip.kind.value,
            tip.from_opening,
            tip.to_opening,
            tip.rate,
            tip.from_rpm,
            tip.to_rpm,
            _count_judged(tip, run.session.chain.nodes),
        )
        for i, tip in enumerate(tips, 1)
    ]
    return table(columns, rows)


def _count_judged(tip: Tip, nodes: Sequence[Node]) -> int:
    return sum(len(node.cylinders) for node, one in zip(nodes, tip.measures, strict=True) if one is not None)


def _describe_group(group: TipGroup, tips: Sequence[Tip], nodes: Sequence[Node]) -> str:
    numbers = ", ".join(str(i + 1) for i in group.tips)
    heading = (
        f"{_name_tip(tips[group.tips[0]])}: mean of {counted(len(group.tips), 'repeat')}, tips {numbers}"
    )
    return paragraph(heading) + _tabulate_nodes(nodes, group.measures)


def _describe_single(i: int, tip: Tip, nodes: Sequence[Node]) -> str:
    nan = float("nan")
    single = [None if one is None else Repeated(one, 1, nan, nan) for one in tip.measures]
    return paragraph(f"{_name_tip(tip)}: tip {i + 1} alone") + _tabulate_nodes(nodes, single)


def _name_tip(tip: Tip) -> str:
    return f"{tip.kind.value} {tip.from_opening:.0f} to {tip.to_opening:.0f} % at {tip.from_rpm:.0f} rpm"


def _tabulate_nodes(nodes: Sequence[Node], measures: Sequence[Repeated | None]) -> str:
    columns = [
        Column("cyl"),
        Column("peak", 3, signed=True),
        Column("±", 3, is_half=True),
        Column("after s", 2),
        Column("area", 4, signed=True),
        Column("±", 4, is_half=True),
        Column("back s", 2),
        Column("over target", 3, signed=True),
        Column("noise", 3),
    ]
    rows: list[tuple[Cell, ...]] = []
    for node, one in zip(nodes, measures, strict=True):
        name = "+".join(map(str, node.cylinders))
        if one is None:
            rows.append((name, *(None,) * 8))
            continue
        mean = one.mean
        rows.append(
            (name, mean.peak, one.peak_half, mean.peak_s, mean.area, one.area_half, *_last_columns(mean))
        )
    return table(columns, rows)


def _last_columns(mean: TipMeasure) -> tuple[float, float, float]:
    return mean.back_s, mean.over_target, mean.noise


def _closing_words(found: TipReview, known: Sequence[NodeLag], nodes: Sequence[Node]) -> str:
    lines = list(_explain_columns(found.tips[0].lag_s, known)) if found.tips else [_NO_TIP]
    if found.too_short:
        lines.append(
            f"{counted(found.too_short, 'tip')} not held long enough, or before the last had settled"
        )
    if found.unjudged:
        lines.append(f"{counted(found.unjudged, 'tip')} without a cylinder that was valid throughout")
    for i, tip in enumerate(found.tips, 1):
        if tip.misfired:
            named = ", ".join(map(str, _misfired(tip, nodes)))
            lines.append(
                f"tip {i}: not judged because they may have misfired: cylinder {named}; see mixmon events"
            )
    return "".join(map(paragraph, lines))


_NO_TIP = "no tip found: that is 25 % of opening or more within a quarter of a second, and held"


def _explain_columns(lag_s: float, known: Sequence[NodeLag]) -> tuple[str, str, str]:
    """Explains the columns, the lag of the figures and its source."""
    columns = (
        "peak: lambda off the cylinder's own settled mixture, lean positive; area: lambda times seconds; "
        f"back: within {BACK_WITHIN:g} lambda to stay; times from the arrival of the new gas"
    )
    lag = (
        f"all sensors brought to a lag of {lag_s:.3f} s: one whose own lag is longer shows an excursion "
        "that is not there"
    )
    return columns, lag, f"{lags_words(known)}; set better ones with --lag"
