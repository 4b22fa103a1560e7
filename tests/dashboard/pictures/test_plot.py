"""The kit of pictures: what stands where, checked against places worked out by hand."""

import math

import numpy as np
import pytest
from dashboard.scenes import text
from hypothesis import given, settings
from hypothesis import strategies as st

from mixmon.dashboard.pictures.interval_bars import IntervalBar, interval_bars
from mixmon.dashboard.pictures.plot import Plot, Reach, reach_over
from mixmon.dashboard.text import row_width

NAN = math.nan


def drawn(plot, **words):
    """The field alone: rows between the scale and the axis."""
    return [line[6:] for line in text(plot.rows(**words))[:-2]]


def braille_rows(plot):
    """Dot rows, from the top, that are set in each column of dots."""
    field = drawn(plot)
    bits = [[ord(c) - 0x2800 if ord(c) >= 0x2800 else 0 for c in line] for line in field]
    order = ((0x01, 0x02, 0x04, 0x40), (0x08, 0x10, 0x20, 0x80))  # Unicode Standard: dots 1 2 3 7, 4 5 6 8
    return [
        [4 * y + d for y in range(len(bits)) for d in range(4) if bits[y][x // 2] & order[x % 2][d]]
        for x in range(2 * len(bits[0]))
    ]


def test_a_thick_line_stands_where_its_values_lie():
    """0 to 39 over 40 rows of dots, 0 to 19 over 20 columns: the value of column i is 2 i."""
    plot = Plot(Reach(0, 19), Reach(0, 39), 16, 12, ascii_only=False)
    plot.line(np.arange(20.0), 2 * np.arange(20.0), "text", bold=True)
    for column, rows in enumerate(braille_rows(plot)):
        assert 39 - 2 * column in rows
        assert set(rows) <= {39 - 2 * column + step for step in (-1, 0, 1, 2, 3)}


def test_a_dotted_line_has_half_of_the_dots_of_a_solid_one():
    counts = []
    for bold in (False, True):
        plot = Plot(Reach(0, 99), Reach(-1, 1), 56, 12, ascii_only=False)
        plot.line(np.array([0.0, 99.0]), np.array([0.0, 0.0]), "text", bold=bold)
        counts.append(sum(map(len, braille_rows(plot))))
    assert counts == [50, 200]  # one row of dots, every other one; two rows of dots


def test_a_gap_of_values_is_a_gap_of_the_line():
    plot = Plot(Reach(0, 9), Reach(-1, 1), 16, 7, ascii_only=True)
    plot.line(np.arange(10.0), np.array([0, 0, 0, NAN, NAN, NAN, 0, 0, 0, 0.0]), "text", bold=True)
    assert drawn(plot)[2] == "ooo   oooo"


def test_more_values_than_columns_keep_their_extremes():
    """One sample of a thousand stands out; its column reaches up to it."""
    y = np.zeros(1000)
    y[500] = 1.0
    plot = Plot(Reach(0, 999), Reach(-1, 1), 26, 7, ascii_only=True)
    plot.line(np.arange(1000.0), y, "text", bold=True)
    lines = drawn(plot)
    assert lines[2].count("o") == 20
    assert lines[0].index("o") == round(500 * 19 / 999)


def test_values_beyond_the_scale_stand_at_its_end():
    plot = Plot(Reach(0, 9), Reach(-1, 1), 16, 7, ascii_only=True)
    plot.line(np.arange(10.0), np.full(10, 50.0), "text", bold=True)
    assert drawn(plot)[0] == "oooooooooo"


def test_the_scale_names_round_numbers_at_their_rows():
    plot = Plot(Reach(-4, 4), Reach(-4.5, 4.5), 60, 20, ascii_only=True)
    plot.level(2.0, "-", "rule")
    lines = text(plot.rows())
    marked = {line[:4].strip(): i for i, line in enumerate(lines[:-2]) if line[:4].strip()}
    assert list(marked) == ["4", "2", "0", "-2", "-4"]
    assert lines[marked["2"]].count("-") == 54  # the line across at 2


def test_labels_that_meet_stand_apart_in_the_order_of_their_values():
    plot = Plot(Reach(0, 9), Reach(-1, 1), 30, 8, ascii_only=True, edge=8)
    for value, name in ((0.02, "3"), (0.01, "2"), (0.0, "1")):
        plot.label(value, name, "text")
    found = [line[-8:].split() for line in text(plot.rows())[:-2]]
    assert [name for names in found for name in names] == ["3", "2", "1"]


def test_labels_stay_within_the_picture_and_share_rows_where_they_are_many():
    plot = Plot(Reach(0, 9), Reach(-1, 1), 30, 7, ascii_only=True, edge=8)
    for number in range(12):
        plot.label(-1.0 + 0.001 * number, str(number), "text")
    found = [line[-8:].split() for line in text(plot.rows())[:-2]]
    assert [name for names in found for name in names] == [str(number) for number in reversed(range(12))]
    assert max(map(len, found)) == 3  # twelve labels in five rows


def test_a_label_of_a_thick_line_stays_at_its_line():
    plot = Plot(Reach(0, 9), Reach(-1, 1), 30, 13, ascii_only=True, edge=8)
    for value, style in ((0.03, "text"), (0.02, "text"), (0.01, "strong"), (0.0, "text")):
        plot.label(value, f"{value}", style)
    lines = text(plot.rows())[:-2]
    assert "0.01" in lines[5]  # the middle of eleven rows


def test_what_was_not_counted_is_hatched_between_its_speeds():
    plot = Plot(Reach(0, 9), Reach(-1, 1), 16, 7, ascii_only=True)
    plot.hatch(3.0, 6.0, 0.0, "#", "text")
    assert drawn(plot)[2] == "   ####   "


numbers = st.floats(-1e6, 1e6) | st.sampled_from((NAN, math.inf, -math.inf))


@settings(max_examples=25, deadline=None)
@given(
    st.lists(st.tuples(numbers, numbers), max_size=20),
    st.integers(8, 90),
    st.integers(3, 25),
    st.booleans(),
    st.booleans(),
)
def test_every_picture_has_the_size_that_was_asked_for(points, columns, height, ascii_only, bold):
    x, y = np.array(points, np.float64).reshape(-1, 2).T
    plot = Plot(Reach(-10, 10), Reach(-3, 3), columns, height, ascii_only=ascii_only, edge=1)
    plot.line(np.sort(x), y, "text", bold=bold)
    plot.points(x, y, "text", "o")
    rows = plot.rows(unit="rpm")
    assert len(rows) == height
    assert {row_width(row) for row in rows} == {max(columns, 8)}
    assert not ascii_only or all(line.isascii() for line in text(rows))


def test_a_scale_has_room_about_its_values_and_is_never_empty():
    reach = reach_over([1.0, 1.0, NAN], 2.0)
    assert (reach.low, reach.high) == (0.0, 2.0)
    assert reach_over([NAN, math.inf], 2.0) is None


# Bars.


def bars(width=60, **options):
    shown = [
        IntervalBar("3", 5.0, 4.0, 6.0, bold=True),
        IntervalBar("10", -2.0, -2.5, -1.5),
        IntervalBar("2", NAN, NAN, NAN, words="no data"),
    ]
    return text(interval_bars(shown, width, 12, ascii_only=True, **options))


def test_a_bar_spans_its_interval_with_the_point_between():
    """The scale from -2.5 to 6 with 6 % of room: -3.01 to 6.51, on 34 cells."""
    lines = [line for line in bars() if "[" in line]
    field = 60 - 5 - 20
    cell = [round((x + 3.01) / 9.52 * (field - 1)) for x in (4.0, 5.0, 6.0)]
    assert [lines[0].index(c) - 5 for c in "[o]"] == cell
    assert lines[0].split()[-2:] == ["+5.0", "+-1.0"]
    assert lines[1].split()[0] == "10"


def test_a_bar_without_a_number_says_why():
    assert any("--" in line and "no data" in line for line in bars())


def test_a_prediction_is_a_hollow_point_below():
    shown = [IntervalBar("3", 5.0, 4.0, 6.0, after=(0.2, -0.2, 0.6))]
    lines = text(interval_bars(shown, 60, 5, ascii_only=True))
    assert ["o" in line for line in lines[1:3]] == [True, False]
    assert ["x" in line for line in lines[1:3]] == [False, True]
    assert lines[2].split()[-2:] == ["+0.2", "+-0.4"]


@pytest.mark.parametrize("width", [1, 10, 40, 80, 200])
def test_bars_fill_their_width(width):
    assert {len(line) for line in bars(width)} == {width}


def test_nothing_known_is_said():
    assert (
        "nothing known yet"
        in text(interval_bars([IntervalBar("1", NAN, NAN, NAN)], 40, 5, ascii_only=True))[0]
    )


def test_without_room_for_pairs_what_will_be_is_a_point_in_the_same_row():
    shown = [IntervalBar(str(i), 5.0, 4.0, 6.0, after=(-2.0, -2.4, -1.6)) for i in range(6)]
    lines = text(interval_bars(shown, 60, 8, ascii_only=True))
    assert [("o" in line, "x" in line) for line in lines[1:7]] == [(True, True)] * 6
    assert all(line.index("x") < line.index("[") for line in lines[1:7])


def test_bars_that_have_no_room_are_counted():
    shown = [IntervalBar(str(i), 5.0, 4.0, 6.0) for i in range(9)]
    lines = text(interval_bars(shown, 60, 6, ascii_only=True))
    assert len(lines) == 6
    assert "5 more: a higher terminal shows them" in lines[-1]  # a scale and four bars of nine
