"""Numbers stand still long enough to be read, and go at once when they are no longer known."""

from dataclasses import replace

import numpy as np
from dashboard.scenes import NEEDS, cylinders, nothing, snapshot

from mixmon.dashboard.readouts import HOLD_S, RENEW_S, ReadoutHold


def at(*needs, silent=(), **changes):
    now = cylinders(needs, silent=silent)
    lean = int(np.nanargmax(now.vs_target))
    spread = float(np.nanmax(now.vs_target) - np.nanmin(now.vs_target))
    return snapshot(len(needs), cylinders=now, leanest=lean, **{"spread": spread} | changes)


def test_numbers_change_four_times_a_second():
    hold = ReadoutHold()
    shown = [hold.feed(at(float(i), 0.0), i / 10).needs[0] for i in range(20)]
    assert len(dict.fromkeys(shown)) == 7  # at 0, 0.3, 0.6, ... of the ten pictures a second
    assert RENEW_S == 0.25


def test_digits_say_what_the_rows_say_at_every_moment():
    hold, rng = ReadoutHold(), np.random.default_rng(1)
    for i in range(200):
        digits = hold.feed(at(*rng.normal(0, 3, 4).tolist()), i / 13)
        assert digits.need == max(digits.needs) == digits.needs[digits.leanest]
        assert digits.spread == max(digits.needs) - min(digits.needs)
        assert digits.worst_need >= digits.need
        assert digits.worst_spread >= digits.spread


def test_the_worst_stays_for_a_second_and_a_half_beside_the_value_of_now():
    hold = ReadoutHold()
    hold.feed(at(5.0, 0.0), 0.0)
    seen = {t: hold.feed(at(1.0, 2.0), t) for t in (0.5, 1.0, 1.4, 1.75)}
    assert [(d.leanest, d.need, d.spread) for d in seen.values()] == [(1, 2.0, 1.0)] * 4
    assert [(d.worst, d.worst_need) for d in seen.values()] == [(0, 5.0)] * 3 + [(1, 2.0)]
    assert [d.worst_spread for d in seen.values()] == [5.0] * 3 + [1.0]
    assert HOLD_S == 1.5


def test_a_leaner_one_takes_over_at_once():
    hold = ReadoutHold()
    hold.feed(at(5.0, 0.0), 0.0)
    assert hold.feed(at(5.0, 7.0), 0.3).worst == 1


def test_a_held_cylinder_that_falls_silent_is_let_go_within_one_picture():
    hold = ReadoutHold()
    hold.feed(at(5.0, 0.0, 1.0), 0.0)
    digits = hold.feed(at(5.0, 0.0, 1.0, silent=(0,)), 0.1)
    assert (digits.leanest, digits.need, digits.worst, digits.worst_need) == (2, 1.0, 2, 1.0)


def test_nothing_is_held_over_no_data():
    hold = ReadoutHold()
    hold.feed(at(5.0, 0.0), 0.0)
    digits = hold.feed(nothing(2), 0.1)
    assert digits.leanest is digits.worst is None
    unknown = [digits.need, digits.spread, digits.worst_need, digits.worst_spread, *digits.lam]
    assert np.isnan(unknown).all()


def test_needs_are_against_peers_where_no_target_is_known():
    digits = ReadoutHold().feed(at(*NEEDS[:4], target=np.nan), 0.0)
    assert digits.against == "peers"
    assert digits.need == NEEDS[2] + 0.5


def test_a_target_that_comes_back_ends_the_hold_of_another_kind_of_number():
    hold = ReadoutHold()
    hold.feed(at(5.0, 0.0, target=np.nan), 0.0)
    assert hold.feed(replace(at(1.0, 2.0), target=0.87), 0.5).worst_need == 2.0
