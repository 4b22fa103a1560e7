"""Message definition files: what is taken how, what is told, what is refused. Broken lines: test_dbc.py."""

from itertools import permutations
from pathlib import Path

import pytest

from mixmon.errors import DefinitionError
from mixmon.frames.block import EXTENDED
from mixmon.messages.database import load_database
from mixmon.messages.plan import Protection, Selector, j1939

ZOO = Path(__file__).parent / "zoo"


def zoo(name):
    return load_database(ZOO / name)


EVERY = "decoded in every frame"
NOTICES = {
    "overlapping.dbc": [
        (
            "line 6: Overlap: Whole and Low, Whole and Big, Whole and Again and others share bits; "
            "correct them if not meant; all are decoded"
        )
    ],
    "leaving.dbc": [
        "line 6: Leaving.HalfOut: needs 3 bytes, its message has 2; correct one of the two; always missing",
        "line 7: Leaving.Out: needs 4 bytes, its message has 2; correct one of the two; always missing",
    ],
    "duplicates.dbc": [
        (
            "line 4: First (1B8): has the identifier of Second, which comes later and is used; correct one; "
            "omitted"
        ),
        "line 8: Twin (1B9): another message has the name; rename one; called Twin_1B9",
        "line 10: Twin (1BA): another message has the name; rename one; called Twin_1BA",
    ],
    "odd_numbers.dbc": [
        "line 8: Odd.Zero: factor 0; write another; the value is always 5",
        "line 9: Odd.Reversed: minimum 9 above maximum 1; write the smaller first; no range is assumed",
    ],
    "lost_multiplex.dbc": [
        (
            "line 7: TwoSwitches.Child: marked m1, but of 2 multiplexers none is named by SG_MUL_VAL_; "
            f"write one; {EVERY}"
        ),
        "line 11: SameName.Value: defined twice; expected each name once; delete one; the last is used",
        f"line 13: Circle.One: depends on itself by SG_MUL_VAL_; correct the statement; {EVERY}",
        f"line 14: Circle.Other: depends on itself by SG_MUL_VAL_; correct the statement; {EVERY}",
        (
            "line 17: TwoSwitches: SG_MUL_VAL_ names Nobody, not a signal of it; correct or delete the "
            "statement; ignored"
        ),
    ],
    "protected.dbc": [
        (
            "line 11: Misnamed: ChecksumAlgo CRC8_J1850, ChecksumSignal Value: not a known checksum in a "
            "byte of every frame; correct them; not checked"
        ),
        (
            "line 11: Misnamed: CounterSignal Missing is no unsigned signal of every frame; name one; not "
            "checked"
        ),
    ],
}


@pytest.mark.parametrize("path", sorted(ZOO.glob("*.dbc")), ids=lambda path: path.stem)
def test_what_is_odd_is_reported_and_nothing_else(path):
    assert list(map(str, load_database(path).notices)) == NOTICES.get(path.name, [])


def test_the_zoo_is_not_empty():
    assert len(list(ZOO.glob("*.dbc"))) >= 20


class TestTaken:
    def test_text_in_either_character_set(self):
        old = zoo("old_text.dbc").messages[0].signals[0]
        assert (old.unit, old.comment) == ("°C", "Wärme €")
        assert zoo("marked_text.dbc").messages[0].signals[0].unit == "°C"
        assert zoo("unicode_text.dbc").messages[0].signals[0].unit == "µV"

    def test_long_names_win_and_comments_may_hold_anything(self):
        [message] = zoo("long_names.dbc").messages
        assert message.name == "Msg_With_A_Very_Long_Name_Cut_Off_By_The_Format"
        selector, payload = message.signals
        assert payload.selectors == (Selector(selector.name, ((1, 1),)),)
        assert payload.comment == 'says "SG_ X m2 : 0|8" // and more\non a second line'
        assert payload.initial == 7

    def test_identifiers_of_both_lengths_and_no_message_for_orphans(self):
        short, extended = zoo("same_number.dbc").messages
        assert (short.can_id, extended.can_id) == (291, 291 | EXTENDED)

    def test_ranges_are_kept_whole_however_wide(self):
        family = zoo("two_parents.dbc").message("Family")
        assert family.signal("Wide").selectors == (Selector("Upper", ((0, 4294967295),)),)
        assert family.signal("Child").selectors == (
            Selector("Upper", ((1, 2),)),
            Selector("Lower", ((7, 7),)),
        )

    def test_no_range_is_declared_in_two_ways(self):
        odd = zoo("odd_numbers.dbc").message("Odd")
        for name in ("Tenth", "NoRange"):
            assert (odd.signal(name).minimum, odd.signal(name).maximum) == (None, None)
        assert (odd.signal("Third").minimum, odd.signal("Third").maximum) == (-10.0, 10.0)

    def test_cycle_times_and_their_default(self):
        database = zoo("protected.dbc")
        assert [message.cycle_ns for message in database.messages] == [20_000_000, None, 250_000_000]
        assert zoo("signed_bits.dbc").messages[0].cycle_ns is None

    def test_protection_by_own_attributes(self):
        database = zoo("protected.dbc")
        assert [message.protection for message in database.messages] == [
            Protection("Rolling", "Check", "CRC8_1D", 291),
            Protection(None, "Check", "XOR8", None),
            Protection(),
        ]

    def test_first_of_two_same_named_signals_gives_way(self):
        value = zoo("lost_multiplex.dbc").message("SameName").signal("Value")
        assert (value.start, value.selectors) == (16, (Selector("Page", ((1, 1),)),))

    def test_a_message_that_is_not_there(self):
        with pytest.raises(KeyError, match="Nobody"):
            zoo("signed_bits.dbc").message("Nobody")


# highest valid raw value by width: SAE J1939-71 as in asammdf's bus_logging_utils
J1939_HIGHEST = [
    *((4, 0xA), (8, 0xFA), (10, 0x3FA), (12, 0xFAF), (16, 0xFAFF), (20, 0xFAFFF)),
    *((24, 0xFAFFFF), (28, 0xFAFFFFF), (32, 0xFAFFFFFF)),
]


@pytest.mark.parametrize(("length", "highest"), J1939_HIGHEST)
def test_j1939_codes_begin_above_the_highest_valid_value(length, highest):
    [(absent, end)], [(error, last)] = j1939(length)
    assert (error, last + 1, end) == (highest + 1, absent, 2**length - 1)


def test_j1939_codes_of_sixteen_bits_and_of_odd_widths():
    # 0xFExx error, 0xFFxx not available
    assert j1939(16) == (((0xFF00, 0xFFFF),), ((0xFB00, 0xFEFF),))
    assert j1939(2) == (((3, 3),), ((2, 2),))
    assert j1939(13) == j1939(1) == ((), ())


REFUSED = [
    ('VERSION "1"\n', " no message is defined; expected at least one BO_ entry"),
    ("BO_ 1 Big: 9000 X\n", " no message is defined.*; line 1: Big: 9000 bytes do not fit"),
    ("", " the file is empty; expected message definitions as text"),
    (" \n\t\n", " the file is empty"),
    ("\x00\x01BO_", " the file holds zero bytes"),
    ("hello world\n", " no message is defined.*; line 1: 'hello world' is no statement"),
]


@pytest.mark.parametrize(("text", "expected"), REFUSED)
def test_a_file_without_a_message_is_refused(tmp_path, text, expected):
    path = tmp_path / "odd.dbc"
    path.write_text(text)
    with pytest.raises(DefinitionError, match=rf"odd\.dbc:(?:{expected})") as caught:
        load_database(path)
    assert str(caught.value).count(";") >= 2


@pytest.mark.parametrize("name", ["missing.dbc", "."])
def test_files_that_cannot_be_opened(tmp_path, name):
    with pytest.raises(DefinitionError, match="expected a message definition file"):
        load_database(tmp_path / name)


def test_signals_and_messages_too_big_for_a_frame_are_left_out(tmp_path):
    path = tmp_path / "big.dbc"
    path.write_text(
        'BO_ 1 Wide: 64 X\n SG_ Blob : 0|100@1+ (1,0) [0|0] "" Y\n SG_ Rest : 100|8@1+ (1,0) [0|0] "" Y\n'
        'BO_ 2 Long: 100 X\n SG_ A : 0|8@1+ (1,0) [0|0] "" Y\n'
    )
    database = load_database(path)
    assert [signal.name for signal in database.message("Wide").signals] == ["Rest"]
    assert list(map(str, database.notices)) == [
        "line 2: Wide.Blob: 100 bits are more than a number can have (64); shorten it if it is one; omitted",
        "line 4: Long: 100 bytes do not fit into one frame; omitted",
    ]


KCD = """<NetworkDefinition xmlns="http://kayak.2codeornot2code.org/1.0"><Document/><Bus name="b">
<Message id="0x10" length="3" name="M"><Multiplex name="Page" offset="0" length="8">
<MuxGroup count="1"><Signal name="X" offset="8" length="8"/></MuxGroup>
<MuxGroup count="2"><Signal name="X2" offset="8" length="8"/></MuxGroup></Multiplex>
</Message></Bus></NetworkDefinition>"""


def test_other_formats_work_as_far_as_the_library_goes(tmp_path):
    path = tmp_path / "other.kcd"
    path.write_text(KCD)
    message = load_database(path).message("M")
    assert message.signal("X2").selectors == (Selector("Page", ((2, 2),)),)
    path.write_text("<NetworkDefinition")
    with pytest.raises(DefinitionError, match=r"other\.kcd"):
        load_database(path)


def test_the_library_keeps_quiet(capfd):
    zoo("duplicates.dbc")
    assert capfd.readouterr() == ("", "")


@pytest.mark.parametrize("order", sorted(set(permutations(["M", "M", "M_100", "M_101"]))), ids="-".join)
def test_a_name_made_for_a_duplicate_is_nobody_elses(tmp_path: Path, order: tuple[str, ...]) -> None:
    path = tmp_path / "names.dbc"
    path.write_text(
        "".join(
            f'BO_ {0x100 + i} {name}: 8 X\n SG_ S : 0|8@1+ (1,0) [0|0] "" X\n' for i, name in enumerate(order)
        )
    )
    found = load_database(path)
    assert len({plan.name for plan in found.messages}) == len(found.messages) == 4
    told = [notice for notice in map(str, found.notices) if "another message has the name" in notice]
    assert len(told) == 2


def message_text(size, signals, ranges=()):
    """A DBC text with one message; `signals` are name, marker, first bit and length."""
    lines = [f' SG_ {name}{mark} : {bit}|{length}@1+ (1,0) [0|0] "" X' for name, mark, bit, length in signals]
    return "\n".join(['VERSION ""', f"BO_ 100 M: {size} X", *lines, "", *ranges, ""])


def notices_of(path, text):
    path.write_text(text)
    return [str(notice) for notice in load_database(path).notices]


def test_a_pair_beside_very_many_branches_is_told(tmp_path):
    """Compared anew in each of the branches, it took minutes."""
    beside = [(f"P{i}", "", 20 + i, 1) for i in range(480)]
    branches = [(f"B{i}", f" m{i}", 505, 4) for i in range(5_000)]
    signals = [("Mux", " M", 0, 16), *beside, ("Q", "", 21, 1), *branches]
    told = "share bits; correct them if not meant; all are decoded"
    assert notices_of(tmp_path / "a.dbc", message_text(64, signals)) == [f"line 484: M: P1 and Q {told}"]


def test_more_branches_than_can_be_compared_are_told(tmp_path):
    signals = [("Mux", " M", 0, 16), *((f"B{i}", f" m{i}", 16 + i % 480, 1) for i in range(1_500))]
    ranges = [f"SG_MUL_VAL_ 100 B{i} Mux {i}-{i + 1_000};" for i in range(1_500)]
    told = "has too many branches for all to be compared; some may share bits unsaid; all are decoded"
    assert notices_of(tmp_path / "a.dbc", message_text(64, signals, ranges)) == [f"line 3: M: {told}"]


def test_multiplexers_in_a_long_row_are_omitted(tmp_path):
    count = 3_000  # more than Python calls one within the other
    signals = [("M0", " M", 0, 1), *((f"M{i}", " m0M", i % 480, 1) for i in range(1, count))]
    ranges = [f"SG_MUL_VAL_ 100 M{i} M{i - 1} 0-0;" for i in range(1, count)]
    told = "depends on more than 8 multiplexers, one by the other; expected less; omitted"
    found = notices_of(tmp_path / "a.dbc", message_text(64, signals, ranges))
    assert found == [f"line {i + 3}: M.M{i}: {told}" for i in range(9, count)]
    (message,) = load_database(tmp_path / "a.dbc").messages
    assert [signal.name for signal in message.signals] == [f"M{i}" for i in range(9)]


def test_many_multiplexers_side_by_side_are_no_long_row(tmp_path):
    switches = [(f"S{i}", " M", i % 480, 1) for i in range(1_050)]
    signals = [*switches, *((f"V{i}", " m0", i % 480, 1) for i in range(1_050))]
    ranges = [f"SG_MUL_VAL_ 100 V{i} S{i} 0-0;" for i in range(1_050)]
    (told,) = notices_of(tmp_path / "a.dbc", message_text(64, signals, ranges))
    assert "share bits" in told
