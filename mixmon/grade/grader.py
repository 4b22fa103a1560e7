"""All items, in the order in which they are printed.

An item is a function from the evidence to an answer that is right, wrong, not yet given by the
program, or not asked for by the scenario. Everything that is expected comes from the simulation's truth,
so that any scenario can be graded.
"""

from __future__ import annotations

from collections.abc import Callable

from mixmon.grade import (
    engine_items,
    event_items,
    misfire_items,
    need_items,
    open_items,
    pull_items,
    response_items,
    sample_items,
    trim_items,
)
from mixmon.grade.evidence import Evidence, gather
from mixmon.grade.item import Item, Verdict
from mixmon.grade.naive import naive_run
from mixmon.simulate.run import Simulation

Judge = Callable[[Evidence], Item]

JUDGES: tuple[Judge, ...] = (
    open_items.identity,
    need_items.needs_as_read,
    need_items.needs_in_truth,
    need_items.combined_needs,
    need_items.intervals,
    trim_items.trim_rules,
    trim_items.spread_left,
    trim_items.predicted_as_read,
    trim_items.predicted_in_truth,
    engine_items.engine_as_read,
    engine_items.engine_in_truth,
    engine_items.reference_shift,
    engine_items.spared_reference,
    open_items.spoilt_reference,
    open_items.leak,
    sample_items.warming,
    sample_items.cold,
    sample_items.drop_outs,
    sample_items.fuel_cuts,
    sample_items.spark_cuts,
    sample_items.steady_time,
    sample_items.good_samples,
    sample_items.transient_time,
    pull_items.pulls_found,
    pull_items.pull_ends,
    misfire_items.bursts,
    misfire_items.singles,
    misfire_items.false_misfires,
    misfire_items.kept_out,
    event_items.cuts_found,
    event_items.excursions,
    event_items.silences,
    response_items.response_times,
    response_items.odd_sensors,
    response_items.delays,
    response_items.delays_to_63,
    open_items.dead_time,
    open_items.before_after,
)


def grade(simulation: Simulation, *, naive: bool = False) -> tuple[Item, ...]:
    """Runs the analysis on the simulation's frames and judges it by the truth.

    With `naive`, the scenario is played three times more, to see what comes of trimming by label.
    """
    evidence = gather(simulation)
    judges = (*JUDGES, naive_run) if naive else JUDGES
    return tuple(judge(evidence) for judge in judges)


def all_right(items: tuple[Item, ...]) -> bool:
    """True if nothing that could be judged was wrong."""
    return not any(item.verdict is Verdict.WRONG for item in items)
