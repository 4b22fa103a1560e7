"""Every character at every place of a word, against Python's own idea of digits."""

import string

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from mixmon.frames.candump_fast import (
    BYTES_BEFORE,
    BYTES_BEHIND,
    Regions,
    StampLayout,
    as_words,
    decimal,
    fetch,
    filled,
    hex_bytes,
    unlike,
)
from mixmon.frames.candump_line import LAST_SECOND

GOOD = b"90817263"
ANY_WORD = st.one_of(
    st.binary(min_size=8, max_size=8), st.text("0123456789/:", min_size=8, max_size=8).map(str.encode)
)


def word(text: bytes) -> np.ndarray:
    return np.frombuffer(text, np.uint64)


@pytest.mark.parametrize("place", range(8))
def test_each_character_is_a_digit_or_a_fault(place: int) -> None:
    texts = [GOOD[:place] + bytes([char]) + GOOD[place + 1 :] for char in range(256)]
    numbers, decimal_faults = decimal(word(b"".join(texts)))
    values, hex_faults = hex_bytes(word(b"".join(texts)).reshape(-1, 1))
    for char, text in enumerate(texts):
        assert (decimal_faults[char] == 0) == (chr(char) in string.digits)
        assert (hex_faults[char, 0] == 0) == (chr(char) in string.hexdigits)
        if chr(char) in string.digits:
            assert numbers[char] == int(text)
        if chr(char) in string.hexdigits:
            assert values[char].tobytes() == bytes.fromhex(text.decode())


@given(ANY_WORD)
def test_a_word_is_right_if_all_its_characters_are(text: bytes) -> None:
    number, faults = decimal(word(text))
    assert (faults[0] == 0) == all(chr(char) in string.digits for char in text)
    if faults[0] == 0:
        assert number[0] == int(text)


def test_filling_leaves_the_field_and_puts_zeros_elsewhere() -> None:
    assert filled(word(b"12345678"), word(b"\xff\xff\0\xff\0\0\0\xff")).tobytes() == b"12040008"


def test_words_of_a_text_begin_at_any_byte() -> None:
    text = bytes(range(64))
    at = np.array([0, 1, 7, 30, 39])
    for words in (1, 2, 3):
        found = fetch(np.frombuffer(text, np.uint8), at, words)
        assert [row.tobytes() for row in found] == [text[i : i + 8 * words] for i in at.tolist()]


def test_a_word_is_unlike_a_pattern_by_any_character_but_those_it_leaves_open() -> None:
    pattern = b"ab\0d, and\0on"
    for text, like in ((b"ab\0d, and\0on", True), (b"abXd, and.on", True), (b"abXd, and.oN", False)):
        words = as_words(text.ljust(16, b"\0")).reshape(1, 2)
        assert bool(unlike(words, pattern)[0] == 0) is like
    assert as_words(b"123456789").tobytes() == b"123456789" + bytes(7)


@pytest.mark.parametrize("seconds", range(1, 16))
def test_stamps_of_every_layout_are_those_of_whole_numbers(seconds: int) -> None:
    """Seconds filled up with zeros where they are longer than any stamp can be."""
    upper = "17" if seconds >= 10 else "1" if seconds == 9 else ""
    low = min(seconds, 8)
    for fraction in range(1, 10):
        values = [(0, 0), (10**low - 1, 10**fraction - 1), (12345678 % 10**low, 987654321 % 10**fraction)]
        written = [(upper + f"{s:0{low}d}").rjust(seconds, "0") + f".{f:0{fraction}d}" for s, f in values]
        lines = [f"({stamp})".encode() for stamp in written]
        layout = StampLayout.of(lines[0])
        assert layout is not None
        assert layout.length == len(lines[0])
        text = bytes(BYTES_BEFORE) + b"".join(lines) + bytes(BYTES_BEHIND)
        t, valid = layout.read(np.frombuffer(text, np.uint8), BYTES_BEFORE + np.arange(3) * layout.length)
        assert valid.all()
        expected = [int(a) * 10**9 + int(b.ljust(9, "0")) for a, b in (w.split(".") for w in written)]
        assert t.tolist() == expected


@pytest.mark.parametrize("place", range(len(b"(1700000000.123456)")))
def test_a_stamp_with_any_other_character_has_another_layout(place: int) -> None:
    line = b"(1700000000.123456)"
    layout = StampLayout.of(line)
    assert layout is not None
    changed = line[:place] + b"x" + line[place + 1 :]
    text = np.frombuffer(bytes(BYTES_BEFORE) + changed + bytes(BYTES_BEHIND), np.uint8)
    assert not layout.read(text, np.array([BYTES_BEFORE]))[1][0]


def test_a_layout_is_one_whose_every_stamp_can_be_kept() -> None:
    """Of the last hundred million seconds not all are stamps: those lines are read one by one."""
    last = LAST_SECOND // 10**8 * 10**8
    assert StampLayout.of(b"(%d.5)" % last) is None
    assert StampLayout.of(b"(%d.5)" % (last - 1)) == StampLayout(10, 1, b"%d" % (last // 10**8 - 1))
    for line in (b"", b"1.5)", b"(1)", b"(1.)", b"(.5)", b"(1.1234567890)", b"(0000000000000001.5)"):
        assert StampLayout.of(line) is None


def found_in(regions: Regions, *texts: bytes) -> list[tuple[int, int]]:
    """Number and length of the region with which each text begins."""
    lines = [text.ljust(40) for text in texts]
    body = np.frombuffer(b"".join(lines) + bytes(BYTES_BEHIND), np.uint8)
    numbers, lengths = regions.find(body, 40 * np.arange(len(lines)))
    return list(zip(numbers.tolist(), lengths.tolist(), strict=True))


def test_regions_are_found_once_learned_and_the_longer_one_wins() -> None:
    for order in (b" can0 ", b" can0  "), (b" can0  ", b" can0 "):
        regions = Regions()
        assert found_in(regions, b" can0 123#") == [(0, 0)]
        for region in order:
            regions.learn(b"(1.0)" + region + b"123#", len(region))
        regions.learn(b"(1.0) can0 123#", 99)  # known already
        assert found_in(regions, b" can0 123#", b" can0  123#", b" can1 1#") == [(6, 6), (7, 7), (0, 0)]


def test_regions_of_32_characters_are_compared_and_of_33_are_not() -> None:
    regions = Regions()
    for length in (32, 33):
        region = b" " + b"a" * (length - 2) + b" "
        regions.learn(b"(1.0)" + region + b"123#", 5)
        assert found_in(regions, region + b"123#") == [(5, 32) if length == 32 else (0, 0)]


def test_as_many_regions_are_learned_as_a_block_has_numbers() -> None:
    regions = Regions()
    names = [b" x%d " % number for number in range(257)]
    for number, name in enumerate(names):
        regions.learn(b"(1.0)" + name + b"1#", number % 256)
    found = found_in(regions, *names)
    assert found[:256] == [(number, len(name)) for number, name in enumerate(names[:256])]
    assert found[256] == (0, 0)
