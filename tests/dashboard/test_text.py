"""Rows keep their width whatever they are made of."""

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.cells import cell_len

from mixmon.dashboard.text import (
    beside,
    blank,
    clean,
    fit,
    fit_row,
    padded,
    row_width,
    split_row,
    width,
    wrap,
)

STATE_WORDS = st.text(max_size=30)
ROWS = st.lists(st.tuples(STATE_WORDS.map(clean), st.sampled_from(("text", "dim"))), max_size=5).map(tuple)


def test_width_is_what_the_terminal_library_says_for_every_character_that_is_let_through():
    """Against rich.cells, whose table is made from Unicode's own files."""
    shown = {clean(chr(code)) for code in range(0x20, 0x10000)}
    differ = {char for char in shown if len(char) == 1 and width(char) != cell_len(char)}
    assert not differ


@given(STATE_WORDS)
def test_clean_text_has_nothing_that_a_terminal_obeys_or_draws_without_width(words):
    text = clean(words)
    assert text.isprintable()
    assert width(text) == sum(cell_len(char) for char in text)


@pytest.mark.parametrize(
    ("written", "shown"),
    [
        ("Alder 8", "Alder 8"),
        ("\x1b[2Jgone", "?[2Jgone"),
        ("line\nbreak", "line?break"),
        ("e\u0301chappement", "échappement"),
        ("\u202ereversed", "?reversed"),
        ("zero\u200bwidth", "zero?width"),
        ("🏁", "?"),
        ("エンジン", "エンジン"),
    ],
)
def test_foreign_names_cannot_command_the_terminal(written, shown):
    assert clean(written) == shown


@given(STATE_WORDS, st.integers(0, 40), st.booleans())
def test_fit_gives_exactly_the_cells_asked_for(words, columns, right):
    assert width(fit(words, columns, right=right)) == columns


@given(ROWS, st.integers(0, 60))
def test_a_row_is_fitted_to_the_cell(row, columns):
    assert row_width(fit_row(row, columns)) == columns


@given(ROWS, ROWS, st.integers(0, 60))
def test_what_stands_right_is_kept_and_the_left_is_cut(left, right, columns):
    row = split_row(left, right, columns)
    assert row_width(row) == columns
    if row_width(right) <= columns:
        kept = "".join(text for text, _ in right)
        assert "".join(text for text, _ in row).endswith(kept)


def test_what_is_cut_shows_that_it_is_and_a_blank_end_is_not_cut():
    assert fit_row([("lean under load", "text")], 8) == (("lean un~", "text"),)
    assert fit_row([("lean    ", "text")], 6) == (("lean  ", "text"),)


@given(STATE_WORDS, st.integers(1, 40))
def test_wrapped_lines_fit_and_lose_nothing(words, columns):
    lines = wrap(words, columns)
    assert "".join(lines).replace(" ", "") == "".join(clean(words).split())
    assert all(width(line) <= max(columns, 2) for line in lines)  # one wide character takes two


def test_blocks_beside_each_other_are_filled_up():
    rows = beside([([(("ab", "text"),)], 2), ([], 1), ([(("c", "dim"),), (("d", "dim"),)], 1)], 3)
    assert ["".join(text for text, _ in row) for row in rows] == ["ab c", "   d", "    "]


def test_a_page_is_padded_and_cut_to_its_height():
    assert padded([(("a", "text"),)], 3, 2) == [(("a", "text"), ("  ", "text")), blank(3)]
    assert padded([blank(3)] * 5, 3, 2) == [blank(3)] * 2


def test_every_character_is_as_wide_as_unicode_says():
    """Unicode Standard Annex #11 by the standard library: W and F take two cells."""
    for code in (c for c in range(0x20, 0x10000) if chr(c).isprintable()):
        char = chr(code)
        assert width(char) == (2 if unicodedata.east_asian_width(char) in {"W", "F"} else 1), hex(code)
