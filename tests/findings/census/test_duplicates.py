"""Duplicate nodes: two senders of one message, simulated with clocks and counters of their own."""

import numpy as np
import pytest

from mixmon.findings.census.duplicates import DuplicateWatch

CYCLE = 10_000_000
RNG = np.random.default_rng


def sender(seconds, *, phase=0.0, drift=0.0, level=1000, seed=0, cycle=CYCLE, first=0):
    """Stamps, counters and readings of one node; jitter 0.2 ms, reading noise 10 raw steps."""
    rng = RNG(seed)
    n = int(seconds * 1e9 / cycle)
    t = (np.arange(n) + phase) * cycle * (1 + drift) + rng.normal(0, 2e5, n)
    return t.astype(np.int64), (np.arange(n) + first) % 16, (level + rng.normal(0, 10, n)).astype(np.int64)


def together(*senders):
    t, counter, value = (np.concatenate(columns) for columns in zip(*senders, strict=True))
    order = np.argsort(t, kind="stable")
    return t[order], counter[order], value[order]


def watch(columns, *, cycle=CYCLE, modulus=16, cuts=()):
    duplicate = DuplicateWatch(cycle, modulus)
    for piece in zip(*(np.split(c, cuts) for c in columns), strict=True):
        duplicate.feed(*piece)
    return duplicate


DUPLICATE = together(sender(10), sender(10, phase=0.3, drift=2e-5, level=1400, seed=1, first=7))


def test_two_nodes_with_one_identifier_show_all_three_signs_within_ten_seconds():
    signs = watch(DUPLICATE).verdict()
    assert signs.signs == 3
    assert signs.turns > 0.95
    assert signs.value_ratio < 0.1
    assert signs.comb_ratio < 0.2


def test_it_takes_no_more_than_two_seconds():
    assert watch([c[:400] for c in DUPLICATE]).verdict() is not None


@pytest.mark.parametrize(
    "duplicate",
    [
        pytest.param(together(sender(10), sender(10, phase=0.3, seed=1, first=7)), id="the same reading"),
        pytest.param(
            together(sender(10), sender(10, phase=0.5, level=1400, seed=1)), id="exactly opposite in phase"
        ),
        pytest.param(
            together(sender(10), sender(10, phase=0.3, level=1400, seed=1, first=1)), id="counters in step"
        ),
    ],
)
def test_two_nodes_are_found_though_one_sign_is_missing(duplicate):
    assert watch(duplicate).verdict() is not None


def test_a_duplicate_that_is_fitted_late_is_not_diluted_by_the_hour_before():
    t, counter, value = sender(5, phase=0.3, level=1400, seed=1)
    late = together(sender(600), (t + 595 * 10**9, counter, value))
    signs = watch(late).verdict()
    assert signs.since == pytest.approx(595e9, abs=0.2e9)
    assert signs.turns > 0.9


def test_without_cycle_time_and_counter_the_combs_and_the_values_prove_it():
    assert watch(DUPLICATE, cycle=None, modulus=None).verdict().signs == 2
    assert watch(sender(10), cycle=None, modulus=None).verdict() is None


def bunched(columns, every):
    """Stamps as a polled adapter gives them: all frames of one poll at once."""
    t, counter, value = columns
    return -(-t // every) * every, counter, value


def alternating(columns, by):
    """Stamps of which every second one is late, as a coarse timer makes them."""
    t, counter, value = columns
    return np.arange(len(t)) * (CYCLE // 2) + np.arange(len(t)) % 2 * by, counter, value


def echoed(columns):
    """Every frame again 0.3 ms later."""
    t, counter, value = columns
    return together(columns, (t + 300_000, counter, value))


INNOCENT = [
    pytest.param(alternating(sender(60, cycle=CYCLE // 2), 200_000), id="twice the rate on a coarse timer"),
    pytest.param(echoed(sender(60)), id="one node, logged twice"),
    pytest.param(sender(60), id="one node"),
    pytest.param(sender(60, cycle=CYCLE // 2), id="one node at twice the rate that the definitions promise"),
    pytest.param(
        bunched(sender(60, cycle=CYCLE // 4), 1_000_000), id="four times the rate on a 1 ms grid of stamps"
    ),
    pytest.param(bunched(sender(60), 16_000_000), id="an adapter that bunches in 16 ms"),
    pytest.param(bunched(sender(60), 1_000_000_000), id="an adapter that stalls a second at a time"),
    pytest.param(sender(60, level=0), id="a reading around zero"),
]


@pytest.mark.parametrize("columns", INNOCENT)
def test_one_node_is_not_taken_for_two(columns):
    assert watch(columns).verdict() is None


def test_an_echo_is_not_taken_for_a_duplicate_whose_counter_runs_in_step():
    assert watch(echoed(sender(10))).echoed
    duplicate = watch(together(sender(10), sender(10, phase=0.3, level=1400, seed=1)))
    assert not duplicate.echoed
    assert duplicate.verdict() is not None


def test_cuts_do_not_matter():
    whole = watch(DUPLICATE).signs()
    assert watch(DUPLICATE, cuts=range(1, 60)).signs() == whole
    assert watch(DUPLICATE, cuts=sorted(RNG(3).integers(0, 2000, 30))).signs() == whole
