"""Every character at every place of a word, against Python's own idea of digits."""

import string

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from mixmon.frames.candump_fast import decimal, filled, hex_bytes

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
