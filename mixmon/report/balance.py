"""A balance as JSON and as text."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any, Final

from mixmon.arrays import SECOND_NS
from mixmon.findings.balance.balance import (
    Balance,
    BankNeed,
    CellNeed,
    EngineNeed,
    Spread,
    StagedNeeds,
    StagingStep,
)
from mixmon.findings.balance.known import KnownBiases
from mixmon.findings.balance.notes import BalanceNote
from mixmon.findings.balance.trims import base_map_percent
from mixmon.frames.account import known_lost
from mixmon.frames.clock import Jump, clock_text
from mixmon.mixture.steady import Cell
from mixmon.note import NoteCode
from mixmon.report.answers import answer_text, balance_answer
from mixmon.report.intervals import is_error_given, total_sentence
from mixmon.report.text import (
    Column,
    Grid,
    counted,
    half_width,
    note_lines,
    paragraph,
    set_grid,
    table,
    title,
)
from mixmon.report.units import Unit
from mixmon.report.words import sentence, sentences
from mixmon.run import LogFacts, Run
from mixmon.session.charges import relative_charges
from mixmon.session.evidence import IdentityState
from mixmon.session.model import Engine, Session
from mixmon.session.observation import observation_of

_SAID_OF_ALL: frozenset[NoteCode] = frozenset(
    {BalanceNote.TOO_LITTLE_DATA, BalanceNote.ONLY_IN_CELLS_NOT_USED, BalanceNote.TRIM_KEPT}
)
"""Flags of a cylinder of which nothing was counted that say no more than that."""

_VAGUE_SPREAD = 1.0
"""Width of a predicted spread's interval from which both ends are told, percent: our choice, two steps."""

_SHOWN_REJECTS = 5  # our choice: enough to see what kind of lines they are, and the warning stays short


def balance_json(balance: Balance, run: Run) -> Mapping[str, Any]:
    """The fields of `mixmon balance --json`, in their order."""
    return {
        "session": run.session.name or str(run.session.path or ""),
        "log": log_json(run.log),
        "against": balance.against,
        "charge_share": {
            "assumed_equal": run.session.engine.charge_share is None,
            "percent": air_percent(run.session.engine),
        },
        "cylinders": balance.cylinders,
        "cells": balance.cells,
        "whole_engine": [
            {
                "rpm": e.rpm,
                "load": e.load,
                "needs_percent": e.needs_percent,
                "half_interval_percent": e.half_interval_percent,
                "total_half_interval_percent": e.total_half_interval_percent,
                "lambda": e.lam,
                "reference": e.reference,
                "injection_stage": e.injection_stage,
            }
            for e in balance.whole_engine
        ],
        "reference": {"cylinders": balance.reference.cylinders, "left_out": balance.reference.left_out},
        "observation": observation_json(run.session),
        "target_offset_percent": run.session.engine.target_offset_percent,
        "groups": balance.groups,
        "identity": balance.identity.value,
        "identity_by_own_steps": balance.identity_own,
        "banks": balance.banks,
        "spread_percent": balance.spread,
        "predicted_spread_percent": balance.predicted_spread,
        "predicted_spread_in_cell": balance.predicted_in,
        "injection_stage": balance.injection_stage,
        "staged": staged_json(balance.staged),
        "staging_steps": balance.staging_steps,
        "predicted_spread_by_cell": [
            {
                "rpm": cell.rpm,
                "load": cell.load,
                "value": s.value,
                "interval95": s.interval95,
                "injection_stage": cell.injection_stage,
            }
            for cell, s in balance.predicted_by_cell
        ],
        "whole_engine_fuel": {
            "trims_add_percent": balance.fuel_percent,
            "base_map_percent": base_map_percent(balance.fuel_percent),
        },
        "sensor_error": {"given": is_error_given(run.session), "known_bias": _known_biases_json(run.session)},
        "misfires": balance.misfires,
        "withheld": balance.withheld,
        "notes": balance.notes,
        "answer": balance_answer(balance).notes,
    }


def staged_json(staged: Sequence[StagedNeeds]) -> list[Mapping[str, Any]]:
    """What each injection stage says by itself; its cells stand among all cells."""
    return [
        {
            "injection_stage": one.injection_stage,
            "cylinders": one.cylinders,
            "spread": one.spread,
            "withheld": one.withheld,
        }
        for one in staged
    ]


def observation_json(session: Session) -> Mapping[str, Any]:
    """What the sensors can tell of the cylinders: combinations that are measured, and what is not known.

    matrix  one row a sensor, one column a cylinder: its part in what the sensor shows, of 1/lambda
    rank    combinations of cylinders that are measured
    split_not_known  cylinders that share a sensor; not_measured: without one
    """
    seen = observation_of(session)
    return {
        "sensors": seen.sensors,
        "cylinders": seen.cylinders,
        "rank": seen.rank,
        "matrix": seen.matrix,
        "split_not_known": seen.together,
        "not_measured": seen.unseen,
    }


def air_percent(engine: Engine) -> list[float]:
    """The air of each cylinder that the mean rests on, percent of all."""
    return [100 * charge / engine.cylinders for charge in relative_charges(engine).tolist()]


def _known_biases_json(session: Session) -> list[Mapping[str, Any]]:
    """The biases by which readings were corrected."""
    known = KnownBiases(session)
    triples = zip(session.chain.nodes, known.percent.tolist(), known.half.tolist(), strict=True)
    return [
        {"sensor": node.sensor, "percent": percent, "half_percent": half}
        for node, percent, half in triples
        if math.isfinite(percent)
    ]


def log_json(log: LogFacts) -> Mapping[str, Any]:
    """What became of the lines of the logs."""
    lost = sum(loss.dropped for loss in log.losses)
    return {
        "frames": log.frames,
        "rejected_lines": log.rejected_lines,
        "first_rejected": [{"line": r.line, "why": r.why} for r in log.first_rejected],
        "duration_s": log.duration_s,
        "late_by_clock": log.late_by_clock,
        "skipped_lines": log.skipped,
        "frames_lost_by_recorder": known_lost(lost, counted=log.losses_counted),
        "clock_jumps": log.jumps,
        "first_clock_jumps": [
            {"t_s": _seconds_into(log, jump), "by_s": (jump.begin - jump.end) / SECOND_NS}
            for jump in log.first_jumps
        ],
        "frames_used": log.decoded,
        "corrupt_frames": log.corrupt,
        "faults": log.faults,
    }


def log_text(log: LogFacts) -> str:
    """One line on the log, and one for everything in it that is out of order."""
    used = counted(log.decoded, "frame")
    length = f"{counted(log.frames, 'frame')} in {log.duration_s:.1f} s"
    first = f"{length}; {used} with what the session asks for"
    return "".join(map(paragraph, [first, *log_troubles(log)]))


def log_troubles(log: LogFacts) -> list[str]:
    """Everything in a log that is out of order, in words."""
    lines = []
    if log.rejected_lines:
        shown = ", ".join(f"line {r.line} {r.why}" for r in log.first_rejected[:_SHOWN_REJECTS])
        lines.append(f"{counted(log.rejected_lines, 'line')} rejected: {shown}")
    lost = sum(loss.dropped for loss in log.losses)
    if lost:
        lines.append(f"{counted(lost, 'frame')} lost by the recorder, by its own account")
    if log.late_by_clock:
        lines.append(f"{counted(log.late_by_clock, 'frame')} came too late to be placed")
    if log.jumps:
        lines.append(f"the time stamps jump {_jumps_text(log)}; each stretch stands for itself")
    if log.corrupt:
        lines.append(
            f"{counted(log.corrupt, 'frame')} with a wrong checksum or a repeated counter, not counted"
        )
    return lines + log.faults


def _jumps_text(log: LogFacts) -> str:
    """How often, and of the first ones how far and when."""
    shown = [f"{jump.words} at {clock_text(_seconds_into(log, jump))}" for jump in log.first_jumps]
    more = ", ..." if log.jumps > len(shown) else ""
    return f"{counted(log.jumps, 'time')} ({', '.join(shown)}{more})"


def _seconds_into(log: LogFacts, jump: Jump) -> float:
    """When a jump was, from the log's first frame."""
    return (jump.end - (log.first_ns or 0)) / SECOND_NS


def balance_text(balance: Balance, run: Run, unit: Unit, *, every_cell: bool = False) -> str:
    """The whole result for a terminal of 80 columns; `every_cell` lists each cylinder in each cell."""
    if balance.against == "target":
        reference = "the target"
    else:
        told = run.session.engine.charge_share is not None
        air = "with [engine] charge_share" if told else "equal air assumed"
        reference = f"{_name_mean(balance)} ({air}){_name_shift(balance)}"
    stage = f"; injection stage {balance.injection_stage} alone" if balance.injection_stage else ""
    needs = paragraph(f"needs: percent of fuel, + means add fuel; against {reference}{stage}")
    counted_s, nothing = math.fsum(c.usable_s for c in balance.cylinders), _describe_nothing(balance)
    parts = [
        title("BALANCE", run.session.name) + answer_text(balance_answer(balance)) + log_text(run.log),
        *([needs + set_grid(cylinder_grid(balance)), _flag_table(balance)] if counted_s else [nothing]),
        _cell_table(balance, unit),
        _table_of_every_cell(balance) if every_cell else "",
        stage_table(balance.staged, balance.staging_steps),
        _closing_lines(balance, run),
    ]
    return "\n".join(part for part in parts if part)


def _name_mean(balance: Balance) -> str:
    if len(balance.groups) > 1:
        return "the mean of each group, as remarked"
    if balance.reference.cylinders and balance.reference.left_out:
        return f"the mean of the {len(balance.reference.cylinders)} known cylinders"
    return "the mean of the cylinders"


def _name_shift(balance: Balance) -> str:
    """Which way the needs shown are off because cylinders at a limit are not in the mean."""
    for one in balance.notes:
        if one.code is BalanceNote.REFERENCE_WITHOUT_LIMITED:
            by = dict(one.values)["least_percent"]
            side = f": all true needs are {'higher' if by > 0 else 'lower'}" if isinstance(by, float) else ""
            return f", without those at a limit{side}"
    return ""


def _describe_nothing(balance: Balance) -> str:
    """In place of a table without a number: what was excluded, and why."""
    reasons = {c.not_used_because: None for c in balance.cells if c.usable_s and c.not_used_because}
    why = f"of {counted(len(balance.cylinders), 'cylinder')} not one sample was counted"
    if reasons:
        why = f"all steady time is in cells that are not used for trims ({', '.join(reasons)})"
    return paragraph(f"no needs: {why}, and all trims stay as they are") + _flag_table(balance, _SAID_OF_ALL)


def cylinder_grid(balance: Balance) -> Grid:
    """One row a cylinder: its need, what it rests on, its trims."""
    columns = [
        Column("cyl"),
        Column("pos"),
        Column("sensor", left=True),
        Column("needs %", 1, signed=True),
        Column("95 % from", 1, signed=True),
        Column("to", 1, signed=True),
        Column("used s", 1),
        Column("eff. n"),
        Column("trim now", 2, signed=True),
        Column("new", 2, signed=True),
    ]
    rows = [
        (
            c.cylinder,
            c.position or None,
            c.sensor or "",
            c.needs_percent,
            *c.interval95_percent,
            c.usable_s,
            c.effective_samples,
            c.trim_now_percent,
            c.trim_new_percent,
        )
        for c in balance.cylinders
    ]
    bars = [(c.needs_percent, *c.interval95_percent) for c in balance.cylinders]
    return Grid(columns, rows, bars=bars)


def _flag_table(balance: Balance, said: frozenset[NoteCode] = frozenset()) -> str:
    """Flags by cylinder, where there are others than those in `said`, and what was excluded."""
    left = [(c.cylinder, [flag for flag in c.flags if flag.code not in said]) for c in balance.cylinders]
    rows = [(cylinder, sentences(flags)) for cylinder, flags in left if flags]
    remarks = table([Column("cyl"), Column("remarks", left=True, wraps=True)], rows) if rows else ""
    return remarks + _excluded_seconds(balance)


def _excluded_seconds(balance: Balance) -> str:
    """Seconds not counted, by reason; from the least to the most of any cylinder where they differ."""
    reasons = dict.fromkeys(reason for c in balance.cylinders for reason in c.left_out_s)
    parts = []
    for reason in reasons:
        seconds = [c.left_out_s.get(reason, 0.0) for c in balance.cylinders]
        least, most = f"{min(seconds):.1f}", f"{max(seconds):.1f}"
        if most == "0.0":
            continue
        parts.append(f"{reason} {most}" if least == most else f"{reason} {least} to {most}")
    return paragraph(f"excluded, seconds a cylinder: {', '.join(parts)}") if parts else ""


def is_of_all(balance: Balance) -> bool:
    """Whether the mean of every cell is that of all cylinders."""
    return not any(engine.reference.left_out for engine in balance.whole_engine)


def cell_grid(balance: Balance, unit: Unit) -> Grid:
    """One row a cell: the engine, the leanest and the richest cylinder, and what the trims will leave."""
    whole = is_of_all(balance)
    columns = [
        Column("rpm"),
        Column("load"),
        Column(f"{'all' if whole else 'mean'} {unit.heading}", unit.decimals),
        Column("needs %", 1, signed=True),
        Column("±", 1, is_half=True),
        Column("leanest", left=True),
        Column("richest", left=True),
        Column("spread", 1),
        Column("after trims", 1),
        Column("", left=True, wraps=True),
    ]
    rows = []
    for engine, (_, after) in zip(balance.whole_engine, balance.predicted_by_cell, strict=True):
        place = (engine.rpm, engine.load, engine.injection_stage)
        here = [c for c in balance.cells if (c.rpm, c.load, c.injection_stage) == place]
        if not math.isfinite(engine.lam):
            continue
        rows.append(
            (
                engine.rpm,
                engine.load,
                unit.of(engine.lam),
                engine.needs_percent,
                engine.half_interval_percent,
                *_ends_of_spread(here),
                after.value,
                _remark_on_cell(engine, here, after),
            )
        )
    return Grid(columns, rows, keys=2)


def _cell_table(balance: Balance, unit: Unit) -> str:
    grid = cell_grid(balance, unit)
    if not grid.rows:
        return ""
    who = "all cylinders" if is_of_all(balance) else "mean of the known"
    about = paragraph(f"cells: {who} against target, and how far they are apart, %")
    return about + set_grid(grid)


def _ends_of_spread(cells: Sequence[CellNeed]) -> tuple[str, str, float]:
    """The leanest and the richest cylinder of a cell, and, if all are known, how far they are apart."""
    known = sorted(
        (c for c in cells if math.isfinite(c.half_interval_percent)), key=lambda c: c.needs_percent
    )
    if not known:
        return "", "", math.nan
    rich, lean = (f"{c.cylinder} {c.needs_percent:+.1f}" for c in (known[0], known[-1]))
    whole = not _without_interval(cells)
    return lean, rich, known[-1].needs_percent - known[0].needs_percent if whole else math.nan


def _without_interval(cells: Sequence[CellNeed]) -> list[int]:
    """Cylinders that were heard in a cell, but for too short a time."""
    return [c.cylinder for c in cells if c.usable_s and not math.isfinite(c.half_interval_percent)]


def _remark_on_cell(engine: EngineNeed, cells: Sequence[CellNeed], after: Spread) -> str:
    """Why the cell does not count for trims, what its mean is without, and a prediction that is vague."""
    remarks = []
    if not any(c.used_for_trims for c in cells):
        remarks.append(f"not used: {', '.join({c.not_used_because or '': None for c in cells})}")
    if short := _without_interval(cells):
        remarks.append(f"cyl {', '.join(map(str, short))} too short")
    known, all_of_them = (
        engine.reference.cylinders,
        len(engine.reference.cylinders + engine.reference.left_out),
    )
    if set(engine.reference.left_out) - set(engine.reference.suspect):
        remarks.append(f"{len(known)} of {all_of_them} cyl")
    if engine.reference.suspect:
        remarks.append(f"without {', '.join(map(str, engine.reference.suspect))}")
    if engine.reference.carried:
        remarks.append(f"cyl {', '.join(map(str, engine.reference.carried))} from other cells")
    low, high = after.interval95
    if high - low > _VAGUE_SPREAD:
        remarks.append(f"after trims {low:.1f} to {high:.1f}")
    return "; ".join(remarks)


_STEP_WORDS: Final = {True: "step", None: "step or slope", False: "slope"}
"""What a clear step at the staging line is: by `StagingStep.at_line`."""


def stage_table(staged: Sequence[StagedNeeds], staging_steps: Sequence[StagingStep]) -> str:
    """Both injection stages beside each other, and the steps at the staging line; empty without them."""
    if not staged:
        return ""
    withheld = [
        f"injection stage {part.injection_stage}, no trims: {sentence(one)}"
        for part in staged
        for one in part.withheld
    ]
    grid = set_grid(stage_grid(staged, staging_steps))
    return paragraph(STAGES_SAY) + grid + "".join(map(paragraph, withheld))


STAGES_SAY: Final = (
    "injection stages apart: needs against the mean of the cylinders, % of fuel; step: against the middle of "
    "all steps"
)
"""What the table of both injection stages is of."""


def stage_grid(staged: Sequence[StagedNeeds], staging_steps: Sequence[StagingStep]) -> Grid:
    """One row a cylinder: its need and trim in each injection stage, and its step at the line."""
    columns = [Column("cyl")]
    for part in staged:
        columns += [
            Column(f"stage {part.injection_stage} %", 1, signed=True),
            Column("±", 1, is_half=True),
            Column("new trim", 2, signed=True),
        ]
    columns += [Column("step %", 1, signed=True), Column("±", 1, is_half=True), Column("", left=True)]
    steps = {step.cylinder: step for step in staging_steps}
    rows = []
    for cylinders in zip(*(part.cylinders for part in staged), strict=True):
        row: list[float | str | None] = [cylinders[0].cylinder]
        for one in cylinders:
            low, high = one.interval95_percent
            row += [one.needs_percent, (high - low) / 2, one.trim_new_percent]
        step = steps.get(cylinders[0].cylinder)
        if step is None:
            row += [None, None, ""]
        else:
            row += [step.percent, step.half_interval_percent, _STEP_WORDS[step.at_line] if step.clear else ""]
        rows.append(row)
    return Grid(columns, rows)


def _table_of_every_cell(balance: Balance) -> str:
    columns = [
        Column("rpm"),
        Column("load"),
        Column("cyl"),
        Column("needs %", 1, signed=True),
        Column("±", 1, is_half=True),
        Column("used s", 1),
        Column("trims", left=True, wraps=True),
    ]
    rows = [
        (
            c.rpm,
            c.load,
            c.cylinder,
            c.needs_percent,
            c.half_interval_percent,
            c.usable_s,
            "used" if c.used_for_trims else f"not used: {c.not_used_because}",
        )
        for c in balance.cells
    ]
    return table(columns, rows, keys=3)


def _closing_lines(balance: Balance, run: Run) -> str:
    lines = [f"spread {_spread_words(balance.spread)}"]
    if total := total_sentence(balance, run.session):
        lines.append(total)
    of_all = "the known cylinders" if balance.reference.left_out else "all"
    lines += [
        f"bank {b.bank} needs {b.needs_percent:+.1f} % against {of_all}, {_error_of_bank(b)}"
        for b in balance.banks
    ]
    if balance.withheld:
        lines += [f"no trims offered: {sentence(reason)}" for reason in balance.withheld]
    else:
        fuel = _fuel_words(balance.fuel_percent)
        where = f" {in_cell(balance.predicted_in)}" if balance.predicted_in is not None else ""
        lines.append(
            f"after the new trims: {_spread_words(balance.predicted_spread)}, predicted{where}; {fuel}"
        )
        if balance.against == "target":
            lines.append(f"the new trims are by the needs against {_name_mean(balance)}, not those above")
        lines.append(
            f"{_on_labels(balance)}Balanced mixture is no proof of knock margin; the engine "
            "builder's limits stand."
        )
    return "".join(map(paragraph, lines)) + note_lines(balance.notes)


def _on_labels(balance: Balance) -> str:
    seen = any(one.code is BalanceNote.BY_CYLINDERS_SEEN for one in balance.notes)
    return say_of_labels(balance.identity, own=balance.identity_own, seen=seen)


def say_of_labels(identity: IdentityState, *, own: bool, seen: bool) -> str:
    """What is said of the labels beside trims that are offered.

    Args:
        identity: what is known of them.
        own: fuel steps in this log show it.
        seen: the trims are by the cylinders that the labels see, not by the labels.
    """
    if identity is IdentityState.STATED:
        return (
            "Labels are taken for cylinders: prove each one by a fuel step on a known cylinder before a trim "
            "is entered, and measure again after. "
        )
    steps = "Fuel steps in this log" if own else "Fuel steps"
    if seen:
        return f"{steps} have shown which cylinder each label sees; measure again after. "
    return f"{steps} have proved that each label sees its cylinder; measure again after. "


def _fuel_words(percent: float) -> str:
    """What the new trims do to the fuel of the whole engine."""
    if abs(percent) < 0.005:
        return "the engine's fuel stays as it is"
    return f"they change the engine's fuel by {percent:+.2f} %"


def _error_of_bank(bank: BankNeed) -> str:
    """The interval, which rests on how far the cylinders of a bank are apart."""
    if not math.isfinite(bank.half_interval_percent):
        return "error not known: no bank has two known cylinders"
    return f"± {half_width(bank.half_interval_percent, 1)} % by the scatter of the cylinders within banks"


def in_cell(cell: Cell) -> str:
    """Where a cell is, in words."""
    axes = [
        f"{value:g} {unit}" for value, unit in ((cell.rpm, "rpm"), (cell.load, "load")) if value is not None
    ]
    return f"in the cell {', '.join(axes)}"


def _spread_words(spread: Spread) -> str:
    if not math.isfinite(spread.value):
        return "not known"
    low, high = spread.interval95
    return f"{spread.value:.1f} % (95 %: {low:.1f} to {high:.1f}), {rests_on(spread)}"


def rests_on(spread: Spread) -> str:
    """Of how many cylinders a spread is, and by how many sensors where these are fewer."""
    sensors = counted(spread.sensors_used, "sensor")
    if spread.sensors_used == spread.cylinders_used == spread.of_cylinders:
        return sensors
    of = f"of {spread.cylinders_used} of {spread.of_cylinders} cylinders"
    return of if spread.sensors_used == spread.cylinders_used else f"{of} by {sensors}"
