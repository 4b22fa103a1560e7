"""Cuts that nobody reports, found by the gas: planted by `planted` (tools), sensors by scipy's filters."""

from __future__ import annotations

import confusion
import numpy as np
import pytest
from planted import FUEL, Engine

from mixmon.findings.events.event import Event, Kind
from mixmon.findings.events.events import find_events
from mixmon.gas.reading import missed_charge_oxygen
from mixmon.mixture.block import CylinderBlock, SampleState


def engine(seed: int, seconds: float = 26.0, nodes: int = 4, rpm: float = 6000.0) -> Engine:
    return Engine(np.random.default_rng(seed), seconds, nodes, rpm)


def found(one: Engine, block: CylinderBlock | None = None) -> list[Event]:
    rows = one.block() if block is None else block
    return list(find_events(confusion.session_of(one.nodes), FUEL, [rows]))


@pytest.mark.parametrize("name", ["all sparks", "sparks in turn", "overrun", "one injector", "all lean"])
def test_each_class_is_called_what_it_is_and_nothing_else_is_found(name: str) -> None:
    one, events = confusion.drive(name, 5003, 4)
    pairs, left = confusion.matched(
        one.truth, tuple(e for e in events if e.kind not in {"tip-in", "tip-out"})
    )
    assert [str(event.kind) for _, event in pairs if event is not None] == [confusion.kind_of(name)] * 4
    assert left == []


def test_cut_sparks_read_below_what_unburnt_charges_can_and_it_is_said_that_nobody_reported_them() -> None:
    """A shift at full throttle: 110 ms without sparks, not at the highest speed of the log."""
    one = engine(1)
    one.be_quicker_at_first(3.0, 0.08)
    one.cut_all_sparks(14.0, 0.110, 0.40)
    (event,) = found(one)
    assert (event.kind, event.all_nodes) == (Kind.SPARK_CUT, True)
    assert event.t / 1e9 == pytest.approx(14.0, abs=0.05)
    said = event.evidence
    assert (said["told_by_engine"], said["pattern"], said["could_be"]) == (False, "all at once", None)
    most = missed_charge_oxygen(0.87, FUEL, 1 / 3)
    assert said["unburnt_at_most_percent"] == pytest.approx(most, abs=0.5)
    assert 4.0 < float(said["highest_oxygen_percent"]) < most  # type: ignore[arg-type]


def test_fuel_cut_at_full_throttle_shows_air_where_it_is_long_enough_and_else_may_be_either() -> None:
    one = engine(2, 44.0)
    one.be_quicker_at_first(3.0, 0.08)
    one.cut_all_fuel(14.0, 0.200)
    one.cut_all_fuel(30.0, 0.060)
    long, short = found(one)
    assert (long.kind, long.all_nodes, long.evidence["could_be"]) == (Kind.FUEL_CUT, True, None)
    assert {str(short.kind), short.evidence["could_be"]} == {"spark cut", "fuel cut"}


def test_a_limiter_is_one_event_with_its_pattern() -> None:
    one = engine(3)
    one.limit(14.0, 1.5, 5, 0.4)
    (event,) = found(one)
    assert event.kind is Kind.SPARK_CUT
    assert (event.evidence["pattern"], event.evidence["could_be"]) == ("in turn", "fuel cut")
    assert event.rpm == pytest.approx(6000, abs=150)


def test_charges_missed_in_turn_at_constant_speed_are_no_lean_mixture_of_all() -> None:
    """Each cylinder goes up and down by whole charges; a lean mixture of all keeps the noise they had."""
    one = Engine(np.random.default_rng(6), 46.0, 4, 6000.0, cycle_noise=0.004, white=0.001)
    span = slice(14_000, 14_600)
    one.told, one.limited[span], one.strides[span] = False, 0.4, 3
    one.mixture(30, None, 0.8, 0.2, "box")
    cut, lean = found(one)
    assert (cut.kind, cut.all_nodes, cut.evidence["pattern"]) == (Kind.SPARK_CUT, True, "in turn")
    assert cut.evidence["speed_at_limit"] is False
    assert cut.evidence["roughness"] > 5.0  # type: ignore[operator]
    assert (lean.kind, lean.all_nodes) == (Kind.LEAN_EXCURSION, True)
    assert lean.evidence["roughness"] == pytest.approx(1.0, abs=0.6)


def test_charges_missed_in_turn_behind_noise_are_not_called_a_lean_mixture() -> None:
    one = engine(6)
    span = slice(14_000, 14_600)
    one.told, one.limited[span], one.strides[span] = False, 0.4, 3
    (event,) = found(one)
    assert (event.kind, event.all_nodes) == (Kind.NOT_CLASSIFIED, True)
    assert event.evidence["why"] == "all cylinders go up and down"


@pytest.mark.parametrize("seconds", [0.25, 8.0])
def test_one_shut_injector_is_a_cylinder_without_fuel_for_as_long_as_it_lasts(seconds: float) -> None:
    one = engine(4)
    one.shut_injector(12.0, seconds, 2)
    (event,) = found(one)
    assert (event.kind, event.nodes, event.all_nodes) == (Kind.NO_FUEL, (2,), False)
    assert event.duration_ns / 1e9 == pytest.approx(seconds, abs=0.15)
    assert event.evidence["highest_oxygen_percent"] > 16.0  # type: ignore[operator]


def test_where_the_range_of_the_sensors_ends_below_unburnt_gas_either_is_possible() -> None:
    one = engine(5)
    one.be_quicker_at_first(3.0, 0.08)
    one.cut_all_sparks(14.0, 0.200, 0.40)
    block = one.block()
    beyond = block.oxygen > 6.0
    block.oxygen[beyond], block.state[beyond] = 6.0, SampleState.AT_LEAN_LIMIT
    (event,) = found(one, block)
    assert {str(event.kind), event.evidence["could_be"]} == {"spark cut", "fuel cut"}
