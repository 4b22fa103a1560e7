"""Every state entered and left where its rule says, one reason each."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from laws import same_for_all_splits

from mixmon.gas.fuel import fuel_named
from mixmon.messages.plan import Quality
from mixmon.mixture.align import GRID_NS, AlignedRows
from mixmon.mixture.block import SampleState
from mixmon.mixture.validity import FROZEN_NS, SETTLE_NS, NodeFacts, SampleJudge, Scale
from mixmon.session.model import Overrun, Validity

RULES = Validity(rich_limit=0.68, lean_limit=1.6, overrun=Overrun(3, 1600))
SETTLE = SETTLE_NS // GRID_NS


def rows(k: int, **columns: object) -> AlignedRows:
    """k rows of one healthy node, with some columns replaced."""
    wobble = 0.9 + 1e-4 * (np.arange(k) % 7)[:, None]
    made = {
        "t": np.arange(k) * GRID_NS,
        "lam": wobble,
        "oxygen": np.zeros((k, 1)),
        "age": np.zeros((k, 1), np.int64),
        "fresh": np.ones((k, 1), np.bool_),
        "quality": np.zeros((k, 1), np.uint8),
        "ready": np.ones((k, 1)),
        "shifted": {"throttle": np.full((k, 1), 50.0), "rpm": np.full((k, 1), 3000.0)},
        "now": {"rpm": np.full(k, 3000.0), "coolant_c": np.full(k, 85.0)},
        "aux": {},
    }
    return AlignedRows(**(made | columns))  # type: ignore[arg-type]


def facts(**more: object) -> NodeFacts:
    made = {"cycle_ns": np.array([10_000_000]), "digit": np.array([1e-4])}
    made |= {"reports_ready": np.array([True]), "left_out": np.array([False])}
    made |= {"sends": (Scale.LAMBDA,), "fuel": fuel_named("gasoline")}
    return NodeFacts(**(made | more))  # type: ignore[arg-type]


def states(data: AlignedRows, known: NodeFacts | None = None) -> list[SampleState]:
    block = SampleJudge(RULES, known or facts()).feed(data, 0)
    return [SampleState(s) for s in block.state[:, 0]]


def window(k: int, start: int, end: int, inside: float, outside: float) -> np.ndarray:
    column = np.full((k, 1), float(outside))
    column[start:end] = inside
    return column


def test_a_healthy_sample_is_valid() -> None:
    assert set(states(rows(50))) == {SampleState.VALID}


@pytest.mark.parametrize(
    ("state", "columns"),
    [
        (SampleState.AT_RICH_LIMIT, {"lam": window(300, 100, 120, 0.68, 0.9)}),
        (SampleState.AT_LEAN_LIMIT, {"lam": window(300, 100, 120, 1.6, 0.9)}),
        (SampleState.SUSPECT, {"lam": window(300, 100, 120, np.nan, 0.9)}),
        (SampleState.COLD, {"now": {"coolant_c": window(300, 100, 120, 20, 85)[:, 0]}}),
        (SampleState.HELD, {"age": window(300, 100, 120, 30_000_000, 0).astype(np.int64)}),
    ],
    ids=lambda x: x.word if isinstance(x, SampleState) else "",
)
def test_a_state_holds_for_just_the_rows_of_its_condition(
    state: SampleState, columns: dict[str, object]
) -> None:
    found = states(rows(300, **columns), facts(digit=np.array([0.01])))
    assert found == [state if 100 <= i < 120 else SampleState.VALID for i in range(300)]


@pytest.mark.parametrize(
    ("state", "columns"),
    [
        (SampleState.WARMING, {"ready": window(300, 100, 120, 0, 1)}),
        (SampleState.WARMING, {"quality": window(300, 100, 120, Quality.NOT_AVAILABLE, 0)}),
        (SampleState.SILENT, {"age": window(300, 100, 120, 260_000_000, 0).astype(np.int64)}),
        (SampleState.SILENT, {"age": window(300, 100, 120, -1, 0).astype(np.int64)}),
        (SampleState.SPARK_CUT, {"shifted": {"spark_cut": window(300, 100, 120, 1, 0)}}),
        (SampleState.OVERRUN, {"shifted": {"fuel_cut": window(300, 100, 120, 1, 0)}}),
        (
            SampleState.OVERRUN,
            {"shifted": {"throttle": window(300, 100, 120, 1, 50), "rpm": np.full((300, 1), 3000.0)}},
        ),
    ],
    ids=["not ready", "no value yet", "too old", "never heard", "spark cut", "fuel cut", "closed throttle"],
)
def test_a_trouble_that_lingers_is_followed_by_settling(
    state: SampleState, columns: dict[str, object]
) -> None:
    found = states(rows(300, **columns))
    assert set(found[100:120]) == {state}
    assert set(found[120 : 119 + SETTLE]) == {SampleState.SETTLING}
    assert set(found[:100] + found[119 + SETTLE :]) == {SampleState.VALID}


def test_a_node_that_tells_whether_it_is_ready_and_does_not_is_not_ready() -> None:
    unknown = rows(300, ready=window(300, 100, 120, np.nan, 1))
    found = states(unknown)
    assert set(found[100:120]) == {SampleState.WARMING}
    assert set(found[:100]) == {SampleState.VALID}
    assert set(states(unknown, facts(reports_ready=np.array([False])))) == {SampleState.VALID}


def test_a_lambda_that_cannot_be_is_suspect_and_not_rich() -> None:
    assert set(states(rows(20, lam=np.full((20, 1), -0.1)))) == {SampleState.SUSPECT}


def test_the_reason_nearest_the_cause_is_named() -> None:
    everything = rows(
        10,
        age=np.full((10, 1), 10**9),
        lam=np.full((10, 1), np.nan),
        ready=np.zeros((10, 1)),
        shifted={"fuel_cut": np.ones((10, 1))},
    )
    assert set(states(everything)) == {SampleState.SILENT}
    assert set(states(everything, facts(left_out=np.array([True])))) == {SampleState.LEFT_OUT}


@pytest.mark.parametrize(
    ("worthless", "columns"),
    [
        (SampleState.WARMING, {"ready": np.zeros((10, 1))}),
        (SampleState.SUSPECT, {"lam": np.full((10, 1), -0.1)}),
    ],
)
def test_an_old_sample_that_was_never_worth_anything_is_not_called_held(
    worthless: SampleState, columns: dict[str, object]
) -> None:
    old = np.full((10, 1), 30_000_000)
    assert set(states(rows(10, age=old, **columns))) == {worthless}


def test_a_value_that_does_not_move_while_the_engine_turns_is_suspect_within_two_seconds() -> None:
    frozen = rows(400, lam=np.full((400, 1), 0.9))
    found = states(frozen)
    first = found.index(SampleState.SUSPECT)
    assert first == FROZEN_NS // GRID_NS <= 200
    assert set(found[first:]) == {SampleState.SUSPECT}
    coarse = states(frozen, facts(digit=np.array([0.01])))
    assert set(coarse) == {SampleState.VALID}
    stopped = states(rows(400, lam=np.full((400, 1), 0.9), now={"rpm": np.zeros(400)}))
    assert set(stopped) == {SampleState.VALID}


def test_a_constant_value_at_a_limit_is_at_the_limit_and_not_suspect() -> None:
    assert set(states(rows(400, lam=np.full((400, 1), 0.65)))) == {SampleState.AT_RICH_LIMIT}


def test_states_do_not_depend_on_the_split() -> None:
    rng = np.random.default_rng(5)
    k = 1500
    lam = rng.choice([0.5, 0.9, 0.91, 1.7, np.nan], (k, 1), p=[0.01, 0.47, 0.5, 0.01, 0.01])
    lam[700:1000] = 0.9
    ready = (rng.random((k, 1)) > 0.003).astype(float)
    cut = (rng.random((k, 1)) < 0.003).astype(float)
    whole = rows(k, lam=lam, ready=ready, shifted={"spark_cut": cut})

    def run(pieces: list[slice]) -> object:
        judge = SampleJudge(RULES, facts())
        out = []
        for p in pieces:
            part = rows(
                p.stop - p.start,
                t=whole.t[p],
                lam=lam[p],
                ready=ready[p],
                shifted={"spark_cut": cut[p]},
            )
            out.append(judge.feed(part, 0).state)
        return np.concatenate(out)[:, 0].tolist()

    found = same_for_all_splits(k, run)
    assert len(set(found)) >= 6  # type: ignore[arg-type]


@pytest.mark.parametrize("limit", [0.7000000000000001, 0.69999])
def test_a_reading_within_half_a_digit_of_a_limit_is_at_it(limit: float) -> None:
    rules = dataclasses.replace(RULES, rich_limit=0.7, lean_limit=1.3)
    for value, expected in ((limit, SampleState.AT_RICH_LIMIT), (2.0 - limit, SampleState.AT_LEAN_LIMIT)):
        block = SampleJudge(rules, facts()).feed(rows(50, lam=np.full((50, 1), value)), 0)
        assert (block.state == expected).all()


def test_a_node_that_moves_in_large_steps_is_not_suspect_while_it_rests_on_one() -> None:
    values = np.repeat([0.90, 0.91, 0.90, 0.92, 0.91], [20, 20, 20, 20, 400])[:, None]
    assert SampleState.SUSPECT not in states(rows(480, lam=values))
    moved_once = np.repeat([0.90, 0.91], [20, 460])[:, None]
    assert SampleState.SUSPECT in states(rows(480, lam=moved_once))


def chain_states(lam: np.ndarray) -> np.ndarray:
    """States of k nodes whose definition is finer than their controllers."""
    k, n = lam.shape
    wide = {name: np.ones((k, n), kind) for name, kind in (("fresh", np.bool_), ("ready", float))}
    wide |= {"age": np.zeros((k, n), np.int64), "quality": np.zeros((k, n), np.uint8), "oxygen": 0 * lam}
    shifted = {name: np.full((k, n), value) for name, value in (("throttle", 50.0), ("rpm", 3000.0))}
    known = facts(
        cycle_ns=np.full(n, 10_000_000),
        digit=np.full(n, 1e-4),
        reports_ready=np.zeros(n, np.bool_),
        left_out=np.zeros(n, np.bool_),
        sends=(Scale.LAMBDA,) * n,
    )
    return SampleJudge(RULES, known).feed(rows(k, lam=lam, shifted=shifted, **wide), 0).state


@pytest.mark.parametrize("step", [0.0001, 0.005, 0.01])
def test_a_node_that_never_moves_while_others_do_is_suspect(step: float) -> None:
    rng = np.random.default_rng(6)
    lam = np.round(0.95 * (1 + 0.01 * rng.standard_normal((1000, 6))) / step) * step
    lam[:, 2] = 1.0
    state = chain_states(lam)
    assert (state[200:, 2] == SampleState.SUSPECT).all()
    assert (np.delete(state, 2, axis=1) == SampleState.VALID).all()


def test_rounded_nodes_of_a_quiet_engine_are_valid_once_their_step_is_known() -> None:
    lam = np.full((1000, 6), [0.94, 0.98, 0.96, 0.96, 0.99, 0.99])
    lam[300:302, 1] = 0.97
    state = chain_states(lam)
    assert (state[:150] == SampleState.VALID).all()
    assert (state[150:300] == SampleState.SUSPECT).all()  # nothing has told yet that they live
    assert (state[302:] == SampleState.VALID).all()
