"""Did the trims take, on moves whose cause is planted."""

from __future__ import annotations

import numpy as np
import pytest

from mixmon.findings.proof.effect import Effect, Moves, judge_effect
from mixmon.findings.proof.notes import EffectVerdict

TRIMS = np.array([0.0, -1.5, 6.0, -1.0, 4.0, -3.0, 0.0, -4.5])
"""Percent, much as for the demo engine."""


def judged(
    slopes: np.ndarray | float,
    seed: int = 0,
    trims: np.ndarray = TRIMS,
    noise: float = 0.15,
    shown: np.ndarray | None = None,
) -> Effect:
    """Moves against the mean of the cylinders; `shown` are the trims that they answer."""
    rng = np.random.default_rng(seed)
    entered = np.log1p(trims / 100)
    moved = slopes * (entered if shown is None else np.log1p(shown / 100))
    moved = moved - moved.mean() + noise / 100 * rng.standard_normal(len(trims))
    moves = Moves(moved, np.full(len(trims), noise / 100), entered)
    return judge_effect(moves, [np.arange(len(trims))], [False])


def verdicts(found: Effect) -> dict[int, EffectVerdict]:
    return {one.node: one.verdict.code for one in found.nodes}


WHOLE = {
    1.0: EffectVerdict.TAKEN,
    0.5: EffectVerdict.HALF,
    0.0: EffectVerdict.NOT_SAVED,
    -1.0: EffectVerdict.REVERSED,
}


@pytest.mark.parametrize("slope", WHOLE)
def test_all_alike(slope):
    """Large trims are judged; small ones too, or they are left open, and never wrong."""
    found = [verdicts(judged(slope, seed)) for seed in range(40)]
    assert sum(said[i] is WHOLE[slope] for said in found for i in (2, 7)) >= 76
    assert {v for said in found for v in said.values()} <= {WHOLE[slope], EffectVerdict.NOT_KNOWN}
    assert set(found[0]) == {1, 2, 3, 4, 5, 7}  # only what was entered


def test_slope_of_all():
    hits = 0
    for seed in range(200):
        found = judged(0.8, seed)
        hits += abs(found.slope - 0.8) <= found.half
    assert hits >= 186


def test_slope_of_all_where_each_trim_acts_a_little_otherwise():
    """Their mean is known no better than they agree, and few of them do not tell how well that is."""
    hits = 0
    for seed in range(100):
        slopes = 1 + 0.1 * np.random.default_rng([1, seed]).standard_normal(8)
        found = judged(slopes, seed, noise=0.1)
        hits += abs(found.slope - 1) <= found.half
    assert hits >= 90  # of 95 expected; with the scatter of the readings alone 72


@pytest.mark.parametrize("slope", [0.5, 0.0, -1.0])
def test_one_cylinder_that_did_otherwise(slope):
    slopes = np.ones(8)
    slopes[4] = slope
    for seed in range(20):
        said = verdicts(judged(slopes, seed))
        assert said[4] is WHOLE[slope]
        assert said[2] is said[7] is EffectVerdict.TAKEN


@pytest.mark.parametrize("pair", [(2, 7), (4, 6), (2, 4)])
def test_exchanged_cylinders(pair):
    shown = TRIMS.copy()
    shown[list(pair)] = shown[list(reversed(pair))]
    for seed in range(20):
        found = judged(1.0, seed, shown=shown, noise=0.1)
        told = {one.node: (one.verdict.code, one.appears_at) for one in found.nodes}
        first, second = pair
        assert told[first] == (EffectVerdict.WRONG_CYLINDER, second)
        assert told[second] == (EffectVerdict.WRONG_CYLINDER, first)
        assert [c for c, (code, _) in told.items() if code is EffectVerdict.WRONG_CYLINDER] == sorted(pair)


ORDERS = {
    "ring": ([0, 1, 4, 3, 5, 2, 6, 7], {2, 4, 5}),
    "injector-output order": ([0, 4, 2, 6, 3, 7, 1, 5], {1, 3, 4, 5, 6, 7}),
    "one row too low": ([7, 0, 1, 2, 3, 4, 5, 6], set(range(8))),
}
"""Whose entry each cylinder shows, and which cylinders do not show their own."""


@pytest.mark.parametrize("order", ORDERS)
def test_entries_in_another_order(order):
    """What is said is right: where an entry appears, or that it is not known; never reversed or not saved."""
    shows, moved = ORDERS[order]
    trims = np.array([0.0, -3.0, 4.0, 0.0, 5.0, -2.5, 0.0, 2.0])
    found_at = 0
    for seed in range(20):
        found = judged(1.0, seed, trims=trims, shown=trims[shows])
        for one in found.nodes:
            if one.node not in moved:
                assert one.verdict.code in {EffectVerdict.TAKEN, EffectVerdict.NOT_KNOWN}
            elif one.verdict.code is EffectVerdict.WRONG_CYLINDER:
                assert trims[shows[one.appears_at]] == trims[one.node]
                found_at += 1
            else:
                assert one.verdict.code is EffectVerdict.NOT_KNOWN
    assert found_at >= 20


def test_trims_that_count_twice():
    for seed in range(20):
        said = verdicts(judged(2.0, seed))
        assert said[2] is said[4] is said[7] is EffectVerdict.OVERSHOT
        assert set(said.values()) <= {EffectVerdict.OVERSHOT, EffectVerdict.NOT_KNOWN}


def test_exchanged_trims_that_are_nearly_opposite_look_reversed_too():
    """The data leave open which it is, and so does the verdict."""
    trims = np.array([0.0, 4.0, -4.2, 0.0, 3.0, -5.0, 0.0, 0.0])
    shown = trims[[0, 2, 1, 3, 4, 5, 6, 7]]
    for seed in range(10):
        said = verdicts(judged(1.0, seed, trims=trims, shown=shown))
        assert said[1] is said[2] is EffectVerdict.NOT_KNOWN
        assert said[5] is EffectVerdict.TAKEN


def test_trims_that_were_all_changed_alike_show_nothing():
    found = judged(1.0, trims=np.full(8, 4.0))
    assert set(verdicts(found).values()) == {EffectVerdict.NOT_KNOWN}
    assert np.isnan(found.slope)


def test_trims_too_small_for_the_noise():
    found = judged(1.0, noise=2.0)
    assert set(verdicts(found).values()) == {EffectVerdict.NOT_KNOWN}


def test_a_cylinder_that_is_not_known():
    entered = np.log1p(TRIMS / 100)
    moved = entered - entered.mean()
    moved[2] = np.nan
    found = judge_effect(Moves(moved, np.full(8, 1e-3), entered), [np.arange(8)], [False])
    said = verdicts(found)
    assert said[2] is EffectVerdict.NOT_KNOWN
    assert said[7] is EffectVerdict.TAKEN


def test_a_loop_that_holds_the_mean_of_each_bank():
    """Trims moved the banks apart; the loops took that back, so that slopes over all would be wrong."""
    trims = np.array([6.0, 2.0, 4.0, 8.0, -6.0, -2.0, -4.0, 0.0])
    entered = np.log1p(trims / 100)
    banks = [np.arange(4), np.arange(4, 8)]
    moved = entered.copy()
    for bank in banks:
        moved[bank] -= moved[bank].mean()
    found = judge_effect(Moves(moved, np.full(8, 1e-3), entered), banks, [True, True])
    assert set(verdicts(found).values()) <= {EffectVerdict.CLOSED_LOOP, EffectVerdict.NOT_KNOWN}
    assert sum(v is EffectVerdict.CLOSED_LOOP for v in verdicts(found).values()) >= 4
