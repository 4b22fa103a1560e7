"""A question that the truth can answer and the analysis does not: never right, never without a reason."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable

import numpy as np
import pytest
from gradings import graded

from mixmon.cli.main import main
from mixmon.findings.balance.notes import BalanceNote
from mixmon.grade import events, needs, response, samples
from mixmon.grade.evidence import Evidence, gather, refused
from mixmon.grade.grader import JUDGES, all_right
from mixmon.grade.item import Grading, Item, excused
from mixmon.mixture.block import SampleState
from mixmon.note import note
from mixmon.simulate.load import load_scenario
from mixmon.simulate.simulation import simulate

RIGHT, WRONG, NOT_YET, ELSEWHERE = Grading
NAN = math.nan


@pytest.fixture
def short() -> Evidence:
    return graded("alder8-short", 31)


def bent(evidence: Evidence, **changes: object) -> Evidence:
    """The evidence with a balance that says something else."""
    return dataclasses.replace(evidence, balance=dataclasses.replace(evidence.balance, **changes))


def without_intervals(evidence: Evidence) -> Evidence:
    """The evidence as of an analysis that gives numbers and no interval to any of them."""
    found = evidence.balance
    blank = dataclasses.replace(found.predicted_spread, cylinders_used=0)
    return bent(
        evidence,
        cells=tuple(
            dataclasses.replace(c, half_interval_percent=NAN, used_for_trims=False) for c in found.cells
        ),
        cylinders=tuple(dataclasses.replace(c, interval95_percent=(NAN, NAN)) for c in found.cylinders),
        whole_engine=tuple(dataclasses.replace(e, half_interval_percent=NAN) for e in found.whole_engine),
        predicted_by_cell=tuple((cell, blank) for cell, _ in found.predicted_by_cell),
        withheld=(note(BalanceNote.TOO_FEW_NEEDS, known=0, cylinders=8),),
    )


@pytest.mark.parametrize(
    "judge",
    [
        needs.needs_as_read,
        needs.needs_in_truth,
        needs.combined_needs,
        needs.intervals,
        samples.engine_as_read,
        samples.engine_in_truth,
        needs.trim_rules,
        needs.spread_left,
        needs.predicted_as_read,
    ],
)
def test_numbers_without_intervals_are_no_answers(short: Evidence, judge: Callable[[Evidence], Item]) -> None:
    item = judge(without_intervals(short))
    assert item.grading is WRONG
    assert item.found


def test_an_analysis_that_says_nothing_of_a_good_run_does_not_pass(short: Evidence) -> None:
    silent = bent(
        short,
        cells=(),
        whole_engine=(),
        predicted_by_cell=(),
        withheld=(note(BalanceNote.TOO_FEW_NEEDS, known=0, cylinders=8),),
    )
    items = [judge(silent) for judge in JUDGES]
    assert not all_right(tuple(items))
    assert sum(item.grading is WRONG for item in items) >= 8


def test_a_cell_without_an_answer_is_named(short: Evidence) -> None:
    lacking = tuple(
        dataclasses.replace(c, half_interval_percent=NAN) if c.rpm != 1100 else c for c in short.balance.cells
    )
    item = needs.intervals(bent(short, cells=lacking))
    assert item.grading is WRONG
    assert item.found.startswith("no interval for label 1 at 4000/35, label 2 at 4000/35, label 3")
    first = short.balance.whole_engine[:1]
    assert "4000/35" in samples.engine_as_read(bent(short, whole_engine=first)).found
    predicted = short.balance.predicted_by_cell[:1]
    assert "4000/35" in needs.predicted_as_read(bent(short, predicted_by_cell=predicted)).found


def test_little_data_may_be_refused_by_chance_and_much_may_not() -> None:
    little = [(f"label {i}", 3.0, i > 1) for i in range(1, 21)]
    assert refused(little) == ""
    assert refused([(name, seconds, False) for name, seconds, _ in little]).count("label") == 20
    assert refused([*little, ("label 21", 6.0, False)]) == "label 21"
    assert refused([("label 1", 2.0, False)] * 9) == ""


def test_an_interval_excuses_an_error_up_to_twice_the_tolerance() -> None:
    assert excused(1.0, (NAN, NAN), 1.4, 0.5) is RIGHT
    assert excused(1.0, (0.1, 1.9), 1.8, 0.5) is RIGHT
    assert excused(1.0, (0.1, 1.7), 1.8, 0.5) is WRONG
    assert excused(1.0, (-9.0, 9.0), 1.8, 0.5) is NOT_YET
    assert excused(1.0, (-9.0, 9.0), 9.1, 0.5) is WRONG
    assert excused(NAN, (NAN, NAN), 1.8, 0.5) is WRONG


def test_a_spread_that_may_be_anything_is_not_predicted(short: Evidence) -> None:
    predicted = tuple(
        (cell, dataclasses.replace(spread, value=spread.value + 2, interval95=(0.0, 30.0)))
        for cell, spread in short.balance.predicted_by_cell
    )
    item = needs.predicted_as_read(bent(short, predicted_by_cell=predicted))
    assert item.grading is WRONG
    assert "too wide" in item.found


def delayed(evidence: Evidence, **changes: float) -> Evidence:
    cells = tuple(dataclasses.replace(cell, **changes) for cell in evidence.response.cells)
    return dataclasses.replace(evidence, response=dataclasses.replace(evidence.response, cells=cells))


def test_a_delay_that_may_be_anything_is_not_found(short: Evidence) -> None:
    item = response.delays(delayed(short, dead_s=0.5, dead_half_s=1.0))
    assert item.grading is WRONG
    assert "wide intervals" in item.found
    assert response.delays(delayed(short, dead_s=0.5, dead_half_s=0.02)).grading is WRONG
    assert response.delays_to_63(delayed(short, delay_s=NAN)).grading is WRONG
    none = dataclasses.replace(short, response=dataclasses.replace(short.response, cells=()))
    assert response.delays(none).grading is WRONG


def test_pulls_that_nobody_found_have_no_right_ends(short: Evidence) -> None:
    assert events.pull_ends(dataclasses.replace(short, pulls=())).grading is WRONG


def test_leaving_every_sample_out_is_wrong(short: Evidence) -> None:
    wary = dataclasses.replace(short, state=np.full_like(short.state, SampleState.SUSPECT))
    assert samples.good_samples(short).grading is RIGHT
    assert samples.good_samples(wary).grading is WRONG
    one = short.state.copy()
    one[:, 4] = SampleState.SUSPECT
    assert samples.good_samples(dataclasses.replace(short, state=one)).grading is WRONG


@pytest.mark.parametrize(
    ("half", "off", "expected"),
    [(NAN, 0.0, WRONG), (1.2, 0.0, ELSEWHERE), (0.9, 0.0, RIGHT), (0.9, 1.5, WRONG)],
    ids=["none", "wide", "as wide as is said", "missed"],
)
def test_a_leak_that_was_left_out_and_not_answered(
    short: Evidence, half: float, off: float, expected: Grading
) -> None:
    """Another label looks like a leak too, so an interval of up to twice the tolerance may hold the truth."""
    assert short.spared is not None
    cells = tuple(
        dataclasses.replace(c, half_interval_percent=half, needs_percent=c.needs_percent + off)
        for c in short.spared.cells
    )
    vague = dataclasses.replace(short, spared=dataclasses.replace(short.spared, cells=cells))
    assert samples.spared_reference(vague).grading is expected


@pytest.mark.parametrize(("scenario", "seconds"), [("six", 20), ("four", 16), ("alder8-short", 3)])
def test_too_little_data_of_a_short_run_is_honest(scenario: str, seconds: float) -> None:
    evidence = gather(simulate(load_scenario(scenario), seed=3, duration=seconds))
    items = tuple(judge(evidence) for judge in JUDGES)
    assert all_right(items), [item for item in items if item.grading is WRONG]
    rules = needs.trim_rules(evidence)
    assert rules.grading is ELSEWHERE
    assert "too little data" in rules.why or scenario == "alder8-short"
    assert needs.naive_run(evidence).grading is ELSEWHERE


def test_trims_held_back_for_misfire_are_wrong_unless_it_was_planted(short: Evidence) -> None:
    held = bent(short, withheld=(note(BalanceNote.FREQUENT_MISFIRE, cylinders=(7,)),))
    assert len(short.events("misfire")) < 3
    assert needs.trim_rules(held).grading is WRONG
    often = {**short.truth, "events": [*short.truth["events"], *short.events("misfire") * 3]}
    assert needs.trim_rules(dataclasses.replace(held, truth=often)).grading is ELSEWHERE


def test_a_leak_at_idle_is_no_excuse_for_a_wrong_need() -> None:
    evidence = gather(simulate(load_scenario("four"), seed=3, duration=16))  # saw nothing but idle
    assert needs.needs_in_truth(evidence).why == "no steady cell at full load"
    cells = tuple(
        dataclasses.replace(c, needs_percent=c.needs_percent + 1.0 * (c.cylinder == 1))
        for c in evidence.balance.cells
    )
    assert needs.needs_as_read(bent(evidence, cells=cells)).grading is WRONG


def test_the_command_passes_a_short_run_and_says_what_is_lacking(capsysbinary: pytest.CaptureFixture) -> None:
    assert main(["simulate", "--scenario", "six", "--duration", "20", "--grade", "--naive"]) == 0
    out = capsysbinary.readouterr().out.decode()
    assert "0 WRONG" in out
    assert "too little data" in out
