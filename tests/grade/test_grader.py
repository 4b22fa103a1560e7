"""The grader: right answers are right, bent ones are wrong, what nobody answers is named."""

from __future__ import annotations

import dataclasses
import json
from itertools import pairwise

import numpy as np
import pytest

from mixmon.cli.main import main
from mixmon.grade import mixture_items, sample_items
from mixmon.grade.evidence import Evidence, gather
from mixmon.grade.grader import JUDGES, all_right
from mixmon.grade.item import Verdict
from mixmon.grade.naive import naive_run
from mixmon.mixture.block import SampleState
from mixmon.simulate.load import load_scenario
from mixmon.simulate.run import simulate


@pytest.fixture(scope="module")
def short() -> Evidence:
    return gather(simulate(load_scenario("alder8-short"), seed=31))


@pytest.fixture(scope="module")
def odd() -> Evidence:
    return gather(simulate(load_scenario("odd-six"), seed=32))


def bent(evidence: Evidence, **changes: object) -> Evidence:
    """The evidence with an analysis that says something else."""
    return dataclasses.replace(evidence, balance=dataclasses.replace(evidence.balance, **changes))


def test_nothing_that_can_be_judged_is_wrong(short: Evidence, odd: Evidence) -> None:
    for evidence in (short, odd):
        items = tuple(judge(evidence) for judge in JUDGES)
        assert all_right(items), [item for item in items if item.verdict is Verdict.WRONG]
        assert sum(item.verdict is Verdict.RIGHT for item in items) >= 7


def test_what_the_scenario_does_not_raise_does_not_apply(odd: Evidence) -> None:
    verdicts = {item.name: item.verdict for item in (judge(odd) for judge in JUDGES)}
    assert verdicts["exhaust leak"] is Verdict.DOES_NOT_APPLY


def test_what_the_program_cannot_do_is_named_with_what_is_lacking(short: Evidence) -> None:
    open_items = [item for item in (judge(short) for judge in JUDGES) if item.verdict is Verdict.NOT_YET]
    assert {"identity", "exhaust leak"} <= {item.name for item in open_items}
    assert all(item.found for item in open_items)
    assert "3 and 4" in next(item.expected for item in open_items if item.name == "identity")


def test_a_bent_need_is_wrong(short: Evidence) -> None:
    cylinders = list(short.balance.cylinders)
    cylinders[2] = dataclasses.replace(cylinders[2], needs_percent=cylinders[2].needs_percent + 0.8)
    assert mixture_items.needs_as_read(bent(short, cylinders=tuple(cylinders))).verdict is Verdict.WRONG
    cylinders[2] = dataclasses.replace(cylinders[2], needs_percent=float("nan"))
    assert mixture_items.needs_as_read(bent(short, cylinders=tuple(cylinders))).verdict is Verdict.WRONG


def test_needs_put_to_the_cylinder_of_the_label_instead_of_the_one_behind_it_are_wrong(
    short: Evidence,
) -> None:
    straight = [{**one, "cylinder": one["label"]} for one in short.truth["identity"]]
    naive = dataclasses.replace(short, truth={**short.truth, "identity": straight})
    assert mixture_items.needs_as_read(short).verdict is Verdict.RIGHT
    assert mixture_items.needs_as_read(naive).verdict is Verdict.WRONG


def test_trims_that_leave_a_spread_or_change_the_fuel_are_wrong(short: Evidence) -> None:
    for change in ([1.5, 0, 0, 0, 0, 0, 0, -1.5], [0.5] * 8):
        cylinders = tuple(
            dataclasses.replace(c, trim_new_percent=c.trim_new_percent + extra)
            for c, extra in zip(short.balance.cylinders, change, strict=True)
        )
        assert mixture_items.rounded_trims(bent(short, cylinders=cylinders)).verdict is Verdict.WRONG


def test_one_spread_for_all_cells_is_wrong(short: Evidence) -> None:
    full = short.balance.predicted_by_cell[-1][1]
    everywhere = tuple((cell, full) for cell, _ in short.balance.predicted_by_cell)
    assert mixture_items.predicted_spread(short).verdict is Verdict.RIGHT
    assert mixture_items.predicted_spread(bent(short, predicted_by_cell=everywhere)).verdict is Verdict.WRONG


def test_a_base_map_error_hidden_from_the_whole_engine_is_wrong(short: Evidence) -> None:
    none = tuple(dataclasses.replace(e, needs_percent=0.0) for e in short.balance.whole_engine)
    assert mixture_items.whole_engine(bent(short, whole_engine=none)).verdict is Verdict.WRONG


def test_intervals_that_are_too_small_are_wrong(odd: Evidence) -> None:
    small = tuple(
        dataclasses.replace(c, half_interval_percent=c.half_interval_percent / 5) for c in odd.balance.cells
    )
    assert mixture_items.intervals(bent(odd, cells=small)).verdict is Verdict.WRONG


def test_samples_counted_where_they_must_not_be_are_wrong(short: Evidence) -> None:
    trusting = dataclasses.replace(short, state=np.full_like(short.state, SampleState.VALID))
    for judge in (
        sample_items.warming,
        sample_items.drop_outs,
        sample_items.fuel_cuts,
        sample_items.spark_cuts,
    ):
        assert judge(short).verdict is Verdict.RIGHT
        assert judge(trusting).verdict is Verdict.WRONG


def test_time_taken_for_steady_that_is_not_is_wrong(short: Evidence) -> None:
    assert sample_items.transient_time(short).verdict is Verdict.RIGHT
    always = dataclasses.replace(short, steady=np.ones_like(short.steady))
    never = dataclasses.replace(short, steady=np.zeros_like(short.steady))
    assert sample_items.transient_time(always).verdict is Verdict.WRONG
    assert sample_items.steady_time(never).verdict is Verdict.WRONG


def test_trimming_by_exchanged_labels_grows_the_spread_as_it_must(short: Evidence) -> None:
    # About 8.3, 14, 28 and 57 % (computed for this scenario without noise)
    item = naive_run(short)
    spreads = [float(value) for value in item.found.split()]
    assert item.verdict is Verdict.RIGHT
    assert spreads[0] == pytest.approx(8.3, abs=0.2)
    assert all(after > 1.5 * before for before, after in pairwise(spreads))


def test_the_command_prints_every_item_and_exits_by_the_verdict(capsysbinary) -> None:
    assert main(["simulate", "--scenario", "alder8-short", "--seed", "31", "--grade"]) == 0
    out = capsysbinary.readouterr().out.decode()
    assert max(map(len, out.splitlines())) <= 80
    assert "0 WRONG" in out
    assert main(["simulate", "--scenario", "alder8-short", "--seed", "31", "--grade", "--json"]) == 0
    found = json.loads(capsysbinary.readouterr().out)
    assert found["format"] == 1
    assert len(found["items"]) == len(JUDGES)
    assert sum(found["verdicts"].values()) == len(JUDGES)
