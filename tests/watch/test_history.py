"""The seconds that are kept for pictures: however rows come, and never more than five minutes."""

import numpy as np
from laws import same_for_all_splits

from mixmon.mixture.block import CylinderBlock, SampleState
from mixmon.watch.history import KEPT_SECONDS, SECOND_ROWS, History, HistoryStage, join_rows

N = 3


def rows(count, *, first=0, stretch=0, target=True):
    at = np.arange(first, first + count)
    lam = 0.8 + 0.001 * at[:, None] + 0.01 * np.arange(N)
    shape = (count, N)
    return CylinderBlock(
        t=at * 10_000_000,
        stretch=np.full(count, stretch),
        lam=lam,
        oxygen=lam - 1,
        age=np.zeros(shape, np.int64),
        fresh=np.ones(shape, np.bool_),
        state=np.full(shape, SampleState.VALID, np.uint8),
        shifted={"target": np.full(shape, 0.87)} if target else {},
        now={"rpm": 1000.0 + at} if target else {},
        aux={"supply": np.full((count, N), 13.5)} if target else {},
    )


def fed(*blocks):
    stage = HistoryStage()
    for block in blocks:
        stage.feed(block)
    return stage.history()


def test_the_same_seconds_however_rows_are_cut():
    whole = rows(1234)

    def run(pieces):
        return repr(fed(*(whole.take(piece) for piece in pieces if piece.stop > piece.start)))

    assert same_for_all_splits(1234, run).startswith("History(12 s, ")


def test_a_second_holds_its_rows_and_the_open_one_is_not_shown():
    history = fed(rows(250))
    assert [len(second) for second in history.seconds] == [SECOND_ROWS] * 2
    joined = join_rows(history.seconds)
    assert np.array_equal(joined.t, np.arange(200) * 10_000_000)
    assert np.allclose(joined.lam, rows(200).lam, atol=1e-6)
    assert joined.rpm[-1] == 1199


def test_what_is_kept_is_bounded_and_a_new_stretch_begins_anew():
    long = fed(rows((KEPT_SECONDS + 7) * SECOND_ROWS))
    assert len(long.seconds) == KEPT_SECONDS
    assert long.seconds[0].t[0] == 7_000_000_000
    assert [s.t[0] for s in fed(rows(500), rows(100, first=9000, stretch=1)).seconds] == [90_000_000_000]


def test_a_part_is_found_by_time():
    history = fed(rows(1000))
    assert [s.t[0] // 1_000_000_000 for s in history.between(2_500_000_000, 4_100_000_000)] == [2, 3, 4]
    assert history.between(20_000_000_000, 30_000_000_000) == ()
    assert [s.t[0] // 1_000_000_000 for s in history.latest(2)] == [8, 9]


def test_what_the_engine_does_not_tell_is_not_known():
    second = fed(rows(100, target=False)).seconds[0]
    assert np.isnan(second.target).all()
    assert np.isnan(second.rpm).all()
    assert np.isnan(second.supply).all()


def test_what_is_frozen_does_not_change_with_the_rows_it_came_from():
    block = rows(100)
    history = fed(block)
    before = repr(history)
    block.lam[:] = 9.0
    assert repr(history) == before


def test_nothing_is_known_before_the_first_second():
    assert fed(rows(99)).seconds == History().seconds == ()
