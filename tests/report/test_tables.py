"""CSV: what is read back is what was written."""

import csv
import io
import math
import struct
from decimal import Decimal

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from mixmon.log import SignalValues
from mixmon.messages.plan import Quality
from mixmon.report.tables import long_header, long_lines, quoted, seconds


def values(rows, numbers, quality=None, raw=None, *, signal="Lambda", unit="lambda"):
    rows = np.asarray(rows, np.int64)
    numbers = np.asarray(numbers, np.float64)
    quality = np.zeros(len(rows), np.uint8) if quality is None else np.asarray(quality, np.uint8)
    raw = np.zeros(len(rows), np.int64) if raw is None else raw
    return SignalValues("can0", "Mix01_Fast", signal, unit, rows, numbers, quality, raw, rows)


def read(text, *, raw=False):
    return list(csv.DictReader(io.StringIO(long_header(raw=raw) + text)))


@given(st.lists(st.floats(), min_size=1, max_size=20))
def test_floats_read_back_bit_for_bit(numbers):
    text = long_lines(np.arange(len(numbers)), [values(range(len(numbers)), numbers)], raw=False)
    for row, number in zip(read(text), numbers, strict=True):
        back = float(row["value"])
        assert math.isnan(back) if math.isnan(number) else struct.pack("d", back) == struct.pack("d", number)


@given(st.integers(-(2**62), 2**62))
def test_time_reads_back_to_the_nanosecond(t):
    assert Decimal(seconds(np.array([t]))[0]) * 10**9 == t


@given(st.text(alphabet=st.characters(exclude_categories=["Cs"], exclude_characters="\0")))
def test_names_read_back_by_the_csv_module(name):
    text = long_lines(np.zeros(1, int), [values([0], [1.0], signal=name, unit=name)], raw=False)
    (row,) = csv.DictReader(io.StringIO(long_header(raw=False) + text, newline=""))
    assert [row[field].removeprefix("'") for field in ("signal", "unit")] == [name.removeprefix("'")] * 2


def test_what_is_not_good_is_empty_and_says_why():
    quality = [Quality.GOOD, Quality.NOT_AVAILABLE, Quality.ERROR, Quality.CORRUPT]
    text = long_lines(
        np.arange(4), [values(range(4), [0.9, math.nan, math.nan, math.nan], quality)], raw=False
    )
    assert [(r["value"], r["quality"]) for r in read(text)] == [
        ("0.9", "good"),
        ("", "not available"),
        ("", "error"),
        ("", "corrupt"),
    ]


def test_lines_follow_the_frames_and_within_a_frame_the_definitions():
    one = values([0, 2], [1.0, 2.0], signal="A")
    two = values([0, 2], [3.0, 4.0], signal="B")
    other = values([1], [5.0], signal="C")
    rows = read(long_lines(np.array([10, 20, 30]), [one, two, other], raw=False))
    assert [r["signal"] for r in rows] == ["A", "B", "C", "A", "B"]
    assert [r["t_s"][-2:] for r in rows] == ["10", "10", "20", "30", "30"]


def test_raw_values_are_exact_where_floats_are_not():
    big = np.array([2**64 - 1], np.uint64)
    rows = read(long_lines(np.zeros(1, int), [values([0], [float(2**64 - 1)], raw=big)], raw=True), raw=True)
    assert int(rows[0]["raw"]) == 2**64 - 1 != int(float(rows[0]["value"]))


def test_text_from_others_is_no_formula_and_numbers_stay_numbers():
    hostile = ["=1+1", "+1", "-1", "@SUM(1)", "\t=1", "\r=1", "\n=1", "=\n1"]
    for text in hostile:
        (row,) = read(long_lines(np.zeros(1, int), [values([0], [-1.5], signal=text)], raw=False))
        assert (row["signal"], row["value"]) == (f"'{text}", "-1.5")
    assert [quoted(text) for text in ("-", "%", "1/min", "a=b")] == ["-", "%", "1/min", "a=b"]


def test_quoting_follows_rfc_4180():
    assert [quoted(t) for t in ("plain", "", "a,b", 'say "x"', "two\nlines")] == [
        "plain",
        "",
        '"a,b"',
        '"say ""x"""',
        '"two\nlines"',
    ]
