"""Rows on the grid against a sample-by-sample definition; shifts against known delays."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from laws import same_for_all_splits

from mixmon.gas.exhaust import lambda_from_oxygen, oxygen_balance
from mixmon.gas.fuel import fuel_named
from mixmon.gas.transport import valve_to_sensor_delay_s
from mixmon.messages.block import SignalBlock
from mixmon.messages.plan import MessagePlan, Quality, Selector, SignalPlan
from mixmon.mixture.align import GRID_NS, AlignedRows, Aligner, Geometry, Layout, NodeSources, TargetTable
from mixmon.mixture.track import Source

MS = 1_000_000
FUEL = fuel_named("gasoline")


def message(name: str, *signals: str) -> MessagePlan:
    return MessagePlan(name, 1, 8, tuple(SignalPlan(s, 0, 8, big_endian=False) for s in signals))


def block(plan: MessagePlan, t: list[int], *columns: list[float], bus: int = 0) -> SignalBlock:
    values = np.array(columns, np.float64).reshape(len(plan.signals), len(t))
    quality = np.where(np.isnan(values), Quality.MISSING, Quality.GOOD).astype(np.uint8)
    names = tuple(s.name for s in plan.signals)
    return SignalBlock(
        plan, bus, names, np.array(t, np.int64), values, quality, tuple(values), np.arange(len(t))
    )


def layout(nodes: list[NodeSources], engine: dict[str, Source] | None = None, **more: object) -> Layout:
    distance = more.pop("distance", (320.0,) * len(nodes))
    return Layout(tuple(nodes), engine or {}, Geometry(distance, 44.0, 0.499), FUEL, **more)  # type: ignore[arg-type]


def joined(parts: list[AlignedRows], name: str) -> np.ndarray:
    return np.concatenate([getattr(p, name) for p in parts])


FAST = message("Fast", "Lambda", "Ready")
LAMBDA_ONLY = [NodeSources(lam=Source(0, "Fast", "Lambda"), ready=Source(0, "Fast", "Ready", equals=(3.0,)))]

times = st.lists(st.integers(0, 300), min_size=1, max_size=60).map(lambda ms: [m * MS for m in sorted(ms)])


@given(times)
def test_a_row_holds_the_newest_sample_at_or_before_it(stamps: list[int]) -> None:
    values = [0.8 + 0.001 * i for i in range(len(stamps))]
    aligner = Aligner(layout(LAMBDA_ONLY))
    rows = list(aligner.feed([block(FAST, stamps, values, [3.0] * len(stamps))], stamps[0], stamps[-1]))
    expected = list(range(stamps[0] + 5 * MS, stamps[-1] + 1, GRID_NS))
    if not rows:
        assert not expected
        return
    t = joined(rows, "t")
    assert t.tolist() == expected
    for row, moment in enumerate(t.tolist()):
        before = [i for i, s in enumerate(stamps) if s <= moment]
        assert joined(rows, "lam")[row, 0] == values[before[-1]]
        assert joined(rows, "age")[row, 0] == moment - stamps[before[-1]]
        assert joined(rows, "fresh")[row, 0] == (stamps[before[-1]] > moment - GRID_NS)
        assert joined(rows, "ready")[row, 0] == 1.0
    arrived = np.concatenate([part.aux["arrived"] for part in rows])[:, 0]
    assert arrived.tolist() == [sum(m - GRID_NS < s <= m for s in stamps) for m in t.tolist()]


def test_rows_do_not_depend_on_how_samples_were_delivered() -> None:
    rng = np.random.default_rng(4)
    stamps = np.sort(rng.integers(0, 5_000 * MS, 900)).tolist()
    values = rng.uniform(0.8, 1.0, 900).tolist()
    engine_plan = message("Engine", "Speed", "Throttle")
    speed = np.linspace(1000, 7000, 900).tolist()
    sources = {"rpm": Source(0, "Engine", "Speed"), "throttle": Source(0, "Engine", "Throttle")}

    def run(pieces: list[slice]) -> object:
        aligner = Aligner(layout(LAMBDA_ONLY, sources))
        parts: list[AlignedRows] = []
        for piece in pieces:
            t = stamps[piece]
            blocks = [
                block(FAST, t, values[piece], [3.0] * len(t)),
                block(engine_plan, t, speed[piece], [50.0] * len(t)),
            ]
            through = t[-1] - 1 if t else -1
            parts += aligner.feed(blocks if t else [], t[0] if t else None, through)
        parts += aligner.feed([], None, stamps[-1])
        columns = [joined(parts, n) for n in ("t", "lam", "age", "fresh", "ready", "oxygen")]
        columns += [np.concatenate([p.shifted["rpm"] for p in parts])]
        return [c.tobytes() for c in columns]

    same_for_all_splits(900, run)


def test_engine_quantities_are_those_of_the_moment_when_the_gas_left_its_valve() -> None:
    plan = message("Engine", "Speed", "Throttle", "Target")
    t = [i * 2 * MS for i in range(1000)]
    ramp = [0.9 + i * 2e-5 for i in range(1000)]  # 0.01 lambda a second: a value tells its time
    sources = {
        "rpm": Source(0, "Engine", "Speed"),
        "throttle": Source(0, "Engine", "Throttle"),
        "target": Source(0, "Engine", "Target"),
    }
    nodes = [NodeSources(lam=Source(0, "Fast", "Lambda"))] * 2
    aligner = Aligner(layout(nodes, sources, distance=(100.0, 600.0)))
    blocks = [block(plan, t, [1100.0] * 1000, [3.0] * 1000, ramp)]
    (rows,) = aligner.feed(blocks, 0, t[-1])
    for node, distance in enumerate((100.0, 600.0)):
        delay = valve_to_sensor_delay_s(
            1100.0, 3.0, distance_mm=distance, bore_mm=44.0, cylinder_volume_l=0.499
        )
        lag = (rows.now["target"] - rows.shifted["target"][:, node])[-1] / 0.01
        assert lag == pytest.approx(delay, abs=0.003)


def test_other_units_become_lambda() -> None:
    plan = message("Other", "Phi", "Afr")
    phi = NodeSources(lam=Source(0, "Other", "Phi", unit="phi"))
    afr = NodeSources(lam=Source(0, "Other", "Afr", scale=0.1, offset=1.0, unit="afr", stoich_afr=14.0))
    aligner = Aligner(layout([phi, afr]))
    (rows,) = aligner.feed([block(plan, [0], [1.25], [116.0])], 0, 5 * MS)
    assert rows.lam[0].tolist() == pytest.approx([0.8, (11.6 + 1.0) / 14.0])


def test_oxygen_is_computed_from_lambda_and_lambda_from_oxygen_where_only_one_is_sent() -> None:
    plan = message("Both", "Lambda", "Oxygen")
    nodes = [NodeSources(lam=Source(0, "Both", "Lambda")), NodeSources(oxygen=Source(0, "Both", "Oxygen"))]
    (rows,) = Aligner(layout(nodes)).feed([block(plan, [0], [0.87], [-2.0])], 0, 5 * MS)
    assert rows.oxygen[0, 0] == oxygen_balance(0.87, FUEL)
    assert rows.lam[0, 1] == lambda_from_oxygen(-2.0, FUEL)


def test_signals_under_a_multiplexer_are_samples_only_when_sent() -> None:
    plan = message("Mux", "A", "B")
    one, two = (Selector("M", ((i, i),)) for i in (1, 2))
    nodes = [
        NodeSources(lam=Source(0, "Mux", "A", selectors=(one,))),
        NodeSources(lam=Source(0, "Mux", "B", selectors=(two,))),
    ]
    nan = float("nan")
    data = block(plan, [0, 10 * MS, 20 * MS], [0.9, nan, 0.91], [nan, 0.8, nan])
    (rows,) = Aligner(layout(nodes)).feed([data], 0, 25 * MS)
    assert rows.lam[:, 0].tolist() == [0.9, 0.9, 0.91]
    assert rows.age[:, 1].tolist() == [-1, 5 * MS, 15 * MS]
    assert np.isnan(rows.lam[0, 1])


def test_an_engine_value_too_old_is_not_known() -> None:
    sources = {"rpm": Source(0, "Engine", "Speed", cycle_ns=20 * MS)}
    aligner = Aligner(layout(LAMBDA_ONLY, sources))
    (rows,) = aligner.feed([block(message("Engine", "Speed"), [0], [3000.0])], 0, 500 * MS)
    assert rows.t[24:26].tolist() == [245 * MS, 255 * MS]
    assert rows.now["rpm"][24] == 3000.0
    assert np.isnan(rows.now["rpm"][25])


def test_what_a_node_says_of_itself_is_not_believed_for_ever() -> None:
    state = message("State", "Ready", "Supply")
    node = NodeSources(
        lam=Source(0, "Fast", "Lambda"),
        ready=Source(0, "State", "Ready", equals=(3.0,), cycle_ns=100 * MS),
        supply=Source(0, "State", "Supply", cycle_ns=100 * MS),
    )
    t = [i * 10 * MS for i in range(200)]
    blocks = [block(FAST, t, [0.9] * 200, [0.0] * 200), block(state, [0], [3.0], [13.5])]
    (rows,) = Aligner(layout([node])).feed(blocks, 0, t[-1])
    assert rows.t[49:51].tolist() == [495 * MS, 505 * MS]
    assert rows.ready[49, 0] == 1.0
    assert rows.aux["supply"][49, 0] == 13.5
    assert np.isnan(rows.ready[50:, 0]).all()
    assert np.isnan(rows.aux["supply"][50:, 0]).all()
    assert (rows.lam[:, 0] == 0.9).all()


def test_the_target_table_stands_in_while_no_target_is_sent() -> None:
    plan = message("Engine", "Speed", "Throttle")
    sources = {
        "rpm": Source(0, "Engine", "Speed"),
        "throttle": Source(0, "Engine", "Throttle"),
        "target": Source(0, "Fuel", "Target", cycle_ns=20 * MS),
    }
    table = TargetTable(np.array([1000.0]), np.array([50.0]), np.array([[0.9]]))
    t = [i * 10 * MS for i in range(100)]
    blocks = [
        block(plan, t, [1000.0] * 100, [50.0] * 100),
        block(message("Fuel", "Target"), t[50:], [0.86] * 50),
    ]
    (rows,) = Aligner(layout(LAMBDA_ONLY, sources, targets=table)).feed(blocks, 0, t[-1] + 5 * MS)
    assert rows.now["target"].tolist() == [0.9] * 50 + [0.86] * 50


def test_target_table_is_bilinear_and_held_beyond_its_ends() -> None:
    table = TargetTable(
        np.array([1000.0, 3000.0]), np.array([0.0, 100.0]), np.array([[0.9, 1.0], [0.8, 0.88]])
    )
    rpm = np.array([1000.0, 2000.0, 2000.0, 9000.0, np.nan])
    load = np.array([0.0, 0.0, 50.0, 200.0, 0.0])
    expected = [0.9, 0.95, (0.95 + 0.84) / 2, 0.88, float("nan")]
    assert table.at(rpm, load) == pytest.approx(expected, nan_ok=True)
    alone = TargetTable(np.array([1000.0]), np.array([50.0]), np.array([[0.9]]))
    assert alone.at(np.array([500.0, 2000.0]), np.array([0.0, 90.0])).tolist() == [0.9, 0.9]
