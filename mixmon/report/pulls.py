"""Pulls as JSON and as text.

`pulls_json` gives the fields of `mixmon pulls --json`; `pulls_text` a list of all pulls and, for each
chosen one, a table with cylinders down and bands of speed across. Both take a finished `PullReview` and
compute nothing but what is shown.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from mixmon.arrays import Floats
from mixmon.beside.bands import BesideBands, beside_in_pull
from mixmon.beside.beside import Beside
from mixmon.findings.lags import NodeLag
from mixmon.findings.pulls.bands import Bands, Point, PullTable
from mixmon.findings.pulls.pulls import Pull, SweepRules
from mixmon.findings.pulls.quality import Exclusion, PullState
from mixmon.findings.pulls.review import PullReview, Repeat
from mixmon.mixture.block import SampleState
from mixmon.report.answers import answer_text, pulls_answer
from mixmon.report.balance import log_json, log_text
from mixmon.report.lags import lags_json, lags_words
from mixmon.report.text import (
    NO_VALUE,
    Cell,
    Column,
    Grid,
    clock_of,
    counted,
    half_width,
    log_notes,
    note_lines,
    number,
    paragraph,
    set_grid,
    since_first,
    title,
)
from mixmon.report.words import sentence
from mixmon.run import Run
from mixmon.session.model import Node

_WIDE_PERCENT = 9.95
"""From here on a need is shown without decimals, to fit its column (computed: rounds to 10.0)."""

_MARKS: Mapping[Exclusion, tuple[str, str]] = {
    PullState.EVENT: ("##", "masked as event or outlier"),
    PullState.OUTLIER: ("##", "masked as event or outlier"),
    SampleState.AT_LEAN_LIMIT: (">>", "leaner than the sensor range"),
    SampleState.AT_RICH_LIMIT: ("<<", "richer than the sensor range"),
}
_NO_DATA = ("..", "no or too little data")


def pulls_json(
    review: PullReview,
    known: Sequence[NodeLag],
    run: Run,
    chosen: Sequence[int],
    beside: Sequence[Beside] = (),
) -> Mapping[str, Any]:
    """The fields of `mixmon pulls --json`, in their order.

    session, log   as for the balance
    bands_rpm      centres of the bands; edges_rpm one more than these
    sensor_lag_s   one a node, as allowed for; lean-going and rich-going averaged
    lags           the same lean-going and rich-going, with their source; see `report.lags`
    pulls          one an entry, in order of time:
        pull, t_s, to_s (from the log's first frame), from_rpm, to_rpm, rate_rpm_s, ended_by
        suggestion ("keep" or "reject"), reasons, notes
        quality       largest_fall_rpm, slowest and fastest in rpm/s, slips_rpm, least_opening (percent),
                      coolant_c, intake_c (at the start), warmed_c, rpm_step, valid_share,
                      valid_cylinders, cylinders
        engine        needs_percent and half_interval_percent against the target, lambda: one a band
        spread_percent, valid_cylinders   one a band
        nodes         position, cylinders, sensor; needs_percent and half_interval_percent against the
                      peers, needs_vs_target_percent and its half_interval_vs_target_percent, counted_s,
                      share (counted part of the readings), left_out (chief reason or null): one a band;
                      worst (farthest from its peers), leanest (against the target): rpm, needs_percent,
                      over_target (lambda); null where not known
        repeat        against the last pull kept before; null if there is none: against (its number),
                      rms_percent, noise_rms_percent (what noise alone would make), unlike (conditions that
                      differ), nodes: position, difference_percent and half_interval_percent (one a
                      band), mean_percent, mean_half_interval_percent; engine_difference_percent

        beside        tables that were merged with the run, one an entry: table, by, lag_half_interval_s
                      (null: not known), samples (one a band), columns: name, unit, mean and
                      half_by_lag (by which the error of the lag may move it), one a band

    chosen   indices of the pulls to list
    beside   tables of the run
    """
    lag = review.pulls[0].trace.lag_s if review.pulls else ()
    return {
        "session": run.session.name or str(run.session.path or ""),
        "log": log_json(run.log),
        "bands_rpm": review.bands.centres,
        "edges_rpm": review.bands.edges,
        "sensor_lag_s": lag,
        "lags": lags_json(known),
        "pulls": [_pull_json(review, i, run, beside) for i in chosen],
        "answer": pulls_answer(review, run.session.chain.nodes, "peers").notes,
    }


def _pull_json(review: PullReview, i: int, run: Run, beside: Sequence[Beside]) -> Mapping[str, Any]:
    pull, by_band, repeat = review.pulls[i], review.tables[i], review.repeats[i]
    nodes = run.session.chain.nodes
    return {
        "pull": i + 1,
        "t_s": since_first(pull.begin, run),
        "to_s": since_first(pull.end, run),
        "from_rpm": pull.from_rpm,
        "to_rpm": pull.to_rpm,
        "rate_rpm_s": pull.rate,
        "ended_by": pull.ended_by.value,
        "suggestion": pull.verdict.suggestion.value,
        "reasons": pull.verdict.reasons,
        "notes": review.notes[i],
        "quality": pull.quality,
        "engine": {
            "needs_percent": by_band.engine,
            "half_interval_percent": by_band.engine_half,
            "lambda": by_band.lam,
        },
        "spread_percent": by_band.spreads(),
        "valid_cylinders": by_band.valid,
        "nodes": [_node_json(by_band, j, node) for j, node in enumerate(nodes)],
        "repeat": None if repeat is None else _repeat_json(repeat, nodes),
        "beside": [_beside_json(one, pull, review.bands) for one in beside],
    }


def _beside_json(beside: Beside, pull: Pull, bands: Bands) -> Mapping[str, Any]:
    found = beside_in_pull(beside, pull, bands)
    return {
        "table": beside.name,
        "by": beside.by,
        "lag_half_interval_s": beside.half_s,
        "samples": found.samples,
        "columns": [
            {"name": name, "unit": unit, "mean": found.mean[:, c], "half_by_lag": found.half[:, c]}
            for c, (name, unit) in enumerate(zip(beside.names, beside.units, strict=True))
        ],
    }


def _node_json(by_band: PullTable, j: int, node: Node) -> Mapping[str, Any]:
    return {
        "position": node.position,
        "cylinders": node.cylinders,
        "sensor": node.sensor,
        "needs_percent": by_band.peers[:, j],
        "half_interval_percent": by_band.peers_half[:, j],
        "needs_vs_target_percent": by_band.target[:, j],
        "half_interval_vs_target_percent": by_band.target_half[:, j],
        "counted_s": by_band.counted_s[:, j],
        "share": by_band.share[:, j],
        "left_out": [_word_of(reasons[j]) for reasons in by_band.why],
        "worst": by_band.worst[j],
        "leanest": by_band.leanest[j],
    }


def _repeat_json(repeat: Repeat, nodes: Sequence[Node]) -> Mapping[str, Any]:
    return {
        "against": repeat.against + 1,
        "rms_percent": repeat.rms,
        "noise_rms_percent": repeat.noise_rms,
        "unlike": repeat.unlike,
        "engine_difference_percent": repeat.engine,
        "nodes": [
            {
                "position": node.position,
                "difference_percent": repeat.difference[:, j],
                "half_interval_percent": repeat.half[:, j],
                "mean_percent": repeat.by_node[j],
                "mean_half_interval_percent": repeat.by_node_half[j],
            }
            for j, node in enumerate(nodes)
        ],
    }


def pulls_text(
    review: PullReview,
    known: Sequence[NodeLag],
    run: Run,
    chosen: Sequence[int],
    against: str,
    *,
    beside: Sequence[Beside] = (),
) -> str:
    """All pulls, and the table of each chosen one with the columns of tables beside the run below it."""
    answer = answer_text(pulls_answer(review, run.session.chain.nodes, against))
    parts = [title("PULLS", run.session.name) + answer + log_text(run.log)]
    if not review.pulls:
        parts.append(paragraph(_explain_no_pulls(run)) + _format_notes(run))
        return "\n".join(parts)
    parts.append(set_grid(pull_grid(review, run)))
    parts += [_describe_pull(review, i, run, against) + _describe_beside(beside, review, i) for i in chosen]
    return "\n".join([*parts, _closing_lines(known) + _format_notes(run)])


def _format_notes(run: Run) -> str:
    return note_lines(log_notes(run))


def _explain_no_pulls(run: Run) -> str:
    """Why there is no pull."""
    load = run.session.axes.load_signal
    wanted = {"rpm": ("rpm",), "throttle": ("throttle", load)}
    missing = [name for name, ways in wanted.items() if not set(ways) & set(run.binding.engine)]
    if missing:
        return f"no pull can be found: the session names no {' and no '.join(missing)} in [engine_signals]"
    rules = SweepRules()
    return (
        "no pull found: a pull is full throttle with speed rising by "
        f"{rules.least_gain_rpm:.0f} rpm or more, at {rules.lowest_rate:.0f} to {rules.highest_rate:.0f} "
        f"rpm/s, for {rules.least_s:g} s or more"
    )


def pull_grid(review: PullReview, run: Run) -> Grid:
    """One row a pull: when and how it was driven, and whether to keep it."""
    columns = [
        Column("pull"),
        Column("at"),
        Column("to"),
        Column("from rpm"),
        Column("to rpm"),
        Column("rpm/s"),
        Column("coolant"),
        Column("intake"),
        Column("valid"),
        Column("differs", left=True),
        Column("", left=True, wraps=True),
    ]
    rows = []
    for i, pull in enumerate(review.pulls):
        quality, repeat = pull.quality, review.repeats[i]
        differs = (
            ""
            if repeat is None or not math.isfinite(repeat.rms)
            else f"{number(repeat.rms, 2)} % of {repeat.against + 1}"
        )
        rows.append(
            (
                i + 1,
                clock_of(pull.begin, run),
                clock_of(pull.end, run),
                pull.from_rpm,
                pull.to_rpm,
                pull.rate,
                quality.coolant_c,
                quality.intake_c,
                f"{quality.valid_cylinders}/{quality.cylinders}",
                differs,
                pull.verdict.suggestion,
            )
        )
    return Grid(columns, rows)


def _describe_pull(review: PullReview, i: int, run: Run, against: str) -> str:
    pull, by_band = review.pulls[i], review.tables[i]
    reference = "the mean of the cylinders" if against == "peers" else "the target"
    heading = f"PULL {i + 1} of {len(review.pulls)}: {pull_facts(pull)}"
    lines = [heading, *(f"reject: {sentence(reason)}" for reason in pull.verdict.reasons)]
    lines += map(sentence, review.notes[i])
    lines.append(
        f"needs: percent of fuel against {reference}, + means add fuel; all: the whole engine against the "
        "target; valid: cylinders; by rpm/1000"
    )
    grid = set_grid(band_grid(by_band, run.session.chain.nodes, against))
    below = "".join(map(paragraph, remarks_on_pull(review, i, against)))
    return "".join(map(paragraph, lines)) + grid + below


def _describe_beside(beside: Sequence[Beside], review: PullReview, i: int) -> str:
    return "".join(paragraph(words) + set_grid(grid) for words, grid in beside_grids(beside, review, i))


def beside_grids(beside: Sequence[Beside], review: PullReview, i: int) -> list[tuple[str, Grid]]:
    """What tables of others show in a pull, by the same bands, each with words on how sure the bands are."""
    parts = []
    for one in beside:
        found = beside_in_pull(one, review.pulls[i], review.bands)
        columns = [Column("", left=True), *(Column(f"{c / 1000:g}") for c in review.bands.centres)]
        rows = [
            (f"{name} {unit}".strip(), *(in_three_digits(x) for x in found.mean[:, c].tolist()))
            for c, (name, unit) in enumerate(zip(one.names, one.units, strict=True))
        ]
        parts.append((beside_words(one, found), Grid(columns, rows)))
    return parts


def beside_words(beside: Beside, found: BesideBands) -> str:
    """Where a table's values come from, how many samples there are, and what the lag's error does."""
    sure = f"lag ± {beside.half_s:.2f} s" if np.isfinite(beside.half_s) else "by clocks that were believed"
    samples = counted(int(found.samples.sum()), "sample")
    moved = found.half / np.maximum(np.abs(found.mean), 1e-9)
    most = 100 * float(np.nanmax(moved)) if np.isfinite(moved).any() else math.nan
    told = f", which moves a value by {most:.1f} % at most" if math.isfinite(most) else ""
    return f"{beside.name}: {samples} in this pull, {sure}{told}; means by rpm/1000"


def in_three_digits(value: float) -> str:
    """A value of any size in three digits or more.

    >>> [in_three_digits(x) for x in (812.34, 14.06, 1.4567, math.nan)]
    ['812', '14.1', '1.46', '--']
    """
    return number(value, 0 if abs(value) >= 100 else 1 if abs(value) >= 10 else 2)


def remarks_on_pull(review: PullReview, i: int, against: str) -> list[str]:
    """What the marks in its table mean, and whether it repeats an earlier one."""
    told = [_explain_marks(review.tables[i], against), _describe_repeat(review.repeats[i])]
    return [one for one in told if one]


def pull_facts(pull: Pull) -> str:
    """How it was driven, in a sentence."""
    return (
        f"{pull.from_rpm:.0f} to {pull.to_rpm:.0f} rpm in {pull.seconds:.1f} s, {pull.rate:.0f} rpm/s, "
        f"ended by {pull.ended_by}"
    )


def band_grid(by_band: PullTable, nodes: Sequence[Node], against: str) -> Grid:
    """Cylinders down, bands across; the line ± has the median of the cylinders' half intervals."""
    needs, half = (by_band.peers, by_band.peers_half)
    points = by_band.worst
    if against == "target":
        needs, half, points = by_band.target, by_band.target_half, by_band.leanest
    columns = [Column("cyl", left=True), *(Column(f"{c / 1000:g}") for c in by_band.bands.centres)]
    columns += [Column("worst" if against == "peers" else "lean", 1, signed=True), Column("at rpm")]
    rows: list[tuple[Cell, ...]] = []
    for j, node in enumerate(nodes):
        shown = [_format_need(needs[b, j], by_band.why[b][j]) for b in range(len(by_band.bands))]
        rows.append((_join_cylinders(node), *shown, *_point_cells(points[j])))
    rows.append(("±", *(half_width(_median_of_known(row), 1) for row in half), "", ""))
    rows.append(("all", *(_format_need(x, None) for x in by_band.engine.tolist()), "", ""))
    rows.append(("spread", *(number(s, 1) for s in by_band.spread.tolist()), "", ""))
    rows.append(("valid", *(str(v) for v in by_band.valid.tolist()), "", ""))
    return Grid(columns, rows)


def _format_need(percent: float, why: Exclusion | None) -> str:
    if math.isfinite(percent):
        return number(percent, 0 if abs(percent) >= _WIDE_PERCENT else 1, signed=True)
    return _mark_of(why)[0]


def _mark_of(why: Exclusion | None) -> tuple[str, str]:
    """The mark for a need that is not known, and what the mark means."""
    return _NO_DATA if why is None else _MARKS.get(why, _NO_DATA)


def _word_of(why: Exclusion | None) -> str | None:
    return None if why is None else why.word


def _point_cells(point: Point | None) -> tuple[Cell, Cell]:
    return (NO_VALUE, NO_VALUE) if point is None else (point.needs_percent, point.rpm)


def _median_of_known(row: Floats) -> float:
    known = row[np.isfinite(row)]
    return float(np.median(known)) if len(known) else math.nan


def _join_cylinders(node: Node) -> str:
    return "+".join(map(str, node.cylinders))


def _explain_marks(by_band: PullTable, against: str) -> str:
    """The meaning of the marks in the table, with the reasons for missing data."""
    needs, lacking = by_band.peers, "no other cylinder to compare with: use --against target"
    if against == "target":
        needs, lacking = by_band.target, "no target to compare with: use --against peers"
    empty = ~np.isfinite(needs)
    reasons = [by_band.why[b][j] for b, j in np.argwhere(empty).tolist()]
    marks = dict.fromkeys(map(_mark_of, reasons))
    others = dict.fromkeys(_word_of(why) or lacking for why in reasons if why not in _MARKS)
    parts = [f"{mark} {meaning}" for mark, meaning in marks]
    if others:
        parts[-1 if _NO_DATA not in marks else list(marks).index(_NO_DATA)] += f" ({', '.join(others)})"
    return "; ".join(parts)


def _describe_repeat(repeat: Repeat | None) -> str:
    if repeat is None or not math.isfinite(repeat.rms):
        return ""
    unlike = ", ".join(map(sentence, repeat.unlike))
    alike = f"unlike conditions: {unlike}" if unlike else "like conditions"
    return (
        f"against pull {repeat.against + 1}: needs differ by {number(repeat.rms, 2)} % rms, noise alone "
        f"makes {number(repeat.noise_rms, 2)} %; {alike}"
    )


def _closing_lines(known: Sequence[NodeLag]) -> str:
    return (
        paragraph("speeds are those at which the gas was burnt: gas delay and sensor lag are allowed for")
        + paragraph(f"{lags_words(known)}; set better ones with --lag")
        + paragraph(
            "± is the median of the cylinders' half 95 % intervals, of what repeats: an error of the lag and "
            "the sensors' own errors (see mixmon balance) are not included"
        )
        + paragraph("coolant and intake: degrees Celsius at the start of the pull")
    )
