"""A wire carries one frame at a time: against a loop that does the same frame by frame."""

import numpy as np
import pytest

from mixmon.frames.bits import frame_bits
from mixmon.frames.block import EXTENDED, FrameBlock, concat
from mixmon.simulate.layers import Wire

RNG = np.random.default_rng(2)
BITRATE = 250_000
N = 400


def asked_frames():
    """More than the wire can carry at times: bursts of frames asked for in the same moments."""
    t = np.sort(RNG.integers(0, 60, N)) * 5_000_000 + RNG.integers(0, 3, N) * 100_000
    size = RNG.integers(0, 9, N).astype(np.uint8)
    can_id = RNG.integers(0, 2048, N).astype(np.uint32)
    can_id[::7] |= np.uint32(EXTENDED)
    none = np.zeros(N, np.uint8)
    return FrameBlock(
        t.astype(np.int64), can_id, none, size, size, none, np.zeros((N, 8), np.uint8), ("can0",)
    )


def one_by_one(frames):
    bits = frame_bits(frames).tolist()
    order = sorted(range(N), key=lambda i: (frames.t[i], frames.can_id[i]))
    free, sent = -(10**18), []
    for i in order:
        length = round(bits[i] * 1e9 / BITRATE)
        free = max(int(frames.t[i]), free) + length
        sent.append((free // 1000 * 1000, int(frames.can_id[i])))
    return sent


@pytest.mark.parametrize("step_ns", [10**12, 50_000_000, 7_300_000])
def test_frames_wait_for_one_another_also_across_stretches(step_ns):
    frames = asked_frames()
    wire, sent = Wire(BITRATE), []
    for begins in range(0, 10**9, step_ns):
        ends = begins + step_ns
        here = (frames.t >= begins) & (frames.t < ends)
        sent.append(wire.send(frames.take(here), ends))
    found = concat(sent)
    assert list(zip(found.t.tolist(), found.can_id.tolist(), strict=True)) == one_by_one(frames)
