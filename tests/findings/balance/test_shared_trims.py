"""Engines in which not every cylinder can have a trim of its own."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from mixmon.findings.balance.notes import BalanceNote
from mixmon.findings.balance.trims import TrimPlan, plan_trims
from mixmon.findings.stats import NO_ESTIMATE, Estimate
from mixmon.note import Note
from mixmon.session.injectors import injector_pairs, trimmed_together
from mixmon.session.model import Chain, Engine, Exhaust, Injection, Node, Session, Trims

ORDER = (1, 5, 3, 7, 4, 8, 2, 6)
PAIRS = ((1, 4), (2, 3), (5, 8), (6, 7))  # by hand: four places apart in the order of eight


def session(timing: str = "paired", **more: object) -> Session:
    nodes = tuple(Node(c, (c,)) for c in range(1, 9))
    engine = Engine(8, firing_order=ORDER)
    made = Session(engine, Chain("chain", {}, nodes), (), injection=Injection(timing))
    return replace(made, **more)  # type: ignore[arg-type]


def needs(percent: list[float], errors: list[float] | None = None) -> tuple[Estimate, ...]:
    """Needs with these standard errors, percent; without errors 0.1 each."""
    sizes = errors or [0.1] * len(percent)
    return tuple(
        Estimate(float(np.log1p(p / 100)), 2 * e / 100, e / 100, 40.0)
        for p, e in zip(percent, sizes, strict=True)
    )


def values_of(code: BalanceNote, notes: tuple[Note, ...]) -> list[dict[str, object]]:
    return [dict(one.values) for one in notes if one.code is code]


def trims(plan: TrimPlan) -> list[float]:
    return [float(trim) for trim in plan.new]


APART = [4.0, -2.0, -2.0, 2.0, 0.0, 1.0, -1.0, -2.0]


def test_a_pair_gets_one_trim_by_the_mean_of_its_needs() -> None:
    plan = plan_trims(session(), needs(APART))
    for one, other in PAIRS:
        assert plan.new[one - 1] == plan.new[other - 1]
        assert plan.exact[one - 1] == plan.exact[other - 1]
    assert plan.exact[0] == pytest.approx(3.0, abs=0.2)  # of 4 and 2, equally sure
    burnt = 1 / (1 + np.array(APART) / 100)  # fuel of each at equal air
    assert plan.fuel_percent == pytest.approx((burnt * plan.new).sum() / burnt.sum(), abs=1e-9)
    assert values_of(BalanceNote.SHARED_INJECTOR_DRIVER, plan.flags[0]) == [{"with_cylinders": (4,)}]


def test_the_surer_need_of_a_pair_weighs_more() -> None:
    """By hand: errors of 0.1 and 0.2 weigh 4 to 1, so 4 % and 2 % give 3.6 %."""
    plan = plan_trims(session(), needs(APART, [0.1, 0.1, 0.1, 0.2, 0.1, 0.1, 0.1, 0.1]))
    equal = plan_trims(session(), needs(APART))
    assert plan.exact[0] - plan.exact[1] == pytest.approx(equal.exact[0] - equal.exact[1] + 0.6, abs=0.05)


def test_the_moves_that_the_predicted_spread_rests_on_are_those_of_the_pair() -> None:
    plan = plan_trims(session(), needs(APART))
    assert plan.moves == pytest.approx(np.log1p(np.array(plan.new) / 100), abs=1e-12)


def test_sequential_injection_trims_every_cylinder_by_itself() -> None:
    plan = plan_trims(session("sequential"), needs(APART))
    assert trims(plan) != trims(plan_trims(session(), needs(APART)))
    assert trims(plan) == trims(plan_trims(session("sequential", engine=Engine(8)), needs(APART)))
    assert not any(values_of(BalanceNote.SHARED_INJECTOR_DRIVER, flags) for flags in plan.flags)


def test_a_pair_with_an_unknown_need_keeps_its_trim() -> None:
    held = Trims(now_percent=(1.5, 0.0, 0.0, 1.5, 0.0, 0.0, 0.0, 0.0))
    given = (*needs(APART)[:3], NO_ESTIMATE, *needs(APART)[4:])
    plan = plan_trims(session(trims=held), given)
    assert (plan.new[0], plan.new[3]) == (1.5, 1.5)
    assert values_of(BalanceNote.PARTNER_NOT_KNOWN, plan.flags[0]) == [{"cylinders": (4,)}]
    assert values_of(BalanceNote.TRIM_KEPT, plan.flags[3]) == [{}]
    assert not any(values_of(BalanceNote.PARTNER_NOT_KNOWN, flags) for flags in plan.flags[1:])
    neither = plan_trims(session(trims=held), (NO_ESTIMATE, *given[1:]))
    assert not any(values_of(BalanceNote.PARTNER_NOT_KNOWN, flags) for flags in neither.flags)


def test_one_known_pair_is_too_little_to_compare() -> None:
    known = needs(APART)
    given = tuple(known[i] if i in {0, 1, 3} else NO_ESTIMATE for i in range(8))
    plan = plan_trims(session(), given)
    assert values_of(BalanceNote.TOO_FEW_PAIRS, plan.withheld) == [{"known": 1, "pairs": 4}]
    assert np.isnan(plan.new).all()


def test_batch_injection_leaves_nothing_to_trim() -> None:
    plan = plan_trims(session("batch"), needs(APART))
    assert values_of(BalanceNote.ONE_TRIM_FOR_ALL, plan.withheld) == [{"timing": "batch"}]
    assert np.isnan(plan.new).all()
    assert np.array_equal(plan.moves, np.zeros(8))


def test_sensors_after_the_merge_withhold_all_trims() -> None:
    plan = plan_trims(session("sequential", exhaust=Exhaust(after_merge=True)), needs(APART))
    assert [one.code for one in plan.withheld] == [BalanceNote.SENSORS_AFTER_MERGE]
    assert np.isnan(plan.new).all()


@pytest.mark.parametrize(
    ("order", "angles", "strokes", "pairs"),
    [
        ((1, 3, 4, 2), None, 4, ((1, 4), (3, 2))),
        ((1, 4, 2, 5, 3, 6), None, 4, ((1, 5), (4, 3), (2, 6))),
        ((1, 3, 2, 4), (0, 270, 360, 630), 4, ((1, 2), (3, 4))),  # fires unevenly, pairs beside each other
        ((1, 2), (0, 405), 4, ()),  # no cylinder fires a turn after another
        ((1, 2, 3), None, 4, ()),
        ((1, 2), None, 2, ((1, 2),)),  # half a turn apart
        (None, None, 4, ()),
    ],
)
def test_a_pair_fires_half_a_cycle_apart(order, angles, strokes, pairs) -> None:
    count = len(order or (1, 2))
    engine = Engine(count, strokes=strokes, firing_order=order, firing_angles_deg=angles)
    assert injector_pairs(engine) == pairs


def test_cylinders_are_listed_once_each_whatever_shares_a_trim() -> None:
    assert trimmed_together(session()) == PAIRS
    assert trimmed_together(session("batch")) == ((1, 2, 3, 4, 5, 6, 7, 8),)
    assert trimmed_together(session("sequential")) == tuple((c,) for c in range(1, 9))


def test_two_needs_that_are_not_clear_can_be_clear_together() -> None:
    """+1.4 ± 1.6 and nearly the same again is +1.4 ± 1.13; with ± 2.2 it is ± 1.56 and stays where it is."""
    given = [1.4, -5.0, -5.0, 1.45, 5.0, 0.0, 0.0, 5.0]
    clear = plan_trims(session(), needs(given, [0.8, 0.1, 0.1, 0.8, 0.1, 0.1, 0.1, 0.1]))
    assert clear.exact[0] == clear.exact[3] == pytest.approx(1.42, abs=0.1)
    unclear = plan_trims(session(), needs(given, [1.1, 0.1, 0.1, 1.1, 0.1, 0.1, 0.1, 0.1]))
    assert (unclear.exact[0], unclear.exact[3]) == (0.0, 0.0)


def test_two_needs_of_one_sensor_count_once() -> None:
    """One sensor behind both of a pair: +0.9 ± 1.0 is no clearer by being there twice."""
    nodes = tuple(Node(i + 1, pair) for i, pair in enumerate(PAIRS))
    shared = session(chain=Chain("chain", {}, nodes))
    plan = plan_trims(shared, needs([0.9, -2.0, 2.0, -1.0], [0.5, 0.1, 0.1, 0.1]))
    assert plan.new == (0.0, -2.0, -2.0, 0.0, 2.0, -1.0, -1.0, 2.0)
    assert plan.moves == pytest.approx(np.log([1.0, 0.98, 1.02, 0.99]))


def test_a_need_known_without_any_error_weighs_much_and_breaks_nothing() -> None:
    plan = plan_trims(session(), needs(APART, [0.0, 0.1, 0.1, 0.1, 0.1, 0.1, 0.1, 0.1]))
    assert plan.exact[0] == plan.exact[3] == pytest.approx(4.0, abs=0.01)


def seen_by(*cylinders: tuple[int, ...], timing: str = "sequential", **more: object) -> Session:
    nodes = tuple(Node(i, own) for i, own in enumerate(cylinders, 1))
    return session(timing, chain=Chain("chain", {}, nodes), **more)


def test_cylinders_of_one_sensor_change_alike_whatever_they_hold() -> None:
    """By hand: -0.5 and +2 % both go by as much; each by itself, they went to other steps."""
    held = Trims(now_percent=(1.0, -1.5, 2.0, 2.0, 1.0, -1.0, -2.0, 0.5))
    pairs = seen_by((1,), (2, 3), (4,), (5,), (6, 7), (8,), trims=held)
    plan = plan_trims(pairs, needs([-2.32, -2.84, 1.09, -3.92, -1.5, -0.73]))
    changes = np.subtract(plan.new, plan.now)
    assert changes[1] == changes[2] != 0
    assert changes[5] == changes[6] != 0
    assert plan.moves[1] == pytest.approx(np.log1p(changes[1] / (100 + 0.25)), abs=1e-4)


def test_no_cylinder_of_a_sensor_goes_past_a_limit_that_another_has_not_reached() -> None:
    held = Trims(now_percent=(0.0, 9.0, 2.0, 0.0, 0.0, 0.0, 0.0, 0.0))
    plan = plan_trims(seen_by((1,), (2, 3), (4, 5), (6, 7, 8), trims=held), needs([-4.0, 5.0, -1.0, 0.5]))
    assert (plan.new[1], plan.new[2]) == (10.0, 3.0)


def test_drivers_and_sensors_tie_cylinders_together_by_way_of_others() -> None:
    """6 and 7 share a driver, 7 and 8 a sensor, 5 and 8 a driver: the split of 7 and 8 stays as it is."""
    tied = seen_by((1,), (2,), (3,), (4,), (5,), (6,), (7, 8), timing="paired")
    plan = plan_trims(tied, needs([3.0, -2.0, -2.0, 3.0, -4.0, 4.0, 1.0]))
    assert len({plan.new[c - 1] for c in (5, 6, 7, 8)}) == 1
    assert values_of(BalanceNote.SHARED_INJECTOR_DRIVER, plan.flags[6]) == [{"with_cylinders": (6,)}]
    assert values_of(BalanceNote.TIED_BY_SENSORS, plan.flags[6]) == [{"with_cylinders": (5, 6, 8)}]
    assert not values_of(BalanceNote.TIED_BY_SENSORS, plan.flags[0])
    ring = seen_by((1, 2), (3, 5), (4, 6), (7, 8), timing="paired")
    every = plan_trims(ring, needs([1.0, 2.0, -2.0, -1.0]))
    assert [one.code for one in every.withheld] == [BalanceNote.ALL_TIED_TOGETHER]
