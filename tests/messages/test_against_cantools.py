"""Every signal of every shipped and every odd message definition, decoded as cantools decodes it.

cantools is asked for one signal at a time, as it refuses messages whose signals overlap; which
signals of a multiplexed message are there it is asked for whole messages. Where cantools errs
(selectors by scaled value, and so on) the tests of test_decode.py have values worked out by hand.
"""

from dataclasses import replace
from pathlib import Path

import cantools.database
import numpy as np
import pytest
from cantools.database.can import Message, Signal
from cantools.database.conversion import BaseConversion
from hypothesis import given
from hypothesis import strategies as st

from mixmon.frames.block import FrameBlock
from mixmon.messages.chain import CHAIN_FILE, ENGINE_FILE, shipped_database
from mixmon.messages.database import load_database
from mixmon.messages.decode import Decoder
from mixmon.messages.plan import Field, MessagePlan, Protection, Quality, SignalPlan

ZOO = sorted((Path(__file__).parent / "zoo").glob("*.dbc"))
SHIPPED = [shipped_database(CHAIN_FILE), shipped_database(ENGINE_FILE)]
MULTIPLEXED = ("simple_multiplex.dbc", "nested_multiplex.dbc")
FD_SIZES = np.array([*range(9), 12, 16, 20, 24, 32, 48, 64])


def frames_of(plan, payloads, sizes):
    """A block of the payloads uint8[n, w], each cut to its size."""
    n = len(sizes)
    data = np.where(np.arange(payloads.shape[1]) < sizes[:, None], payloads, 0).astype(np.uint8)
    zeros = np.zeros(n, np.uint8)
    ids = np.full(n, plan.can_id, np.uint32)
    return FrameBlock(np.arange(n), ids, zeros, sizes.astype(np.uint8), zeros, zeros, data, ("can0",))


def decoded(plan, block):
    """Signals of the block by name: (values, quality, raw). Checksums are not looked at."""
    [found] = Decoder([(0, [replace(plan, protection=Protection())])]).decode(block, np.zeros(1, np.uint8))
    rows = zip(found.values, found.quality, found.raw, strict=True)
    return dict(zip(found.names, rows, strict=True))


def random_payloads(plan, count, seed):
    chance = np.random.default_rng(seed)
    width = 8 if plan.size <= 8 else 64
    payloads = chance.integers(0, 256, (count, width), dtype=np.uint8)
    payloads[: count // 4] = chance.choice(np.array([0, 255], np.uint8), (count // 4, width))
    whole = int(np.searchsorted(FD_SIZES, plan.size))
    cut = chance.choice(FD_SIZES[: whole + 1], count)
    sizes = np.where(chance.random(count) < 0.6, FD_SIZES[whole], cut)
    return payloads, sizes


def lone(signal, size):
    """A message of cantools that holds one signal only."""
    conversion = BaseConversion.factory(_number(signal.scale), _number(signal.offset), None, signal.is_float)
    order = "big_endian" if signal.big_endian else "little_endian"
    alone = Signal(signal.name, signal.start, signal.length, order, signal.signed, conversion=conversion)
    return Message(1, "Alone", size, [alone], strict=True)


def _number(value):
    """Whole numbers as integers, as cantools reads them from a file."""
    return int(value) if value == int(value) else value


def assert_same(message, name, block, got, present):
    """The signal's values, raw values and absence are those of cantools' message, frame by frame."""
    values, quality, raw = got
    for row, size in enumerate(block.size.tolist()):
        sent = block.data[row, :size].tobytes()
        scaled = message.decode(sent, decode_choices=False, allow_truncated=True).get(name)
        plain = message.decode(sent, decode_choices=False, scaling=False, allow_truncated=True).get(name)
        if scaled is None or not present[row]:
            assert quality[row] == Quality.MISSING
            assert np.isnan(values[row])
            assert raw[row] == 0
            continue
        assert quality[row] != Quality.MISSING
        np.testing.assert_array_equal(raw[row], plain)
        if quality[row] == Quality.GOOD:
            # cantools multiplies integers by integers exactly; mixmon in float64 throughout
            expected = float(scaled) if abs(plain) < 2**53 or isinstance(scaled, float) else None
            if expected is None:
                signal = message.signals[0].conversion
                expected = float(plain) * signal.scale + signal.offset
            np.testing.assert_array_equal(values[row], expected)


def decodable(plan):
    return [signal for signal in plan.signals if Field.of(signal).end_byte <= plan.size]


def every_message():
    for path in (*SHIPPED, *ZOO):
        for plan in load_database(path).messages:
            # the sixteen nodes differ in identifier only; two of them are enough here
            if not plan.name.startswith("Mix") or plan.name[3:5] in {"01", "16"}:
                yield pytest.param(plan, id=f"{path.stem}-{plan.name}")


@pytest.mark.parametrize("plan", list(every_message()))
def test_each_signal_of_a_message_is_decoded_as_by_cantools(plan):
    block = frames_of(plan, *random_payloads(plan, 60, seed=plan.can_id))
    got = decoded(plan, block)
    for signal in decodable(plan):
        _, quality, _ = got[signal.name]
        present = np.ones(len(block), np.bool_) if not signal.selectors else quality != Quality.MISSING
        assert_same(lone(signal, plan.size), signal.name, block, got[signal.name], present)


@pytest.mark.parametrize("name", MULTIPLEXED)
def test_the_same_signals_of_a_multiplexed_message_are_there_as_for_cantools(name):
    path = Path(__file__).parent / "zoo" / name
    theirs = cantools.database.load_file(path).messages[0]
    [plan] = load_database(path).messages
    payloads, sizes = random_payloads(plan, 400, seed=5)
    payloads[:, 0] = np.random.default_rng(6).choice([0x00, 0x01, 0x02, 0x0F, 0x31, 0x61], 400)
    block = frames_of(plan, payloads, sizes)
    got = decoded(plan, block)
    compared = 0
    for row, size in enumerate(block.size.tolist()):
        if size < plan.size:
            continue
        try:
            expected = theirs.decode(
                block.data[row, :size].tobytes(), decode_choices=False, allow_excess=True
            )
        except cantools.database.DecodeError:
            continue  # cantools loses the whole frame when a selector is unknown
        there = {name: values[row] for name, (values, quality, _) in got.items() if quality[row] == 0}
        assert there == expected
        compared += 1
    assert compared > 100


SCALES = st.sampled_from([1.0, 0.5, 0.1, -0.7, 2.0, 3.0, 1e-5, 0.00025, 12345.678])
OFFSETS = st.sampled_from([0.0, -40.0, 0.3, 7.0, -65.0, 1e6])


@st.composite
def signal_in_message(draw):
    """A signal somewhere in a message of 1 to 64 bytes, and frames of every size."""
    is_float = draw(st.booleans())
    size = draw(st.sampled_from([8, 12, 24, 64] if is_float else [1, 2, 3, 5, 7, 8, 12, 20, 64]))
    most = min(64, 8 * size)
    length = draw(st.sampled_from([n for n in (32, 64) if n <= most]) if is_float else st.integers(1, most))
    first = draw(st.integers(0, 8 * size - length))
    big_endian = draw(st.booleans())
    start = 8 * (first // 8) + 7 - first % 8 if big_endian else first
    signal = SignalPlan(
        "Any",
        start,
        length,
        big_endian,
        signed=not is_float and draw(st.booleans()),
        is_float=is_float,
        scale=draw(SCALES),
        offset=draw(OFFSETS),
    )
    count = draw(st.integers(1, 4))
    sizes = draw(st.lists(st.sampled_from(FD_SIZES.tolist()), min_size=count, max_size=count))
    content = draw(st.binary(min_size=64 * count, max_size=64 * count))
    return size, signal, np.array(sizes), np.frombuffer(content, np.uint8).reshape(count, 64)


@given(signal_in_message())
def test_any_signal_anywhere_is_decoded_as_by_cantools(case):
    size, signal, sizes, payloads = case
    plan = MessagePlan("Alone", 1, size, (signal,))
    block = frames_of(plan, payloads, sizes)
    everywhere = np.ones(len(block), np.bool_)
    assert_same(lone(signal, size), "Any", block, decoded(plan, block)["Any"], everywhere)
    if sizes.max() <= 8:
        narrow = frames_of(plan, payloads[:, :8], sizes)
        assert_same(lone(signal, size), "Any", narrow, decoded(plan, narrow)["Any"], everywhere)
