"""All items, in the order in which they are printed.

A simulation is played through the analysis once (`evidence.gather`); each judge is a function from that
evidence to an item that is right, wrong, not yet answered by the program, or not raised by the scenario.
Everything that is expected comes from the simulation's truth, so that any scenario can be graded. The
analysis is compared by numbers and codes, never by its English.
"""

from __future__ import annotations

from collections.abc import Callable

from mixmon.grade import causes, events, identity, needs, proof, response, samples
from mixmon.grade.evidence import Evidence, gather
from mixmon.grade.item import Grading, Item
from mixmon.simulate.simulation import Simulation

# --- All items. ---

Judge = Callable[[Evidence], Item]
"""Grades one question by the evidence."""

JUDGES: tuple[Judge, ...] = (
    identity.identity,
    needs.needs_as_read,
    needs.needs_in_truth,
    needs.needs_informed,
    needs.combined_needs,
    needs.intervals,
    needs.trim_rules,
    needs.spread_left,
    needs.predicted_as_read,
    needs.rounded_informed,
    needs.predicted_in_truth,
    samples.engine_as_read,
    samples.engine_in_truth,
    samples.reference_shift,
    samples.spared_reference,
    causes.spoilt_reference,
    causes.leak,
    samples.warming,
    samples.cold,
    samples.drop_outs,
    samples.fuel_cuts,
    samples.spark_cuts,
    samples.steady_time,
    samples.good_samples,
    samples.transient_time,
    events.pulls_found,
    events.pull_ends,
    events.bursts,
    events.singles,
    events.false_misfires,
    events.kept_out,
    events.cuts_found,
    events.excursions,
    events.silences,
    response.response_times,
    response.odd_sensors,
    response.delays,
    response.delays_to_63,
    causes.dead_time,
    proof.alike_after,
    proof.trims_took,
)


def grade(simulation: Simulation, *, naive: bool = False) -> tuple[Item, ...]:
    """Every item of the analysis of the simulation's frames, in the order of printing.

    With `naive`, the scenario is played three times more, to see what comes of trimming by label.
    """
    evidence = gather(simulation)
    judges = (*JUDGES, needs.naive_run) if naive else JUDGES
    return tuple(judge(evidence) for judge in judges)


def all_right(items: tuple[Item, ...]) -> bool:
    """Whether no item is wrong."""
    return not any(item.grading is Grading.WRONG for item in items)
