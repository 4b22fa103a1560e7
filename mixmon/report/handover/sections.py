"""The page itself: its sections in the order of reading, and what was written as JSON and as text.

    answer | job, engine, sensors, conditions | limits, alarms | needs, map, trims | pulls, events |
    before and after | left out | cautions | evidence | files

Sentences are those of the reports (`report.words`, `report.answers`), tables their grids. Numbers lead to the
rows of the evidence: to a cylinder, and from there to its cells with their moments and seconds.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any, Final

from mixmon.arrays import DATED_FROM_NS, SECOND_NS
from mixmon.findings.alarms.records import AlarmEvent
from mixmon.findings.balance.balance import CellNeed
from mixmon.findings.balance.notes import BalanceNote
from mixmon.findings.events.event import Event, Kind
from mixmon.findings.lags import LagSource
from mixmon.findings.pulls.quality import Suggestion
from mixmon.findings.trims.notes import SheetNote
from mixmon.frames.clock import clock_text
from mixmon.messages.cautions import cautions
from mixmon.mixture.steady import Cell as OperatingCell
from mixmon.note import Note
from mixmon.record.run_folder import RunNote
from mixmon.report.answers import (
    Answer,
    AnswerNote,
    balance_answer,
    comparison_answer,
    events_answer,
    pulls_answer,
    trims_answer,
)
from mixmon.report.balance import (
    STAGES_SAY,
    cell_grid,
    cylinder_grid,
    log_json,
    log_troubles,
    rests_on,
    say_of_labels,
    stage_grid,
)
from mixmon.report.comparison import (
    EFFECT_SAYS,
    change_grid,
    change_sentence,
    condition_grid,
    effect_grid,
    left_grid,
    proof_sentences,
    spread_sentence,
)
from mixmon.report.events import cautions_on_events, event_grid
from mixmon.report.handover.evidence import TRACED_KINDS, seconds_of
from mixmon.report.handover.gather import HandOver, own_name
from mixmon.report.handover.html import (
    RowPlace,
    bullets,
    document,
    escaped,
    facts_table,
    figure,
    grid_table,
    heading,
    linked,
    paragraph,
    raw_table,
    section,
)
from mixmon.report.handover.pictures import (
    change_picture,
    needs_picture,
    outlook_picture,
    pull_picture,
    trace_picture,
)
from mixmon.report.intervals import total_sentence
from mixmon.report.lags import lags_words
from mixmon.report.page import TextPage, laid_for
from mixmon.report.pulls import band_grid, beside_grids, pull_facts, pull_grid, remarks_on_pull
from mixmon.report.sensors import bias_text, remarks_on, sums_words
from mixmon.report.text import Cell, Column, Grid, counted, half_width, number, printable, title
from mixmon.report.text import paragraph as text_paragraph
from mixmon.report.trims import (
    BANKS_SAY,
    OUTLOOK_SAYS,
    bank_grid,
    map_grids,
    outlook_grid,
    outlook_sentence,
    own_errors_sentence,
    sheet_grid,
)
from mixmon.report.words import CONDITION_NAMES, sentence, sentences
from mixmon.run import Run
from mixmon.session.alarm_kinds import kind_of, measured_text
from mixmon.session.default_limits import PLACEHOLDER, limits_in_force
from mixmon.session.entered import trims_held
from mixmon.session.keys import ENGINE_QUANTITIES
from mixmon.session.model import AlarmRule

WITNESS: Final = (
    "mixmon watches; it does not protect the engine. The limits of the engine builder and of the test cell "
    "prevail over everything on this page."
)
"""What the page is not."""

_MOST_LISTED_EVENTS: Final = 150
"""Events listed: our choice, some four pages of A4; the gravest kinds are kept, and the others counted."""

_MOST_PULLS: Final = 8
"""Pulls with a picture and a table of their own: our choice; all are in the list."""

_MOST_MARKS: Final = 60
"""Marks and notes of the run that are listed: our choice, two pages."""

_MOST_VISITS: Final = 12
"""Visits to one cell that are listed by their moments: our choice; the others are counted."""


def handover_page(found: HandOver) -> str:
    """The page as HTML. The same findings give the same bytes, whatever terminal there is."""
    with laid_for(TextPage()):
        parts = [(name, head, write(found)) for name, head, write in _SECTIONS]
        kept = [(name, head, text) for name, head, text in parts if text]
        body = _head(found) + _answer(found) + _contents(kept)
        body += "".join(section(name, head, text) for name, head, text in kept)
        return document(f"mixmon report: {_name_of(found)}", body)


def _name_of(found: HandOver) -> str:
    return found.session.name or ", ".join(map(own_name, found.run.names))


def _clock(t: int, found: HandOver) -> str:
    return clock_text((t - (found.run.log.first_ns or 0)) / SECOND_NS)


def _head(found: HandOver) -> str:
    run = ", ".join(map(own_name, found.run.names))
    said = f"Run {run}; {_date_of(found)}; {clock_text(found.run.log.duration_s)} long."
    head = f"<h1>Mixture of each cylinder: {escaped(_name_of(found))}</h1>\n"
    return f"<header>\n{head}{paragraph(said, 'quiet')}</header>\n"


def _date_of(found: HandOver) -> str:
    first = found.run.log.first_ns
    if first is None or first < DATED_FROM_NS:
        return "its stamps are no dates"
    return dt.datetime.fromtimestamp(first // SECOND_NS, dt.UTC).strftime("begun %Y-%m-%d %H:%M:%S UTC")


def _contents(parts: Iterable[tuple[str, str, str]]) -> str:
    items = "".join(f"<li>{linked(head, name)}</li>\n" for name, head, _ in parts)
    return f'<nav aria-label="contents">\n<ul>\n{items}</ul>\n</nav>\n'


# The answer.


def handover_answer(found: HandOver) -> Answer:
    """Which cylinder, how much, and what is to be typed; of a run before as well, what that shows."""
    own = balance_answer(found.balance)  # its interval holds the sensor's own error
    typed = [one for one in trims_answer(found.sheet).notes if one.code is AnswerNote.TRIMS_TO_TYPE]
    own = Answer((*own.notes, *typed), own.doubt)
    if found.other is None:
        return own
    other = comparison_answer(found.other.found)
    return Answer((*own.notes, *other.notes), own.doubt or other.doubt)


def _answer(found: HandOver) -> str:
    answer = handover_answer(found)
    said = sentences(answer.notes)
    doubt = answer.doubt or bool(_troubles(found))
    word = (
        "With doubts, which stand below: read them before anything is typed."
        if doubt
        else "The data show no reason to doubt it; what data cannot show is under Cautions."
    )
    picture = needs_picture(found.balance, _cylinder_targets(found))
    return (
        f'<section id="answer" class="answer{" doubt" * doubt}">\n<h2>Answer</h2>\n'
        f"{paragraph(_sentence_case(said), 'said')}{paragraph(word, 'word')}"
        f"{bullets(_whether_to_believe(found))}{paragraph(WITNESS, 'warning')}</section>\n"
        + (figure(picture, _NEEDS_SAY) if picture else "")
    )


_NEEDS_SAY: Final = (
    "What each cylinder needs, percent of fuel against the mean of the cylinders; + means add fuel. Thick: "
    "the 95 % interval of what repeats; thin: with each sensor's own error."
)


def _whether_to_believe(found: HandOver) -> list[str]:
    """What speaks for and against relying on the needs, each in a sentence."""
    balance = found.balance
    said = [f"No trims are offered: {sentence(reason)}." for reason in balance.withheld]
    said += [f"{trouble}." for trouble in _troubles(found)]
    said += [] if balance.withheld else _exchanged_labels(found)
    if not balance.withheld:
        labels = say_of_labels(
            balance.identity, own=balance.identity_own, seen=bool(_exchanged_labels(found))
        )
        said.append(labels.strip())
    spread = balance.spread
    if math.isfinite(spread.value):
        low, high = spread.interval95
        said.append(f"Spread {spread.value:.1f} % (95 %: {low:.1f} to {high:.1f}), {rests_on(spread)}.")
    if total := total_sentence(balance, found.session):
        said.append(f"{total[:1].upper()}{total[1:]}.")
    if not _troubles(found):
        said.append("Log in order: nothing rejected, lost, late, corrupt or jumping, as far as it tells.")
    if limits_in_force(found.session).source is None:
        said.append(f"Limits: {PLACEHOLDER}.")
    return said


def _exchanged_labels(found: HandOver) -> list[str]:
    """What goes by the cylinder that a label sees, and what by the label; none where both are the same."""
    codes = {BalanceNote.BY_CYLINDERS_SEEN, BalanceNote.IDENTITY_DISPROVED}
    notes = [*found.balance.withheld, *found.balance.notes]
    return [_sentence_case(sentence(one)) for one in notes if one.code in codes]


def _by_label(found: HandOver) -> str:
    """Before findings that go by label, where labels do not see their cylinders."""
    return "".join(
        paragraph(f"By label, not by cylinder: {one}", "warning") for one in _exchanged_labels(found)
    )


def _troubles(found: HandOver) -> list[str]:
    """What is not in order within the logs, and in the folders of the runs."""
    folders = [f"{own_name(one.path)}: {fault}" for one in found.folders for fault in one.faults]
    said = [*_log_troubles(found.run), *folders]
    if found.other is not None:
        said += [f"run before: {one}" for one in _log_troubles(found.other.run)]
    return said


def _log_troubles(run: Run) -> list[str]:
    """What is not in order in its logs, which are named without their folders: a page is read elsewhere."""
    said = log_troubles(run.log)
    for name in run.names:
        if len(Path(name).parts) > 1:
            said = [one.replace(name, own_name(name)) for one in said]
    return said


# Where numbers lead.


def _cell_place(rpm: float | None, load: float | None, stage: int | None) -> str:
    """The id of a cell's row in the evidence."""
    return "cell-" + "-".join("all" if x is None else f"{x:g}" for x in (rpm, load, stage))


def _cylinder_targets(found: HandOver) -> dict[int, str]:
    return {one.cylinder: f"cylinder-{one.cylinder}" for one in found.balance.cylinders}


def _cell_targets(places: Iterable[Any]) -> list[RowPlace]:
    return [RowPlace(target=_cell_place(one.rpm, one.load, one.injection_stage)) for one in places]


# Job, engine, sensors, conditions.


def _job(found: HandOver) -> str:
    run, log = found.run, found.run.log
    files = ", ".join(map(own_name, run.names))
    whole = "" if run.whole else _part_words(found)
    facts = [
        ("session", found.session.name),
        ("run", files),
        ("time", _date_of(found)),
        ("length", f"{log.duration_s:.1f} s without jumps of the stamps"),
        ("part used", whole),
        ("frames", f"{counted(log.frames, 'frame')}, of the session's {counted(log.decoded, 'frame')}"),
        (
            "compared with",
            "" if found.other is None else ", ".join(map(own_name, found.other.run.names)),
        ),
    ]
    facts += [(f"why {own_name(one.path)} was begun", one.manifest.why) for one in found.folders]
    return facts_table("The run", facts) + _marks(found)


def _part_words(found: HandOver) -> str:
    run = found.run
    begin, end = run.window_s
    said = (
        []
        if begin <= 0 and end is None
        else [f"from {clock_text(begin)} to {'the end' if end is None else clock_text(end)}"]
    )
    if run.left_out:
        said.append(f"without cylinders {', '.join(map(str, sorted(run.left_out)))}")
    return "; ".join(said)


def _marks(found: HandOver) -> str:
    """What was marked and noted while the run was recorded."""
    notes: list[RunNote] = [
        one for folder in found.folders for one in folder.each_note() if one.kind in {"mark", "note"}
    ]
    if not notes:
        return ""
    rows = [(_clock(one.t, found), one.kind, str(one.data.get("text", ""))) for one in notes[:_MOST_MARKS]]
    columns = [Column("time"), Column("what", left=True), Column("text", left=True, wraps=True)]
    more = len(notes) - len(rows)
    said = paragraph(f"{counted(more, 'further one')} in the folder of the run.") if more else ""
    return grid_table(Grid(columns, rows), "Marks and notes of the operator") + said


def _engine(found: HandOver) -> str:
    session = found.session
    engine, injection, exhaust, fuel = session.engine, session.injection, session.exhaust, session.fuel
    stoich = found.run.binding.stoich_afr
    facts = [
        ("cylinders", str(engine.cylinders)),
        ("displacement", _with_unit(engine.displacement_l, "l", 3)),
        ("strokes", str(engine.strokes)),
        ("firing order", "-".join(map(str, engine.firing_order or ()))),
        ("firing angles", ", ".join(f"{a:g}" for a in engine.firing_angles_deg or ())),
        ("banks", "; ".join(f"{name}: {', '.join(map(str, own))}" for name, own in engine.banks.items())),
        ("aspiration", engine.aspiration or ""),
        ("throttles", engine.throttles or ""),
        (
            "air of the cylinders",
            "equal air assumed" if engine.charge_share is None else "as the session gives it",
        ),
        ("injection", injection.timing or ""),
        ("injector dead time", _with_unit(injection.dead_time_ms, "ms", 2)),
        ("primary bore", _with_unit(exhaust.primary_bore_mm, "mm", 1)),
        (
            "sensor distance from valve",
            ", ".join(f"{d:g}" for d in exhaust.sensor_distance_mm or ()) and _distances(found),
        ),
        (
            "sensors stand",
            "before the turbine" if exhaust.before_turbine else "after the merge" * exhaust.after_merge,
        ),
        ("fuel", _fuel_words(found)),
        ("stoichiometric ratio", "" if stoich is None else f"{stoich:.2f}"),
        ("leaded", "yes" if fuel is not None and fuel.leaded else ""),
        (
            "trims of the engine control",
            f"one a {session.trims.shape}, steps of {session.trims.step_percent:g} %",
        ),
    ]
    return facts_table("The engine, as the session declares it; what is not declared is not listed", facts)


def _with_unit(value: float | None, unit: str, decimals: int) -> str:
    return "" if value is None else f"{value:.{decimals}f}".rstrip("0").rstrip(".") + f" {unit}"


def _distances(found: HandOver) -> str:
    distances = found.session.exhaust.sensor_distance_mm or ()
    alike = len(set(distances)) == 1
    return f"{distances[0]:g} mm" if alike else f"{', '.join(f'{d:g}' for d in distances)} mm"


def _fuel_words(found: HandOver) -> str:
    fuel = found.session.fuel
    if fuel is None:
        return "not declared: gasoline assumed"
    parts = ", ".join(f"{name} {100 * share:g} %" for name, share in fuel.parts.items())
    return fuel.name or parts or found.run.binding.fuel.name


def _sensors(found: HandOver) -> str:
    columns = [
        Column("pos"),
        Column("cyl", left=True),
        Column("sensor", left=True),
        Column("lag ms"),
        Column("lag is", left=True),
        Column("air %", 1, signed=True),
        Column("ready s", 1),
        Column("bias %", left=True),
        Column("ledger", left=True, wraps=True),
        Column("in this run", left=True, wraps=True),
    ]
    rows = []
    for node, lag, seen in zip(found.session.chain.nodes, found.lags, found.response.sensors, strict=True):
        known = found.sensors.get(node.sensor or "")
        told = ["not in the ledger"] if known is None else [sums_words(known), *remarks_on(known)]
        bias = None if known is None else known.bias
        rows.append(
            (
                node.position,
                ", ".join(map(str, node.cylinders)),
                node.sensor or "no serial",
                1e3 * lag.lean_s,
                str(lag.source),
                seen.air_to_peers_percent,
                seen.warm_up_s,
                "not known" if bias is None else bias_text(bias.percent, bias.half_percent),
                "; ".join(told),
                sentences(seen.flags),
            )
        )
    said = (
        "Lag: T63 of readings that rise, given, measured in this run or assumed. Air: percent off the other "
        "sensors in fuel cuts. Ready: from heating to work. Bias: the sensor's own error, + reads lean. "
        "Numbers that were measured in fuel cuts lead to the first of them."
    )
    cut = next((i for i, e in enumerate(_listed_events(found), 1) if e.kind is Kind.FUEL_CUT), None)
    places = [
        RowPlace(f"sensor-{lag.position}", f"event-{cut}" if cut and lag.source is LagSource.MEASURED else "")
        for lag in found.lags
    ]
    return grid_table(Grid(columns, rows), "Sensors in the order of the chain", places) + paragraph(
        said, "quiet"
    )


def _conditions(found: HandOver) -> str:
    facts = [
        (
            CONDITION_NAMES[name],
            f"{found.conditions[name]:.1f} {_UNIT_SIGNS.get(unit := ENGINE_QUANTITIES[name].units[0], unit)}"
            if math.isfinite(found.conditions.get(name, math.nan))
            else "not reported",
        )
        for name in CONDITION_NAMES
    ]
    loop = found.conditions.get("closed_loop", math.nan)
    facts.append(
        ("closed loop", f"{100 * loop:.0f} % of the time" if math.isfinite(loop) else "not reported")
    )
    return facts_table("Means while samples counted, as the engine control reported them", facts)


_UNIT_SIGNS: Final = {"degC": "°C"}
"""Units as a page has them."""


def _with_sign(cell: Cell) -> Cell:
    """Text of a report with the unit signs of a page."""
    if isinstance(cell, str):
        for unit, sign in _UNIT_SIGNS.items():
            cell = cell.replace(unit, sign)
    return cell


# Limits and alarms.


def _limits(found: HandOver) -> str:
    limits = limits_in_force(found.session)
    columns = [
        Column("priority"),
        Column("alarm", left=True),
        Column("raised for", left=True, wraps=True),
        Column("while", left=True, wraps=True),
        Column("what to do, by the session", left=True, wraps=True),
    ]
    rows = [
        (
            float(rule.priority),
            rule.name,
            _limit_words(rule),
            rule.when or "always",
            rule.response,
        )
        for rule in limits.alarms
    ]
    source = f"Source of these limits: {limits.source}." if limits.source else f"{PLACEHOLDER.capitalize()}."
    return (
        paragraph(source, "warning")
        + grid_table(Grid(columns, rows), "Limits that were watched")
        + _alarms(found)
    )


def _limit_words(rule: AlarmRule) -> str:
    kind = kind_of(rule)
    delay = f", for {rule.on_delay_s:g} s" if rule.on_delay_s else ""
    return f"{kind.words} {'above' if kind.above else 'below'} {rule.limit:g} {kind.unit}{delay}"


def _alarms(found: HandOver) -> str:
    grouped: dict[tuple[int, str, str], list[AlarmEvent]] = {}
    for event in found.alarms:
        if event.announced:
            who = "all" if event.all_nodes else ", ".join(map(str, event.cylinders)) or "engine"
            grouped.setdefault((event.priority, event.rule, who), []).append(event)
    if not grouped:
        return paragraph("No alarm asked for attention.")
    columns = [
        Column("priority"),
        Column("alarm", left=True),
        Column("cylinder", left=True),
        Column("times"),
        Column("first at"),
        Column("last at"),
        Column("farthest", left=True),
        Column("limit", left=True),
    ]
    rows = []
    for (priority, rule, who), events in sorted(grouped.items()):
        far = max(events, key=_how_far_beyond)
        value = measured_text(far.value, far.limit, far.unit) if math.isfinite(far.value) else "--"
        rows.append(
            (
                float(priority),
                rule,
                who,
                float(len(events)),
                _clock(events[0].t, found),
                _clock(events[-1].t, found),
                f"{value} {far.unit}",
                f"{far.limit:g} {far.unit}",
            )
        )
    said = "When raised, not at the peak; a lean alarm may be a misfire: see Events."
    table = grid_table(Grid(columns, rows), "Alarms that asked for attention")
    return _by_label(found) + table + paragraph(said, "quiet")


def _how_far_beyond(event: AlarmEvent) -> float:
    return abs(event.value - event.limit) if math.isfinite(event.value) else -1.0


# Needs, map, trims.


def _needs(found: HandOver) -> str:
    balance = found.balance
    places = [RowPlace(f"need-{c.cylinder}", f"cylinder-{c.cylinder}") for c in balance.cylinders]
    remarks = [f"Cylinder {c.cylinder}: {sentences(c.flags)}." for c in balance.cylinders if c.flags]
    banks = [
        f"Bank {b.bank} needs {number(b.needs_percent, 1, signed=True)} ± "
        f"{half_width(b.half_interval_percent, 1)} % against all."
        for b in balance.banks
    ]
    return (
        paragraph(_NEEDS_CAPTION)
        + grid_table(_needs_grid(found), "Needs of every cylinder, all used cells together", places)
        + bullets([*remarks, *banks])
        + _staged_needs(found)
    )


def _needs_grid(found: HandOver) -> Grid:
    """The table of the balance, with intervals that hold the sensors' own errors where these are known."""
    grid, cylinders = cylinder_grid(found.balance), found.balance.cylinders
    if not any(math.isfinite(c.total_interval95_percent[1]) for c in cylinders):
        return grid
    after = 1 + next(i for i, column in enumerate(grid.columns) if column.head == "to")
    more = [Column("with sensor's error from", 1, signed=True), Column("to", 1, signed=True)]
    columns = [*grid.columns[:after], *more, *grid.columns[after:]]
    rows = [
        (*row[:after], *c.total_interval95_percent, *row[after:])
        for row, c in zip(grid.rows, cylinders, strict=True)
    ]
    return Grid(columns, rows)


def _staged_needs(found: HandOver) -> str:
    """Both injection stages apart, where injection is staged."""
    staged = found.balance.staged
    if not staged:
        return ""
    withheld = [
        f"Injection stage {part.injection_stage}, no trims: {sentence(one)}."
        for part in staged
        for one in part.withheld
    ]
    grid = stage_grid(staged, found.balance.staging_steps)
    places = [RowPlace(target=f"cylinder-{c.cylinder}") for c in staged[0].cylinders]
    return grid_table(grid, _sentence_case(STAGES_SAY), places) + bullets(withheld)


_NEEDS_CAPTION: Final = (
    "Percent of fuel against the mean of the cylinders; + means add fuel. The first interval is of what "
    "repeats; the second one holds the sensor's own error as well, which only exchanged sensors show."
)


def _map(found: HandOver) -> str:
    balance, unit = found.balance, found.unit
    rows = [one for one in balance.whole_engine if math.isfinite(one.lam)]
    if not rows:
        return ""
    return grid_table(
        cell_grid(balance, unit),
        "Cells: all cylinders against the target, and how far they are apart",
        _cell_targets(rows),
    ) + _matrix(found)


def _matrix(found: HandOver) -> str:
    """The need of every cylinder in every cell, tinted where it is surely lean or rich."""
    balance = found.balance
    by_cell: dict[tuple[float | None, float | None, int | None], dict[int, CellNeed]] = {}
    for one in balance.cells:
        by_cell.setdefault((one.rpm, one.load, one.injection_stage), {})[one.cylinder] = one
    cylinders = [one.cylinder for one in balance.cylinders]
    head = '<th scope="col">rpm</th><th scope="col">load</th>' + "".join(
        f'<th scope="col">cyl {c}</th>' for c in cylinders
    )
    rows = []
    for place, own in by_cell.items():
        if not any(math.isfinite(one.needs_percent) for one in own.values()):
            continue
        target = _cell_place(*place)
        axes = "".join(
            f'<th scope="row">{linked("all" if x is None else f"{x:g}", target)}</th>' for x in place[:2]
        )
        rows.append(f"<tr>{axes}{''.join(_need_cell(own.get(c), target) for c in cylinders)}</tr>\n")
    if not rows:
        return ""
    said = (
        "Number: need, percent of fuel, against the mean of the cylinders in that cell, with half of its "
        "95 % interval. Shaded: the interval does not hold zero. In brackets: not used for trims."
    )
    return raw_table("The need of every cylinder in every cell", head, "".join(rows)) + paragraph(
        said, "quiet"
    )


def _need_cell(one: CellNeed | None, target: str) -> str:
    if one is None or not math.isfinite(one.needs_percent):
        return '<td class="none">--</td>'
    need, half = one.needs_percent, one.half_interval_percent
    kind = (
        ""
        if not math.isfinite(half) or abs(need) <= half
        else ' class="lean"'
        if need > 0
        else ' class="rich"'
    )
    shown = f"{number(need, 1, signed=True)} ±{half_width(half, 1)}"
    return f"<td{kind}>{linked(shown if one.used_for_trims else f'({shown})', target)}</td>"


def _trims(found: HandOver) -> str:
    sheet = found.sheet
    said = [f"No trims are offered: {sentence(reason)}." for reason in sheet.withheld]
    who = "by label, not proved to be the cylinder" if sheet.by_label else "by cylinder"
    places = [RowPlace(f"trim-{r.cylinder}", f"cylinder-{r.cylinder}") for r in sheet.rows]
    parts = [
        bullets([*said, *_trims_in_force(found)]),
        grid_table(
            sheet_grid(sheet), f"Trims offered, {who}, in the order of the engine control; percent", places
        ),
        bullets(_why_of_trims(found)),
    ]
    if sheet.parts.banks:
        parts.append(grid_table(bank_grid(sheet), BANKS_SAY.capitalize()))
    parts += [
        grid_table(grid, f"Cylinder {c}: new trim, what it holds now in brackets", heads={"": ""})
        for c, grid in map_grids(sheet)
    ]
    return "".join(parts) + _entries(found) + _outlook(found)


def _why_of_trims(found: HandOver) -> list[str]:
    """What there is to know of a trim beyond the remarks on its need."""
    said = {one.cylinder: one.flags for one in found.balance.cylinders}
    whys = [
        (
            r.cylinder,
            [w for w in r.why if w not in said.get(r.cylinder, ()) and w.code is not SheetNote.MOVED_BY_NEED],
        )
        for r in found.sheet.rows
    ]
    return [f"Cylinder {cylinder}: {sentences(why)}." for cylinder, why in whys if why]


def _trims_in_force(found: HandOver) -> list[str]:
    """What the engine control held while the run was recorded, and by what that is known."""
    held = trims_held(found.session, found.sheet.first_ns)
    if held.percent is None:
        return ["Nothing tells which trims the engine control held in this run."]
    shown = _by_cylinder(held.percent)
    by = "as the session says" if held.entry is None or held.against else "by what was kept as entered"
    against = "; what was kept as entered says otherwise" if held.against else ""
    return [f"Trims in force in this run, {by}{against}: {shown} %."]


def _by_cylinder(percent: Sequence[float]) -> str:
    return ", ".join(f"{i}: {number(p, 2, signed=True)}" for i, p in enumerate(percent, 1))


def _entries(found: HandOver) -> str:
    """Trims that were typed, as kept beside the session."""
    entries = found.session.entries
    if not entries:
        return paragraph("No trims are kept as entered beside the session (mixmon trims --entered).", "quiet")
    columns = [
        Column("kept", left=True),
        Column("by", left=True),
        Column("after the log", left=True),
        Column("before, %", left=True, wraps=True),
        Column("after, %", left=True, wraps=True),
    ]
    rows = [
        (
            one.entered_at,
            one.by or "",
            one.log,
            _by_cylinder(one.before),
            _by_cylinder(one.after),
        )
        for one in entries
    ]
    return grid_table(Grid(columns, rows), "Trims that were entered")


def _outlook(found: HandOver) -> str:
    sheet = found.sheet
    if not sheet.outlook:
        return ""
    places = _cell_targets(sheet.outlook)
    picture = outlook_picture(sheet.outlook, [one.target for one in places])
    return (
        heading("Predicted")
        + paragraph(f"{_sentence_case(outlook_sentence(sheet.outlook))}")
        + (
            figure(picture, "Spread of every cell, % of fuel: now, and predicted once this set is typed.")
            if picture
            else ""
        )
        + grid_table(outlook_grid(sheet), OUTLOOK_SAYS.capitalize(), places)
        + paragraph(_sentence_case(own_errors_sentence(sheet.outlook)), "quiet")
    )


def _sentence_case(text: str) -> str:
    return f"{text[:1].upper()}{text[1:].rstrip('.')}." if text else ""


# Pulls and events.


def _pulls(found: HandOver) -> str:
    review, nodes = found.pulls, found.session.chain.nodes
    answer = _by_label(found) + paragraph(
        _sentence_case(sentences(pulls_answer(review, nodes, "peers").notes))
    )
    if not review.pulls:
        return answer
    places = [RowPlace(f"pull-{i}", f"pull-{i}-bands") for i in range(1, len(review.pulls) + 1)]
    kept = [i for i, one in enumerate(review.pulls) if one.verdict.suggestion is Suggestion.KEEP]
    others = [i for i in range(len(review.pulls)) if i not in kept]
    shown = sorted([*kept, *others][:_MOST_PULLS])
    places = [place if i in shown else RowPlace(place.name) for i, place in enumerate(places)]
    parts = [answer, grid_table(pull_grid(review, found.run), "Pulls", places)]
    if len(shown) < len(review.pulls):
        parts.append(paragraph(f"{len(shown)} of {len(review.pulls)} are shown below, those to keep first."))
    for i in shown:
        pull = review.pulls[i]
        when = f"{_clock(pull.begin, found)} to {_clock(pull.end, found)}"
        picture = pull_picture(review, i, nodes, f"pull-{i + 1}")
        caption = f"Pull {i + 1}, {when}: needs over speed, % of fuel against the mean of the cylinders. "
        caption += "At the lines: medians."
        bands = band_grid(review.tables[i], nodes, "peers")
        told = [
            *(f"Reject: {sentence(one)}" for one in pull.verdict.reasons),
            *map(sentence, review.notes[i]),
        ]
        parts += [
            heading(f"Pull {i + 1}: {pull_facts(pull)}"),
            bullets(map(_sentence_case, told)),
            figure(picture, caption) if picture else "",
            f'<div id="pull-{i + 1}-bands">\n',
            grid_table(
                bands,
                f"Pull {i + 1}, {when}: needs by speed in 1000/min",
                [RowPlace(target=f"pull-{i + 1}")] * len(bands.rows),
            ),
            "</div>\n",
            *(
                grid_table(grid, f"Pull {i + 1}, beside the run: {words}")
                for words, grid in beside_grids(found.beside, review, i)
            ),
            bullets(map(_sentence_case, remarks_on_pull(review, i, "peers"))),
        ]
    parts.append(
        paragraph(
            _sentence_case(f"speeds are those at which the gas was burnt; {lags_words(found.lags)}"), "quiet"
        )
    )
    return "".join(parts)


def _events(found: HandOver) -> str:
    events = list(found.events)
    said = sentences(events_answer(events, found.run.log.missing).notes)
    answer = _by_label(found) + paragraph(_sentence_case(said))
    if not events:
        return answer
    listed = _listed_events(found)
    places = [RowPlace(f"event-{i}", f"event-{i}") for i in range(1, len(listed) + 1)]
    numbered = {id(event): i for i, event in enumerate(listed, 1)}
    drawn = [trace for trace in found.traces if id(trace.event) in numbered]
    traced = {numbered[id(trace.event)] for trace in drawn}
    places = [
        RowPlace(place.name, f"picture-event-{i}") if i in traced else place
        for i, place in enumerate(places, 1)
    ]
    parts = [
        answer,
        grid_table(event_grid(listed, found.run, found.unit), "Events in order of time", places),
    ]
    if len(listed) < len(events):
        more = len(events) - len(listed)
        parts.append(
            paragraph(f"{counted(more, 'further event')} of the less grave kinds: mixmon events lists all.")
        )
    parts.append(bullets(cautions_on_events(events)))
    parts += [
        figure(
            trace_picture(
                trace,
                (i := numbered[id(trace.event)]),
                found.session.chain.nodes,
                found.unit,
                _clock(trace.event.t, found),
            ),
            f"Event {i}: {trace.event.kind.value}, {_who(trace.event)}, at {_clock(trace.event.t, found)}. "
            "Readings in whatever state, a gap where they leave the scale; shaded: the event.",
        )
        for trace in drawn
    ]
    return "".join(parts)


def _who(event: Event) -> str:
    return "all cylinders" if event.all_nodes else f"cylinder {', '.join(map(str, event.cylinders))}"


def _listed_events(found: HandOver) -> list[Event]:
    """As many events as are listed, those that are drawn and the gravest kinds kept, in order of time."""
    events, traced = found.events, {id(trace.event) for trace in found.traces}
    if len(events) <= _MOST_LISTED_EVENTS:
        return list(events)
    ranks = {kind: i for i, kind in enumerate(TRACED_KINDS)}

    def key(i: int) -> tuple[bool, int, int]:
        return id(events[i]) not in traced, ranks.get(events[i].kind, len(ranks)), i

    order = sorted(range(len(events)), key=key)
    return [events[i] for i in sorted(order[:_MOST_LISTED_EVENTS])]


# Before and after.


def _compared(found: HandOver) -> str:
    if found.other is None:
        return ""
    other = found.other.found
    places = [RowPlace(f"change-{c.cylinder}", f"cylinder-{c.cylinder}") for c in other.cylinders]
    led = [RowPlace(target=place.target) for place in places]
    picture = change_picture(other)
    parts = [
        paragraph(_sentence_case(sentences(comparison_answer(other).notes))),
        paragraph(_sentence_case(spread_sentence(other))),
        figure(picture, "What each cylinder needs, % of fuel, before and after.") if picture else "",
        grid_table(change_grid(other), "Change of every cylinder", places),
        paragraph(_sentence_case(change_sentence(other)), "quiet"),
        bullets(map(_sentence_case, proof_sentences(other))),
        grid_table(left_grid(other), "What is left after, as read, and needs against the target", led),
    ]
    if other.effect:
        effects = [RowPlace(target=f"cylinder-{one.cylinder}") for one in other.effect]
        parts.append(grid_table(effect_grid(other), _sentence_case(EFFECT_SAYS), effects))
    conditions = condition_grid(other.conditions)
    rows = [[_with_sign(cell) for cell in row] for row in conditions.rows]
    parts.append(grid_table(Grid(conditions.columns, rows), "Conditions of both runs"))
    return "".join(parts) + bullets(map(_sentence_case, map(sentence, other.notes)))


# What was left out, cautions, evidence, files.


def _left_out(found: HandOver) -> str:
    """Seconds that did not count, by cylinder and reason, and cells that do not serve."""
    cylinders = found.balance.cylinders
    reasons = list(
        dict.fromkeys(reason for c in cylinders for reason, s in c.left_out_s.items() if s >= 0.05)
    )
    columns = [Column("cyl"), Column("used s", 1), *(Column(f"{reason}, s", 1) for reason in reasons)]
    rows = [
        (c.cylinder, c.usable_s, *(c.left_out_s.get(reason, 0.0) for reason in reasons)) for c in cylinders
    ]
    places = [RowPlace(target=f"cylinder-{c.cylinder}") for c in cylinders]
    cells: dict[str, list[str]] = {}
    for one in found.balance.cells:
        if one.usable_s and one.not_used_because:
            place = _words_of_cell(one.rpm, one.load)
            if place not in cells.setdefault(one.not_used_because, []):
                cells[one.not_used_because].append(place)
    missing = [*found.run.binding.gaps, *found.run.log.missing]
    return (
        grid_table(
            Grid(columns, rows),
            "Time of every cylinder: what counts, and what does not, by its reason",
            places,
        )
        + bullets(f"Cells that serve no trim ({why}): {'; '.join(own)}." for why, own in cells.items())
        + bullets(map(_sentence_case, map(sentence, missing)))
    )


def _words_of_cell(rpm: float | None, load: float | None) -> str:
    axes = [f"{value:g} {unit}" for value, unit in ((rpm, "rpm"), (load, "load")) if value is not None]
    return ", ".join(axes) or "all together"


def _cautions(found: HandOver) -> str:
    said: list[Note] = [*cautions(found.session), *found.balance.notes, *found.sheet.notes]
    fixed = [
        "Balanced mixture is no proof of knock margin; the engine builder's limits stand.",
        (
            "A sensor sees the gas, not the charge: leaks, misfire, reversion and fuel that did not burn "
            "change the reading without the mixture (mixmon guide fooled)."
        ),
        "Trims are typed by a person, and measured again after; mixmon writes to no engine control.",
    ]
    return paragraph(WITNESS, "warning") + bullets([*fixed, *map(_sentence_case, map(sentence, said))])


def _evidence(found: HandOver) -> str:
    return (
        paragraph(
            "Every number above leads here or to a row with its own moment. Times count from the first frame "
            "of the log, as the screens and --from take them."
        )
        + _cylinder_evidence(found)
        + _cell_evidence(found)
    )


def _cylinder_evidence(found: HandOver) -> str:
    """By cylinder: the cells that its need rests on."""
    head = "".join(
        f'<th scope="col"{kind}>{name}</th>'
        for name, kind in (
            ("cylinder", ""),
            ("used, s", ""),
            ("effective samples", ""),
            ("cells used, each with its seconds", ' class="l"'),
        )
    )
    rows = []
    for one in found.balance.cylinders:
        own = [
            c for c in found.balance.cells if c.cylinder == one.cylinder and c.usable_s and c.used_for_trims
        ]
        cells = "; ".join(
            linked(
                f"{_words_of_cell(c.rpm, c.load)}: {c.usable_s:.1f} s",
                _cell_place(c.rpm, c.load, c.injection_stage),
            )
            for c in own
        )
        rows.append(
            f'<tr id="cylinder-{one.cylinder}">'
            f'<th scope="row">{linked(str(one.cylinder), f"need-{one.cylinder}")}</th>'
            f"<td>{number(one.usable_s, 1)}</td><td>{number(one.effective_samples)}</td>"
            f'<td class="l words">{cells or "none"}</td></tr>\n'
        )
    return raw_table("From what the need of each cylinder is", head, "".join(rows))


def _cell_evidence(found: HandOver) -> str:
    """By cell: its visits, and the seconds of every cylinder that count."""
    cylinders = [one.cylinder for one in found.balance.cylinders]
    usable = {(c.rpm, c.load, c.injection_stage, c.cylinder): c for c in found.balance.cells}
    head = (
        '<th scope="col">rpm</th><th scope="col">load</th><th scope="col">steady, s</th>'
        '<th scope="col">visits</th><th scope="col" class="l">from, for how long</th>'
        + "".join(f'<th scope="col">cyl {c}</th>' for c in cylinders)
        + '<th scope="col" class="l">for trims</th>'
    )
    places = dict.fromkeys(
        [*found.visits, *(OperatingCell(c.rpm, c.load, c.injection_stage) for c in found.balance.cells)]
    )
    places |= dict.fromkeys(OperatingCell(c.rpm, c.load, c.injection_stage) for c in found.sheet.outlook)
    rows = []
    for cell in places:
        own = found.visits.get(cell, ())
        listed = ", ".join(f"{_clock(v.begin, found)} for {v.seconds:.1f} s" for v in own[:_MOST_VISITS])
        more = f", and {len(own) - _MOST_VISITS} more" if len(own) > _MOST_VISITS else ""
        needs = [usable.get((cell.rpm, cell.load, cell.injection_stage, c)) for c in cylinders]
        seconds = "".join(f"<td>{'--' if n is None else number(n.usable_s, 1)}</td>" for n in needs)
        why = dict.fromkeys(n.not_used_because for n in needs if n is not None and n.not_used_because)
        axes = "".join(
            f'<th scope="row">{"all" if x is None else f"{x:g}"}</th>' for x in (cell.rpm, cell.load)
        )
        stage = "" if cell.injection_stage is None else f" (injection stage {cell.injection_stage})"
        rows.append(
            f'<tr id="{_cell_place(cell.rpm, cell.load, cell.injection_stage)}">{axes}'
            f"<td>{number(seconds_of(own), 1)}</td><td>{len(own)}</td>"
            f'<td class="l words">{escaped(listed + more)}</td>{seconds}'
            f'<td class="l whole">{escaped("no: " + ", ".join(why) if why else "yes")}{stage}</td></tr>\n'
        )
    said = (
        "Steady: speed, load and target within their bands in that cell, any sample valid. Of a cylinder: "
        "seconds of its own samples that count, in whole quarters of a second, without what is read around "
        "misfires and cuts."
    )
    return raw_table(
        "Cells, their visits, and the seconds of every cylinder", head, "".join(rows)
    ) + paragraph(said, "quiet")


def _files(found: HandOver) -> str:
    columns = [
        Column("what", left=True),
        Column("file", left=True),
        Column("bytes"),
        Column("SHA-256", left=True, wraps=True),
    ]
    rows = [(one.what, one.name, float(one.size), one.sha256) for one in found.files]
    folders = [
        f"{own_name(one.path)}: {'every file agrees with its checksum' if one.verified else 'not verified'}."
        for one in found.folders
    ]
    made = f"Made by mixmon {found.version}; made again from these files it is the same, byte by byte."
    ledger = "Lines of the ledger are as it was when the page was made." if found.sensors else ""
    blanks = "".join(
        f'<tr><th scope="row" class="l">{who}</th><td></td><td></td><td></td></tr>\n'
        for who in ("tuner", "engine builder", "customer")
    )
    head = "".join(f'<th scope="col" class="l">{word}</th>' for word in ("", "name", "date", "signature"))
    return (
        grid_table(Grid(columns, rows), "Files that this page rests on, as sha256sum prints them")
        + bullets(folders)
        + paragraph(made)
        + paragraph(ledger, "quiet")
        + raw_table(
            "Signatures",
            head.replace('<th scope="col" class="l"></th>', '<th scope="col" class="l">who</th>'),
            blanks,
            "sign",
        )
    )


_SECTIONS: Final = (
    ("job", "Job", _job),
    ("engine", "Engine", _engine),
    ("sensors", "Sensors", _sensors),
    ("conditions", "Conditions", _conditions),
    ("limits", "Limits and alarms", _limits),
    ("needs", "Needs", _needs),
    ("map", "Map", _map),
    ("trims", "Trims", _trims),
    ("pulls", "Pulls", _pulls),
    ("events", "Events", _events),
    ("before", "Before and after", _compared),
    ("left-out", "What was left out, and why", _left_out),
    ("cautions", "Cautions", _cautions),
    ("evidence", "Evidence: cells, visits, seconds", _evidence),
    ("files", "Files, version, signatures", _files),
)


# What was written.


def written_json(found: HandOver, files: Sequence[tuple[Path, int, str]]) -> Mapping[str, Any]:
    """The fields of `mixmon report --json`, in their order.

    session, log   as for the balance
    files          what was written: path, bytes, sha256
    answer         as the page says it
    doubt          whether something speaks against relying on the answer
    """
    answer = handover_answer(found)
    return {
        "session": found.session.name or str(found.session.path or ""),
        "log": log_json(found.run.log),
        "files": [{"path": str(path), "bytes": size, "sha256": digest} for path, size, digest in files],
        "answer": answer.notes,
        "doubt": answer.doubt or bool(_troubles(found)),
    }


def written_text(found: HandOver, files: Sequence[tuple[Path, int, str]]) -> str:
    """What was written, for a terminal."""
    from mixmon.report.answers import answer_text

    lines = [f"{path}: {counted(size, 'byte')}, SHA-256 {digest}" for path, size, digest in files]
    head = title("REPORT", printable(found.session.name))
    return head + answer_text(handover_answer(found)) + "".join(map(text_paragraph, lines))
