"""Traffic on each channel, against plain loops and published frame lengths."""

import numpy as np
import pytest
from laws import everything, same_for_all_splits

from mixmon.findings.census.traffic import Traffic
from mixmon.frames.bits import frame_bits, load
from mixmon.frames.candump import CandumpReader
from mixmon.frames.clock import Jump


def frames(text):
    reader = CandumpReader()
    return [reader.feed(text.encode()), reader.flush()]


def fed(blocks):
    traffic = Traffic()
    for block in blocks:
        if len(block):
            traffic.feed(block)
    return traffic


def random_log(seed, seconds=20):
    """Three periodic identifiers on two channels with jitter, and some remote and error frames."""
    chance = np.random.default_rng(seed)
    rows = []
    for channel, can_id, cycle in (("can0", "2A0", 0.01), ("can0", "18FEF100", 0.1), ("can1", "2A0", 0.02)):
        t = np.arange(0, seconds, cycle) + chance.uniform(0, cycle / 5, round(seconds / cycle))
        rows += [(x, channel, f"{can_id}#{chance.bytes(8).hex().upper()}") for x in t]
    rows += [(x, "can0", "123#R8") for x in chance.uniform(0, seconds, 30)]
    rows += [(x, "can1", "20000088#0000000000000000") for x in chance.uniform(0, seconds, 7)]
    return "".join(f"({1000 + t:.6f}) {channel} {frame}\n" for t, channel, frame in sorted(rows))


LOG = random_log(1)
LINES = [line.split() for line in LOG.splitlines()]


@pytest.mark.parametrize(("channel", "can_id"), [("can0", "2A0"), ("can0", "18FEF100"), ("can1", "2A0")])
def test_a_beat_is_what_a_loop_over_the_text_gives(channel, can_id):
    stamps = [
        round(float(t[1:-1]) * 1e6) * 1000 for t, c, f in LINES if c == channel and f.startswith(f"{can_id}#")
    ]
    gaps = np.diff(stamps) / 1e9
    number = int(can_id, 16) | (0x8000_0000 if len(can_id) == 8 else 0)
    (beat,) = [b for b in fed(frames(LOG)).beats(stamps[-1]) if (b.channel, b.can_id) == (channel, number)]
    rhythm = beat.rhythm
    assert (beat.frames, rhythm.first, rhythm.last) == (len(stamps), stamps[0], stamps[-1])
    assert rhythm.rate_hz == pytest.approx(1 / gaps.mean(), rel=1e-12)
    assert rhythm.gap_max_s == gaps.max()
    for share, got in ((50, rhythm.gap_p50_s), (95, rhythm.gap_p95_s), (99, rhythm.gap_p99_s)):
        assert got == pytest.approx(np.percentile(gaps, share, method="inverted_cdf"), rel=0.0079)
    low, high = np.percentile(gaps, [5, 95], method="inverted_cdf")
    assert rhythm.jitter_s == pytest.approx((high - low) / 2, abs=0.008 * high)
    assert rhythm.silent_s == 0.0


def test_channels_count_every_kind_of_frame():
    one, other = fed(frames(LOG)).channels()
    assert (one.channel, one.frames, one.remote_frames, one.error_frames) == ("can0", 2230, 30, 0)
    assert (other.channel, other.frames, other.remote_frames, other.error_frames) == ("can1", 1007, 0, 7)
    # class bits 0x88 of Linux' can/error.h: protocol violation and bus error
    assert other.error_classes == {"bus error": 7, "protocol violation": 7}


def test_bits_and_peak_are_those_of_the_whole_log_at_once():
    (block,) = [b for b in frames(LOG) if len(b)]
    for index, channel in enumerate(fed([block]).channels()):
        mine = block.take(block.bus == index)
        bits = frame_bits(mine)
        assert channel.bits == bits.sum()
        whole = load(bits, mine.t - block.t[0], 500_000, 100_000_000)
        assert channel.peak_bits / (500_000 * 0.1) == pytest.approx(whole.peak, rel=1e-12)


def test_three_frames_of_canbusload():
    # `canbusload -e` of these three data frames: 381 bits = 125 + 112 + 144 (measured with can-utils)
    sent = ["123#0000000000000000", "123#5555555555555555", "12345678#FFFFFFFFFFFFFFFF"]
    assert fed(frames("".join(f"(1.0) can0 {frame}\n" for frame in sent))).channels()[0].bits == 381


def test_cuts_do_not_matter():
    (block,) = [b for b in frames(LOG) if len(b)]

    def played(pieces):
        traffic = fed([block.take(piece) for piece in pieces])
        return everything(
            (traffic.beats(int(block.t[-1]))),
        ), everything(traffic.channels())

    same_for_all_splits(len(block), played)


def test_no_gap_spans_a_break_of_time():
    before = frames("(1.0) can0 123#00\n(1.1) can0 123#00\n")
    after = frames("(9000.0) can0 123#00\n(9000.2) can0 123#00\n")
    traffic = fed(before)
    traffic.pause(Jump(1_100_000_000, 9_000_000_000_000))
    for block in after:
        if len(block):
            traffic.feed(block)
    (beat,) = traffic.beats(9_000_200_000_000)
    assert beat.rhythm.gap_max_s == 0.2
    assert beat.rhythm.rate_hz == pytest.approx(2 / 0.3)


def test_switched_bits_of_can_fd_are_told_apart():
    channel = fed(
        frames("(1.0) can0 123##5" + "00" * 64 + "\n(1.1) can0 123##4" + "00" * 8 + "\n")
    ).channels()[0]
    assert 500 < channel.switched_bits < channel.bits
