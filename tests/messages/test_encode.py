"""The encoder: inverse of the decoder, and understood by cantools."""

from pathlib import Path

import cantools.database
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from laws import same_for_all_splits

from mixmon.frames.block import EXTENDED, FrameFlag
from mixmon.messages.chain import CHAIN_FILE, ENGINE_FILE, chain_messages, engine_messages, shipped_database
from mixmon.messages.database import load_database
from mixmon.messages.decode import Decoder
from mixmon.messages.encode import Encoder, to_raw
from mixmon.messages.plan import Field, MessagePlan, Quality, SignalPlan, raw_limits

ZOO = Path(__file__).parent / "zoo"
ONE_BUS = np.zeros(1, np.uint8)
OWN = [*chain_messages(1), *engine_messages()]


def zoo_message(file, name):
    return load_database(ZOO / file).message(name)


def encode(plan, columns, n, **more):
    return Encoder(plan).encode(np.arange(n) * 10**7, columns, 0, ("can0",), **more)


def decode(plan, block):
    """Values and qualities by name."""
    [found] = Decoder([(0, [plan])]).decode(block, ONE_BUS)
    return {name: (found.values[row], found.quality[row]) for row, name in enumerate(found.names)}


def within(signal, chance, n):
    """Random values in the range that the signal can carry."""
    low, high = raw_limits(signal)
    ends = sorted((low * signal.scale + signal.offset, high * signal.scale + signal.offset))
    return chance.uniform(*ends, n)


@pytest.mark.parametrize("plan", OWN, ids=lambda plan: plan.name)
def test_own_messages_come_back_to_half_a_step(plan):
    columns = {s.name: within(s, np.random.default_rng(1), 200) for s in plan.signals}
    block = encode(plan, columns, 200)
    got = decode(plan, block)
    special = (plan.protection.counter, plan.protection.checksum)
    for signal in plan.signals:
        values, quality = got[signal.name]
        assert (quality == Quality.GOOD).all()
        if signal.name not in special:
            assert np.abs(values - columns[signal.name]).max() <= signal.scale / 2 * (1 + 1e-9)


@pytest.mark.parametrize("file", [CHAIN_FILE, ENGINE_FILE])
def test_own_messages_are_understood_by_cantools(file):
    path = shipped_database(file)
    theirs = cantools.database.load_file(path)
    chance = np.random.default_rng(2)
    for plan in load_database(path).messages:
        columns = {signal.name: within(signal, chance, 4) for signal in plan.signals}
        block = encode(plan, columns, 4)
        got = decode(plan, block)
        for row in range(4):
            sent = block.data[row, : plan.size].tobytes()
            expected = theirs.decode_message(plan.can_id, sent, decode_choices=False)
            assert expected == {name: values[row] for name, (values, _) in got.items()}


FOREIGN = [
    ("big_endian.dbc", "BigPlain"),
    ("big_endian.dbc", "BigThree"),
    ("mixed_orders.dbc", "Mixed"),
    ("signed_bits.dbc", "SignedBits"),
    ("sixty_four.dbc", "NineBytesMore"),
    ("flexible_rate.dbc", "Long"),
    ("flexible_rate.dbc", "Twelve"),
    ("floats.dbc", "Shifted"),
    ("odd_numbers.dbc", "Odd"),
]


@pytest.mark.parametrize(("file", "name"), FOREIGN)
def test_raw_values_of_foreign_messages_come_back(file, name):
    plan = zoo_message(file, name)
    chance = np.random.default_rng(3)
    bits = {
        signal.name: chance.integers(0, 2**64, 50, dtype=np.uint64) >> np.uint64(64 - signal.length)
        for signal in plan.signals
        if not signal.is_float
    }
    bits |= {
        s.name: chance.normal(size=50).astype("f4" if s.length == 32 else "f8")
        for s in plan.signals
        if s.is_float
    }
    raw = {
        name: column if column.dtype == np.uint64 else column.view(f"u{column.itemsize}")
        for name, column in bits.items()
    }
    block = encode(plan, {}, 50, raw=raw)
    [found] = Decoder([(0, [plan])]).decode(block, ONE_BUS)
    for signal, got in zip(plan.signals, found.raw, strict=True):
        if Field.of(signal).end_byte > plan.size:
            continue
        if signal.is_float:
            assert got.tolist() == bits[signal.name].tolist()
        else:
            mask = np.uint64(2**signal.length - 1)
            assert (got.view(np.uint64) & mask == raw[signal.name]).all()


def test_a_foreign_multiplexed_message_is_written_branch_by_branch():
    plan = zoo_message("simple_multiplex.dbc", "Pages")
    theirs = cantools.database.load_file(ZOO / "simple_multiplex.dbc").messages[0]
    columns = {
        "Page": np.array([0, 1, 15, 0]),
        "Always": np.array([1, 2, 3, 4]),
        "Speed": np.array([1200.0, 1300.0, 1400.0, 1500.0]),
        "Load": np.array([-5, -6, -7, -8]),
        "Heat": np.array([20.5, -20.5, 0.0, 1.0]),
        "Text": np.array([0, 0, 2**56 - 1, 0]),
    }
    block = encode(plan, columns, 4)
    read = [theirs.decode(block.data[row].tobytes(), decode_choices=False) for row in range(4)]
    assert read[0] == {"Page": 0, "Always": 1, "Speed": 1200.0, "Load": -5}
    assert read[1] == {"Page": 1, "Always": 2, "Heat": -20.5}
    assert read[2] == {"Page": 15, "Always": 3, "Text": 2**56 - 1}
    assert read[3] == {"Page": 0, "Always": 4, "Speed": 1500.0, "Load": -8}


class TestLimits:
    SPEED = SignalPlan("Speed", 0, 16, False, scale=0.3, minimum=0, maximum=19500)

    @pytest.mark.parametrize(
        ("value", "raw"),
        [(0.14, 0), (0.16, 1), (-5.0, 0), (19499.9, 65000), (1e9, 65000), (np.inf, 65000), (-np.inf, 0)],
    )
    def test_values_are_rounded_and_held_in_the_declared_range(self, value, raw):
        assert to_raw(self.SPEED, np.array([value])).tolist() == [raw]

    def test_codes_are_never_sent_as_values(self):
        byte = SignalPlan("Byte", 0, 8, False, not_available=((255, 255),), error=((254, 254),))
        assert to_raw(byte, np.array([253.0, 254.0, 300.0, np.nan])).tolist() == [253, 253, 253, 255]

    def test_signed_fields(self):
        twelve = SignalPlan("Twelve", 0, 12, True, signed=True, scale=-0.5)
        got = to_raw(twelve, np.array([1024.0, 1e9, -1023.5, -1e9, 0.5, np.nan])).view(np.int64)
        assert got.tolist() == [-2048, -2048, 2047, 2047, -1, 0]

    def test_whole_64_bits_are_exact(self):
        unsigned = SignalPlan("U", 0, 64, False)
        signed = SignalPlan("S", 0, 64, False, signed=True)
        assert to_raw(unsigned, np.array([2**64 - 1, 0], np.uint64)).tolist() == [2**64 - 1, 0]
        assert to_raw(unsigned, np.array([-5, 7])).tolist() == [0, 7]
        assert to_raw(unsigned, np.array([1e30, -1.0])).tolist() == [2**64 - 1, 0]
        low = np.array([-(2**63), 2**63 - 1])
        assert to_raw(signed, low).view(np.int64).tolist() == low.tolist()
        assert to_raw(signed, np.array([-1e30, 1e30])).view(np.int64).tolist() == low.tolist()

    def test_a_range_that_cannot_be_met_is_none(self):
        assert raw_limits(SignalPlan("X", 0, 4, False, minimum=100, maximum=200)) == (0, 15)

    def test_floats(self):
        single = SignalPlan("F", 0, 32, False, is_float=True, scale=2.0)
        values = np.array([3.0, np.nan, 1e300])
        expected = np.array([1.5, np.nan, np.inf], np.float32).view(np.uint32)
        assert to_raw(single, values).tolist() == expected.tolist()


class TestFrames:
    def test_what_is_not_said_is_not_available(self):
        plan = chain_messages(1)[0]
        got = decode(plan, encode(plan, {}, 3))
        for name in ("OxygenBalance", "Lambda", "State"):
            assert got[name][1].tolist() == [Quality.NOT_AVAILABLE] * 3

    def test_what_is_not_said_has_its_start_value(self):
        [plan] = load_database(ZOO / "long_names.dbc").messages
        block = encode(plan, {plan.signals[0].name: np.array([1, 2])}, 2)
        assert block.data[:, :3].tolist() == [[1, 7, 0], [2, 0, 0]]

    def test_kind_of_frame(self):
        long = encode(zoo_message("flexible_rate.dbc", "Long"), {}, 1)
        assert (long.width, long.size[0], long.dlc[0], long.flags[0]) == (64, 64, 15, FrameFlag.FD)
        twelve = encode(zoo_message("flexible_rate.dbc", "Twelve"), {}, 1)
        assert (twelve.size[0], twelve.dlc[0], bool(twelve.can_id[0] & EXTENDED)) == (12, 9, True)
        short = encode(chain_messages(1)[0], {}, 1)
        assert (short.width, short.size[0], short.dlc[0], short.flags[0]) == (8, 6, 6, 0)
        padded = encode(MessagePlan("Odd", 1, 13, (SignalPlan("X", 0, 8, False),)), {}, 1)
        assert (padded.size[0], padded.dlc[0]) == (16, 10)

    def test_the_counter_goes_on_from_call_to_call(self):
        plan = engine_messages()[0]
        t = np.arange(40) * 10**7

        def run(pieces):
            encoder = Encoder(plan, counter=9)
            return [row for piece in pieces for row in encoder.encode(t[piece], {}, 0, ("a",)).data.tolist()]

        data = np.array(same_for_all_splits(40, run))
        assert (data[:, 6] >> 4).tolist() == [(9 + n) % 16 for n in range(40)]

    def test_a_foreign_checksum_and_counter_are_filled_in(self):
        # AUTOSAR end-to-end profile 1, both id bytes, id 0x0123: CC and 91 (see test_integrity_checksum)
        plan = zoo_message("protected.dbc", "Guarded")
        block = encode(plan, {"Value": np.zeros(16)}, 16)
        assert block.data[:2, :2].tolist() == [[0xCC, 0], [0x91, 1]]
        assert block.data[14:, 1].tolist() == [14, 0]
        decoder = Decoder([(0, [plan])])
        decoder.decode(block, ONE_BUS)
        counts = decoder.counts[0, "Guarded"]
        assert (counts.checksum_errors, counts.counter_jumps, counts.repeats) == (0, 0, 0)

    def test_a_column_of_no_signal_is_refused(self):
        with pytest.raises(KeyError, match="Lambada"):
            encode(chain_messages(1)[0], {"Lambada": np.zeros(1)}, 1)


@given(
    signal=st.builds(
        SignalPlan,
        name=st.just("X"),
        start=st.just(7),
        length=st.integers(2, 33),
        big_endian=st.booleans(),
        signed=st.booleans(),
        scale=st.sampled_from([1.0, 0.25, 0.1, -0.7, 0.00025]),
        offset=st.sampled_from([0.0, 0.3, -65.0]),
    ),
    places=st.lists(st.floats(0, 1), min_size=1, max_size=8),
)
def test_any_value_comes_back_to_half_a_step(signal, places):
    plan = MessagePlan("M", 1, 5, (signal,))
    low, high = raw_limits(signal)
    values = (low + np.array(places) * (high - low)) * signal.scale + signal.offset
    got, quality = decode(plan, encode(plan, {"X": values}, len(values)))["X"]
    assert (quality == Quality.GOOD).all()
    assert np.abs(got - values).max() <= abs(signal.scale) * (0.5 + 1e-6)
