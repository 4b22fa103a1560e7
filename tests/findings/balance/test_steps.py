"""The best set of trims against a trial of every set, and against worked examples from outside."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mixmon.findings.balance.notes import BalanceNote
from mixmon.findings.balance.steps import WantedTrims, best_steps
from mixmon.findings.balance.trims import plan_trims
from mixmon.findings.stats import NO_ESTIMATE, Estimate
from mixmon.session.model import Chain, Engine, Node, Session, Trims

Needs = tuple[Estimate, ...]


def engine_with(rules: Trims, needs: Needs) -> Session:
    count = len(needs)
    nodes = tuple(Node(c, (c,)) for c in range(1, count + 1))
    return replace(Session(Engine(count), Chain("chain", {}, nodes), ()), trims=rules)


def estimate(percent: float, half_percent: float) -> Estimate:
    return Estimate(float(np.log1p(percent / 100)), half_percent / 100, half_percent / 196, 40.0)


# ----------------------------------------------------------------------------------------------------
# A trial of every set.
# ----------------------------------------------------------------------------------------------------


def is_clear(need: Estimate) -> bool:
    return bool(np.isfinite(need.half) and abs(need.mean) > need.half)


def allowed_trims(need: Estimate, now: float, exact: float, rules: Trims) -> list[float]:
    """Every trim from one limit to the other that the rules allow a cylinder by itself, in words' order."""
    step = rules.step_percent
    steps = [k * step for k in range(round(rules.lowest_percent / step) - 1, 99)]
    steps = [t for t in steps if rules.lowest_percent - 1e-9 <= t <= rules.highest_percent + 1e-9]
    if not is_clear(need):
        return [now]
    wanted = (100 + now) * np.exp(need.mean) - 100
    fine = []
    for trim in [now, *steps]:
        against = (trim - now) * need.mean < -1e-9
        beyond = (trim - wanted) * np.sign(need.mean) > step / 2 + 1e-9 and abs(trim - now) > 1e-9
        if not (against or beyond):
            fine.append(trim)
    nearest = min(
        abs(trim - exact) for trim in fine
    )  # farther than 0.75 steps where a limit is off the steps
    return [trim for trim in fine if abs(trim - exact) <= max(0.75 * step, nearest) + 1e-9]


def in_order(trims: tuple[float, ...], needs: Needs, now: tuple[float, ...]) -> bool:
    """Of two clear needs on equal trims the larger gets no smaller change, and equal ones get the same."""
    for i, j in product(range(len(needs)), repeat=2):
        if now[i] == now[j] and is_clear(needs[i]) and is_clear(needs[j]):
            if needs[i].mean > needs[j].mean and trims[i] < trims[j] - 1e-9:
                return False
            if needs[i].mean == needs[j].mean and abs(trims[i] - trims[j]) > 1e-9:
                return False
    return True


def every_set(needs: Needs, now: tuple[float, ...], exact: tuple[float, ...], rules: Trims) -> Iterator:
    each = [allowed_trims(n, t, x, rules) for n, t, x in zip(needs, now, exact, strict=True)]
    return (trims for trims in product(*each) if in_order(trims, needs, now))


def worth(
    trims: tuple[float, ...], needs: Needs, now: tuple[float, ...], exact: tuple[float, ...], step: float
):
    """What makes a set better, the first thing first: smaller is better."""
    lam = np.array([np.exp(n.mean) if np.isfinite(n.half) else 1.0 for n in needs])
    fuel = 1 / (lam * (1 + np.array(now) / 100))
    added = abs(float((fuel / fuel.mean() * (np.array(trims) - now)).sum())) / step
    left = np.array(exact) - trims
    return (
        added > 0.5 + 1e-9,
        round(float(np.ptp(left)) / step, 7),
        round(added, 7),
        sum(abs(t - n) > 1e-9 for t, n in zip(trims, now, strict=True)),
        round(float(np.abs(trims).sum()), 7),
    )


@st.composite
def small_engines(draw: st.DrawFn) -> tuple[Trims, Needs]:
    count = draw(st.integers(2, 6))
    percents = st.floats(-4, 4).map(lambda x: round(x, 2)) | st.sampled_from([0.25, -0.25, 0.3, 0.7])
    halves = st.sampled_from([0.02, 0.3, 1.5])
    needs = [estimate(draw(percents), draw(halves)) for _ in range(count)]
    if count > 2 and draw(st.booleans()):
        needs[draw(st.integers(0, count - 1))] = NO_ESTIMATE
    held = draw(st.lists(st.sampled_from([0.0, 0.5, -1.5, 0.3, 2.0]), min_size=count, max_size=count))
    rules = Trims(
        step_percent=draw(st.sampled_from([0.25, 0.5, 1.0, 2.0])),
        lowest_percent=draw(st.sampled_from([-10.0, -2.2])),
        highest_percent=draw(st.sampled_from([10.0, 2.5])),
        now_percent=tuple(held),
    )
    return rules, tuple(needs)


@settings(max_examples=150)
@given(small_engines())
def test_the_set_is_the_best_of_all_that_keep_the_rules(case: tuple[Trims, Needs]) -> None:
    rules, needs = case
    plan = plan_trims(engine_with(rules, needs), needs)
    if plan.withheld:
        return
    told = (needs, plan.now, plan.exact)
    best = min(worth(trims, *told, rules.step_percent) for trims in every_set(*told, rules))
    assert worth(plan.new, *told, rules.step_percent) == pytest.approx(best, abs=2e-7)
    assert in_order(plan.new, needs, plan.now)
    for need, now, exact, new in zip(needs, plan.now, plan.exact, plan.new, strict=True):
        assert min(abs(new - t) for t in allowed_trims(need, now, exact, rules)) < 1e-9


# ----------------------------------------------------------------------------------------------------
# Outside checks.
# ----------------------------------------------------------------------------------------------------


def wanted(trims: list[float], held: list[float], step: float) -> WantedTrims:
    """Needs without error, all fuel alike."""
    exact, now = np.array(trims), np.array(held)
    beyond = np.where(exact > now, step / 2, -step / 2)
    low, high = np.minimum(now, exact + beyond), np.maximum(now, exact + beyond)
    return WantedTrims(now, np.ones(len(exact)), exact, exact, low, high)


PEOPLE_1791 = {
    "Virginia": (630_560, 21), "Massachusetts": (475_327, 16), "Pennsylvania": (432_879, 14),
    "North Carolina": (353_523, 12), "New York": (331_589, 11), "Maryland": (278_514, 9),
    "Connecticut": (236_841, 8), "South Carolina": (206_236, 7), "New Jersey": (179_570, 6),
    "New Hampshire": (141_822, 5), "Vermont": (85_533, 3), "Georgia": (70_835, 2),
    "Kentucky": (68_705, 2), "Rhode Island": (68_446, 2), "Delaware": (55_540, 2),
}  # fmt: skip
"""People and the seats of Hamilton's bill for a house of 120 (from memory: Balinski & Young, Fair
Representation, 1982; the bill that was vetoed in 1792)."""


def test_the_worked_example_of_the_largest_remainders() -> None:
    """Fifteen quotas of 120 seats, eight each on average: what each has over eight, in steps."""
    people = np.array([one for one, _ in PEOPLE_1791.values()])
    seats = np.array([one for _, one in PEOPLE_1791.values()])
    quotas = 120 * people / people.sum()
    found = best_steps(wanted((0.5 * (quotas - 8)).tolist(), [0.0] * 15, 0.5), 0.5)
    assert (found / 0.5 + 8).tolist() == seats.tolist()
    assert found.sum() == 0.0


def test_largest_remainders_where_the_nearest_steps_would_not_keep_the_total() -> None:
    """By hand: the nearest are 1, 1, 1, -2; the floors 0, 0, 0, -2, and two go to .70 and .65."""
    exact = [0.60, 0.65, 0.70, -1.95]
    assert wanted(exact, [0.0] * 4, 1.0).nearest_steps(1.0).tolist() == [1.0, 1.0, 1.0, -2.0]
    assert best_steps(wanted(exact, [0.0] * 4, 1.0), 1.0).tolist() == [0.0, 1.0, 1.0, -2.0]


def test_eight_trims_rounded_with_the_mean_kept() -> None:
    """Computed for the design: plain rounding gives a mean of 0.25, the wanted trims have 0.3125."""
    exact = [2.559, 0.795, -3.891, 1.199, 2.717, -3.901, 1.840, 1.181]
    held = [0.0, 2.0, -1.5, 0.0, 3.0, 0.0, -2.0, 1.0]
    assert round(sum(exact) - sum(held), 2) == 0
    assert wanted(exact, held, 0.5).nearest_steps(0.5).mean() == 0.25
    assert best_steps(wanted(exact, held, 0.5), 0.5).tolist() == [2.5, 1.0, -4.0, 1.0, 3.0, -4.0, 2.0, 1.0]


# ----------------------------------------------------------------------------------------------------
# Two faults that were seen once, and hard cases.
# ----------------------------------------------------------------------------------------------------


def test_of_sixteen_a_need_of_zero_pays_for_nobody() -> None:
    """Need 0.0 (-0.3 to +0.4): it once was given -0.50, as the others' trims added up to more."""
    sure = [1.3, 1.2, 1.4, -0.9, -0.8, 0.6, 0.7, -1.1, 2.2, -1.8, 0.8, 0.9, -0.7, -1.2, 1.3]
    needs = (*(estimate(p, 0.1) for p in sure), estimate(0.05, 0.35))
    plan = plan_trims(engine_with(Trims(), needs), needs)
    assert plan.new[15] == 0.0
    assert [one.code for one in plan.flags[15]] == [BalanceNote.WITHIN_ERROR_OF_ZERO]


def test_a_small_need_to_add_fuel_never_loses_some() -> None:
    """A clear need of +0.1 once got -0.50."""
    sure = [1.3, 1.2, 1.4, 0.6, 0.7, 2.2, 0.8, 0.9, 1.3, 1.4, 1.2, -1.8, -1.7, -2.0, -1.3]
    needs = (*(estimate(p, 0.05) for p in sure), estimate(0.1, 0.05))
    plan = plan_trims(engine_with(Trims(), needs), needs)
    assert plan.new[15] == 0.0


def test_steps_of_one_percent_move_nothing_for_needs_of_a_third() -> None:
    needs = tuple(estimate(p, 0.05) for p in (0.3, -0.3, 0.25, -0.25, 0.3, -0.3))
    plan = plan_trims(engine_with(Trims(step_percent=1.0), needs), needs)
    assert plan.new == (0.0,) * 6
    for flags in plan.flags:
        assert BalanceNote.LESS_THAN_HALF_A_STEP in {one.code for one in flags}


def test_all_within_error_is_no_change() -> None:
    needs = tuple(estimate(p, 1.0) for p in (0.3, -0.3, 0.9, -0.9))
    plan = plan_trims(engine_with(Trims(now_percent=(0.3, 0.0, -1.2, 2.0)), needs), needs)
    assert plan.new == plan.now == (0.3, 0.0, -1.2, 2.0)
    assert plan.fuel_percent == 0.0


def test_a_set_that_cannot_keep_the_fuel_leaves_the_cylinders_close_together() -> None:
    """+0.3 three times, -0.2 from one: nothing keeps the fuel; what is left then lies within 0.2 of each."""
    needs = (*(estimate(p, 0.05) for p in (2.05, 0.3, 0.3, 0.3)), estimate(-0.1, 0.4))
    plan = plan_trims(engine_with(Trims(), needs), needs)
    assert plan.new == (2.0, 0.5, 0.5, 0.5, 0.0)
    assert BalanceNote.FUEL_LEFT_OVER in {one.code for one in plan.notes}
