"""Order, lateness and jumps of the clock, against a frame-at-a-time definition."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from mixmon.frames.block import FrameBlock, concat
from mixmon.frames.clock import (
    BACKWARD_JUMP_NS,
    DEFAULT_LATENESS_NS,
    FORWARD_JUMP_NS,
    KEPT_JUMPS,
    FrameClock,
    Jump,
)

MS = 1_000_000


def block(stamps: list[int], first_id: int = 0) -> FrameBlock:
    n = len(stamps)
    zero = np.zeros(n, np.uint8)
    ids = np.arange(first_id, first_id + n, dtype=np.uint32)
    return FrameBlock(
        np.array(stamps, np.int64), ids, zero, zero, zero, zero, np.zeros((n, 8), np.uint8), ("can0",)
    )


def scalar(stamps: list[int]) -> tuple[list[list[int]], int]:
    """Kept identifiers by stretch in order of time, and the number of late frames."""
    stretches: list[list[tuple[int, int]]] = [[]]
    seen = None
    late = 0
    for ident, t in enumerate(stamps):
        if seen is not None and (t > seen + FORWARD_JUMP_NS or t < seen - BACKWARD_JUMP_NS):
            stretches.append([])
            seen = None
        if seen is not None and t < seen - DEFAULT_LATENESS_NS:
            late += 1
        else:
            stretches[-1].append((t, ident))
        seen = t if seen is None else max(seen, t)
    return [[ident for _, ident in sorted(s)] for s in stretches], late


def run(blocks: list[FrameBlock]) -> tuple[dict[int, list[int]], int]:
    clock = FrameClock()
    out: dict[int, list[FrameBlock]] = {}
    through = {}
    for spans in [*(clock.feed(b) for b in blocks), clock.flush()]:
        for span in spans:
            if len(span.frames):
                assert span.frames.t[-1] <= span.through
                assert span.frames.t[0] >= through.get(span.stretch, span.frames.t[0])
            through[span.stretch] = span.through
            out.setdefault(span.stretch, []).append(span.frames)
    return {k: concat(v).can_id.tolist() for k, v in out.items()}, clock.late


steps = st.one_of(
    st.integers(-80, 80).map(lambda ms: ms * MS),
    st.sampled_from([-BACKWARD_JUMP_NS, -BACKWARD_JUMP_NS - 1, FORWARD_JUMP_NS, FORWARD_JUMP_NS + 1, 0]),
)


@given(st.lists(steps, min_size=1, max_size=60), st.lists(st.integers(0, 60), max_size=8))
def test_any_split_gives_what_the_scalar_definition_gives(deltas: list[int], cuts: list[int]) -> None:
    stamps = list(np.cumsum([1_700_000_000_000_000_000, *deltas]))
    expected, late = scalar(stamps)
    edges = sorted({0, len(stamps), *(min(c, len(stamps)) for c in cuts)})
    pieces = [block(stamps[a:b], a) for a, b in pairwise(edges)]
    pieces.insert(1, block([]))
    for blocks in ([block(stamps)], [block([t], i) for i, t in enumerate(stamps)], pieces):
        got, got_late = run(blocks)
        assert [got.get(i, []) for i in range(len(expected))] == expected
        assert got_late == late


def test_forty_five_milliseconds_are_no_lateness_and_a_second_and_a_half_is_another_clock() -> None:
    clock = FrameClock()
    clock.feed(block([0, 1_000 * MS, 955 * MS]))
    assert (clock.late, clock.jumps) == (0, 0)
    clock.feed(block([3_000 * MS, 1_500 * MS]))
    assert (clock.late, clock.jumps) == (0, 1)


def test_a_silent_bus_ages_but_not_for_ever() -> None:
    clock = FrameClock()
    clock.feed(block([0]))
    assert clock.advance(2_000 * MS)[0].through == 2_000 * MS - DEFAULT_LATENESS_NS
    assert clock.advance(10**15)[0].through == FORWARD_JUMP_NS - DEFAULT_LATENESS_NS


def test_a_frame_behind_advanced_time_is_late() -> None:
    clock = FrameClock()
    clock.feed(block([0]))
    clock.advance(200 * MS)
    clock.feed(block([100 * MS]))
    assert clock.late == 1


def test_a_pause_beyond_the_limit_still_shows_silence_up_to_the_limit() -> None:
    clock = FrameClock()
    spans = clock.feed(block([0, FORWARD_JUMP_NS + 1]))
    assert spans[0].through == FORWARD_JUMP_NS
    assert [s.stretch for s in spans] == [0, 1]
    assert clock.jumps == 1


def test_a_pause_is_the_same_stretch_or_a_new_one_whether_or_not_time_was_advanced() -> None:
    for pause in (FORWARD_JUMP_NS, FORWARD_JUMP_NS + 1, 2 * FORWARD_JUMP_NS):
        watched, read = FrameClock(), FrameClock()
        watched.feed(block([0]))
        for t in range(0, pause, 500 * MS):
            watched.advance(t)
        assert [s.stretch for s in watched.feed(block([pause]))] == [
            s.stretch for s in read.feed(block([0, pause]))
        ]


def test_a_log_of_an_unknown_clock_shows_no_silence_before_a_jump() -> None:
    clock = FrameClock(silence_ns=0)
    spans = clock.feed(block([0, 5 * MS, FORWARD_JUMP_NS + 6 * MS]))
    assert [(s.through, s.stretch) for s in spans[:1]] == [(5 * MS, 0)]


def test_nothing_is_silent_between_logs() -> None:
    clock = FrameClock()
    clock.feed(block([0, 5 * MS]))
    clock.flush()
    first, *_ = clock.feed(block([10**15]))
    assert first.through == 5 * MS
    assert clock.feed(block([2 * 10**15]))[0].through == 10**15 + FORWARD_JUMP_NS


def test_jumps_are_told_with_their_moment_and_size_and_all_are_counted() -> None:
    clock = FrameClock()
    clock.feed(block([0, 20_000 * MS, 5_000 * MS]))
    assert clock.first_jumps == [Jump(0, 20_000 * MS), Jump(20_000 * MS, 5_000 * MS)]
    assert [jump.words for jump in clock.first_jumps] == ["ahead by 20.0 s", "back by 15.0 s"]
    clock.feed(block([0, 20_000 * MS] * 50))
    assert clock.jumps > len(clock.first_jumps) == KEPT_JUMPS
