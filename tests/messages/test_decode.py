"""What the decoder makes of frames, against values worked out by hand."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from mixmon.errors import DefinitionError
from mixmon.frames.block import EXTENDED, FrameBlock, FrameFlag
from mixmon.messages.chain import chain_messages, engine_messages
from mixmon.messages.database import load_database
from mixmon.messages.decode import Decoder
from mixmon.messages.encode import Encoder
from mixmon.messages.integrity import MessageCounts
from mixmon.messages.plan import MessagePlan, Protection, Quality, Selector, SignalPlan

ZOO = Path(__file__).parent / "zoo"
GOOD, ABSENT, ERROR, MISSING = Quality.GOOD, Quality.NOT_AVAILABLE, Quality.ERROR, Quality.MISSING
ONE_BUS = np.zeros(1, np.uint8)


def block_of(*frames, channels=("can0",), width=8):
    """Frames given as (identifier, hex bytes) or (identifier, hex bytes, channel, flags)."""
    rows = [(*frame, 0, 0)[:4] if len(frame) == 2 else frame for frame in frames]
    data = np.zeros((len(rows), width), np.uint8)
    for row, (_, text, _, _) in enumerate(rows):
        data[row, : len(text) // 2] = list(bytes.fromhex(text))
    size = np.array([len(text) // 2 for _, text, _, _ in rows], np.uint8)
    return FrameBlock(
        t=np.arange(len(rows)) * 1000,
        can_id=np.array([can_id for can_id, *_ in rows], np.uint32),
        bus=np.array([channel for _, _, channel, _ in rows], np.uint8),
        size=size,
        dlc=size,
        flags=np.array([flags for *_, flags in rows], np.uint8),
        data=data,
        channels=channels,
    )


def decode(path, *frames, width=8):
    """Signal blocks by message name, of one zoo file."""
    decoder = Decoder([(0, load_database(ZOO / path).messages)])
    return {found.message.name: found for found in decoder.decode(block_of(*frames, width=width), ONE_BUS)}


def column(found, name):
    return found.values[found.names.index(name)].tolist()


def quality(found, name):
    return found.quality[found.names.index(name)].tolist()


def raw(found, name):
    return found.raw[found.names.index(name)].tolist()


def there(found, row):
    """What the frame holds, by name."""
    names = [name for name in found.names if quality(found, name)[row] != MISSING]
    return {name: raw(found, name)[row] for name in names}


class TestNumbers:
    def test_value_is_raw_times_scale_plus_offset_in_float64(self):
        found = decode("odd_numbers.dbc", (430, "03FF0A63FF020000"))["Odd"]
        assert column(found, "Tenth") == [3 * 0.1] == [0.30000000000000004]
        assert column(found, "Exponent") == [255 * 1e-5 + -1500.0]
        assert column(found, "Negative") == [10 * -0.7 + 1.0]
        assert column(found, "Zero") == [5.0]

    def test_values_outside_the_declared_range_are_kept(self):
        found = decode("odd_numbers.dbc", (430, "0000FF000000FF7F"))["Odd"]
        assert column(found, "Third") == [32767 * 0.333333333333 + 0.1]
        assert quality(found, "Third") == [GOOD]

    def test_values_outside_the_declared_range_are_counted(self):
        byte = SignalPlan("B", 0, 8, False, scale=0.5, minimum=1, maximum=100, not_available=((255, 255),))
        signed = SignalPlan("S", 8, 8, False, signed=True, scale=-1.0, minimum=-3, maximum=3)
        free = SignalPlan("F", 16, 8, False, minimum=0, maximum=255)
        plan = MessagePlan("M", 5, 3, (byte, signed, free))
        twin = replace(plan, name="N", can_id=6)
        decoder = Decoder([(0, [plan, twin])])
        texts = ("02FD00", "C803FF", "010400", "C9FC01", "FF0000", "C8")
        for _ in range(2):
            found = decoder.decode(block_of(*[(5, text) for text in texts], (6, "000000")), ONE_BUS)
        assert column(found[0], "B")[:4] == [1.0, 100.0, 0.5, 100.5]
        assert decoder.outside == {(0, "M", "B"): 4, (0, "M", "S"): 4, (0, "N", "B"): 2}

    def test_the_wrong_byte_order_shows_as_values_outside_the_range(self):
        right = chain_messages(1)[0]
        speed = SignalPlan("Speed", 0, 16, False, scale=0.3, minimum=0, maximum=9000)
        swapped = replace(speed, start=7, big_endian=True)
        rpm = np.linspace(900, 7800, 500)
        [truth, wrong] = [replace(right, signals=(s,), protection=Protection()) for s in (speed, swapped)]
        block = Encoder(truth).encode(np.arange(500), {"Speed": rpm}, 0, ("can0",))
        shares = []
        for plan in (truth, wrong):
            decoder = Decoder([(0, [plan])])
            decoder.decode(block, ONE_BUS)
            shares.append(sum(decoder.outside.values()) / 500)
        assert shares[0] == 0.0
        assert shares[1] > 0.4

    def test_raw_columns_are_exact_where_float64_is_not(self):
        found = decode("sixty_four.dbc", (322, "FF" * 8), (320, "FE" + "FF" * 7), (321, "80" + "00" * 7))
        assert column(found["HalfStep"], "All") == [9.223372036854776e18]
        assert raw(found["WholeLittle"], "All") == [2**64 - 2]
        assert raw(found["WholeBig"], "All") == [-(2**63)]
        kinds = [found[name].raw[0].dtype for name in ("WholeLittle", "WholeBig")]
        assert kinds == [np.uint64, np.int64]

    def test_floats_of_every_kind_pass_as_values(self):
        # IEEE 754 encodings: 1.0, a quiet and a signalling NaN, minus infinity
        found = decode(
            "floats.dbc",
            *[(330, f"0000803F{big}") for big in ("3FC00000", "7FC00000", "7F800001", "FF800000")],
        )["Singles"]
        assert column(found, "Little") == [1.0] * 4
        np.testing.assert_array_equal(column(found, "Big"), [1.5 * 2 + 0.5, np.nan, np.nan, -np.inf])
        assert quality(found, "Big") == [GOOD] * 4
        assert found.raw[0].dtype == np.float64

    def test_a_named_value_stays_a_number(self):
        # in value tables, keys are raw: 255 is "n/a", though 255 * 0.5 + 10 is 137.5
        found = decode("value_tables.dbc", (420, "FFFF01C0"), (420, "07FE0080"))["Tables"]
        assert column(found, "Scaled") == [137.5, 13.5]
        assert column(found, "Negative") == [-1.0, -2.0]
        assert column(found, "Ratio") == [1.5, 1.0]
        words = found.message.signal("Scaled").choices
        assert (words[255], words[7], words[0]) == ("n/a", "seven", "")

    def test_signals_that_share_bits_are_all_decoded(self):
        found = decode("overlapping.dbc", (400, "FFFEFFFF"))["Overlap"]
        assert there(found, 0) == {"Whole": 0xFFFFFEFF, "Low": -257, "Big": 0xFEF, "Again": -257}


class TestCodes:
    def test_codes_of_the_own_layer(self):
        fast = chain_messages(1)[0]
        plan = replace(fast, protection=type(fast.protection)())
        frames = block_of((0x2A0, "FFFFFEFFF000"), (0x2A0, "FDFFFDFFE000"), (0x2A0, "000000000000"))
        [found] = Decoder([(0, [plan])]).decode(frames, ONE_BUS)
        assert quality(found, "OxygenBalance") == [ABSENT, GOOD, GOOD]
        assert quality(found, "Lambda") == [ERROR, GOOD, GOOD]
        assert raw(found, "Lambda") == [0xFFFE, 0xFFFD, 0]
        assert np.isnan(column(found, "Lambda")[0])
        assert quality(found, "Counter") == [GOOD, GOOD, GOOD]

    def test_codes_of_j1939_messages_go_by_the_most_significant_byte(self):
        # SAE J1939-71 ranges as in asammdf: FA valid, FB to FE error, FF not available
        top = (("A2", "FA"), ("B3", "FB"), ("FF", "FF"), ("E2", "FE"), ("00", "00"))
        frames = [(2566844926, f"{low}{byte}FF{byte}0000FF{byte}") for low, byte in top]
        found = decode("truck_bus.dbc", *frames)["Marked"]
        assert quality(found, "Rotation") == [GOOD, ERROR, ABSENT, ERROR, GOOD]
        assert quality(found, "Percent") == [GOOD, ERROR, ABSENT, ERROR, GOOD]
        assert quality(found, "Total") == [GOOD, ERROR, ABSENT, ERROR, GOOD]
        assert quality(found, "Switch") == [ERROR, ABSENT, ABSENT, ERROR, GOOD]
        assert quality(found, "Nibble") == [GOOD, ERROR, ABSENT, ERROR, GOOD]

    def test_codes_of_j1939_are_for_marked_messages_and_can_be_turned_off(self):
        found = decode("truck_bus.dbc", (2566844927, "FF" * 8))["Unmarked"]
        assert column(found, "Rotation") == [65535 * 0.125]
        off = load_database(ZOO / "truck_bus.dbc", j1939_codes=False).message("Marked")
        assert all(not signal.not_available and not signal.error for signal in off.signals)


# K 0|4 M; L 4|4 m1M; A under K 0, 2-4; B under L 3; C under L 5-7; worked out by hand
NESTED = [
    pytest.param("000506", {"K": 0, "A": 5}, id="first branch"),
    pytest.param("020506", {"K": 2, "A": 5}, id="range overrides the marker"),
    pytest.param("310506", {"K": 1, "L": 3, "B": 5}, id="nested"),
    pytest.param("610506", {"K": 1, "L": 6, "C": 6}, id="nested range"),
    pytest.param("910506", {"K": 1, "L": 9}, id="unknown nested selector loses its branch only"),
    pytest.param("F90506", {"K": 9}, id="unknown selector"),
    pytest.param("31", {"K": 1, "L": 3}, id="cut before the payload"),
    pytest.param("", {}, id="cut before the selector"),
]


class TestMultiplexing:
    @pytest.mark.parametrize(("text", "expected"), NESTED)
    def test_nested(self, text, expected):
        assert there(decode("nested_multiplex.dbc", (360, text))["Tree"], 0) == expected

    def test_a_selector_counts_by_its_raw_value(self):
        found = decode("scaled_selector.dbc", (380, "010506"), (380, "020506"))["Scaled"]
        assert there(found, 0) == {"Which": 1, "One": 5}
        assert there(found, 1) == {"Which": 2, "Two": 6}
        assert column(found, "Which") == [2.0, 4.0]

    def test_equal_names_do_not_mix_branches(self):
        found = decode("scaled_selector.dbc", (381, "000506"), (381, "010506"))["Named"]
        assert there(found, 0) == {"Which": 0, "Zero": 5}
        assert there(found, 1) == {"Which": 1, "One": 6}

    def test_two_parents_are_alternatives(self):
        texts = ("01000708", "03070708", "09070708", "09080708", "FF000708", "02")
        found = decode("two_parents.dbc", *[(370, text) for text in texts])["Family"]
        assert there(found, 0) == {"Upper": 1, "Child": 7, "Wide": 8}
        assert there(found, 1) == {"Upper": 3, "Wide": 8}
        assert there(found, 2) == {"Upper": 9, "Lower": 7, "Child": 7, "Wide": 8}
        assert there(found, 3) == {"Upper": 9, "Lower": 8, "Wide": 8}
        assert there(found, 4) == {"Upper": 255, "Wide": 8}
        assert there(found, 5) == {"Upper": 2}

    def test_long_names_keep_their_selectors(self):
        name = "Msg_With_A_Very_Long_Name_Cut_Off_By_The_Format"
        found = decode("long_names.dbc", (460, "010500"), (460, "020500"))[name]
        assert found.names[1] == "Payload_Signal_That_Is_Cut_Here_By_The_Format"
        assert quality(found, found.names[1]) == [GOOD, MISSING]


class TestLengths:
    def test_short_frames_give_what_they_cover_and_are_counted(self):
        signals = (
            SignalPlan("A", 0, 8, False),
            SignalPlan("B", 8, 16, False),
            SignalPlan("C", 31, 16, True),
        )
        plan = MessagePlan("Cut", 5, 5, signals)
        decoder = Decoder([(0, [plan])])
        texts = ("", "01", "0102", "010203", "01020304", "0102030405", "0102030405060708")
        [found] = decoder.decode(block_of(*[(5, text) for text in texts]), ONE_BUS)
        assert [sorted(there(found, row)) for row in range(7)] == [
            *([], ["A"], ["A"], ["A", "B"], ["A", "B"]),
            *(["A", "B", "C"], ["A", "B", "C"]),
        ]
        assert decoder.counts[0, "Cut"] == MessageCounts(frames=7, short=5)

    def test_bits_beyond_the_message_are_missing_however_long_the_frame(self):
        found = decode("leaving.dbc", (410, "0102"), (410, "01020304"))["Leaving"]
        assert there(found, 0) == there(found, 1) == {"Inside": 1}

    def test_long_messages_in_a_block_of_classic_frames(self):
        found = decode("flexible_rate.dbc", (340, "E803000000000000"))["Long"]
        assert column(found, "First") == [100.0]
        assert there(found, 0) == {"First": 1000}

    def test_long_messages(self):
        sent = "E803" + "00" * 5 + "F0FF" + "00" * 23 + "80000001" + "00" * 26 + "FF" * 2
        found = decode("flexible_rate.dbc", (340, sent), width=64)["Long"]
        names = ("First", "OverEight", "Middle", "NearEnd", "LastBit")
        assert there(found, 0) == dict(zip(names, (1000, -1, 0x80000001, 0, 1), strict=True))


class TestRouting:
    def test_eleven_and_twenty_nine_bits_are_different_identifiers(self):
        found = decode(
            "same_number.dbc", (291, "0102"), (291 | EXTENDED, "0102"), (0x1FFFFFFF | EXTENDED, "00")
        )
        assert column(found["Short"], "Value") == [0x0201]
        assert column(found["Extended"], "Value") == [0x0102]

    def test_buses_and_channels(self):
        own = MessagePlan("Own", 5, 1, (SignalPlan("X", 0, 8, False),))
        other = MessagePlan("Other", 5, 1, (SignalPlan("Y", 0, 8, False),))
        decoder = Decoder([(0, [own]), (3, [other])])
        frames = [(5, "01", 0, 0), (5, "02", 1, 0), (5, "03", 2, 0), (5, "04", 3, 0), (6, "05", 0, 0)]
        block = block_of(*frames, channels=("a", "b", "c", "d"))
        found = decoder.decode(block, np.array([3, 0, 255, 0], np.uint8))
        assert [(part.message.name, part.bus, part.values.tolist()) for part in found] == [
            ("Own", 0, [[2.0, 4.0]]),
            ("Other", 3, [[1.0]]),
        ]
        assert decoder.unknown == 2
        assert list(decoder.counts) == [(0, "Own"), (3, "Other")]

    def test_what_is_not_data_is_never_decoded(self):
        plan = MessagePlan("Only", 4, 1, (SignalPlan("X", 0, 8, False),))
        decoder = Decoder([(0, [plan])])
        block = block_of(
            (4, "01", 0, FrameFlag.REMOTE), (4, "02", 0, FrameFlag.ERROR), (4, "03", 0, FrameFlag.SENT)
        )
        [found] = decoder.decode(block, ONE_BUS)
        assert found.values.tolist() == [[3.0]]
        assert (decoder.not_data, decoder.unknown) == (2, 0)

    def test_only_what_is_wanted_is_decoded(self):
        tables = [(0, chain_messages()), (1, engine_messages())]
        decoder = Decoder(tables, {(0, "Mix02_Fast", "Lambda"), (1, "Engine_Fast", "Speed")})
        block = block_of((0x2A1, "00" * 6), (0x2A0, "00" * 6), (0x111, "00"))
        [found] = decoder.decode(block, ONE_BUS)
        assert (found.message.name, found.names, found.values.shape) == ("Mix02_Fast", ("Lambda",), (1, 1))
        assert decoder.unknown == 1
        assert list(decoder.counts) == [(0, "Mix02_Fast"), (1, "Engine_Fast")]

    def test_a_selector_that_is_not_wanted_still_selects(self):
        signals = (
            SignalPlan("Which", 0, 8, False),
            SignalPlan("One", 8, 8, False, selectors=(Selector("Which", ((1, 1),)),)),
        )
        decoder = Decoder([(0, [MessagePlan("M", 5, 2, signals)])], {(0, "M", "One")})
        [found] = decoder.decode(block_of((5, "0107"), (5, "0207")), ONE_BUS)
        assert quality(found, "One") == [GOOD, MISSING]

    def test_blocks_come_in_the_order_of_the_tables(self):
        plans = chain_messages(3)
        decoder = Decoder([(0, plans)])
        frames = [(plan.can_id, "00" * plan.size) for plan in reversed(plans)]
        found = decoder.decode(block_of(*frames), ONE_BUS)
        assert [part.message.name for part in found] == [plan.name for plan in plans]

    def test_empty_blocks_and_empty_tables(self):
        assert Decoder([(0, chain_messages())]).decode(FrameBlock.empty(), np.zeros(0, np.uint8)) == []
        nothing = Decoder([])
        assert nothing.decode(block_of((1, "00")), ONE_BUS) == []
        assert (nothing.unknown, dict(nothing.counts)) == (1, {})

    def test_two_messages_of_one_identifier_are_refused(self):
        twins = [MessagePlan(name, 0x11, 1, (SignalPlan("X", 0, 8, False),)) for name in ("A", "B")]
        with pytest.raises(DefinitionError, match="B: identifier 0x11 is also that of A on this bus"):
            Decoder([(0, twins)])
