"""Text for a terminal."""

import pytest

from mixmon.report import text


@pytest.mark.parametrize(
    ("given", "shown"),
    [
        pytest.param("Alder 8", "Alder 8", id="plain words stay"),
        pytest.param("a\x1b[2Jb", "a\\x1b[2Jb", id="an escape sequence is shown and not obeyed"),
        pytest.param("two\nlines", "two\\nlines", id="a line break stays on the line"),
        pytest.param("\u202eabc", "\\u202eabc", id="a change of writing direction is shown"),
        pytest.param("λ é 気筒", "λ é 気筒", id="other alphabets stay"),
    ],
)
def test_names_from_files_cannot_command_the_terminal(given, shown):
    assert text.printable(given) == shown


@pytest.mark.parametrize(
    ("given", "columns"),
    [("abc", 3), ("λ", 1), ("気筒", 4), ("e\u0301", 1), ("ﾊﾝｶｸ", 4), ("\u200b", 0), ("", 0)],
)
def test_width_follows_unicode_annex_11(given, columns):
    # East_Asian_Width W and F take two columns, H one (Unicode Standard Annex #11)
    assert text.cell_width(given) == columns


def test_pad_counts_columns_and_not_characters():
    assert text.pad("気", 4, right=True) == "  気"
    assert text.pad("気", 4, right=False) == "気  "
    assert text.pad("longer", 3, right=True) == "longer"


def test_wrap_breaks_at_blanks_and_in_words_that_are_too_long():
    assert text.wrap("the node of position five", 10) == ["the node", "of", "position", "five"]
    assert text.wrap("unbreakable", 4) == ["unbr", "eaka", "ble"]
    assert text.wrap("a/folder/name.log", 10) == ["a/folder/", "name.log"]
    assert text.wrap("気筒", 3) == ["気", "筒"]
    assert text.wrap("", 4) == [""]


def test_counted_agrees_in_number_and_groups_thousands():
    assert text.counted(1, "node") == "1 node"
    assert text.counted(0, "node") == "0 nodes"
    assert text.counted(12480, "frame") == "12 480 frames"
    assert text.counted(2, "bus", "buses") == "2 buses"


def test_a_paragraph_fits_the_page_and_a_title_is_one_line():
    assert text.paragraph("one two three", 7) == "one two\nthree\n"
    assert text.paragraph("a\x1b[2Jb") == "a\\x1b[2Jb\n"
    assert text.title("CENSUS", "Alder\n8") == "CENSUS  Alder\\n8\n"
    assert text.title("CENSUS", "") == "CENSUS\n"


@pytest.mark.parametrize(
    ("half", "decimals", "shown"),
    [
        (0.31, 1, "0.3"),
        (0.05, 1, "0.1"),
        (0.049, 1, "<0.05"),
        (0.0, 1, "<0.05"),
        (0.2, 0, "<0.5"),
        (float("nan"), 1, "--"),
    ],
)
def test_half_of_an_interval_never_reads_as_zero(half, decimals, shown):
    assert text.half_width(half, decimals) == shown
    assert text.table([text.Column("±", decimals, is_half=True)], [(half,)]).split()[1] == shown
