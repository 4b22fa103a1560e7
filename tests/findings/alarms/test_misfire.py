"""A misfire is not lean: lean alarms that may be misfires are marked at once, and judged later."""

from dataclasses import replace
from itertools import accumulate

import confusion
import numpy as np
import pytest
from laws import same_for_all_splits

from mixmon.findings.alarms.alarms import Alarms
from mixmon.findings.alarms.misfire import LEANEST_BURNT, MisfireMark, MisfireWatch
from mixmon.findings.alarms.records import AlarmEvent
from mixmon.findings.events.event import Event, Kind
from mixmon.findings.events.events import EventStage
from mixmon.gas.exhaust import lambda_from_oxygen, oxygen_balance
from mixmon.gas.fuel import fuel_named
from mixmon.mixture.align import GRID_NS
from mixmon.mixture.block import CylinderBlock, SampleState
from mixmon.session.model import AlarmRule, Node

FUEL = fuel_named("gasoline")
RICH = float(oxygen_balance(0.87, FUEL))
MISSED, LEANEST = 9.0, float(oxygen_balance(1.2, FUEL))
"""Oxygen of a missed charge, percent: fuel unburnt, a fuel vapour seen by less than half; and of a mixture
that is a third leaner than at full load, and more."""


def rows(oxygen: np.ndarray, every: int = 1) -> CylinderBlock:
    """Rows of one node whose newest sample is `every` rows old at most."""
    k = len(oxygen)
    at = np.arange(k) // every * every
    shape = (k, 1)
    return CylinderBlock(
        t=np.arange(k) * GRID_NS,
        stretch=np.zeros(k, np.int64),
        lam=lambda_from_oxygen(oxygen[at], FUEL).reshape(shape),
        oxygen=oxygen[at].reshape(shape),
        age=((np.arange(k) - at) * GRID_NS).reshape(shape),
        fresh=np.ones(shape, np.bool_),
        state=np.full(shape, SampleState.VALID, np.uint8),
        shifted={},
        now={},
        aux={},
    )


def reading(gas: float, seconds: float, lag_s: float = 0.105, noise: float = 0.0) -> np.ndarray:
    """Oxygen behind one lag, by its exact solution: so many seconds of `gas` from 3 s on, else rich."""
    t = np.arange(600) / 100
    rise = 1 - np.exp(-np.clip(t - 3.0, 0, seconds) / lag_s)
    fall = np.exp(-np.maximum(t - 3.0 - seconds, 0) / lag_s)
    return RICH + (gas - RICH) * rise * fall + noise * np.random.default_rng(1).standard_normal(len(t))


def seen(block: CylinderBlock) -> np.ndarray:
    return np.flatnonzero(MisfireWatch([Node(1, (1,))], FUEL).feed(block)[:, 0])


def test_gas_that_did_not_burn_is_seen_within_a_twentieth_of_a_second_and_for_half_a_second() -> None:
    found = seen(rows(reading(MISSED, 0.08)))
    assert 300 < found[0] <= 305
    assert found[-1] - found[0] < 70


@pytest.mark.parametrize("seconds", [0.05, 0.3, 2.0])
@pytest.mark.parametrize("every", [1, 2, 5, 10], ids=lambda every: f"{100 / every:.0f} Hz")
def test_no_mixture_is_taken_for_it_also_where_samples_are_few(seconds: float, every: int) -> None:
    assert LEANEST < float(oxygen_balance(LEANEST_BURNT, FUEL)) < MISSED
    assert not len(seen(rows(reading(LEANEST, seconds), every)))


def test_a_noisy_reading_is_not_taken_for_it() -> None:
    assert not len(seen(rows(reading(LEANEST, 0.5, noise=0.25))))


def test_a_sensor_at_the_lean_end_of_its_range_shows_gas_that_did_not_burn() -> None:
    block = rows(reading(RICH, 1.0))
    state = block.state.copy()
    state[400] = SampleState.AT_LEAN_LIMIT
    assert seen(replace(block, state=state)).tolist() == list(range(400, 451))


def test_misfires_are_marked_within_half_a_second_and_confirmed() -> None:
    raised = [m for m in confusion.planted_marks("misfire burst", 5001, 5) if m.raised_s is not None]
    assert len(raised) >= 4
    assert all(m.marked_s is not None and m.marked_s <= 0.5 for m in raised)
    assert {m.final for m in raised} <= {MisfireMark.CONFIRMED, MisfireMark.SUSPECTED}


def test_lean_excursions_are_not_marked() -> None:
    raised = [m for m in confusion.planted_marks("lean excursion", 5001, 5) if m.raised_s is not None]
    assert len(raised) >= 3
    assert [m.marked_s for m in raised] == [None] * len(raised)


def test_marks_do_not_depend_on_how_the_rows_are_split() -> None:
    engine = confusion.planted_engine("misfire burst", 5001, 2)
    block, nodes = engine.block().take(slice(600, 2200)), confusion.session_of(engine.nodes).chain.nodes

    def records(pieces: list[slice]) -> list[AlarmEvent]:
        events = EventStage(confusion.session_of(engine.nodes), FUEL)
        alarms = Alarms((confusion.LEAN_RULE,), nodes, MisfireWatch(nodes, FUEL, events.lags_at))
        parts = [block.take(piece) for piece in pieces]
        found = [record for part in parts for record in alarms.feed(part, events.feed(part))]
        return [replace(r, value=0.0 if np.isnan(r.value) else r.value) for r in found]

    whole = same_for_all_splits(len(block), records, most=100)
    assert {r.misfire for r in whole} >= {MisfireMark.SUSPECTED, MisfireMark.CONFIRMED}
    assert not any(r.lean_before for r in whole)


RULE = AlarmRule(
    "lean", 1, "lambda_above", 0.95, on_delay_s=0.2, cause="an injector", response="go by the limit"
)


@pytest.fixture(scope="module")
def lean_and_missed() -> CylinderBlock:
    """Lambda 1.0 from 1 to 9 s, and in it, at 5 s, charges that do not burn for a tenth of a second."""
    t = np.arange(1500) / 100
    gas = np.where((t > 1) & (t < 9), float(oxygen_balance(1.0, FUEL)), RICH)
    gas[500:510] = MISSED
    kept = 1 - np.exp(-0.01 / 0.105)
    return rows(np.array(list(accumulate(gas, lambda seen, new: seen + kept * (new - seen)))))


def found_at(t: float, end: float, kind: Kind) -> Event:
    begin, lasts = round(t * 1e9), round((end - t) * 1e9)
    return Event(begin, kind, (0,), (1,), False, 1.0, lasts, 5000.0, 100.0, {})


def test_a_misfire_of_a_lean_cylinder_is_told_beside_it_and_leaves_it_lean(
    lean_and_missed: CylinderBlock,
) -> None:
    nodes = [Node(1, (1,))]
    lean, missed = found_at(1.0, 1.6, Kind.LEAN_EXCURSION), found_at(5.0, 5.1, Kind.MISFIRE)
    alarms, told = Alarms((RULE,), nodes, MisfireWatch(nodes, FUEL)), []
    for first in range(0, 1500, 100):
        records = alarms.feed(lean_and_missed.take(slice(first, first + 100)), [lean, missed][first == 600 :])
        told += [(round(r.t / 1e9, 1), r.what.value, r.name) for r in records]
        if first == 500:
            (standing,) = alarms.current().alarms
    assert told == [
        (1.3, "raised", "lean"),
        (5.0, "may be a misfire", "lean+misfire?"),
        (9.0, "returned to normal", "lean+misfire?"),
        (13.6, "misfire confirmed", "lean+misfire"),
    ]
    assert standing.rule.response.startswith("go by the limit; find the spark too")
    assert standing.rule.cause.startswith("an injector; ")


def test_a_misfire_that_left_no_mark_is_told_beside_an_alarm_that_stood_before_it_and_stands_still(
    lean_and_missed: CylinderBlock,
) -> None:
    block = lean_and_missed.take(np.r_[0:900, np.repeat(800, 600)])
    block = replace(block, t=np.arange(len(block)) * GRID_NS)
    alarms = Alarms((RULE,), [Node(1, (1,))])
    told = alarms.feed(block, [found_at(5.0, 5.1, Kind.MISFIRE)])
    assert [(r.what.value, r.name) for r in told] == [
        ("raised", "lean"),
        ("misfire confirmed", "lean+misfire"),
    ]


def test_what_is_concluded_with_the_end_of_the_rows_is_told_at_their_end() -> None:
    """A log that ends before the 8.5 s of a conclusion are over: no record, and no clock, lies beyond it."""
    engine = confusion.planted_engine("misfire burst", 5001, 2)
    block, nodes = engine.block().take(slice(600, 1700)), confusion.session_of(engine.nodes).chain.nodes
    events = EventStage(confusion.session_of(engine.nodes), FUEL)
    alarms = Alarms((confusion.LEAN_RULE,), nodes, MisfireWatch(nodes, FUEL, events.lags_at))
    alarms.feed(block, events.feed(block))
    told = alarms.flush(events.flush())
    assert MisfireMark.CONFIRMED in {record.misfire for record in told}
    assert {record.t for record in told} == {int(block.t[-1])}
    assert alarms.current().t == block.t[-1]
