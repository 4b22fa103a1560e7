"""Trims against worked numbers, the arithmetic of invented engines, and laws."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import scipy.stats
from hypothesis import given, settings
from hypothesis import strategies as st

from mixmon.findings.balance.notes import BalanceNote
from mixmon.findings.balance.steps import shrink_to_median
from mixmon.findings.balance.trims import TrimPlan, base_map_percent, plan_trims
from mixmon.findings.stats import NO_ESTIMATE, Estimate
from mixmon.session.model import Chain, Engine, Node, Session, Trims


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


@pytest.mark.parametrize("step", [0.1, 0.2, 0.25, 0.3, 0.5, 0.05])
def test_trims_have_no_more_digits_than_the_step(step: float) -> None:
    digits = len(str(step).partition(".")[2])
    needs = estimates(np.linspace(-4, 4, 16).tolist(), 0.01)
    trims = plan_trims(session(16, Trims(step_percent=step, now_percent=(0.0,) * 16)), needs).new
    assert max(len(str(trim).partition(".")[2]) for trim in trims) <= digits
    assert len(set(trims)) > 8


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
            assert abs(change) <= 0.25  # half a step on every cylinder

    def test_equal_air_taken_for_granted_costs_what_it_costs(self) -> None:
        """The same engines, air not told: the total is off, which is why the assumption is said."""
        engine = InventedEngine(np.random.default_rng(5), 8, air=0.08, held=False)
        wide = Trims(lowest_percent=-30, highest_percent=30)
        exact = np.array(plan_trims(session(8, wide), engine.needs(told=False)).exact)
        assert abs(engine.fuel(exact) / engine.fuel(engine.held) - 1) > 1e-4

    def test_it_stays_where_a_need_is_not_known(self) -> None:
        engine = InventedEngine(np.random.default_rng(6), 8, air=0.05, held=True)
        wide = Trims(now_percent=tuple(engine.held), lowest_percent=-30, highest_percent=30)
        told = session(8, wide, charge_share=tuple(engine.air))
        needs = engine.needs()
        lam = np.exp([need.mean for need in needs[1:]])
        seven = engine.air[1:].sum() / (engine.air[1:] / lam).sum()  # the mean of those that are known
        known = tuple(replace(need, mean=need.mean - float(np.log(seven))) for need in needs[1:])
        plan = plan_trims(told, (NO_ESTIMATE, *known))
        assert plan.exact[0] == engine.held[0]
        assert engine.fuel(np.array(plan.exact)) == pytest.approx(engine.fuel(engine.held), rel=1e-9)

    def test_what_limits_take_no_other_cylinder_pays_for(self) -> None:
        engine = InventedEngine(np.random.default_rng(7), 8, air=0.05, held=False)
        told = session(8, Trims(lowest_percent=-4, highest_percent=5), charge_share=tuple(engine.air))
        needs = engine.needs()
        exact = np.array(plan_trims(told, needs).exact)
        wanted = 100 * np.expm1([need.mean for need in needs])
        assert exact == pytest.approx(np.clip(wanted, -4, 5), abs=1e-4)
        assert {exact.min(), exact.max()} == {-4.0, 5.0}

    def test_the_base_map_takes_back_what_trims_add(self) -> None:
        for added in (-3.0, 0.0, 0.2, 5.0):
            assert (1 + added / 100) * (1 + base_map_percent(added) / 100) == pytest.approx(1, abs=1e-12)


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

    @settings(max_examples=50)
    @given(cases())
    def test_a_larger_need_never_gets_a_smaller_trim(
        self, case: tuple[Session, tuple[Estimate, ...]]
    ) -> None:
        """Of needs that are clear, in an engine whose trims are all the same now."""
        made, needs = case
        plan = plan_trims(replace(made, trims=replace(made.trims, now_percent=None)), needs)
        clear = [abs(need.mean) > need.half for need in needs]
        moved = sorted((n.mean, t) for n, t, told in zip(needs, plan.new, clear, strict=True) if told)
        if not plan.withheld:
            assert (np.diff([trim for _, trim in moved]) >= 0).all()

    @settings(max_examples=50)
    @given(cases())
    def test_rounding_costs_at_most_three_quarters_of_a_step_and_half_a_step_without_a_reason(
        self, case: tuple[Session, tuple[Estimate, ...]]
    ) -> None:
        made, needs = case
        step, rules = made.trims.step_percent, made.trims
        plan = plan_trims(made, needs)
        if plan.withheld:
            return
        off = np.abs(np.array(plan.new) - plan.exact)
        for i, flags in enumerate(plan.flags):
            limit = {rules.lowest_percent, rules.highest_percent} & {plan.exact[i]}
            codes = {one.code for one in flags}
            free = not limit and not float(plan.now[i] / step).is_integer()
            if codes & {BalanceNote.ROUNDED_FOR_TOTAL} or free or limit:
                assert off[i] <= step + 1e-9
            else:
                assert off[i] <= step / 2 + 1e-6

    def test_larger_needs_that_are_less_sure_get_what_smaller_ones_get(self) -> None:
        """Shrinking takes more of +3.2 ± 1.0 than of +3.0 ± 0.1; alone it would reverse the two."""
        needs = [3.2, 3.0, -1.0, -2.0, 1.0, 2.0, -1.4, -1.6, -3.2]
        plan = plan_trims(session(9), estimates(needs, [2.4, *[0.1] * 8]))
        assert plan.exact[0] == plan.exact[1] == pytest.approx(3.0, abs=0.01)

    def test_equal_needs_get_equal_trims_and_the_rest_is_told(self) -> None:
        """Fifteen times +0.3 and once -4.5: the total could only stay if some of the fifteen got nothing."""
        plan = plan_trims(session(16), estimates([*[0.3] * 15, -4.5], 0.1))
        assert plan.new == (*[0.5] * 15, -4.5)
        assert BalanceNote.FUEL_LEFT_OVER in {one.code for one in plan.notes}

    def test_a_trim_that_is_rounded_for_the_total_says_so(self) -> None:
        """Needs from +0.26 to +0.40 by 0.01, and one that takes the fuel: as many go down as must."""
        needs = [0.26 + 0.01 * i for i in range(15)]
        plan = plan_trims(session(16), estimates([*needs, -4.8], 0.05))
        down = [i for i, new in enumerate(plan.new) if new == 0.0]
        assert down == list(range(len(down)))
        assert 0 < len(down) < 12
        assert needs[len(down) - 1] < 0.375
        told = [
            i for i, flags in enumerate(plan.flags) for f in flags if f.code is BalanceNote.ROUNDED_FOR_TOTAL
        ]
        assert told == down
        assert abs(plan.fuel_percent) <= 0.5 / 32 + 1e-9

    def test_small_needs_of_sixteen_pay_for_nothing(self) -> None:
        needs = [2.8, *[-0.19] * 15]
        plan = plan_trims(session(16), estimates(needs, 0.6))
        assert plan.new[0] == 3.0
        assert plan.new[1:] == (0.0,) * 15
        for flags in plan.flags[1:]:
            assert [one.code for one in flags] == [BalanceNote.WITHIN_ERROR_OF_ZERO]

    def test_what_cannot_be_placed_is_fuel_for_the_whole_engine(self) -> None:
        """By hand: 3 % more on one of sixteen, whose base fuel is 1/1.028 of 15/0.9981 + 1/1.028."""
        plan = plan_trims(session(16), estimates([2.8, *[-0.19] * 15], 0.6))
        share = (1 / 1.028) / (15 / 0.9981 + 1 / 1.028)
        (left,) = [dict(one.values) for one in plan.notes if one.code is BalanceNote.FUEL_LEFT_OVER]
        assert left["trims_add_percent"] == pytest.approx(3 * share, abs=1e-6)
        assert left["base_map_percent"] == pytest.approx(-100 * 3 * share / (100 + 3 * share), abs=1e-6)
        assert plan.fuel_percent == left["trims_add_percent"]

    def test_clear_needs_do_not_pay_for_those_that_are_not(self) -> None:
        """Four clear needs that add up to +0.9 with four that are within error: each gets its own trim."""
        needs = [2.6, 2.5, -2.0, -2.2, -0.2, -0.3, -0.2, -0.2]
        plan = plan_trims(session(8), estimates(needs, 0.4))
        assert plan.new == (2.5, 2.5, -2.0, -2.0, 0.0, 0.0, 0.0, 0.0)

    def test_a_need_smaller_than_half_a_step_moves_nothing(self) -> None:
        plan = plan_trims(session(4), estimates([3.0, -2.6, -0.2, -0.2], 0.05))
        assert plan.new[2:] == (0.0, 0.0)
        for flags in plan.flags[2:]:
            assert [one.code for one in flags] == [BalanceNote.LESS_THAN_HALF_A_STEP]

    def test_a_trim_off_the_steps_stays_there_unless_its_need_is_clear(self) -> None:
        held = Trims(now_percent=(0.3, 0.3, 0.0, 0.0))
        plan = plan_trims(session(4, held), estimates([0.1, 2.0, -1.0, -1.1], 0.2))
        assert plan.new[0] == 0.3
        assert plan.new[1] in {2.0, 2.5}


# ----------------------------------------------------------------------------------------------------
# What a plan says about itself.
# ----------------------------------------------------------------------------------------------------


def codes(plan: TrimPlan, cylinder: int) -> set[BalanceNote]:
    return {one.code for one in plan.flags[cylinder - 1]}


def test_moves_and_total_are_counted_from_the_trims_that_are_held() -> None:
    """By hand: fuel burnt at equal air is 1 / lambda; trims multiply what injectors give without."""
    held = np.array([20.0, -10.0, 0.0, 4.0])
    made = session(4, Trims(now_percent=tuple(held), lowest_percent=-30, highest_percent=30))
    percent = np.array([3.0, -2.0, 1.5, -2.5])
    plan = plan_trims(made, estimates(percent.tolist(), 0.01))
    change = (100 + np.array(plan.new)) / (100 + held)
    assert plan.moves == pytest.approx(np.log(change))
    assert change == pytest.approx(1 + percent / 100, abs=0.006)
    burnt = 1 / (1 + percent / 100)
    assert plan.fuel_percent == pytest.approx(100 * ((burnt * change).sum() / burnt.sum() - 1))


def test_what_the_session_does_not_say_is_told_as_assumed() -> None:
    needs = estimates([1.0, -1.0], 0.1)
    assumptions = {BalanceNote.EQUAL_AIR_ASSUMED, BalanceNote.TRIMS_NOW_ASSUMED_ZERO}
    for made, expected in (
        (session(2), assumptions),
        (session(2, charge_share=(1.0, 1.0)), {BalanceNote.TRIMS_NOW_ASSUMED_ZERO}),
        (session(2, Trims(now_percent=(0.0, 0.0))), {BalanceNote.EQUAL_AIR_ASSUMED}),
    ):
        assert {one.code for one in plan_trims(made, needs).notes} & assumptions == expected


def test_one_known_need_is_too_little_to_compare_and_two_are_enough() -> None:
    known = estimates([1.0, -1.0, 2.0], 0.1)
    plan = plan_trims(session(3), (known[0], NO_ESTIMATE, NO_ESTIMATE))
    (reason,) = plan.withheld
    assert (reason.code, dict(reason.values)) == (BalanceNote.TOO_FEW_NEEDS, {"known": 1, "cylinders": 3})
    assert np.isnan([*plan.exact, *plan.new, plan.fuel_percent]).all()
    two = plan_trims(session(3), (*known[:2], NO_ESTIMATE))
    assert two.withheld == ()
    assert two.new == (1.0, -1.0, 0.0)
    assert codes(two, 3) == {BalanceNote.TRIM_KEPT}


def test_the_single_cylinder_has_nobody_to_be_compared_with() -> None:
    plan = plan_trims(session(1), estimates([0.0], 0.1))
    assert [one.code for one in plan.withheld] == [BalanceNote.TOO_FEW_NEEDS]


def test_large_changes_are_told_by_the_change_and_not_by_the_trim() -> None:
    """From -4 to +2 is a change of 6; from +8 to +9 one of 1; a change of just 5 is not above 5."""
    held = (-4.0, 8.0, 0.0, 0.0, 5.0)
    made = session(5, Trims(now_percent=held, ask_above_percent=5.0, highest_percent=20, lowest_percent=-20))
    wanted = np.array([2.0, 9.0, 5.0, -5.5, 5.0])
    needs = estimates((100 * ((100 + wanted) / (100 + np.array(held)) - 1)).tolist(), 0.001)
    plan = plan_trims(made, needs)
    assert plan.new == tuple(wanted)
    large = [BalanceNote.LARGE_TRIM_CHANGE in codes(plan, c) for c in range(1, 6)]
    assert large == [True, False, False, True, False]
    (told,) = (one for one in plan.flags[0] if one.code is BalanceNote.LARGE_TRIM_CHANGE)
    assert dict(told.values) == {"limit_percent": 5.0}


def test_trims_at_either_limit_say_so_and_one_step_before_it_do_not() -> None:
    rules = Trims(lowest_percent=-3.0, highest_percent=4.0, step_percent=0.5)
    plan = plan_trims(session(4, rules), estimates([8.0, -6.0, 3.5, -2.5], 0.01))
    assert plan.new == (4.0, -3.0, 3.5, -2.5)
    at_limit = [BalanceNote.TRIM_AT_LIMIT in codes(plan, c) for c in range(1, 5)]
    assert at_limit == [True, True, False, False]


def test_a_trim_held_at_its_limit_is_at_the_limit_and_not_below_half_a_step() -> None:
    rules = Trims(lowest_percent=-3.0, highest_percent=3.0, now_percent=(3.0, -3.0, 0.0, 0.0))
    plan = plan_trims(session(4, rules), estimates([2.0, -2.0, 1.0, -1.0], 0.01))
    assert plan.new[:2] == (3.0, -3.0)
    assert codes(plan, 1) == codes(plan, 2) == {BalanceNote.TRIM_AT_LIMIT}


def test_trims_held_beyond_the_limits_may_come_back_and_go_no_farther() -> None:
    rules = Trims(lowest_percent=-3.0, highest_percent=3.0, now_percent=(5.0, 5.0, -5.0, -5.0))
    plan = plan_trims(session(4, rules), estimates([1.0, -1.0, 1.0, -1.0], 0.01))
    assert plan.new == (5.0, 4.0, -4.0, -5.0)


# ----------------------------------------------------------------------------------------------------
# Rounding that keeps the total.
# ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("held", [-30.0, 0.0, 40.0])
@pytest.mark.parametrize("sign", [1, -1])
def test_rounding_is_the_smallest_common_shift_that_keeps_the_total(held: float, sign: int) -> None:
    """Against a trial of every shift, by thousandths of a step, and the rules for each trim in words."""
    moved = 0
    for seed in range(12):
        rng = np.random.default_rng(seed)
        percent = sign * np.concatenate([0.25 + 0.3 * rng.random(15), [-5.0]])
        rules = Trims(now_percent=(held,) * 16, lowest_percent=-50, highest_percent=60)
        made, needs = session(16, rules), estimates(percent.tolist(), 0.01)
        plan = plan_trims(made, needs)
        fuel = 1 / (1 + percent / 100)  # of each at equal air and equal trims
        fuel /= fuel.mean()
        bounds = np.array([allowed(made, need, held) for need in needs])
        low, high = np.ceil(bounds[:, 0] / 0.5 - 1e-6), np.floor(bounds[:, 1] / 0.5 + 1e-6)
        for size in range(251):
            kept = []
            for shift in (0.001 * size, -0.001 * size):
                steps = np.clip(np.round(np.array(plan.exact) / 0.5 + shift), low, high) * 0.5
                if abs((fuel * (steps - held)).sum()) <= 0.25:
                    kept.append(tuple(steps))
            if kept:
                assert plan.new in kept
                moved += size > 0
                assert abs(plan.fuel_percent) <= 0.25 / 16 / (1 + held / 100) + 1e-9
                break
    assert moved >= 4


# ----------------------------------------------------------------------------------------------------
# Shrinking.
# ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("n", [4, 5, 8, 16])
@pytest.mark.parametrize("error", [0.1, 0.5, 1.0])
def test_needs_shrink_by_the_share_of_their_errors_at_the_lower_end_of_their_variance(
    n: int, error: float
) -> None:
    """Equal errors: the interval of a variance by scipy's chi square; then Bayes for normal noise."""
    means = 3.0 + scipy.stats.norm.ppf((np.arange(n) + 0.5) / n)
    lower = ((means - means.mean()) ** 2).sum() / scipy.stats.chi2.ppf(0.975, n - 1)
    share = max(lower - error**2, 0.0) / max(lower, error**2)
    shrunk, left = shrink_to_median(means, np.full(n, error))
    assert shrunk == pytest.approx(3.0 + share * (means - 3.0), abs=0.01)
    assert left == pytest.approx(np.full(n, np.sqrt(share)), abs=0.01)


def test_a_need_that_is_less_sure_shrinks_more() -> None:
    means, errors = np.array([-2.0, -1.0, 0.0, 1.0, 2.0]), np.array([0.2, 0.4, 0.6, 0.4, 0.8])
    between = 10.0 / scipy.stats.chi2.ppf(0.975, 4) - np.mean(errors**2)
    shrunk, _ = shrink_to_median(means, errors)
    assert shrunk == pytest.approx(means * between / (between + errors**2), rel=0.01)


def test_a_cylinder_three_deviations_out_stays_where_it_is_and_one_nearer_does_not() -> None:
    """The others lie one apart in the median; their deviation is 1.4826 (normal distribution)."""
    others = np.array([-1.5, -1.0, -1.0, 0.0, 0.0, 1.0, 1.0, 1.5])
    for deviations, stays in ((2.9, False), (3.1, True), (-3.1, True), (-2.9, False)):
        means = np.append(others, deviations * 1.4826)
        shrunk, left = shrink_to_median(means, np.ones(9))
        assert bool(np.isclose(shrunk[-1], means[-1])) is stays
        assert bool(left[-1] == 1.0) is stays
        assert (left[:-1] < 0.9).all()


def test_large_errors_of_their_own_make_no_cylinder_an_outlier() -> None:
    """Where all but one agree by chance, what is far out is measured by the errors."""
    shrunk, _ = shrink_to_median(np.array([0.0, 0.0, 0.0, 0.0, 2.0]), np.ones(5))
    assert shrunk == pytest.approx(np.zeros(5))
