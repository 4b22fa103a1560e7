"""The excess that is left of a reading without the target, the slow parts and the movement of all."""

import statistics

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from laws import same_for_all_splits

from mixmon.findings.events.baseline import BEAT, REACH, Baseline, Settled, _middle_with_zero
from mixmon.findings.stats import median_with_holes
from mixmon.gas.exhaust import oxygen_balance
from mixmon.gas.fuel import fuel_named
from mixmon.gas.lag import SensorLag
from mixmon.mixture.align import GRID_NS
from mixmon.mixture.block import CylinderBlock, SampleState

FUEL = fuel_named("gasoline")


def block(oxygen: np.ndarray, *, first: int = 0, stretch: int = 0, **more: object) -> CylinderBlock:
    """Rows of readings; rpm 3000, no target unless given as `target`."""
    k, n = oxygen.shape
    state = more.get("state", np.zeros((k, n), np.uint8))
    target = more.get("target")
    return CylinderBlock(
        t=(first + np.arange(k)) * GRID_NS,
        stretch=np.full(k, stretch),
        lam=np.ones((k, n)),
        oxygen=oxygen,
        age=np.zeros((k, n), np.int64),
        fresh=np.ones((k, n), np.bool_),
        state=state,  # type: ignore[arg-type]
        shifted={} if target is None else {"target": np.repeat(np.asarray(target)[:, None], n, axis=1)},
        now={"rpm": np.full(k, 3000.0)},
        aux={},
    )


def settled(blocks: list[CylinderBlock], nodes: int) -> list[Settled]:
    stage = Baseline([SensorLag()] * nodes, FUEL)
    return [part for one in blocks for part in stage.feed(one)] + list(stage.flush())


def excess(blocks: list[CylinderBlock], nodes: int) -> np.ndarray:
    return np.concatenate([part.excess for part in settled(blocks, nodes)])


def test_every_row_comes_out_once_a_few_seconds_later() -> None:
    stage = Baseline([SensorLag()] * 2, FUEL)
    early = list(stage.feed(block(np.zeros(((REACH + 1) * BEAT, 2)))))
    assert early == []
    later = list(stage.feed(block(np.zeros((BEAT, 2)), first=(REACH + 1) * BEAT)))
    assert [len(part.excess) for part in later] == [BEAT]
    rest = list(stage.flush())
    assert sum(len(part.excess) for part in rest) == (REACH + 1) * BEAT
    assert rest[-1].last


def test_offsets_and_what_all_do_are_no_excess() -> None:
    t = np.arange(3000) / 100
    common = 2 * np.sin(t / 3) + 1.5 * (t > 12) - 3.0 * ((t > 20) & (t < 20.5))
    x = common[:, None] + np.array([0.5, -0.7, 0.0, 1.1])
    assert np.abs(excess([block(x)], 4)).max() < 1e-9


def test_an_excess_of_three_seconds_keeps_its_shape() -> None:
    x = np.zeros((2400, 5))
    x[1000:1300, 2] = np.sin(np.linspace(0, np.pi, 300))
    found = excess([block(x)], 5)
    assert found[:, 2] == pytest.approx(x[:, 2], abs=1e-9)
    assert np.abs(np.delete(found, 2, axis=1)).max() < 1e-9


def test_two_nodes_and_one_are_told_apart_from_what_all_do_as_far_as_they_can() -> None:
    x = np.zeros((2000, 2))
    x[800:850] = (3.0, 2.0)  # both: common is what both do
    x[1200:1250, 1] = 4.0
    found = excess([block(x)], 2)
    assert found[825].tolist() == pytest.approx([1.0, 0.0])
    assert found[1225].tolist() == pytest.approx([0.0, 4.0])
    assert excess([block(x[:, 1:])], 1)[1225].tolist() == pytest.approx([4.0])


def test_a_step_of_one_cylinder_for_good_is_no_excess_away_from_it() -> None:
    """An operating point that suits one cylinder worse is a level, not an event."""
    x = np.zeros((3000, 4))
    x[1500:, 3] = 1.0
    found = excess([block(x)], 4)[:, 3]
    assert np.abs(found[: 1500 - 2 * BEAT]).max() < 1e-9
    assert np.abs(found[1500 + 2 * BEAT :]).max() < 1e-9


def test_a_target_that_moves_takes_the_readings_with_it() -> None:
    from mixmon.gas.exhaust import oxygen_balance
    from mixmon.gas.lag import FirstOrderLag

    target = np.repeat([0.98, 0.88, 0.98], 800)
    x = oxygen_balance(target, FUEL)[:, None]
    for tau in (0.085, 0.020):
        x = FirstOrderLag(0.01, [tau]).feed(x)
    parts = settled([block(np.repeat(x, 3, axis=1), target=target)], 3)
    assert np.abs(np.concatenate([part.common for part in parts])).max() < 1e-9


def test_a_record_that_begins_at_full_load_has_settled_on_its_first_target() -> None:
    lam, known = 0.87, np.arange(2000) >= 25
    readings = np.full((2000, 3), oxygen_balance(lam, FUEL)) + np.array([0.1, -0.2, 0.0])
    left = excess([block(readings, target=np.where(known, lam, np.nan))], 3)
    assert np.isnan(left[:25]).all()
    assert np.abs(left[25:]).max() < 1e-9
    late = excess([block(readings, target=np.where(np.arange(2000) >= 150, lam, np.nan))], 3)
    assert np.isnan(late[:100]).all()
    assert np.isfinite(late[100:]).all()


def test_a_node_that_does_not_measure_is_not_asked() -> None:
    rng = np.random.default_rng(1)
    x = 0.1 * rng.standard_normal((2500, 4)) + np.array([0, 0, 1.5, -1.5])
    state = np.zeros((2500, 4), np.uint8)
    state[1000:1600, 2] = SampleState.SILENT
    x[1000:1600, 2] = 20.0  # whatever was held
    found = excess([block(x, state=state)], 4)
    assert np.isnan(found[1000:1600, 2]).all()
    assert np.nanmax(np.abs(found)) < 0.8


def test_the_limit_follows_the_noise_that_is_seen_and_not_one_event() -> None:
    rng = np.random.default_rng(2)
    x = rng.standard_normal((6000, 4)) * np.array([0.1, 0.1, 0.1, 0.22])
    x[3000:3100, 0] += 6.0
    limit = np.concatenate([part.limit for part in settled([block(x)], 4)])
    assert limit[4000, 3] > 1.1 * limit[4000, 1]
    assert limit[3050, 0] == pytest.approx(limit[3050, 1], rel=0.1)


def test_one_node_is_not_taken_for_much_noisier_than_its_peers() -> None:
    rng = np.random.default_rng(3)
    x = rng.standard_normal((6000, 4)) * np.array([0.1, 0.1, 0.1, 1.5])
    limit = np.concatenate([part.limit for part in settled([block(x)], 4)])
    assert limit[5000, 3] < 2.0 * limit[5000, 0]


def test_a_new_stretch_of_time_knows_nothing_of_the_last() -> None:
    x = np.zeros((1500, 3))
    first, second = block(x), block(x + np.array([0.0, 0.0, 4.0]), first=90_000, stretch=1)
    assert np.abs(excess([first, second], 3)).max() < 1e-9


def test_the_result_does_not_depend_on_the_blocks() -> None:
    rng = np.random.default_rng(4)
    x = rng.standard_normal((2000, 3))
    x[rng.random(x.shape) < 0.05] = np.nan
    target = np.where(np.arange(2000) > 1000, 0.9, 1.0)
    target[:40] = np.nan

    def run(pieces: list[slice]) -> bytes:
        parts = settled([block(x[p], first=p.start, target=target[p]) for p in pieces], 3)
        joined = [np.concatenate([getattr(p, f) for p in parts]) for f in ("excess", "limit", "moved")]
        return b"".join(column.tobytes() for column in joined)

    same_for_all_splits(2000, run)


@given(st.lists(st.floats(-20, 20), min_size=0, max_size=9), st.integers(0, 4))
def test_the_middle_of_the_nodes_and_of_zero(values: list[float], holes: int) -> None:
    """Of an odd count with zero the median, else the nearer to zero of the two in the middle."""
    row = np.array([[*values, *[np.nan] * holes]])
    if row.shape[1] == 0:
        return
    both = sorted([*values, 0.0])
    middle = both[(len(both) - 1) // 2], both[len(both) // 2]
    assert _middle_with_zero(row)[0] == min(middle, key=abs)


@given(st.lists(st.one_of(st.none(), st.floats(-9, 9)), min_size=1, max_size=12))
def test_medians_leave_holes_out(values: list[float | None]) -> None:
    known = [v for v in values if v is not None]
    column = np.array([np.nan if v is None else v for v in values])
    found = median_with_holes(column[:, None], 0)[0]
    assert np.isnan(found) if not known else found == pytest.approx(statistics.median(known))
