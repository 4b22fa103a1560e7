"""The evidence of an event, against the gas that was planted and the effects of a lag on it.

A linear lag keeps areas and decays with its own time constant; the gas itself is known, as it was planted.
"""

from __future__ import annotations

import confusion
import numpy as np
import pytest
from planted import FUEL, MS, Engine

from mixmon.findings.events.event import Event, Kind
from mixmon.findings.events.events import find_events
from mixmon.gas.exhaust import oxygen_balance
from mixmon.gas.reading import missed_charge_oxygen

RPM, CYCLE_S = 6000.0, 0.020
ELEMENT_S, FILTER_S = 0.085, 0.020  # of the planted sensors


def engine(seed: int, seconds: float, **more: float) -> Engine:
    return Engine(np.random.default_rng(seed), seconds, 8, RPM, **more)


def found(one: Engine, kind: Kind) -> list[Event]:
    events = find_events(confusion.session_of(one.nodes), FUEL, [one.block()])
    assert {event.kind for event in events} == {kind}
    return list(events)


def number(event: Event, name: str) -> float:
    value = event.evidence[name]
    assert isinstance(value, int | float)
    return float(value)


def mixture(one: Engine, node: int, share: float = 0.0) -> float:
    """Oxygen percent of the node's gas."""
    return float(oxygen_balance(one.target * (1 + one.offsets[node]) * (1 + share), FUEL))


def missed(one: Engine, node: int, k_d: float) -> float:
    """Oxygen percent that a missed charge adds to the node's gas."""
    lam = float(one.target * (1 + one.offsets[node]))
    return float(missed_charge_oxygen(lam, FUEL, k_d)) - mixture(one, node)


@pytest.fixture(scope="module")
def bursts() -> tuple[Engine, list[Event]]:
    """Three, six and twelve cycles missed, each with the vapour read least and most."""
    one = engine(301, 70)
    for i, (cycles, k_d) in enumerate([(c, k) for c in (3, 6, 12) for k in (0.33, 0.53)]):
        one.misfire(12 + 9 * i, i, cycles, k_d)
    return one, found(one, Kind.MISFIRE)


def test_a_burst_has_the_area_of_the_charges_that_were_missed(bursts: tuple[Engine, list[Event]]) -> None:
    one, events = bursts
    assert len(events) == 6
    for event, truth, k_d in zip(events, one.truth, (0.33, 0.53) * 3, strict=True):
        area = missed(one, event.nodes[0], k_d) * truth.cycles * CYCLE_S
        assert number(event, "area_percent_s") == pytest.approx(area, rel=0.12)
        least, most = number(event, "missed_cycles_least"), number(event, "missed_cycles_most")
        assert least - 1 <= truth.cycles <= most + 1
        assert (least if k_d < 0.4 else most) == pytest.approx(truth.cycles, abs=1)


def test_its_length_is_told_in_cycles_and_its_fall_is_the_sensors(
    bursts: tuple[Engine, list[Event]],
) -> None:
    for event in bursts[1]:
        assert number(event, "length_cycles") == pytest.approx(number(event, "length_s") / CYCLE_S, abs=0.3)
        assert ELEMENT_S - 0.02 < number(event, "decay_s") < ELEMENT_S + FILTER_S + 0.02
        assert 0 < number(event, "rise_s") < number(event, "length_s")


@pytest.fixture(scope="module")
def lean() -> tuple[Engine, list[Event]]:
    """A fifth leaner for most of a second, so long that the gas is seen as it was."""
    one = engine(302, 90)
    for i in range(8):
        one.mixture(12 + 9 * i, i, 0.8, 0.20, "box")
    return one, found(one, Kind.LEAN_EXCURSION)


def test_the_gas_behind_the_lag_is_the_gas_that_was_planted_within_its_own_error(
    lean: tuple[Engine, list[Event]],
) -> None:
    one, events = lean
    assert len(events) == 8
    truth = [mixture(one, event.nodes[0], 0.20) for event in events]
    found_ = np.array([number(event, "gas_peak_oxygen_percent") for event in events])
    sd = np.array([number(event, "gas_peak_sd_percent") for event in events])
    off = (found_ - truth) / sd
    assert np.abs(off).max() < 4.0
    assert 0.3 < np.sqrt(np.mean(off**2)) < 3.0
    for event in events:
        lam = one.target * (1 + one.offsets[event.nodes[0]]) * 1.20
        assert number(event, "gas_peak_lambda") == pytest.approx(lam, rel=0.08)
        assert number(event, "pulse_lambda") == pytest.approx(lam, rel=0.03)
        assert number(event, "gas_s") == pytest.approx(0.8, abs=0.06)


def test_cylinders_that_go_lean_together_are_counted_and_one_alone_is_not(
    lean: tuple[Engine, list[Event]],
) -> None:
    assert {event.evidence["other_cylinders"] for event in lean[1]} == {0}
    one = engine(303, 22)
    for node in (1, 4, 6):
        one.mixture(12, node, 0.8, 0.20, "box")
    assert [event.evidence["other_cylinders"] for event in found(one, Kind.LEAN_EXCURSION)] == [2, 2, 2]


def test_a_fall_of_the_speed_is_told_and_has_its_sign() -> None:
    one = engine(304, 30)
    one.misfire(12, 2, 8, 0.45)
    one.speed[round(12.08 / MS) : round(13 / MS)] -= 60.0
    (event,) = found(one, Kind.MISFIRE)
    assert number(event, "rpm_dip") == pytest.approx(60, abs=20)
