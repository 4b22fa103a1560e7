"""How sensors were used, against a count row by row, and the same for every division into blocks."""

from __future__ import annotations

import functools
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from laws import same_for_all_splits

import mixmon
from mixmon.ledger.entries import HarmfulEvent
from mixmon.ledger.usage import UsageStage
from mixmon.messages.bind import bind, load_databases
from mixmon.messages.binding import Binding
from mixmon.mixture.align import GRID_NS
from mixmon.mixture.block import CylinderBlock, SampleState

EXAMPLES = Path(__file__).parents[2] / "examples"
NODES = 8
V, S, W = SampleState.VALID, SampleState.SILENT, SampleState.WARMING
LIMIT = 0.04
"""Over the target: the lowest `over_target` of the example's alarms."""


@functools.cache
def eight(*left: str) -> Binding:
    """The example's binding, without some signals of its nodes."""
    session = mixmon.load_session(EXAMPLES / "alder8.toml")
    binding = bind(session, load_databases(session))
    nodes = tuple({n: one for n, one in node.items() if n not in left} for node in binding.nodes)
    return replace(binding, nodes=nodes)


def block(
    state: np.ndarray,
    *,
    lam: np.ndarray | float = 0.9,
    heater: np.ndarray | float = 42.0,
    rpm: np.ndarray | float = 3000.0,
    throttle: float = 100.0,
    over: np.ndarray | float = 0.0,
    coolant: float = 20.0,
) -> CylinderBlock:
    """Rows of eight nodes; `state` [k] for all of them or [k, 8]."""
    state = np.broadcast_to(state[:, None] if state.ndim == 1 else state, (len(state), NODES)).astype(
        np.uint8
    )
    k, shape = len(state), state.shape

    def wide(value: np.ndarray | float) -> np.ndarray:
        return np.broadcast_to(value, shape).astype(float)

    return CylinderBlock(
        t=np.arange(k) * GRID_NS,
        stretch=np.zeros(k, np.int64),
        lam=wide(lam),
        oxygen=np.zeros(shape),
        age=np.zeros(shape, np.int64),
        fresh=np.ones(shape, np.bool_),
        state=state,
        shifted={"target": wide(0.86), "throttle": wide(throttle)},
        now={"rpm": np.broadcast_to(rpm, k).astype(float), "coolant_c": np.full(k, coolant)},
        aux={"heater": wide(heater), "over_temperature": wide(over)},
    )


def course(*parts: tuple[SampleState, int]) -> np.ndarray:
    return np.concatenate([np.full(n, s) for s, n in parts])


def used(binding: Binding, rows: CylinderBlock) -> UsageStage:
    stage = UsageStage(binding)
    stage.feed(rows)
    return stage


def test_hours_are_those_in_which_the_node_is_ready_and_a_warm_up_is_one_cycle():
    rows = block(course((W, 1000), (V, 6000), (S, 50), (W, 300), (S, 20), (W, 300), (V, 2000)))
    (one, *_) = used(eight(), rows).result()
    assert one.hot_s == pytest.approx(80.0)
    assert one.heater_cycles == 2, "a silence within a warm-up is no new one"
    assert one.heats_at_begin


def test_a_warm_up_that_is_under_way_when_the_log_begins_may_have_begun_before_it():
    before, within = course((S, 5), (W, 900), (V, 95)), course((S, 60), (W, 900), (V, 40))
    assert used(eight(), block(before)).result()[0].heats_at_begin
    assert not used(eight(), block(within)).result()[0].heats_at_begin


def test_without_ready_the_heater_tells():
    drive = np.concatenate([np.full(n, d) for d, n in ((42.0, 500), (0.0, 200), (90.0, 300), (0.0, 100))])
    (one, *_) = used(eight("ready"), block(course((V, 1100)), heater=drive[:, None])).result()
    assert one.hot_s == pytest.approx(8.0)
    assert one.heater_cycles == 1, "what was on when the log began was switched on before it"


def test_without_both_nothing_is_known():
    (one, *_) = used(eight("ready", "heater"), block(course((V, 1000)))).result()
    assert (one.hot_s, one.heater_cycles) == (None, None)


def test_exposure_is_the_excess_over_the_limit_times_the_load():
    """Ten seconds, 0.1 over the target: 0.06 beyond the limit, at 60 % throttle; ten more do not count."""
    rows = block(course((V, 1000), (W, 1000)), lam=0.96, throttle=60.0)
    exposure = used(eight(), rows).result()[0].exposure
    assert exposure.over_target == LIMIT
    assert exposure.lambda_s == pytest.approx(0.06 * 0.60 * 10.0)
    assert exposure.valid_s == pytest.approx(10.0)
    assert exposure.load_signal == "throttle"


def test_exposure_repeats_within_two_percent_under_the_noise_of_readings():
    """0.45 % noise, correlated over 0.1 s, at 0.06 over the target for 20 s; other noise each time."""
    found = []
    for seed in range(12):
        rng = np.random.default_rng(seed)
        noise, keep = np.zeros((2000, NODES)), math.exp(-0.1)
        for i in range(1, 2000):
            noise[i] = keep * noise[i - 1] + math.sqrt(1 - keep**2) * rng.normal(0, 0.0045 * 0.92, NODES)
        stage = used(eight(), block(course((V, 2000)), lam=0.92 + noise))
        found.append(np.mean([one.exposure.lambda_s for one in stage.result()]))
    assert np.std(found) / np.mean(found) < 0.02
    assert np.mean(found) == pytest.approx(0.02 * 20.0, rel=0.02)


def test_a_hot_element_before_the_first_cold_start_is_told_once_for_a_start():
    standing = np.concatenate([np.zeros(1500), np.full(500, 900.0), np.zeros(300), np.full(200, 900.0)])
    state = course((W, 1000), (V, 1500))
    stage = used(eight(), block(state, rpm=standing))
    assert [harm.what for harm in stage.harms] == [HarmfulEvent.HOT_BEFORE_START] * NODES
    assert stage.harms[0].t == 1500 * GRID_NS
    assert stage.harms[0].values["heated_s"] == pytest.approx(15.0)


@pytest.mark.parametrize(
    ("state", "more"),
    [
        (course((W, 2000)), {}),
        (course((W, 1000), (V, 1000)), {"coolant": 85.0}),
        (course((V, 2000)), {"rpm": 3000.0}),
    ],
    ids=["not yet hot", "warm engine", "not seen to stand"],
)
def test_other_starts_are_no_harm(state, more):
    standing = np.concatenate([np.zeros(1500), np.full(500, 900.0)])
    assert used(eight(), block(state, **{"rpm": standing, **more})).harms == []


def test_over_temperature_is_the_controllers_own_word():
    over = np.zeros((1000, NODES))
    over[200:300, 4] = over[600:, 4] = 1.0
    over[250:260, 4] = np.nan
    harms = used(eight(), block(course((V, 1000)), over=over)).harms
    assert [(harm.what, harm.node, harm.t // GRID_NS) for harm in harms] == [
        (HarmfulEvent.OVER_TEMPERATURE, 4, 200),
        (HarmfulEvent.OVER_TEMPERATURE, 4, 600),
    ]


def test_any_rows_give_what_a_count_row_by_row_gives_for_every_division():
    rng = np.random.default_rng(5)
    state = np.repeat(
        rng.choice([V, S, W, SampleState.COLD], (60, NODES), p=[0.5, 0.1, 0.3, 0.1]), 25, axis=0
    )
    rows = block(
        state, lam=rng.normal(0.92, 0.03, (1500, NODES)), heater=rng.choice([0.0, 60.0], (1500, NODES))
    )

    def run(pieces: list[slice]) -> object:
        stage = UsageStage(eight())
        for piece in pieces:
            stage.feed(rows.take(piece))
        return stage.result(), stage.harms

    usage, _ = same_for_all_splits(1500, run)
    for j, one in enumerate(usage):
        hot = np.isin(state[:, j], [V, SampleState.COLD])
        cycles, heating = 0, False
        for row in range(1500):
            begins = state[row, j] == W and rows.aux["heater"][row, j] > 10
            cycles += begins and not heating
            heating = (heating or begins) and not hot[row]
        excess = np.clip(rows.lam[:, j] - 0.86 - LIMIT, 0, None)[state[:, j] == V]
        assert one.hot_s == pytest.approx(0.01 * hot.sum())
        assert one.heater_cycles == cycles
        assert one.exposure.lambda_s == pytest.approx(0.01 * excess.sum(), rel=1e-6)
