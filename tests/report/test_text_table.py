"""Plain text tables."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mixmon.report.text import Column, cell_width, number, table


@pytest.mark.parametrize(
    ("value", "decimals", "signed", "shown"),
    [
        (1.25, 1, False, "1.2"),  # ties go to even, IEEE 754
        (6.0, 1, True, "+6.0"),
        (-0.04, 1, True, "0.0"),
        (0.04, 1, True, "0.0"),
        (-0.06, 1, True, "-0.1"),
        (0.0, 0, True, "0"),
        (100, 0, True, "+100"),
        (-10.0, 0, False, "-10"),
        (math.nan, 2, True, "--"),
        (None, 2, False, "--"),
        (math.inf, 1, False, "inf"),
        (-math.inf, 1, True, "-inf"),
    ],
)
def test_number(value, decimals, signed, shown):
    assert number(value, decimals, signed=signed) == shown


NODES = (
    Column("pos"),
    Column("sensor", left=True),
    Column("rate Hz", decimals=2),
    Column("needs %", decimals=1, signed=True),
    Column("remark", left=True, wraps=True),
)


def test_numbers_stand_right_and_words_left():
    rows = [[1, "S-101", 100.0, 0.3, ""], [10, "気筒", 9.5, None, "slow"]]
    assert table(NODES, rows) == (
        "pos  sensor  rate Hz  needs %  remark\n"
        "  1  S-101    100.00     +0.3\n"
        " 10  気筒       9.50       --  slow\n"
    )


def test_a_wide_table_wraps_its_remark_and_loses_nothing():
    remark = "answers, but only every second frame arrives and its counter jumps by two each time"
    shown = table(NODES, [[1, "S-101", 50.0, 0.0, remark]])
    lines = shown.splitlines()
    assert max(map(cell_width, lines)) <= 80
    start = lines[0].index("remark")
    assert " ".join(line[start:] for line in lines[1:]) == remark


@given(st.lists(st.tuples(st.integers(0, 99), st.text(max_size=12), st.floats()), max_size=4))
def test_every_row_becomes_at_least_one_line_and_columns_line_up(rows):
    columns = (Column("n"), Column("name", left=True), Column("value", decimals=1))
    lines = table(columns, rows, width=400).splitlines()
    assert len(lines) == 1 + len(rows)
    assert len({cell_width(line) for line in lines}) == 1
