"""Every state entered and left where its rule says, one reason each."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from laws import same_for_all_splits

from mixmon.gas.exhaust import lambda_from_oxygen
from mixmon.gas.fuel import fuel_named
from mixmon.messages.plan import Quality
from mixmon.mixture.align import GRID_NS, AlignedRows
from mixmon.mixture.block import CylinderBlock, SampleState
from mixmon.mixture.validity import FINE_LAMBDA, FROZEN_NS, SETTLE_NS, NodeFacts, SampleJudge, Scale
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
        (SampleState.OVERRUN, {"shifted": {"fuel_cut": window(300, 100, 120, 1, np.nan)}}),
        (
            SampleState.OVERRUN,
            {"shifted": {"throttle": window(300, 100, 120, 1, 50), "rpm": np.full((300, 1), 3000.0)}},
        ),
    ],
    ids=[
        "not ready",
        "no value yet",
        "too old",
        "never heard",
        "spark cut",
        "fuel cut",
        "fuel cut, else unknown",
        "closed throttle",
    ],
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


def chain_states(lam: np.ndarray, **columns: np.ndarray) -> np.ndarray:
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
    return SampleJudge(RULES, known).feed(rows(k, lam=lam, shifted=shifted, **(wide | columns)), 0).state


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


@pytest.mark.parametrize(
    ("known", "age", "expected"),
    [
        (10_000_000, 25_000_000, SampleState.VALID),
        (10_000_000, 25_000_001, SampleState.HELD),
        (10_000_000, 250_000_000, SampleState.HELD),
        (10_000_000, 250_000_001, SampleState.SILENT),
        (200_000_000, 250_000_000, SampleState.VALID),
        (0, 250_000_000, SampleState.VALID),
        (0, 250_000_001, SampleState.SILENT),
    ],
)
def test_a_sample_is_held_after_two_and_a_half_cycles_and_silent_after_the_sessions_time(
    known: int, age: int, expected: SampleState
) -> None:
    """Where no cycle is known, or a long one, there is nothing between valid and silent."""
    old = rows(20, age=np.full((20, 1), age))
    assert set(states(old, facts(cycle_ns=np.array([known])))) == {expected}


@pytest.mark.parametrize(
    ("lam", "expected"),
    [
        (0.8125, SampleState.AT_RICH_LIMIT),
        (0.8126, SampleState.VALID),
        (1.4374, SampleState.VALID),
        (1.4375, SampleState.AT_LEAN_LIMIT),
        (0.0, SampleState.SUSPECT),
    ],
)
def test_a_limit_reaches_just_half_a_digit_inward_and_zero_is_no_rich_reading(
    lam: float, expected: SampleState
) -> None:
    rules = dataclasses.replace(RULES, rich_limit=0.75, lean_limit=1.5)  # and 1/8: exact in binary
    judge = SampleJudge(rules, facts(digit=np.array([0.125])))
    assert (judge.feed(rows(50, lam=np.full((50, 1), lam)), 0).state == expected).all()


@pytest.mark.parametrize(
    ("throttle", "rpm", "coolant", "expected"),
    [
        (2.9, 1601.0, 70.0, SampleState.OVERRUN),
        (3.0, 1601.0, 70.0, SampleState.VALID),
        (2.9, 1600.0, 70.0, SampleState.VALID),
        (np.nan, 1601.0, 70.0, SampleState.VALID),
        (50.0, 3000.0, 69.9, SampleState.COLD),
        (50.0, 3000.0, np.nan, SampleState.VALID),
    ],
)
def test_overrun_and_cold_are_below_their_rules_not_at_them(
    throttle: float, rpm: float, coolant: float, expected: SampleState
) -> None:
    shifted = {"throttle": np.full((30, 1), throttle), "rpm": np.full((30, 1), rpm)}
    now = {"rpm": np.full(30, 3000.0), "coolant_c": np.full(30, coolant)}
    assert set(states(rows(30, shifted=shifted, now=now))) == {expected}


def test_without_a_rule_or_its_signals_nothing_is_overrun_or_cold() -> None:
    closed = {"throttle": np.zeros((30, 1)), "rpm": np.full((30, 1), 3000.0)}
    no_rule = SampleJudge(dataclasses.replace(RULES, overrun=None), facts())
    assert (no_rule.feed(rows(30, shifted=closed), 0).state == SampleState.VALID).all()
    for shifted in ({"throttle": closed["throttle"]}, {"rpm": closed["rpm"]}, {}):
        assert set(states(rows(30, shifted=shifted, now={}))) == {SampleState.VALID}


def test_two_senders_are_named_and_do_not_show_how_the_mixture_moves() -> None:
    two = window(300, 100, 120, Quality.TWO_SENDERS, 0)
    assert states(rows(300, quality=two))[99:121] == [
        SampleState.VALID,
        *[SampleState.DUPLICATE_NODE] * 20,
        SampleState.VALID,
    ]


# ----------------------------------------------------------------------------------------------------
# Readings that stand still.
# ----------------------------------------------------------------------------------------------------


def test_a_node_in_fine_steps_that_stops_is_suspect_where_nobody_moves() -> None:
    lam = np.full((600, 2), [0.9, 1.1])
    lam[:100] += 1e-3 * (np.arange(100) % 2)[:, None]  # both known to move in steps of 0.001
    stopped = chain_states(lam)
    first = 100 + FROZEN_NS // GRID_NS
    assert (stopped[:first] == SampleState.VALID).all()
    assert (stopped[first:] == SampleState.SUSPECT).all()
    # A neighbour that moves by no more than one step of its own says nothing about the first.
    lam[100:, 1] += 1e-3 * (np.arange(500) // 5 % 2)
    assert (chain_states(lam) == SampleState.VALID).all()
    # One that moves by many does.
    lam[100:, 1] += np.round(0.01 * np.random.default_rng(9).standard_normal(500), 3)
    assert (chain_states(lam)[first:] == [SampleState.SUSPECT, SampleState.VALID]).all()


@pytest.mark.parametrize("worthless", ["age", "quality", "ready"])
def test_movement_of_a_node_that_is_worth_nothing_proves_nobody_frozen(worthless: str) -> None:
    value = {"age": 10**9, "quality": Quality.TWO_SENDERS, "ready": 0.0}[worthless]
    lam = np.full((600, 2), [0.9, 1.1])
    lam[:100] += 1e-2 * (np.arange(100) % 2)[:, None]  # coarse steps: own noise need not show
    lam[100:, 1] += 0.1 * (np.arange(500) // 7 % 2)
    assert (chain_states(lam)[300:, 0] == SampleState.SUSPECT).all()
    column = np.zeros((600, 2)) if worthless != "ready" else np.ones((600, 2))
    column[100:, 1] = value
    assert (chain_states(lam, **{worthless: column})[:, 0] == SampleState.VALID).all()


def test_time_without_a_value_is_no_time_of_standing_still() -> None:
    """A controller that gives no lambda and then exactly 1."""
    found = states(rows(400, lam=window(400, 0, 200, np.nan, 1.0)))
    first = 200 + FROZEN_NS // GRID_NS
    assert set(found[200:first]) == {SampleState.VALID}
    assert set(found[first:]) == {SampleState.SUSPECT}


@pytest.mark.parametrize(
    ("now", "expected"),
    [
        ({"rpm": np.full(400, np.nan)}, SampleState.SUSPECT),
        ({"rpm": np.full(400, 0.5)}, SampleState.SUSPECT),
        ({}, SampleState.SUSPECT),
        ({"rpm": np.zeros(400)}, SampleState.VALID),
    ],
    ids=["speed not known", "just turning", "no speed at all", "stands"],
)
def test_only_an_engine_that_is_known_to_stand_excuses_a_value_that_does(
    now: dict[str, np.ndarray], expected: SampleState
) -> None:
    assert states(rows(400, lam=np.full((400, 1), 0.9), now=now))[-1] == expected


def test_a_declared_digit_of_the_finest_kind_is_no_excuse_and_a_coarser_one_is() -> None:
    still = rows(400, lam=np.full((400, 1), 0.9))
    assert states(still, facts(digit=np.array([FINE_LAMBDA])))[-1] == SampleState.SUSPECT
    assert states(still, facts(digit=np.array([1.01 * FINE_LAMBDA])))[-1] == SampleState.VALID


def test_a_restart_forgets_what_lingers() -> None:
    cut, later = {"spark_cut": np.ones((160, 1))}, np.arange(160, 260) * GRID_NS
    still = np.full((100, 1), 0.9)
    for before, after, lingering in (
        (rows(160, shifted=cut), rows(100, t=later), SampleState.SETTLING),
        (rows(160, lam=np.full((160, 1), 0.9)), rows(100, t=later, lam=still), SampleState.SUSPECT),
    ):
        judge = SampleJudge(RULES, facts())
        judge.feed(before, 0)
        judge.feed(rows(0), 0)  # rows without any change nothing
        assert set(judge.feed(after, 0).state[:90, 0].tolist()) == {lingering}
        judge = SampleJudge(RULES, facts())
        judge.feed(before, 0)
        judge.restart()
        assert (judge.feed(after, 1).state == SampleState.VALID).all()


# ----------------------------------------------------------------------------------------------------
# What readings tell about themselves.
# ----------------------------------------------------------------------------------------------------


def test_steps_of_a_node_that_sends_phi_are_turned_into_lambda() -> None:
    """1 / phi half a step to either side; unknown until it has moved three times."""
    phi = 1.1 + 0.02 * (np.arange(40) // 4 % 3)[:, None]
    known = facts(sends=(Scale.PHI,), digit=np.array([0.0]))
    step = SampleJudge(RULES, known).feed(rows(40, lam=1 / phi), 0).aux["step"]
    assert np.isinf(step[:8]).all()
    assert step[12:] == pytest.approx(1 / (phi[12:] - 0.01) - 1 / (phi[12:] + 0.01), rel=1e-6)


def test_steps_of_a_node_that_sends_oxygen_are_turned_into_lambda() -> None:
    """Against the slope of the oxygen balance itself, at a distance of a hundredth of the step."""
    oxygen = 2.0 + 0.05 * (np.arange(40) // 4 % 3)[:, None]
    fuel = fuel_named("gasoline")
    known = facts(sends=(Scale.OXYGEN,), digit=np.array([0.0]))
    lam = lambda_from_oxygen(oxygen, fuel)
    step = SampleJudge(RULES, known).feed(rows(40, lam=lam, oxygen=oxygen), 0).aux["step"]
    slope = (lambda_from_oxygen(oxygen + 5e-4, fuel) - lambda_from_oxygen(oxygen - 5e-4, fuel)) / 1e-3
    assert np.isinf(step[:8]).all()
    assert step[12:] == pytest.approx(0.05 * slope[12:], rel=1e-3)


def cut_off(low: float, high: float, k: int = 3000) -> np.ndarray:
    """One node's noise in steps of 0.001, cut off at both ends."""
    noise = 1.0 + 0.006 * np.random.default_rng(8).standard_normal((k, 1))
    return np.clip(np.round(noise, 3), low, high)


def judged(lam: np.ndarray, rules: Validity = RULES, **columns: object) -> CylinderBlock:
    return SampleJudge(rules, facts(digit=np.array([0.001]))).feed(rows(len(lam), lam=lam, **columns), 0)


def test_readings_at_an_end_that_was_found_are_at_that_limit() -> None:
    lam = cut_off(0.996, 1.004)
    block = judged(lam)
    assert (block.aux["rich_end"][1500:] == 0.996).all()
    assert (block.aux["lean_end"][1500:] == 1.004).all()
    late, state = lam[1500:], block.state[1500:]
    assert (state[late == 0.996] == SampleState.AT_RICH_LIMIT).all()
    assert (state[late == 1.004] == SampleState.AT_LEAN_LIMIT).all()
    assert (state[(late > 0.996) & (late < 1.004)] == SampleState.VALID).all()


@pytest.mark.parametrize(
    ("end", "limits", "expected"),
    [("rich_end", {"rich_limit": 0.998}, 0.996), ("lean_end", {"lean_limit": 1.002}, 1.004)],
)
def test_readings_beyond_the_limit_of_the_session_show_where_the_range_ends(
    end: str, limits: dict[str, float], expected: float
) -> None:
    assert judged(cut_off(0.996, 1.004), dataclasses.replace(RULES, **limits)).aux[end][-1] == expected


@pytest.mark.parametrize(
    ("state", "columns"),
    [
        (SampleState.WARMING, {"ready": window(3000, 2000, 2100, 0, 1)}),
        (SampleState.DUPLICATE_NODE, {"quality": window(3000, 2000, 2100, Quality.TWO_SENDERS, 0)}),
        (SampleState.COLD, {"now": {"coolant_c": window(3000, 2000, 2100, 20, 85)[:, 0]}}),
    ],
    ids=lambda x: x.word if isinstance(x, SampleState) else "",
)
def test_readings_that_do_not_count_disprove_no_end_and_keep_their_own_state(
    state: SampleState, columns: dict[str, object]
) -> None:
    lam = cut_off(0.996, 1.004)
    lam[2000:2050], lam[2050:2100] = 0.9, 1.1  # far beyond both ends, far from the session's limits
    block = judged(lam, **columns)
    assert (block.state[2000:2100] == state).all()
    assert (block.aux["rich_end"][-1], block.aux["lean_end"][-1]) == (0.996, 1.004)


def test_a_reading_that_rests_at_the_end_that_was_found_is_no_suspect_but_one_elsewhere_is() -> None:
    for value, name in (
        (0.996, SampleState.AT_RICH_LIMIT),
        (1.004, SampleState.AT_LEAN_LIMIT),
        (1.0, SampleState.SUSPECT),
        (0.0, SampleState.SUSPECT),
        (-0.1, SampleState.SUSPECT),
    ):
        lam = cut_off(0.996, 1.004)
        lam[2000:] = value
        assert judged(lam).state[-1] == name
