"""Digits are as tall as the terminal asks for, and no two look alike."""

from itertools import combinations

import pytest

from mixmon.dashboard.digits import DIGIT_SIZES, arc_minutes, big, big_width, size_for

SHOWN = "0123456789+-."
STATE_LETTERS = "NOELKVRDAT"


@pytest.mark.parametrize(
    ("rows", "tall"), [(10, 3), (24, 3), (30, 3), (31, 5), (45, 5), (46, 7), (60, 7), (200, 7)]
)
def test_three_rows_up_to_thirty_five_up_to_forty_five_seven_above(rows, tall):
    assert size_for(rows) == tall


@pytest.mark.parametrize("plain", [False, True], ids=["half blocks", "ascii"])
@pytest.mark.parametrize("size", DIGIT_SIZES)
@pytest.mark.parametrize("text", ["", "7", "+5.3", "NO DATA", "1 6", "μ"])
def test_all_rows_are_equally_wide(text, size, plain):
    rows = big(text, size, ascii_only=plain)
    assert len(rows) == size
    assert {len(row) for row in rows} == {big_width(text, size)}
    assert not plain or all(row.isascii() for row in rows)


@pytest.mark.parametrize("plain", [False, True], ids=["half blocks", "ascii"])
@pytest.mark.parametrize("size", DIGIT_SIZES)
@pytest.mark.parametrize("alphabet", [SHOWN, STATE_LETTERS], ids=["digits", "letters"])
def test_no_two_characters_of_an_alphabet_look_alike(alphabet, size, plain):
    drawn = {char: big(char, size, ascii_only=plain) for char in alphabet}
    assert [(a, b) for a, b in combinations(alphabet, 2) if drawn[a] == drawn[b]] == []


def test_the_seven_segments_of_an_eight_are_the_frame_of_a_zero_and_its_middle():
    """A pixel is half a cell: three cells by six pixels, bars one pixel thick."""
    assert big("8", 3) == ("█▀█", "█▀█", "█▄█")
    assert big("0", 3) == ("█▀█", "█ █", "█▄█")


def test_large_digits_are_legible_from_two_metres_on_a_laptop():
    """16 minutes of arc at least (ISO 9241-3, second-hand); a 15.6-inch screen that the terminal fills."""
    assert all(arc_minutes(size_for(rows), rows, 15.6, 2.0) >= 16.0 for rows in range(10, 101))


def test_an_arc_minute_by_hand():
    """A row of 24 on 194.2 mm is 8.09 mm, a capital 0.6 of it: 4.85 mm; 4.85 / 600 x 3437.7 = 27.8."""
    assert arc_minutes(0.6, 24, 15.6, 0.6) == pytest.approx(27.8, abs=0.1)
