"""Trims leave out what was read around misfires: how much, for how long, and when none are offered."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from laws import everything

from mixmon.findings.balance.balance import Balance, BalanceStage
from mixmon.findings.balance.dwell import Mask
from mixmon.findings.balance.notes import BalanceNote
from mixmon.findings.events.event import Event, Kind
from mixmon.findings.events.events import EventStage
from mixmon.messages.bind import bind, load_databases
from mixmon.note import note
from mixmon.pipeline import Pipeline
from mixmon.simulate.load import read_scenario
from mixmon.simulate.simulation import Simulation, simulate

S = 1_000_000_000

DRIVE = """
format = 1
based_on = "plain"
name = "two dwells"
repeat_from = "idle"
[cylinders]
flow_percent = { 2 = 2.0, 3 = -6.0 }
[[profile]]
kind = "off"
seconds = 2
[[profile]]
kind = "start"
name = "idle"
rpm = 1000
load = 3
seconds = 14
[[profile]]
kind = "steady"
name = "part load"
rpm = 4000
load = 40
seconds = 14
[[profile]]
kind = "steady"
name = "full load"
rpm = 6000
load = 100
seconds = 14
"""

Fault = tuple[str, float, int]


def balances(faults: list[Fault], *, more: str = "") -> tuple[Balance, Balance]:
    """Balances of the drive with everything counted, and with what was found around misfires excluded.

    Cylinder 4 misses that many cycles after so many seconds of a part.

    more   further lines of the scenario
    """
    tables = [
        f'[[fault]]\nkind = "misfires"\ncylinder = 4\nduring = "{during}"\n'
        f"after_s = {after}\ncycles = {cycles}\n"
        for during, after, cycles in faults
    ]
    scenario, mistakes = read_scenario(DRIVE + more + "".join(tables))
    assert scenario is not None, mistakes
    simulation = simulate(scenario, seed=3)
    binding = bind(simulation.session, load_databases(simulation.session))
    pipeline, stage = Pipeline(binding), BalanceStage(simulation.session)
    excursions = EventStage(simulation.session, binding.fuel)
    events = []
    for frames in simulation:
        for block in pipeline.feed(frames):
            stage.feed(block)
            events += excursions.feed(block)
    for block in pipeline.flush():
        stage.feed(block)
        events += excursions.feed(block)
    events += excursions.flush()
    counted = stage.result()
    stage.exclude(events)
    return counted, stage.result()


BURST: list[Fault] = [("full load", 8.0, 5)]
OFTEN: list[Fault] = [(part, 5.5 + 0.7 * i, 2) for part in ("part load", "full load") for i in range(10)]


@pytest.fixture(scope="module")
def clean() -> Balance:
    return balances([])[1]


def test_a_burst_moves_the_need_of_its_cylinder_by_less_than_three_tenths_of_a_percent(
    clean: Balance,
) -> None:
    _, result = balances(BURST)
    for one, before in zip(result.cylinders, clean.cylinders, strict=True):
        assert one.needs_percent == pytest.approx(before.needs_percent, abs=0.1)
    (effect,) = result.misfires
    assert (effect.cylinder, effect.events, effect.missed_cycles) == (4, 1, 5)
    assert result.cylinders[3].left_out_s["misfire or cut"] == effect.left_out_s
    assert 0.5 <= effect.left_out_s <= 1.5
    assert note(BalanceNote.MISFIRE_EXCLUDED, missed_cycles=5, events=1) in result.cylinders[3].flags
    assert result.withheld == ()
    assert clean.misfires == ()


def test_frequent_misfire_withholds_the_trims_and_says_what_it_would_have_done(clean: Balance) -> None:
    counted, result = balances(OFTEN)
    assert result.withheld[0].code is BalanceNote.FREQUENT_MISFIRE
    assert dict(result.withheld[0].values)["cylinders"] == (4,)
    assert np.isnan([c.trim_new_percent for c in result.cylinders]).all()
    (effect,) = result.misfires
    assert effect.events >= 15
    assert effect.share_percent == pytest.approx(100 * 40 / (9 * 4000 / 120 + 9 * 6000 / 120), rel=0.4)
    assert effect.needs_counted_percent == pytest.approx(counted.cylinders[3].needs_percent, abs=1e-9)
    right = clean.cylinders[3].needs_percent
    assert abs(effect.needs_percent - right) < 0.3 < abs(effect.needs_counted_percent - right)
    (flag,) = (dict(f.values) for f in result.cylinders[3].flags if f.code is BalanceNote.MISFIRE_EXCLUDED)
    assert flag["needs_percent"] == effect.needs_percent
    assert np.isnan(flag["trim_new_percent"])  # withheld
    low, high = effect.lean_percent
    assert low < high < 3 * low


def test_where_misfire_is_rare_trims_are_offered_and_both_are_shown_where_they_differ() -> None:
    fine_steps = "[trims]\nstep_percent = 0.05\nlowest_percent = -10\nhighest_percent = 10\n"
    _, result = balances([("full load", 5.0, 55), ("full load", 8.0, 55)], more=fine_steps)
    (effect,) = result.misfires
    assert result.withheld == ()
    assert np.isfinite([effect.trim_new_percent, effect.trim_counted_percent]).all()
    assert effect.needs_counted_percent - effect.needs_percent > 0.03
    flag = note(
        BalanceNote.MISFIRE_EXCLUDED,
        missed_cycles=effect.missed_cycles,
        events=2,
        needs_percent=effect.needs_percent,
        trim_new_percent=effect.trim_new_percent,
        needs_counted_percent=effect.needs_counted_percent,
        trim_counted_percent=effect.trim_counted_percent,
    )
    assert flag in result.cylinders[3].flags


def test_events_excluded_while_rows_still_come_give_the_same_as_at_the_end() -> None:
    scenario, _ = read_scenario(
        DRIVE + '[[fault]]\nkind = "misfires"\ncylinder = 4\nduring = "full load"\nafter_s = 7\ncycles = 5\n'
    )
    assert scenario is not None
    simulation = simulate(scenario, seed=4)
    binding = bind(simulation.session, load_databases(simulation.session))
    played = list(Simulation(simulation.world, piece_s=5.0))

    def run(*, looks: bool) -> str:
        pipeline, stage = Pipeline(binding), BalanceStage(simulation.session)
        excursions = EventStage(simulation.session, binding.fuel)
        for frames in played:
            for block in pipeline.feed(frames):
                stage.feed(block)
                if looks:
                    stage.exclude(excursions.feed(block))
                    stage.quick_result()
                else:
                    excursions_found.extend(excursions.feed(block))
        for block in pipeline.flush():
            stage.feed(block)
            excursions_found.extend(excursions.feed(block))
        stage.exclude([*excursions_found, *excursions.flush()])
        excursions_found.clear()
        return everything(stage.result())

    excursions_found: list[Event] = []
    assert run(looks=True) == run(looks=False)


def event(t: float, seconds: float, node: int, kind: Kind = Kind.MISFIRE, rpm: float = 6000.0) -> Event:
    evidence = {"missed_cycles": 5, "gas_s": 0.1} if kind is Kind.MISFIRE else {}
    return Event(
        round(t * S), kind, (node,), (node + 1,), False, 1.2, round(seconds * S), rpm, 100.0, evidence
    )


def test_three_lags_and_two_cycles_on_either_side_are_left_out() -> None:
    mask = Mask(np.array([0.105, 0.105]), 4)
    mask.add([event(10.0, 0.2, 0)])
    t = np.arange(0, 20 * S, S // 100)
    covered = mask.covers(t, S // 100)
    # 3 * 0.105 + 2 * 0.020 s before the gas came at 10.0 and after it had gone at 10.1
    assert t[covered[:, 0]].min() / 1e9 == pytest.approx(10 - 0.355, abs=0.011)
    assert t[covered[:, 0]].max() / 1e9 == pytest.approx(10.1 + 0.355, abs=0.011)
    assert not covered[:, 1].any()


def test_a_lean_mixture_is_never_left_out() -> None:
    mask = Mask(np.array([0.105]), 4)
    mask.add([event(10.0, 0.5, 0, Kind.LEAN_EXCURSION), event(12.0, 0.5, 0, Kind.TIP_IN)])
    assert mask.version == 0
    assert not mask.covers(np.arange(20) * S, S).any()


moments = st.lists(
    st.tuples(st.floats(0, 30), st.floats(0, 2), st.integers(0, 2), st.sampled_from(list(Kind))), max_size=8
)


@given(moments, st.integers(0, 8), st.lists(st.floats(0, 35), max_size=12))
def test_what_is_covered_is_what_meets_any_moment(
    made: list[tuple[float, float, int, Kind]], since: int, times: list[float]
) -> None:
    mask = Mask(np.array([0.1, 0.2, 0.3]), 4)
    mask.add([event(*one) for one in made])
    t = (np.array(times) * S).astype(np.int64)
    covered = mask.covers(t, S // 4, since)
    for i, begin in enumerate(t.tolist()):
        for node in range(3):
            meets = [
                m
                for m in mask.moments[since:]
                if m.node == node and m.begin < begin + S // 4 and m.end > begin
            ]
            assert covered[i, node] == bool(meets)
