"""Where time breaks, and how long it ran."""

import numpy as np
from laws import same_for_all_splits

from mixmon.findings.census.traffic import StretchCutter
from mixmon.frames.block import FrameBlock
from mixmon.frames.clock import Jump

S = 1_000_000_000


def block(t):
    n = len(t)
    zero = np.zeros(n, np.uint8)
    return FrameBlock(
        np.asarray(t, np.int64),
        np.zeros(n, np.uint32),
        zero,
        zero,
        zero,
        zero,
        np.zeros((n, 8), np.uint8),
        ("can0",),
    )


def played(t, pieces):
    timeline, breaks = StretchCutter(), []
    for piece in pieces:
        breaks += [part for part in timeline.cut(block(t[piece])) if isinstance(part, Jump)]
    return breaks, timeline.duration_ns, timeline.first, timeline.newest, timeline.breaks, timeline.backward


T = np.concatenate(
    [
        np.arange(0, 3 * S, S // 10),  # runs to 2.9 s
        np.arange(100 * S, 102 * S, S // 10),  # ahead by 97 s: runs to 101.9 s
        np.arange(5 * S, 6 * S, S // 10)
        - (np.arange(10) == 4) * S // 2,  # back by 97 s; one stamp half a second early
    ]
)


def test_jumps_end_a_stretch_and_small_steps_do_not():
    breaks, duration, first, newest, count, backward = same_for_all_splits(len(T), lambda p: played(T, p))
    assert breaks == [Jump(29 * S // 10, 100 * S), Jump(1019 * S // 10, 5 * S)]
    assert duration == (29 + 19 + 9) * S // 10
    assert (first, newest, count, backward) == (0, 59 * S // 10, 2, 1)


def test_ten_seconds_of_silence_are_silence_and_more_is_another_clock():
    assert played(np.array([0, 10 * S]), [slice(None)])[0] == []
    assert len(played(np.array([0, 10 * S + 1]), [slice(None)])[0]) == 1


def test_nothing_took_no_time():
    assert StretchCutter().duration_ns == 0
