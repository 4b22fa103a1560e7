"""Trims against worked numbers, the arithmetic of invented engines, and laws."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mixmon.findings.balance.notes import BalanceNote
from mixmon.findings.balance.trims import base_map_percent, plan_trims
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
