"""Patterns over the engine: against scipy, and what is found where something is and where nothing is."""

from __future__ import annotations

import numpy as np
import pytest
from dwells import session
from scipy import stats

from mixmon.findings.causes.notes import PatternCode
from mixmon.findings.causes.patterns import PatternTest, find_patterns
from mixmon.findings.stats import f_tail, incomplete_beta
from mixmon.session.model import Engine, Injection

BANKS = {"A": (1, 2, 3, 4), "B": (5, 6, 7, 8)}
PORTS = ((1, 2), (3, 4), (5, 6), (7, 8))
V_EIGHT = Engine(8, firing_order=(1, 8, 4, 3, 6, 5, 7, 2), banks=BANKS, shared_ports=PORTS)
"""A crank on which cylinders of one bank fire one after another."""

ONE_RAIL = Injection(fuel_rails=((1, 5, 2, 6, 3, 7, 4, 8),))


def found(needs: np.ndarray, engine: Engine = V_EIGHT, injection: Injection = ONE_RAIL):
    one = session(engine.cylinders, engine=engine, injection=injection)
    return {code: test for test in find_patterns(one, needs) for code in test.codes}


def needs_of(rng: np.random.Generator, scatter: float = 0.8) -> np.ndarray:
    return rng.normal(0, scatter, 8)


@pytest.mark.parametrize("degrees", [(1, 6), (3, 4), (1, 2), (7, 60)])
@pytest.mark.parametrize("f", [0.01, 0.9, 2.5, 6.0, 400.0])
def test_the_tail_of_f_is_scipys(f: float, degrees: tuple[int, int]) -> None:
    assert f_tail(f, *degrees) == pytest.approx(stats.f.sf(f, *degrees), rel=1e-9)
    a, b, x = degrees[0] / 2, degrees[1] / 2, f / (f + 1)
    assert incomplete_beta(a, b, x) == pytest.approx(stats.beta.cdf(x, a, b), rel=1e-9)


def test_banks_are_analysis_of_variance_and_slopes_are_regression() -> None:
    needs = needs_of(np.random.default_rng(4))
    tests = found(needs)
    f, p = stats.f_oneway(needs[:4], needs[4:])
    assert (tests[PatternCode.BANK].f, tests[PatternCode.BANK].p) == pytest.approx((f, p))
    assert tests[PatternCode.BANK].effect_percent == pytest.approx(needs[:4].mean() - needs[4:].mean())
    place = np.array([0, 2, 4, 6, 1, 3, 5, 7]) / 7
    line = stats.linregress(place, needs)
    rail = tests[PatternCode.RAIL]
    assert (rail.effect_percent, rail.p) == pytest.approx((line.slope, line.pvalue))
    assert rail.half_percent == pytest.approx(stats.t.ppf(0.975, 6) * line.stderr, rel=1e-4)
    ports = stats.f_oneway(*needs.reshape(4, 2))
    assert tests[PatternCode.PORT].p == pytest.approx(ports.pvalue)


def test_the_interval_of_a_bank_is_that_of_students_t() -> None:
    needs = needs_of(np.random.default_rng(5))
    interval = stats.ttest_ind(needs[:4], needs[4:]).confidence_interval(0.95)
    bank = found(needs)[PatternCode.BANK]
    assert 2 * bank.half_percent == pytest.approx(interval.high - interval.low, rel=1e-4)


def test_holms_adjustment_as_in_its_definition() -> None:
    """The k-th smallest of m times m + 1 - k, never less than one before (Holm 1979, from memory)."""
    tests = list(dict.fromkeys(found(needs_of(np.random.default_rng(2))).values()))
    ps = sorted(one.p for one in tests)
    by_hand = np.minimum(np.maximum.accumulate([p * (len(ps) - k) for k, p in enumerate(ps)]), 1)
    assert sorted(one.p_adjusted for one in tests) == pytest.approx(sorted(by_hand))


def test_false_alarms_of_the_bank_test_and_of_all_patterns_together() -> None:
    """200 engines without a pattern; the study of 1,000 and more is tools/causes_study.py."""
    rng = np.random.default_rng(1)
    runs = [found(needs_of(rng)) for _ in range(200)]
    alone = np.mean([one[PatternCode.BANK].p < 0.05 for one in runs])
    assert stats.binomtest(round(200 * alone), 200, 0.05).pvalue > 0.01
    any_found = sum(any(test.found for test in one.values()) for one in runs)
    assert stats.binomtest(any_found, 200, 0.05, alternative="greater").pvalue > 0.01


def test_a_planted_bank_and_a_planted_rail_are_found() -> None:
    rng = np.random.default_rng(3)
    bank = np.repeat([1.0, -1.0], 4)
    runs = [found(needs_of(rng, 0.3) + bank)[PatternCode.BANK] for _ in range(40)]
    assert all(one.found and abs(one.effect_percent - 2) < 1.2 for one in runs)
    rail = 3 * np.array([0, 2, 4, 6, 1, 3, 5, 7]) / 7
    runs = [found(needs_of(rng, 0.3) + rail)[PatternCode.RAIL] for _ in range(40)]
    assert sum(one.p < 0.01 for one in runs) >= 38


@pytest.mark.parametrize("rails", [((1, 2, 3, 4), (5, 6, 7, 8)), ((4, 3, 2, 1), (8, 7, 6, 5))])
def test_a_rail_fed_at_the_front_or_back_is_one_test_with_two_names(rails) -> None:
    tests = found(needs_of(np.random.default_rng(6)), injection=Injection(fuel_rails=rails))
    assert tests[PatternCode.RAIL].codes == (PatternCode.RAIL, PatternCode.PLACE)
    assert tests[PatternCode.PLACE] is tests[PatternCode.RAIL]


def test_what_an_engine_cannot_show_is_not_tested() -> None:
    flat = Engine(8, firing_order=(1, 5, 3, 7, 4, 8, 2, 6), banks=BANKS)  # banks fire in turn, evenly
    assert PatternCode.PREDECESSOR in found(needs_of(np.random.default_rng(0)))
    even = Engine(4, firing_order=(1, 3, 4, 2))
    tests = found(np.array([1.0, -1.0, 0.5, -0.5]), even, Injection())
    assert set(tests) == {PatternCode.PLACE}
    assert found(np.full(8, np.nan), flat, Injection()) == {}
    with_gaps = needs_of(np.random.default_rng(0))
    with_gaps[[0, 3]] = np.nan
    assert found(with_gaps)[PatternCode.BANK].degrees == (1, 4)


def test_a_cylinder_far_out_hides_a_pattern_rather_than_inventing_one() -> None:
    rng = np.random.default_rng(8)
    weak = np.array([0, 0, 6.0, 0, 0, 0, 0, 0])
    invented = sum(any(t.found for t in found(needs_of(rng, 0.4) + weak).values()) for _ in range(60))
    assert invented <= 5


def test_records_are_plain() -> None:
    one = next(iter(found(needs_of(np.random.default_rng(0))).values()))
    assert isinstance(one, PatternTest)
    assert 0 < one.p <= one.p_adjusted <= 1
