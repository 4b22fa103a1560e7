"""Tables as other instruments write them: what is read, what is counted, what is refused."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from asammdf import MDF, Signal

from mixmon.beside.source import read_source
from mixmon.errors import SourceError


def read(tmp_path: Path, text: str | bytes, time: str | None = None, name: str = "table.csv"):
    path = tmp_path / name
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return read_source(path, time)


@pytest.mark.parametrize(
    "text",
    [
        "Time,Torque\n0.0,10.5\n0.5,11.5\n1.0,12.5\n",
        "Time [s];Torque [Nm]\n0,0;10,5\n0,5;11,5\n1,0;12,5\n",
        "Time\tTorque\ns\tNm\n0.0\t10.5\n0.5\t11.5\n1.0\t12.5\n",
        "\ufeffTime;Torque\r\n[s];[Nm]\r\n0,0;10,5\r\n0,5;11,5\r\n1,0;12,5\r\n",
        "Cell 4, sheet 9\nOperator: shop\n\nTime,Torque\ns,Nm\n0.0,10.5\n0.5,11.5\n1.0,12.5\n",
        "Time (ms),Torque\n0,10.5\n500,11.5\n1000,12.5\n",
        "time_ms,Torque\n0,10.5\n500,11.5\n1000,12.5\n",
        "Time,Torque\n23:59:59.5,10.5\n00:00:00.0,11.5\n00:00:00.5,12.5\n",
        "Time;Torque\n01.02.2026 10:00:00,0;10,5\n01.02.2026 10:00:00,5;11,5\n01.02.2026 10:00:01,0;12,5\n",
    ],
)
def test_habits_of_csv_give_the_same_numbers(tmp_path, text):
    table = read(tmp_path, text)
    np.testing.assert_allclose(table.t - table.t[0], [0, 0.5, 1.0], atol=1e-9)
    assert [column.name for column in table.columns] == ["Torque"]
    np.testing.assert_allclose(table.columns[0].values, [10.5, 11.5, 12.5])
    assert not table.absolute
    assert (table.unread, table.behind) == ({}, 0)


@pytest.mark.parametrize(
    ("times", "first"),
    [
        (["2026-02-01T10:00:00Z", "2026-02-01T10:00:00.500Z", "2026-02-01T10:00:01+00:00"], 1769940000.0),
        (
            ["2026-02-01 12:00:00+02:00", "2026-02-01 12:00:00.5+02:00", "2026-02-01 12:00:01+02:00"],
            1769940000.0,
        ),
        (["1769940000", "1769940000.5", "1769940001"], 1769940000.0),
        (["1769940000000", "1769940000500", "1769940001000"], 1769940000.0),
    ],
)
def test_calendar_times_with_a_zone_and_large_numbers_count_from_1970(tmp_path, times, first):
    table = read(tmp_path, "time,x\n" + "".join(f"{t},{i}\n" for i, t in enumerate(times)))
    assert table.absolute
    np.testing.assert_allclose(table.t, first + np.array([0, 0.5, 1.0]), atol=1e-6)


def test_windows_text_and_utf_16_are_read(tmp_path):
    text = "Time [s];Öltemperatur [°C]\n0,0;80,5\n0,5;81\n"
    for data in (text.encode("cp1252"), text.encode("utf-16")):
        table = read(tmp_path, data)
        assert (table.columns[0].name, table.columns[0].unit) == ("Öltemperatur", "°C")
        assert table.columns[0].values.tolist() == [80.5, 81.0]


def test_holes_are_not_known_and_words_in_numbers_are_counted(tmp_path):
    table = read(tmp_path, "t,a,b\n0,1,1\n1,NaN,ERR\n2,,3\n3,-,1.000.5\n4,inf,5\n")
    a, b = table.columns
    assert np.isnan(a.values[1:]).all()
    assert np.isnan(b.values[[1, 3]]).all()
    assert table.unread == {"a": 1, "b": 2}


@pytest.mark.parametrize(
    ("text", "rpm"),
    [
        ("t;rpm\n0.0;1,234\n0.5;2,000\n1.0;950\n", [1234, 2000, 950]),
        ("t;rpm\n0,0;1.234,5\n0,5;2.000,0\n1,0;950,5\n", [1234.5, 2000, 950.5]),
        ("t;rpm\n0;1.234\n1;2.000\n2;950,5\n", [1234, 2000, 950.5]),
        ('t,rpm\n0,"1,234.5"\n1,"12,000"\n2,950\n', [1234.5, 12000, 950]),
        ("t;rpm\n0;1 234\n1;2\u202f000\n2;3'000\n", [1234, 2000, 3000]),
        ("t;rpm;x\n0;1,234;1\n1;2,000;1\n2;950;1\n", [np.nan, np.nan, 950]),
        ("t;rpm\n0.0;1,5\n0.5;1,6\n1.0;2\n", [np.nan, np.nan, 2]),
    ],
)
def test_commas_and_points_are_decimal_signs_or_part_thousands_as_the_table_shows(tmp_path, text, rpm):
    np.testing.assert_array_equal(read(tmp_path, text).columns[0].values, rpm)


@pytest.mark.parametrize(
    "text",
    [
        "# made by hand\n# Time,Torque\n# s,Nm\n0.0,10.5\n# a mark\n0.5,11.5\n1.0,12.5\n",
        "Time,Torque\ns,N.m of the shaft\n0.0,10.5\n0.5,11.5\n1.0,12.5\n",
        "Time,Torque\n09:59.5,10.5\n10:00.0,11.5\n10:00.5,12.5\n",
        "Time,Torque\n1769940000000000,10.5\n1769940000500000,11.5\n1769940001000000,12.5\n",
        "Time,Torque,x\n0.0,10.5,---\n0.5,11.5,#N/A\n1.0,12.5,#DIV/0!\n",
        'Time,Torque,said\n0.0,10.5,"not closed\n0.5,11.5,\n1.0,12.5,\n',
        "Time,Torque,said\n0.0,10.5,a\x0cb\n0.5,11.5,\n1.0,12.5,\n",
    ],
)
def test_comments_units_clocks_and_stray_quotes_do_no_harm(tmp_path, text):
    table = read(tmp_path, text)
    np.testing.assert_allclose(table.t - table.t[0], [0, 0.5, 1.0], atol=1e-6)
    [torque] = table.columns
    assert (torque.name, torque.values.tolist()) == ("Torque", [10.5, 11.5, 12.5])
    assert table.unread == {}


def test_a_cell_without_end_is_no_failure(tmp_path):
    table = read(tmp_path, "t,x\n0,1\n1," + "9" * 200_000 + "\n2,3\n3,4\n4,5\n5,5\n6,5\n")
    assert table.t.tolist() == [0, 2, 3, 4, 5, 6]


def test_dates_without_a_zone_keep_the_days_between_them(tmp_path):
    table = read(tmp_path, "t,x\n2026-02-01 10:00:00,1\n2026-02-03 10:00:01,2\n")
    assert np.diff(table.t).tolist() == [2 * 86400 + 1]
    assert not table.absolute


def test_of_rows_with_one_time_the_first_is_kept(tmp_path):
    table = read(tmp_path, "t,x\n" + "".join(f"{i // 10},{i}\n" for i in range(30)))
    assert table.t.tolist() == [0, 1, 2]
    assert table.columns[0].values.tolist() == [0, 10, 20]
    assert (table.behind, table.again) == (0, 27)
    with pytest.raises(SourceError, match="3 repeat one"):
        read(tmp_path, "t,x\n" + "0,1\n" * 4)


def test_two_columns_of_one_name_are_kept_apart_and_have_to_be_told_apart(tmp_path):
    table = read(tmp_path, "t,Torque,Torque\n0,1,10\n1,2,20\n")
    assert table.column("Torque#1", "torque").values.tolist() == [1, 2]
    assert table.column("Torque#2", "torque").values.tolist() == [10, 20]
    with pytest.raises(SourceError, match='two columns "Torque"'):
        table.column("Torque", "torque")


def test_rows_behind_earlier_ones_are_left_out_and_counted(tmp_path):
    table = read(tmp_path, "t,x\n0,0\n1,1\n2,2\n1.5,9\n3,3\n4,4\n")
    assert table.t.tolist() == [0, 1, 2, 3, 4]
    assert table.behind == 1
    with pytest.raises(SourceError, match="times that rise"):
        read(tmp_path, "t,x\n5,0\n4,1\n3,2\n2,9\n")


@pytest.mark.parametrize(
    ("text", "time", "told"),
    [
        ("a,b\n0,1\n1,2\n", None, "no column is named as a time"),
        ("time,timestamp\n0,1\n1,2\n", None, "several columns may be the time"),
        ("a,b\n0,1\n1,2\n", "c", 'no column "c"'),
        ("a,b\n0,1\n1,2\n", "a:parsec", "no unit of time"),
        ("0,1\n1,2\n", None, "no line of names"),
        ("time,b\nx,y\n", None, "no line of numbers"),
        ("just words\nand more\n", None, "no columns"),
        ("", None, "no columns"),
        (b"PK\x03\x04\0\0\0", None, "not text"),
        ("time,b,c\nsoon,1,2\nlater,2,3\n", None, "no time"),
    ],
)
def test_what_is_no_table_is_refused_in_one_line(tmp_path, text, time, told):
    with pytest.raises(SourceError, match=told) as refused:
        read(tmp_path, text, time)
    assert "\n" not in str(refused.value)


def test_a_file_that_is_not_there_or_no_mdf_is_refused(tmp_path):
    with pytest.raises(SourceError, match="No such file"):
        read_source(tmp_path / "none.csv")
    with pytest.raises(SourceError, match="expected MDF"):
        read(tmp_path, "t,x\n0,1\n", name="table.mf4")


def test_samples_of_mdf_that_are_marked_as_not_valid_are_not_known(tmp_path):
    t = np.arange(0.0, 1.0, 0.1)
    bad = (t > 0.15) & (t < 0.45)
    torque = Signal(np.where(bad, 9999.0, 10 * t), t, unit="Nm", name="Torque", invalidation_bits=bad)
    with MDF() as made:
        made.append([Signal(2000 + t, t, unit="rpm", name="rpm"), torque])
        made.save(tmp_path / "marked.mf4", overwrite=True)
    values = read_source(tmp_path / "marked.mf4").columns[1].values
    np.testing.assert_array_equal(values, np.where(bad, np.nan, 10 * t))
    with pytest.raises(SourceError, match="no --time"):
        read_source(tmp_path / "marked.mf4", "Torque")


def test_a_device_is_refused_before_it_is_read():
    with pytest.raises(SourceError, match="a device or a pipe"):
        read_source(Path("/dev/zero"))


def test_mdf_is_read_with_channels_of_other_groups_held_at_the_times_of_the_speed(tmp_path):
    t = np.arange(0.0, 3.0, 0.1)
    slow = np.array([0.05, 1.05, 2.05])
    with MDF() as made:
        made.append(
            [Signal(2000 + 100 * t, t, unit="rpm", name="rpm"), Signal(10 * t, t, unit="Nm", name="Torque")]
        )
        made.append([Signal(np.array([20.0, 21.0, 22.0]), slow, unit="degC", name="Oil")])
        made.save(tmp_path / "table.mf4", overwrite=True)
    table = read_source(tmp_path / "table.mf4")
    assert table.absolute
    np.testing.assert_allclose(np.diff(table.t), 0.1, atol=1e-6)
    found = {column.name: column for column in table.columns}
    assert {name: column.unit for name, column in found.items()} == {
        "rpm": "rpm",
        "Torque": "Nm",
        "Oil": "degC",
    }
    np.testing.assert_allclose(found["Torque"].values, 10 * t, atol=1e-9)
    assert np.isnan(found["Oil"].values[0])
    assert found["Oil"].values[[5, 15, 25]].tolist() == [20.0, 21.0, 22.0]
