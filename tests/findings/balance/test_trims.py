"""Trims against worked numbers, the arithmetic of invented engines, every other way of rounding, and laws."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mixmon.findings.balance.notes import BalanceNote
from mixmon.findings.balance.trims import (
    TrimPlan,
    base_map_percent,
    best_choices,
    choices_of,
    keep_total,
    plan_trims,
    reference_lambda,
)
from mixmon.findings.stats import NO_ESTIMATE, Estimate
from mixmon.session.model import Chain, Engine, Injection, Node, Session, Trims

# A worked set (computed).
LAM = np.array([0.905, 0.872, 0.861, 0.893, 0.880, 0.848, 0.917, 0.884])
HELD = np.array([0.0, 2.0, -1.5, 0.0, 3.0, 0.0, -2.0, 1.0])
NEUTRAL = [2.559, 0.795, -3.891, 1.199, 2.717, -3.901, 1.840, 1.181]
EVEN = np.full(8, 1 / 8)


def neutral() -> np.ndarray:
    factors = 1 + HELD / 100
    return factors * LAM / reference_lambda(LAM, factors, EVEN)


def rounded(percent: np.ndarray, step: float, fuel: np.ndarray | None = None) -> np.ndarray:
    """The percent in whole steps within ±10 %."""
    choices = [choices_of(value, step, -10, 10) for value in percent]
    return best_choices(choices, percent, np.ones(len(percent)) if fuel is None else fuel, step)


class TestArithmetic:
    def test_a_trim_composes_with_what_the_ecu_holds(self) -> None:
        # +5 % held, 0.906 read where 0.88 is wanted: +8.1023 %, not +7.9545 % as adding would give
        held, lam, target = np.array([1.05]), np.array([0.906]), 0.88
        total = 1.05 * 0.906 / 0.88
        new = keep_total(held * lam / target, np.ones(1), np.zeros(1), np.full(1, 2.0), total)
        assert new is not None
        assert (new - 1) * 100 == pytest.approx([8.1023], abs=1e-4)

    def test_reference_is_the_fuel_weighted_mean(self) -> None:
        assert reference_lambda(LAM, 1 + HELD / 100, EVEN) == pytest.approx(0.882421, abs=1e-6)

    def test_neutral_trims_of_the_worked_set(self) -> None:
        new = neutral()
        assert (new - 1) * 100 == pytest.approx(NEUTRAL, abs=1e-3)
        assert new.mean() == pytest.approx(1.003125, abs=1e-12)

    def test_what_a_limited_cylinder_may_not_take_is_shared_by_the_rest(self) -> None:
        kept = keep_total(neutral(), EVEN, np.full(8, 0.97), np.full(8, 1.03), 1.003125)
        assert kept is not None
        expected = [2.258, 0.500, -3.0, 0.902, 2.416, -3.0, 1.541, 0.884]
        assert (kept - 1) * 100 == pytest.approx(expected, abs=1e-3)
        assert kept.mean() == pytest.approx(1.003125, abs=1e-12)

    def test_limits_that_leave_no_room_give_nothing(self) -> None:
        assert keep_total(np.ones(3), np.full(3, 1 / 3), np.full(3, 0.9), np.full(3, 0.95), 1.0) is None

    def test_rounding_to_half_percent_keeps_the_mean_of_the_worked_set(self) -> None:
        found = rounded(100 * (neutral() - 1), 0.5)
        assert found.tolist() == [2.5, 1.0, -4.0, 1.0, 3.0, -4.0, 2.0, 1.0]
        assert found.mean() == 0.3125

    @pytest.mark.parametrize(
        ("percent", "step", "expected"),
        [
            ([-10.0, 5.0, 5.0], 6.0, [-6.0, 0.0, 6.0]),
            ([10.0, -5.0, -5.0], 6.0, [6.0, -6.0, 0.0]),
            ([-10.0, 5.73, 2.55, 2.18], 3.0, [-9.0, 6.0, 3.0, 0.0]),
        ],
        ids=["lower limit no multiple of the step", "upper limit", "worked by hand"],
    )
    def test_limits_that_are_no_multiple_of_the_step_do_not_cost_the_mean(
        self, percent: list[float], step: float, expected: list[float]
    ) -> None:
        assert rounded(np.array(percent), step).tolist() == expected

    @given(
        st.lists(st.floats(-0.08, 0.08), min_size=2, max_size=16),
        st.floats(-0.02, 0.02),
        st.sampled_from([0.1, 0.25, 0.5, 1.0]),
    )
    def test_total_fuel_is_kept_before_and_after_rounding(
        self, needs: list[float], level: float, step: float
    ) -> None:
        n = len(needs)
        held, lam = np.full(n, 1 + level), np.exp(needs)
        fuel = 1 / (lam * held)
        wanted = held * lam / reference_lambda(lam, held, fuel)
        exact = keep_total(wanted, fuel, np.full(n, 0.9), np.full(n, 1.1), float((fuel * held).sum()))
        assert exact is not None
        assert (fuel * exact).sum() == pytest.approx((fuel * held).sum(), abs=1e-12)
        percent = 100 * (exact - 1)
        found = rounded(percent, step, fuel)
        assert np.abs(found - percent).max() < step + 1e-9
        assert abs(float((fuel * (found - percent)).sum() / fuel.sum())) <= step / (2 * n) + 1e-9

    def test_the_base_map_takes_back_what_trims_add(self) -> None:
        for added in (-3.0, 0.0, 0.2, 5.0):
            assert (1 + added / 100) * (1 + base_map_percent(added) / 100) == pytest.approx(1, abs=1e-12)


def session(n: int, trims: Trims | None = None, **engine: object) -> Session:
    nodes = tuple(Node(c, (c,)) for c in range(1, n + 1))
    made = Session(Engine(n, **engine), Chain("chain", {}, nodes), ())  # type: ignore[arg-type]
    return replace(made, trims=trims or Trims())


def estimates(percent: list[float], half: float | list[float]) -> tuple[Estimate, ...]:
    """Needs in percent with these half-widths."""
    halves = [half] * len(percent) if isinstance(half, float) else half
    return tuple(
        Estimate(float(np.log1p(p / 100)), h / 100, h / 200, 40.0)
        for p, h in zip(percent, halves, strict=True)
    )


class InventedEngine:
    """Injectors, air and trims as they are; lambda follows by arithmetic. float64[n] each."""

    def __init__(self, rng: np.random.Generator, n: int, *, air: float, held: bool) -> None:
        self.injector = rng.uniform(0.92, 1.08, n)
        self.injector[:2] = 0.92, 1.08
        self.air = 1 + air * rng.uniform(-1, 1, n)
        self.held = np.round(rng.uniform(-2, 2, n) * 2) / 2 if held else np.zeros(n)

    def fuel(self, trims: np.ndarray) -> float:
        return float((self.injector * (1 + trims / 100)).sum())

    def needs(self, *, told: bool = True) -> tuple[Estimate, ...]:
        """Lambda of each over that of the engine, all air over all fuel, without error."""
        lam = self.air / (self.injector * (1 + self.held / 100))
        engine = self.air.sum() / self.fuel(self.held) if told else len(lam) / (1 / lam).sum()
        return tuple(Estimate(float(x), 1e-9, 5e-10, 1e6) for x in np.log(lam / engine))


SIZES = [2, 3, 4, 6, 8, 12, 16]


class TestTotalFuel:
    @pytest.mark.parametrize("n", SIZES)
    @pytest.mark.parametrize("air", [0.0, 0.08], ids=["equal air", "unequal air, told"])
    def test_unrounded_trims_leave_it_as_it_is(self, n: int, air: float) -> None:
        for seed in range(8):
            engine = InventedEngine(np.random.default_rng([n, seed]), n, air=air, held=seed % 2 == 0)
            limits = Trims(now_percent=tuple(engine.held), lowest_percent=-30, highest_percent=30)
            told = session(n, limits, charge_share=tuple(engine.air) if air else None)
            plan = plan_trims(told, engine.needs())
            exact = np.array(plan.exact)
            assert engine.fuel(exact) == pytest.approx(engine.fuel(engine.held), rel=1e-9)
            lam = engine.air / (engine.injector * (1 + exact / 100))
            assert np.ptp(lam) / lam.mean() < 1e-6
            change = 100 * (engine.fuel(np.array(plan.new)) / engine.fuel(engine.held) - 1)
            assert plan.fuel_percent == pytest.approx(change, abs=1e-6)
            assert abs(change) <= 0.25 / n * 1.2  # half a step of one cylinder, for the largest injector

    def test_equal_air_taken_for_granted_costs_what_it_costs(self) -> None:
        """The same engines, air not told: the total is off, which is why the assumption is said."""
        engine = InventedEngine(np.random.default_rng(5), 8, air=0.08, held=False)
        wide = Trims(lowest_percent=-30, highest_percent=30)
        exact = np.array(plan_trims(session(8, wide), engine.needs(told=False)).exact)
        assert abs(engine.fuel(exact) / engine.fuel(engine.held) - 1) > 1e-4

    def test_it_stays_where_a_need_is_not_known(self) -> None:
        engine = InventedEngine(np.random.default_rng(6), 8, air=0.05, held=True)
        told = session(8, Trims(now_percent=tuple(engine.held)), charge_share=tuple(engine.air))
        needs = engine.needs()
        lam = np.exp([need.mean for need in needs[1:]])
        seven = engine.air[1:].sum() / (engine.air[1:] / lam).sum()  # the mean of those that are known
        known = tuple(replace(need, mean=need.mean - float(np.log(seven))) for need in needs[1:])
        plan = plan_trims(told, (NO_ESTIMATE, *known))
        assert plan.exact[0] == engine.held[0]
        assert engine.fuel(np.array(plan.exact)) == pytest.approx(engine.fuel(engine.held), rel=1e-9)

    def test_it_stays_where_limits_are_in_the_way(self) -> None:
        engine = InventedEngine(np.random.default_rng(7), 8, air=0.05, held=False)
        told = session(8, Trims(lowest_percent=-4, highest_percent=5), charge_share=tuple(engine.air))
        exact = np.array(plan_trims(told, engine.needs()).exact)
        assert exact.max() == pytest.approx(5)
        assert exact.min() >= -4
        assert engine.fuel(exact) == pytest.approx(engine.fuel(engine.held), rel=1e-9)

    def test_it_stays_where_two_cylinders_share_a_driver(self) -> None:
        engine = InventedEngine(np.random.default_rng(8), 8, air=0.05, held=False)
        told = session(
            8,
            Trims(lowest_percent=-30, highest_percent=30),
            charge_share=tuple(engine.air),
            firing_order=(1, 5, 3, 7, 4, 8, 2, 6),
        )
        plan = plan_trims(replace(told, injection=Injection("paired")), engine.needs())
        assert engine.fuel(np.array(plan.exact)) == pytest.approx(engine.fuel(engine.held), rel=1e-9)
        assert plan.exact[0] == plan.exact[3]


percents = st.floats(-6, 6).map(lambda x: round(x, 3))


@st.composite
def cases(draw: st.DrawFn, most: int = 16) -> tuple[Session, tuple[Estimate, ...]]:
    """Engines with needs that add up to anything, trims in place on and off whole steps, narrow limits."""
    n = draw(st.integers(2, most))
    needs = draw(st.lists(percents, min_size=n, max_size=n))
    halves = draw(st.lists(st.sampled_from([0.05, 0.3, 1.5]), min_size=n, max_size=n))
    held = draw(st.lists(st.sampled_from([0.0, 0.5, -1.5, 0.3, 2.0]), min_size=n, max_size=n))
    trims = Trims(
        step_percent=draw(st.sampled_from([0.1, 0.5, 1.0, 2.0])),
        lowest_percent=draw(st.sampled_from([-10.0, -2.2])),
        highest_percent=draw(st.sampled_from([10.0, 2.5])),
        now_percent=tuple(held),
    )
    given_needs = list(estimates(needs, halves))
    if n > 3 and draw(st.booleans()):
        given_needs[draw(st.integers(0, n - 1))] = NO_ESTIMATE
    return session(n, trims), tuple(given_needs)


def allowed(made: Session, need: Estimate, now: float) -> tuple[float, float]:
    """Lowest and highest trim of a cylinder by the rules, percent."""
    step = made.trims.step_percent
    if not np.isfinite(need.half) or abs(need.mean) <= need.half:
        return now, now
    wanted = 100 * ((1 + now / 100) * np.exp(need.mean) - 1)
    low, high = (now, wanted + step / 2) if wanted > now else (wanted - step / 2, now)
    return max(low, made.trims.lowest_percent), min(high, made.trims.highest_percent)


def by_trying_all(made: Session, needs: tuple[Estimate, ...], plan: TrimPlan) -> tuple[float, float]:
    """The best way of rounding by the rules: how far the fuel is out, and the sum of squares."""
    step, now, exact = made.trims.step_percent, np.array(plan.now), np.array(plan.exact)
    lam = np.exp([0.0 if np.isnan(need.mean) else need.mean for need in needs])
    fuel = 1 / (lam * (1 + now / 100))
    offered = []
    for need, held, value in zip(needs, now, exact, strict=True):
        low, high = allowed(made, need, held)
        whole = np.arange(-200, 201) * step
        fits = whole[(whole >= low - 1e-9) & (whole <= high + 1e-9) & (np.abs(whole - value) < step - 1e-9)]
        offered.append(fits.tolist() if len(fits) and low < high else [held])
    ways = []
    for way in itertools.product(*offered):
        moved = np.array(way) - exact
        out = abs(float((fuel * moved).sum() / fuel.mean()))
        ways.append((round(max(out - step / 2, 0.0), 7), round(float((moved**2).sum()), 7)))
    return min(ways)


class TestNoTrimAgainstItsNeed:
    @settings(max_examples=60)
    @given(cases())
    def test_every_trim_obeys_the_rules(self, case: tuple[Session, tuple[Estimate, ...]]) -> None:
        made, needs = case
        plan = plan_trims(made, needs)
        if plan.withheld:
            return
        step = made.trims.step_percent
        for need, now, new in zip(needs, plan.now, plan.new, strict=True):
            low, high = allowed(made, need, now)
            assert low - 1e-9 <= new <= high + 1e-9
            if low == high:
                assert new == now
            assert new == now or abs(new / step - round(new / step)) < 1e-9
            assert (new - now) * (0.0 if np.isnan(need.mean) else need.mean) >= 0

    @settings(max_examples=60)
    @given(cases(most=6))
    def test_no_other_way_of_rounding_is_better(self, case: tuple[Session, tuple[Estimate, ...]]) -> None:
        made, needs = case
        plan = plan_trims(made, needs)
        if plan.withheld:
            return
        lam = np.exp([0.0 if np.isnan(need.mean) else need.mean for need in needs])
        fuel = 1 / (lam * (1 + np.array(plan.now) / 100))
        moved = np.array(plan.new) - np.array(plan.exact)
        out = abs(float((fuel * moved).sum() / fuel.mean()))
        found = (max(out - made.trims.step_percent / 2, 0.0), float((moved**2).sum()))
        assert found == pytest.approx(by_trying_all(made, needs, plan), abs=2e-7)

    def test_small_needs_of_sixteen_pay_for_nothing(self) -> None:
        needs = [2.8, *[-0.19] * 15]
        plan = plan_trims(session(16), estimates(needs, 0.6))
        assert plan.new[0] == 3.0
        assert plan.new[1:] == (0.0,) * 15

    def test_what_cannot_be_placed_is_fuel_for_the_whole_engine(self) -> None:
        """By hand: 3 % more on one of sixteen, whose base fuel is 1/1.028 of 15/0.9981 + 1/1.028."""
        plan = plan_trims(session(16), estimates([2.8, *[-0.19] * 15], 0.6))
        share = (1 / 1.028) / (15 / 0.9981 + 1 / 1.028)
        (left,) = [dict(one.values) for one in plan.notes if one.code is BalanceNote.FUEL_LEFT_OVER]
        assert left["trims_add_percent"] == pytest.approx(3 * share, abs=1e-6)
        assert left["base_map_percent"] == pytest.approx(-100 * 3 * share / (100 + 3 * share), abs=1e-6)
        assert plan.fuel_percent == left["trims_add_percent"]

    def test_what_can_be_placed_within_the_intervals_is(self) -> None:
        """Four clear needs that add up to +0.9 with four that are within error: the total stays."""
        needs = [2.6, 2.5, -2.0, -2.2, -0.2, -0.3, -0.2, -0.2]
        plan = plan_trims(session(8), estimates(needs, 0.4))
        assert plan.new[4:] == (0.0,) * 4
        burnt = 1 / (1 + np.array(needs) / 100)
        assert (burnt * plan.exact).sum() == pytest.approx(0, abs=1e-9)
        assert not [one for one in plan.notes if one.code is BalanceNote.FUEL_LEFT_OVER]

    def test_a_need_smaller_than_half_a_step_moves_nothing(self) -> None:
        plan = plan_trims(session(4), estimates([3.0, -2.6, -0.2, -0.2], 0.05))
        assert plan.new[2:] == (0.0, 0.0)

    def test_a_trim_off_the_steps_stays_there_unless_its_need_is_clear(self) -> None:
        held = Trims(now_percent=(0.3, 0.3, 0.0, 0.0))
        plan = plan_trims(session(4, held), estimates([0.1, 2.0, -1.0, -1.1], 0.2))
        assert plan.new[0] == 0.3
        assert plan.new[1] in {2.0, 2.5}
