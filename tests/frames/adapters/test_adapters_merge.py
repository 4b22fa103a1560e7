"""Merging buses: in order of time, nothing lost, the order within a bus untouched."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from mixmon.frames.adapters.adapters import Merger
from mixmon.frames.block import FrameBlock, concat

CHANNELS = ("a", "b", "c")


def block(bus: int, stamps: list[int], first: int = 0) -> FrameBlock:
    n = len(stamps)
    zero = np.zeros(n, np.uint8)
    ids = np.arange(first, first + n, dtype=np.uint32)
    return FrameBlock(
        np.array(stamps, np.int64),
        ids,
        np.full(n, bus, np.uint8),
        zero,
        zero,
        zero,
        np.zeros((n, 8), np.uint8),
        CHANNELS,
    )


def test_frames_wait_for_the_bus_that_is_behind() -> None:
    merger = Merger(2, 0)
    merger.add(0, block(0, [10, 20, 30]), 35)
    assert not merger.ready()
    merger.add(1, block(1, [15, 25]), 26)
    assert merger.ready()
    assert merger.release().t.tolist() == [10, 15, 20, 25]
    assert merger.held == 1
    merger.add(1, block(1, []), 40)
    assert merger.release().t.tolist() == [30]


def test_lone_bus_waits_for_nobody() -> None:
    merger = Merger(1, 0)
    merger.add(0, block(0, [10, 20]), 5)
    assert merger.release().t.tolist() == [10, 20]


def test_bus_that_left_holds_nothing_back() -> None:
    merger = Merger(2, 0)
    merger.add(0, block(0, [10]), 10)
    merger.leave(1)
    assert merger.release().t.tolist() == [10]


def test_stamps_that_go_back_stay_behind_their_predecessors() -> None:
    merger = Merger(2, 0)
    merger.add(0, block(0, [10, 40, 20]), 50)
    merger.add(1, block(1, [15, 45]), 50)
    out = merger.release()
    assert out.take(out.bus == 0).t.tolist() == [10, 40, 20]
    assert out.t.tolist() == [10, 15, 40, 20, 45]


deliveries = st.lists(
    st.tuples(st.integers(0, 2), st.lists(st.integers(0, 30), max_size=5), st.booleans()), max_size=25
)


@given(deliveries=deliveries)
def test_nothing_is_lost_and_each_bus_keeps_its_order(
    deliveries: list[tuple[int, list[int], bool]],
) -> None:
    merger, clock, count, out = Merger(3, 0), [0, 0, 0], 0, [block(0, [])]
    for bus, delays, release in deliveries:
        stamps = [clock[bus] + delay for delay in sorted(delays)]
        merger.add(bus, block(bus, stamps, count), max(stamps, default=clock[bus]))
        clock[bus] = max(stamps, default=clock[bus])
        count += len(stamps)
        if release:
            out.append(merger.release())
            assert all(t <= merger.through for t in out[-1].t)
    for bus in range(3):
        merger.leave(bus)
    out.append(merger.release())
    merged = concat(out)
    assert merger.held == 0
    assert len(merged) == count
    assert (np.diff(merged.t) >= 0).all()
    for bus in range(3):
        assert (np.diff(merged.can_id[merged.bus == bus].astype(np.int64)) > 0).all()
