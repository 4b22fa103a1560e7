"""Counters and checksums: what is a repeat, what a loss, what says nothing."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from laws import same_for_all_splits

from mixmon.frames.block import concat
from mixmon.messages.chain import engine_messages, node_messages
from mixmon.messages.decode import Decoder
from mixmon.messages.encode import Encoder
from mixmon.messages.integrity import MessageCounts
from mixmon.messages.plan import MessagePlan, Protection, Quality, SignalPlan

CYCLE = 10_000_000
FAST = node_messages(1)[0]
BUSES = np.zeros(1, np.uint8)


def fast(counters, t=None, *, plan=FAST):
    """Frames with the given counters, ten milliseconds apart unless `t` is given."""
    n = len(counters)
    t = np.arange(n) * CYCLE if t is None else np.asarray(t)
    return Encoder(plan).encode(t, {"Lambda": np.full(n, 0.9)}, 0, ("can0",), {"Counter": np.array(counters)})


def spoilt(block, rows):
    """The block with one bit of the reading turned over in the given rows."""
    data = block.data.copy()
    data[rows, 0] ^= 1
    return replace(block, data=data)


def corrupt_rows(block, *, plan=FAST):
    """Rows marked CORRUPT, and the counts, of one message's frames."""
    decoder = Decoder([(0, [plan])])
    [found] = decoder.decode(block, BUSES)
    corrupt = found.quality == Quality.CORRUPT
    assert (corrupt == corrupt[0]).all(), "a frame is corrupt as a whole"
    assert np.isnan(found.values[corrupt]).all()
    return np.flatnonzero(corrupt[0]).tolist(), decoder.counts[0, plan.name]


# counters as sent -> rows that are corrupt, counts; the rules in words are those of the module
SEQUENCES = [
    pytest.param([0, 1, 2, 3], [], {}, id="rising by one"),
    pytest.param([14, 15, 0, 1], [], {}, id="over the top"),
    pytest.param([9], [], {}, id="the first frame says nothing"),
    pytest.param([1, 1, 2], [1], {"repeats": 1}, id="a repeat"),
    pytest.param([5, 5, 5, 5], [1, 2, 3], {"repeats": 3}, id="a stuck controller"),
    pytest.param([0, 2, 3], [], {"counter_jumps": 1, "lost": 1}, id="one lost"),
    pytest.param([0, 5, 4], [], {"counter_jumps": 2, "lost": 4 + 14}, id="backward is nearly a turn"),
    pytest.param([15, 2], [], {"counter_jumps": 1, "lost": 2}, id="lost over the top"),
]


@pytest.mark.parametrize(("counters", "rows", "expected"), SEQUENCES)
def test_sequences(counters, rows, expected):
    assert corrupt_rows(fast(counters)) == (rows, MessageCounts(frames=len(counters), **expected))


def test_a_wrong_checksum_spoils_its_frame_only():
    rows, counts = corrupt_rows(spoilt(fast(list(range(8))), [2, 3, 7]))
    assert rows == [2, 3, 7]
    assert counts == MessageCounts(frames=8, checksum_errors=3)


def test_spoilt_frames_do_not_hide_lost_ones():
    rows, counts = corrupt_rows(spoilt(fast([0, 1, 2, 6, 7]), [1, 2]))
    assert rows == [1, 2]
    assert counts == MessageCounts(frames=5, checksum_errors=2, counter_jumps=1, lost=3)


def test_a_repeat_across_a_spoilt_frame_is_still_a_repeat():
    rows, counts = corrupt_rows(spoilt(fast([4, 5, 4]), [1]))
    assert rows == [1, 2]
    assert counts == MessageCounts(frames=3, checksum_errors=1, repeats=1)


def test_after_a_turn_of_spoilt_frames_the_counter_says_nothing():
    block = spoilt(fast([n % 16 for n in range(17)]), range(1, 16))
    assert corrupt_rows(block)[0] == list(range(1, 16))
    assert corrupt_rows(block)[1].repeats == 0


@pytest.mark.parametrize(("gap", "lost"), [(16 * CYCLE, 4), (16 * CYCLE + 1, 0)])
def test_after_a_silence_of_a_turn_the_counter_says_nothing(gap, lost):
    assert corrupt_rows(fast([0, 5], [0, gap]))[1].lost == lost


def test_a_clock_that_is_set_back_far_says_nothing_either():
    assert corrupt_rows(fast([0, 0], [10**15, 0]))[0] == []


def test_without_a_cycle_time_a_second_is_a_silence():
    plan = replace(FAST, cycle_ns=None)
    assert corrupt_rows(fast([0, 0], [0, 10**9], plan=plan), plan=plan)[0] == [1]
    assert corrupt_rows(fast([0, 0], [0, 10**9 + 1], plan=plan), plan=plan)[0] == []


def test_a_frame_cut_short_cannot_be_checked_and_is_corrupt():
    block = fast([0, 1, 2])
    size = block.size.copy()
    data = block.data.copy()
    size[1], data[1, 4:] = 4, 0
    decoder = Decoder([(0, [FAST])])
    [found] = decoder.decode(replace(block, size=size, data=data), BUSES)
    of = dict(zip(found.names, found.quality.tolist(), strict=True))
    assert of["Lambda"] == [Quality.GOOD, Quality.CORRUPT, Quality.GOOD]
    assert of["State"][1] == of["Checksum"][1] == Quality.MISSING
    assert decoder.counts[0, FAST.name] == MessageCounts(frames=3, short=1)


def test_a_counter_turns_at_its_declared_maximum():
    counter = SignalPlan("Counter", 0, 4, False, minimum=0, maximum=14)
    plan = MessagePlan("Profile", 7, 1, (counter,), CYCLE, Protection(counter="Counter"))
    block = Encoder(plan).encode(np.arange(40) * CYCLE, {}, 0, ("can0",))
    assert block.data[13:17, 0].tolist() == [13, 14, 0, 1]
    assert corrupt_rows(block, plan=plan) == ([], MessageCounts(frames=40))


@pytest.mark.parametrize("plan", [*node_messages(3)[:2], *engine_messages()])
def test_empty_and_full_frames_of_the_own_layer_are_corrupt(plan):
    block = Encoder(plan).encode(np.arange(2) * CYCLE, {}, 0, ("can0",))
    data = np.zeros_like(block.data)
    data[1, : plan.size] = 0xFF
    decoder = Decoder([(0, [plan])])
    decoder.decode(replace(block, data=data), BUSES)
    assert decoder.counts[0, plan.name].checksum_errors == 2


def scalar_verdicts(counters, spoilt_rows):
    """The rules in a plain loop: which rows are repeats, how many frames are lost."""
    last, between, repeats, lost = None, 0, [], 0
    for row, counter in enumerate(counters):
        if row in spoilt_rows:
            between += 1
            continue
        if last is not None and between < 15:
            rise = (counter - last) % 16
            if rise == 0:
                repeats.append(row)
            lost += max(rise - between - 1, 0)
        last, between = counter, 0
    return repeats, lost


@given(st.lists(st.tuples(st.integers(0, 15), st.booleans()), min_size=1, max_size=80))
def test_verdicts_are_those_of_a_plain_loop(frames):
    counters = [counter for counter, _ in frames]
    wrong = [row for row, (_, bad) in enumerate(frames) if bad]
    t = np.arange(len(counters)) * 1000
    rows, counts = corrupt_rows(spoilt(fast(counters, t), wrong))
    repeats, lost = scalar_verdicts(counters, set(wrong))
    assert rows == sorted({*repeats, *wrong})
    assert (counts.repeats, counts.lost, counts.checksum_errors) == (len(repeats), lost, len(wrong))


def bus_of_troubles():
    """Four messages in one block: losses, repeats, wrong checksums, short frames, a remote frame."""
    chance = np.random.default_rng(3)
    plans = [*node_messages(1)[:2], *node_messages(2)[:1], engine_messages()[0]]
    blocks = []
    for plan in plans:
        n = 150
        counters = np.cumsum(chance.choice([0, 1, 1, 1, 1, 1, 2, 3], n)) % 16
        t = np.sort(chance.integers(0, 10**9, n))
        columns = {signal.name: chance.uniform(0, 90, n) for signal in plan.signals}
        block = Encoder(plan).encode(t, columns, 0, ("can0",), {"Counter": counters})
        blocks.append(spoilt(block, chance.choice(n, 15, replace=False)))
    whole = concat(blocks)
    whole = whole.take(np.argsort(whole.t, kind="stable"))
    size, flags = whole.size.copy(), whole.flags.copy()
    size[::37] = 3
    flags[5::61] = 8
    data = np.where(np.arange(8) < size[:, None], whole.data, 0).astype(np.uint8)
    return plans, replace(whole, size=size, flags=flags, data=data)


def test_any_split_gives_the_same_bits():
    plans, block = bus_of_troubles()

    def run(pieces):
        decoder = Decoder([(0, plans)])
        out = {plan.name: [b"", b"", b"", []] for plan in plans}
        for piece in pieces:
            for found in decoder.decode(block.take(piece), BUSES):
                kept = out[found.message.name]
                kept[0] += found.t.tobytes()
                kept[1] += np.ascontiguousarray(found.values.T).tobytes()
                kept[2] += np.ascontiguousarray(found.quality.T).tobytes()
                kept[3] += np.array(found.raw, object).T.tolist()
        return out, decoder.counts, decoder.outside, decoder.not_data

    _, counts, _, not_data = same_for_all_splits(len(block), run)
    assert not_data == 10
    assert all(
        count.repeats and count.lost and count.checksum_errors and count.short for count in counts.values()
    )
