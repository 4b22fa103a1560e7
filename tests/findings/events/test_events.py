"""Events found, against engines in which they were planted by other means than the package's own.

`planted` (tools) makes the gas cycle by cycle and the sensors by scipy's filters; `confusion` (tools) is the
large study of the same question.
"""

from __future__ import annotations

import dataclasses

import confusion
import numpy as np
import pytest
from laws import everything, same_for_all_splits
from planted import FUEL, Engine

from mixmon.findings.events.event import Event, Kind
from mixmon.findings.events.events import EventStage, find_clean_tips, find_events
from mixmon.findings.events.tips import find_tips
from mixmon.gas.exhaust import oxygen_balance
from mixmon.mixture.block import CylinderBlock, SampleState

NEW = {name for name in confusion.CLASSES if name.endswith("slow") or "while" in name}
"""Classes whose events take longer to judge: fewer are planted here, many in `confusion`."""


def engine(seed: int, seconds: float, nodes: int = 8, rpm: float = 6800.0, **more: object) -> Engine:
    return Engine(np.random.default_rng(seed), seconds, nodes, rpm, **more)  # type: ignore[arg-type]


def found(one: Engine, lag_s: object = None, block: CylinderBlock | None = None) -> tuple[Event, ...]:
    rows = one.block() if block is None else block
    return find_events(confusion.session_of(one.nodes), FUEL, [rows], lag_s)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    "name", [pytest.param(name, marks=[pytest.mark.slow] * (name in NEW)) for name in confusion.CLASSES]
)
def test_planted_events_are_called_what_they_are(name: str) -> None:
    planted = 4 if name in NEW else 6
    one, events = confusion.drive(name, 5001, planted)
    pairs, _ = confusion.matched(one.truth, events)
    told = [kind for _, kind, _ in confusion.called(name, pairs, events)]
    assert len(told) >= planted
    allowed = {confusion.kind_of(name)} | ({"not classified", "nothing"} if name.endswith("slow") else set())
    assert sum(kind in allowed for kind in told) >= 0.9 * len(told)


def test_misfires_within_a_lean_step_are_counted_and_the_step_is_as_high_and_long_as_it_was() -> None:
    one = engine(31, 26, 6, rpm=4500.0)
    one.mixture(12, 2, 2.5, 0.08, "box")
    for late, cycles in ((0.5, 3), (1.4, 5)):
        one.misfire(12 + late, 2, cycles, 0.45)
    lean, *misses = found(one)
    assert (lean.kind, [e.kind for e in misses]) == (Kind.LEAN_EXCURSION, [Kind.MISFIRE] * 2)
    assert lean.t / 1e9 == pytest.approx(12.0, abs=0.1)
    assert lean.evidence["gas_s"] == pytest.approx(2.5, abs=0.15)
    assert lean.evidence["pulse_lambda"] == pytest.approx(0.87 * (1 + one.offsets[2]) * 1.08, rel=0.015)
    assert lean.peak_lambda < 1.1  # that of the mixture, not of the misfires within it
    assert [e.evidence["missed_cycles"] for e in misses] == [3, 5]
    assert lean.evidence["missed_cycles_inside"] == 8
    for event, truth in zip(misses, one.truth[1:], strict=True):
        assert event.t / 1e9 == pytest.approx(truth.t, abs=0.05)


def test_one_cycle_behind_a_slow_sensor_of_unknown_lag_is_not_called_a_lean_mixture() -> None:
    one = engine(32, 22, 4, rpm=2000.0, target=0.98, lags=[(0.3, 0.3, 0.02)] * 4)
    one.misfire(12, 1, 1, 0.45)
    rows = one.block()
    (unknown,) = found(one, None, rows)
    assert unknown.kind in {Kind.NOT_CLASSIFIED, Kind.MISFIRE}
    assert unknown.evidence["lag_measured"] is False
    (known,) = found(one, 0.32, rows)
    assert (known.kind, known.evidence["lag_measured"]) == (Kind.MISFIRE, True)


@pytest.mark.parametrize("seed", range(3))
def test_a_burst_of_five_is_found_each_time_in_its_cylinder_at_its_time(seed: int) -> None:
    one = engine(100 + seed, 70)
    for i in range(6):
        one.misfire(12 + 9 * i + 0.013 * i, i, 5, 0.53)
    events = found(one)
    assert [(e.kind, e.nodes) for e in events] == [(Kind.MISFIRE, (i,)) for i in range(6)]
    for event, truth in zip(events, one.truth, strict=True):
        assert event.t / 1e9 == pytest.approx(truth.t, abs=0.05)
        assert event.evidence["missed_cycles"] == pytest.approx(5, abs=1)
        assert event.peak_lambda == pytest.approx(1.20, abs=0.06)  # figures of a burst: gas/test_lag_pulse
        assert event.evidence["beyond_0.05_lambda_s"] == pytest.approx(0.236, abs=0.04)
        assert event.evidence["shape"] == "burst"
        assert event.rpm == pytest.approx(6800, abs=30)


def test_single_missed_cycles_at_full_load_are_found_and_clean_driving_gives_none() -> None:
    one = engine(7, 200, rpm=7100.0)
    for i in range(20):
        one.misfire(12 + 9 * i, i % 8, 1, 0.53)
    events = found(one)
    hits = [e for e in events if e.evidence["shape"] == "single"]
    assert len(hits) >= 15
    assert len(events) <= 20
    assert found(engine(8, 300)) == ()
    assert found(engine(9, 300, rpm=1100.0, load=3.0, target=0.95)) == ()


@pytest.mark.parametrize("told", [True, False])
def test_limiter_and_overrun_are_no_misfires(told: bool) -> None:
    one = engine(10, 60, rpm=7800.0, target=0.86)
    one.cut_sparks(15, 0.5, told=told)
    one.cut_fuel(15.6, 2.5, None, told=told)
    one.cut_sparks(35, 0.8, told=told)
    events = found(one)
    events = tuple(e for e in events if e.kind not in {Kind.TIP_IN, Kind.TIP_OUT})
    assert [e.kind for e in events] == [Kind.SPARK_CUT, Kind.FUEL_CUT, Kind.SPARK_CUT]
    first, second = events[:2]
    assert first.t / 1e9 == pytest.approx(15.0, abs=0.1)
    assert second.t / 1e9 == pytest.approx(15.6, abs=0.1)
    assert second.duration_ns / 1e9 == pytest.approx(2.5, abs=0.3)
    assert second.evidence["told_by_engine"] is told
    assert second.all_nodes


def test_a_bank_without_fuel_is_named() -> None:
    one = engine(11, 30)
    one.cut_fuel(12, 1.5, [4, 5, 6, 7], told=False)
    (event,) = found(one)
    assert (event.kind, event.cylinders, event.all_nodes) == (Kind.FUEL_CUT, (5, 6, 7, 8), False)
    assert event.evidence["bank"] == "B"


def test_an_engine_that_starts_and_stops_has_no_cut() -> None:
    one = engine(12, 30, rpm=1100.0, load=3.0, target=0.95)
    one.fuel_cut[:3000] = one.fuel_cut[27_000:] = True
    one.speed[:3000] = 0.0
    one.speed[27_000:] = np.maximum(1100 - 1.1 * np.arange(3000), 0.0)
    one.told = False
    assert [e.kind for e in found(one)] == []


def test_all_cylinders_lean_at_once_are_one_event_of_the_engine() -> None:
    one = engine(13, 50)
    one.mixture(15, None, 0.6, 0.15, "box")
    one.mixture(30, None, 1.5, -0.15, "sine")
    lean, rich = found(one)
    assert (lean.kind, lean.all_nodes, rich.kind) == (Kind.LEAN_EXCURSION, True, Kind.RICH_EXCURSION)
    assert lean.t / 1e9 == pytest.approx(15, abs=0.05)
    assert lean.duration_ns / 1e9 == pytest.approx(0.6, abs=0.25)


def test_a_slow_sensor_is_judged_by_its_own_lag() -> None:
    """The same burst, smaller and longer; its slow fall tells that no quick one made it."""
    one = engine(14, 30, lags=[(0.085, 0.085, 0.02)] * 4 + [(0.3, 0.22, 0.02)] + [(0.085, 0.085, 0.02)] * 3)
    one.misfire(12, 4, 5, 0.53)
    rows = one.block()
    (known,) = found(one, {5: (0.32, 0.24)}, rows)
    (unknown,) = found(one, None, rows)
    assert (known.kind, known.evidence["missed_cycles"]) == (Kind.MISFIRE, 5)
    assert unknown.kind in {Kind.MISFIRE, Kind.NOT_CLASSIFIED}
    assert known.peak_lambda < 1.05


@pytest.mark.parametrize("nodes", [1, 2, 3])
def test_a_few_sensors_are_enough(nodes: int) -> None:
    one = engine(15, 50, nodes, rpm=6000.0)
    one.misfire(12, 0, 5, 0.53)
    one.misfire(21, nodes - 1, 1, 0.53)
    one.mixture(33, 0, 0.5, 0.15, "box")
    kinds = [(e.kind, e.cylinders) for e in found(one)]
    assert kinds == [(Kind.MISFIRE, (1,)), (Kind.MISFIRE, (nodes,)), (Kind.LEAN_EXCURSION, (1,))]


@pytest.mark.parametrize("rate", [50, 20, 10])
def test_slower_nodes_show_less_but_the_same(rate: int) -> None:
    one = engine(16, 40, rpm=6000.0)
    one.misfire(12, 2, 5, 0.53)
    one.misfire(24, 6, 8, 0.53)
    rows = one.block()
    newest = np.arange(len(rows)) // (100 // rate) * (100 // rate)
    late = (np.arange(len(rows)) - newest)[:, None] * 10_000_000
    held = dataclasses.replace(
        rows, oxygen=rows.oxygen[newest], lam=rows.lam[newest], age=rows.age[newest] + late
    )
    events = found(one, None, held)
    assert [(e.kind, e.nodes) for e in events] == [(Kind.MISFIRE, (2,)), (Kind.MISFIRE, (6,))]
    assert [e.evidence["missed_cycles"] for e in events] == pytest.approx([5, 8], abs=2)


def test_readings_at_the_lean_end_of_a_range_speak_for_misfire() -> None:
    one = engine(17, 40, rpm=2000.0, target=0.95)
    one.misfire(12, 2, 5, 0.4)
    one.misfire(24, 5, 8, 0.4)
    rows = one.block()
    lam = np.minimum(rows.lam, 1.6)
    state = np.where(rows.lam >= 1.6, SampleState.AT_LEAN_LIMIT, rows.state).astype(np.uint8)
    limited = dataclasses.replace(rows, lam=lam, oxygen=oxygen_balance(lam, FUEL), state=state)
    events = found(one, None, limited)
    assert [(e.kind, e.nodes) for e in events] == [(Kind.MISFIRE, (2,)), (Kind.MISFIRE, (5,))]
    assert all(float(e.evidence["at_limit_s"]) > 0.1 for e in events)  # type: ignore[arg-type]


def test_without_any_engine_signal_misfires_and_cuts_are_still_found() -> None:
    one = engine(18, 45, rpm=4000.0)
    one.misfire(12, 2, 5, 0.5)
    one.cut_fuel(25, 2.0, None, told=False)
    events = found(one, None, dataclasses.replace(one.block(), shifted={}, now={}))
    assert [e.kind for e in events] == [Kind.MISFIRE, Kind.FUEL_CUT]
    assert np.isnan(events[0].rpm)


@pytest.mark.slow
@pytest.mark.parametrize("share", [0.05, 0.25])
def test_misfire_on_and_off_stays_misfire(share: float) -> None:
    one = engine(19, 45, rpm=3000.0, target=0.9)
    cycles = 28 * 25
    pattern = one.rng.random(cycles) < share
    one.misfire(13, 3, cycles, 0.5, pattern)
    events = found(one)
    misses = [e for e in events if e.kind is Kind.MISFIRE]
    assert {e.nodes for e in misses} == {(3,)}
    assert len(misses) >= 0.85 * len(events)
    assert sum(int(e.evidence["missed_cycles"]) for e in misses) > 0.3 * pattern.sum()  # type: ignore[arg-type]


@pytest.mark.slow
def test_of_very_many_bumps_the_last_are_not_explained_and_it_is_said_so() -> None:
    one = engine(23, 46, 5)
    for i in range(150):
        one.misfire(10 + 0.2 * i, i % 4, 4, 0.5)
    one.misfire(41.0, 4, 4, 0.5)  # a node that never had one before
    events = found(one)
    assert events[-1].nodes == (4,)
    assert len(events) >= 125
    assert sum(e.kind is Kind.MISFIRE for e in events) >= 0.97 * len(events)
    unexplained = [e.evidence.get("why") == "too many bumps" for e in events]
    assert unexplained == [i >= unexplained.index(True) for i in range(len(events))]
    assert 110 <= unexplained.index(True) <= 130
    assert np.mean([e.evidence.get("missed_cycles", 0) for e in events]) == pytest.approx(4, abs=1.0)  # type: ignore[arg-type]


def test_a_cylinder_that_misfires_within_a_tip_in_is_told_and_not_judged_by_the_tip() -> None:
    """One missed cycle reads leaner than the film of fuel on the walls does."""
    one = engine(24, 30, 4, 3000.0, load=20.0, target=0.98)
    for begin in (10, 20):
        one.tip(begin, 3.0, 90.0, 0.89)
    one.misfire(20.3, 2, 1, 0.45)
    rows, session = one.block(), confusion.session_of(4)
    events = found(one, None, rows)
    assert [e.nodes for e in events if e.kind is Kind.MISFIRE] == [(2,)]
    first, second = (e for e in events if e.kind is Kind.TIP_IN)
    assert (first.nodes, "may_have_misfired" in first.evidence) == ((0, 1, 2, 3), False)
    assert (second.nodes, second.evidence["may_have_misfired"]) == ((0, 1, 3), (3,))
    assert second.evidence["worst_cylinder"] in {1, 2, 4}
    stage = EventStage(session, FUEL)  # the misfire is known later than the tip
    pieces = [rows.take(slice(i, i + 250)) for i in range(0, len(rows), 250)]
    live = [e for piece in pieces for e in stage.feed(piece)] + stage.flush()
    assert [e.evidence for e in live if e.kind is Kind.TIP_IN] == [first.evidence, second.evidence]
    swallowed = find_tips(session, FUEL, [rows]).tips[2].measures[2]
    assert swallowed is not None
    clean, misfired = (find_clean_tips(session, FUEL, [rows]).tips[i] for i in (0, 2))
    assert swallowed.peak > 1.3 * clean.measures[2].peak  # type: ignore[union-attr]
    assert (clean.misfired, misfired.misfired) == ((), (2,))
    assert [one is None for one in misfired.measures] == [False, False, True, False]


def test_rich_on_the_way_back_belongs_to_the_lean_bump_before() -> None:
    one = engine(20, 30)
    one.mixture(12, 1, 0.5, 0.25, "box")
    one.mixture(12.6, 1, 0.4, -0.07, "sine")
    (event,) = found(one)
    assert event.kind is Kind.LEAN_EXCURSION
    assert float(event.evidence["after_percent"]) < -0.5  # type: ignore[arg-type]


@pytest.mark.parametrize("seed", [2, 3, 4])
def test_steps_of_four_percent_for_three_seconds_are_no_excursions(seed: int) -> None:
    one = engine(seed, 70, 6, 2500.0, load=50.0, target=1.0)
    for i in range(6):
        one.mixture(12 + 8.5 * i, i, 3.0, -0.04 if i % 2 else 0.04, "box")
    assert found(one) == ()


@pytest.mark.parametrize("share", [-0.08, 0.08])
def test_steps_of_eight_percent_are(share: float) -> None:
    one = engine(5, 30, 6, 2500.0, load=50.0, target=1.0)
    one.mixture(12, 3, 3.0, share, "box")
    (event,) = found(one)
    assert event.kind is (Kind.LEAN_EXCURSION if share > 0 else Kind.RICH_EXCURSION)
    assert (event.nodes, event.t / 1e9) == ((3,), pytest.approx(12.0, abs=0.15))
    assert event.duration_ns / 1e9 == pytest.approx(3.0, abs=0.3)


def test_what_falls_quicker_than_any_sensor_follows_is_no_pulse_of_gas() -> None:
    one = engine(11, 20)
    block = one.block()
    state, oxygen = block.state.copy(), block.oxygen.copy()
    state[:1400, 2], state[1212:1216, 2] = SampleState.SUSPECT, SampleState.VALID
    oxygen[1212:1216, 2] = [20.0, 15.0, 10.0, 5.0]
    events = found(one, block=dataclasses.replace(block, state=state, oxygen=oxygen))
    assert [e for e in events if e.kind is not Kind.SENSOR_DROP_OUT] == []


def test_one_sample_known_only_from_its_middle_on_is_no_event() -> None:
    one = engine(11, 20)
    one.misfire(12.0, 2, 5, 0.53)
    block = one.block()
    age, state = block.age.copy(), block.state.copy()
    bump = slice(1212, 1217)
    state[:1400, 2], state[bump, 2] = SampleState.SUSPECT, SampleState.VALID
    age[bump, 2] = 5_000_000 + 10_000_000 * np.arange(1, 6)  # one sample, first sent while it was suspect
    oxygen = block.oxygen.copy()
    oxygen[bump, 2] = 20.0
    held = dataclasses.replace(block, age=age, state=state, oxygen=oxygen)
    assert [e for e in found(one, block=held) if e.kind is not Kind.SENSOR_DROP_OUT] == []


def test_what_is_found_does_not_depend_on_the_blocks_nor_on_a_look_in_between() -> None:
    one = engine(21, 60)
    one.misfire(12, 2, 5, 0.53)
    one.mixture(20, 3, 1.0, 0.2, "sine")
    one.cut_fuel(30, 2.0, None, told=True)
    one.node(45, 6, 0.8, "node reset")
    rows, session = one.block(), confusion.session_of(8)

    def run(pieces: list[slice], look_every: int = 10) -> str:
        stage = EventStage(session, FUEL)
        events = []
        for number, piece in enumerate(pieces, 1):
            events += stage.feed(rows.take(piece))
            if number % look_every == 0:
                stage.result()
        return everything(sorted([*events, *stage.flush()], key=lambda e: (e.t, e.nodes, e.kind)))

    told = str(same_for_all_splits(len(rows), run, most=40))
    assert told.count("Event(") >= 5
    assert told == run([slice(i, i + 300) for i in range(0, len(rows), 300)], 2)


def test_a_jump_of_the_clock_ends_what_was_under_way() -> None:
    one = engine(22, 40)
    one.misfire(12, 2, 5, 0.53)
    one.misfire(28, 3, 5, 0.53)
    rows = one.block()
    first, second = rows.take(slice(0, 2000)), rows.take(slice(2000, None))
    second = dataclasses.replace(second, t=second.t - 10_000_000_000, stretch=second.stretch + 1)
    stage = EventStage(confusion.session_of(8), FUEL)
    events = stage.feed(first) + stage.feed(second) + stage.flush()
    assert [e.nodes for e in events] == [(2,), (3,)]
    assert events[1].t / 1e9 == pytest.approx(18.0, abs=0.1)
