"""mixmon merge: a table laid beside a run, kept with it, and read again."""

from __future__ import annotations

import csv
import json
import shutil
from pathlib import Path

import numpy as np
import pytest
from beside_rig import EPOCH_S, SECONDS, csv_text, make_run, speed_at, table, torque_at
from command_line import run_command

from mixmon.beside.beside import tables_beside


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_run(tmp_path_factory.mktemp("made"))


@pytest.fixture
def run(made: Path, tmp_path: Path) -> Path:
    """A copy of the run, as merging adds to its folder."""
    return Path(shutil.copytree(made, tmp_path / "run"))


def dyno(folder: Path, text: str) -> Path:
    (folder / "Dyno 4.csv").write_text(text)
    return folder / "Dyno 4.csv"


def usual(**options: float) -> str:
    t, rpm, torque = table(**options)
    return csv_text({"Time": t, "Engine speed": rpm, "Torque": torque}, ["s", "rpm", "Nm"])


def test_a_table_is_laid_by_speed_kept_and_read_again(run, tmp_path):
    before = {path.name: path.read_bytes() for path in run.iterdir()}
    answer = run_command(
        "merge", str(run), str(dyno(tmp_path, usual())), "--json", "--columns", "torque=Torque"
    )
    assert answer.status == 0, answer.err
    told = json.loads(answer.out)
    low, high = told["lag_interval95_s"]
    assert low < 7.3 < high
    assert high - low < 0.1
    assert told["by"] == "speed"
    assert told["columns"] == [{"name": "torque", "unit": "Nm", "known": told["rows"]}]
    for name, data in before.items():
        assert name == "SHA256SUMS" or (run / name).read_bytes() == data
    assert run_command("verify", str(run)).status == 0
    [beside] = tables_beside(run)
    seconds = beside.t / 1e9 - EPOCH_S
    np.testing.assert_allclose(beside.rpm, speed_at(seconds), atol=40)  # 1,286 rpm/s over some hundredths
    np.testing.assert_allclose(beside.column("torque"), torque_at(speed_at(seconds)), atol=4)
    assert beside.lag_interval95_s == (low, high)
    with pytest.raises(KeyError):
        beside.column("power")


def test_torque_stands_in_the_pulls_by_their_bands(run, tmp_path):
    # Once a second: 500 rpm from sample to sample.
    assert run_command("merge", str(run), str(dyno(tmp_path, usual(hz=1.0, noise_rpm=3.0)))).status == 0
    told = json.loads(run_command("pulls", str(run), "--json").out)
    for pull in told["pulls"]:
        [beside] = pull["beside"]
        [column] = beside["columns"]
        assert (column["name"], column["unit"]) == ("Torque", "Nm")
        known = 0
        for low, high, mean, half in zip(
            told["edges_rpm"], told["edges_rpm"][1:], column["mean"], column["half_by_lag"], strict=False
        ):
            if mean is not None and low > pull["from_rpm"] and high < pull["to_rpm"]:
                truth = float(np.mean(torque_at(np.linspace(low, high, 50))))
                assert abs(mean - truth) < half + 4  # a line between samples lies up to 1.3 Nm below the arc
                known += 1
        assert known >= 6
    text = run_command("pulls", str(run)).out
    assert "Torque Nm" in text
    assert max(map(len, text.splitlines())) <= 80


def test_exported_rows_have_the_columns_of_the_table(run, tmp_path):
    run_command("merge", str(run), str(dyno(tmp_path, usual(hz=5.0))))
    answer = run_command("export", str(run), "-o", str(tmp_path / "rows.csv"), "--from", "6", "--to", "8")
    assert answer.status == 0, answer.err
    lines = [x for x in (tmp_path / "rows.csv").read_text().splitlines() if not x.startswith("#")]
    [heading, *rows] = csv.reader(lines)
    at = next(i for i, name in enumerate(heading) if name.startswith("beside_Torque"))
    clock = next(i for i, name in enumerate(heading) if name.startswith("t_s"))
    told = np.array([[float(row[clock]), float(row[at])] for row in rows if row[at]])
    assert len(told) > 150
    np.testing.assert_allclose(told[:, 1], torque_at(speed_at(told[:, 0])), atol=2)


def test_a_gap_in_a_table_is_no_torque(run, tmp_path):
    t, rpm, torque = table()
    torque[(rpm > 4300) & (rpm < 5500)] = np.nan
    text = csv_text({"Time": t, "Engine speed": rpm, "Torque": torque}, ["s", "rpm", "Nm"])
    assert run_command("merge", str(run), str(dyno(tmp_path, text))).status == 0
    told = json.loads(run_command("pulls", str(run), "--json").out)
    mean = told["pulls"][0]["beside"][0]["columns"][0]["mean"]
    empty = {centre for centre, x in zip(told["bands_rpm"], mean, strict=True) if x is None}
    assert {4800.0, 5200.0} <= empty
    assert not {2800.0, 3200.0, 3600.0, 6000.0} & empty


def test_a_kept_table_that_was_changed_is_refused(run, tmp_path):
    run_command("merge", str(run), str(dyno(tmp_path, usual())))
    kept = run / "beside-dyno-4.csv"
    kept.write_bytes(kept.read_bytes() + b"1,2,3\n")
    answer = run_command("pulls", str(run))
    assert answer.status == 2
    assert "was changed after it was merged" in answer.err
    assert run_command("verify", str(run)).status == 2


def test_a_second_merge_of_one_name_needs_force(run, tmp_path):
    path = dyno(tmp_path, usual())
    assert run_command("merge", str(run), str(path)).status == 0
    again = run_command("merge", str(run), str(path))
    assert (again.status, "--force writes over it" in again.err) == (2, True)
    assert run_command("merge", str(run), str(path), "--force").status == 0
    assert run_command("verify", str(run)).status == 0


def stamped(lag_s: float) -> str:
    t, rpm, torque = table(lag_s=lag_s)
    return csv_text({"time": t + EPOCH_S, "rpm": rpm, "Torque": torque})


def test_stamps_are_believed_where_the_speeds_agree(run, tmp_path):
    told = json.loads(run_command("merge", str(run), str(dyno(tmp_path, stamped(0.05))), "--json").out)
    assert (told["by"], told["lag_s"]) == ("stamps", 0)
    assert told["lag_interval95_s"][0] < 0.05 < told["lag_interval95_s"][1]
    assert "stamps_checked" in {note["code"] for note in told["notes"]}


def test_stamps_that_the_speeds_contradict_have_to_be_chosen(run, tmp_path):
    path = dyno(tmp_path, stamped(2.5))
    refused = run_command("merge", str(run), str(path))
    assert refused.status == 2
    assert "+2.5" in refused.err
    told = json.loads(run_command("merge", str(run), str(path), "--json", "--by", "speed").out)
    assert told["lag_s"] == pytest.approx(2.5, abs=0.03)
    forced = run_command("merge", str(run), str(path), "--json", "--by", "stamps", "--force")
    assert json.loads(forced.out)["lag_interval95_s"] is None


def test_stamps_of_another_time_zone_are_told_as_that(run, tmp_path):
    refused = run_command("merge", str(run), str(dyno(tmp_path, stamped(-3600.0))))
    assert refused.status == 2
    assert "another time zone" in refused.err


def test_stamps_without_a_speed_are_believed_and_nothing_is_said_of_their_error(run, tmp_path):
    t, _, torque = table(lag_s=0.0)
    text = csv_text({"time": t + EPOCH_S, "Torque": torque})
    told = json.loads(run_command("merge", str(run), str(dyno(tmp_path, text)), "--json").out)
    assert (told["by"], told["lag_interval95_s"], told["correlation"]) == ("stamps", None, None)
    assert "stamps_not_checked" in {note["code"] for note in told["notes"]}


def other_run() -> str:
    t = np.arange(0.0, SECONDS, 0.05)
    rpm = np.interp(t, [0, 9, 15, 17, 33, 36, 37, SECONDS], [2500, 2500, 5800, 3000, 3000, 7000, 2500, 2500])
    return csv_text({"time": t, "rpm": rpm, "Torque": torque_at(rpm)})


def with_speed(factor: float) -> str:
    t, rpm, torque = table()
    return csv_text({"time": t, "rpm": rpm * factor, "Torque": torque}, digits=6)


def steady_table() -> str:
    t = np.arange(0.0, SECONDS, 0.05)
    return csv_text({"time": t, "rpm": 2000 + 5 * np.sin(40 * t), "Torque": 0 * t})


@pytest.mark.parametrize(
    ("text", "words", "told"),
    [
        (other_run(), (), "not that of the run at any lag (correlation 0."),
        (with_speed(0.001), (), "0.001 times the run's"),
        (with_speed(1.0).replace("rpm", "drum"), (), "no column is its speed"),
        (steady_table(), (), "not that of the run at any lag"),
        (usual(), ("--columns", "Power"), 'no column "Power"'),
        (usual(), ("--columns", "a=Torque", "a=Torque"), '"a" twice'),
        (usual(), ("--speed", "Engine speed:km/h"), "no unit of an engine's speed"),
        (usual(), ("--by", "stamps"), "count from 1970"),
        (usual(), ("--time", "Clock"), 'no column "Clock"'),
        (usual(), ("--time", "Time:ms"), "too little of its speed"),
    ],
)
def test_what_does_not_fit_is_refused_in_one_line_and_nothing_is_kept(run, tmp_path, text, words, told):
    answer = run_command("merge", str(run), str(dyno(tmp_path, text)), *words)
    assert answer.status == 2
    assert told in answer.err
    assert answer.err.count("\n") == 1
    assert not list(run.glob("beside-*"))


def test_a_speed_in_thousands_is_read_by_its_unit(run, tmp_path):
    path = dyno(tmp_path, with_speed(0.001))
    assert run_command("merge", str(run), str(path), "--speed", "rpm:krpm").status == 0


def test_a_run_that_is_being_recorded_takes_no_table(run, tmp_path):
    (run / "SHA256SUMS").unlink()
    facts = json.loads((run / "run.json").read_text())
    (run / "run.json").write_text(json.dumps(facts | {"state": "recording"}))
    (run / "frames.log").touch()
    answer = run_command("merge", str(run), str(dyno(tmp_path, usual())))
    assert (answer.status, "is being recorded" in answer.err) == (2, True)
    assert not list(run.glob("beside-*"))


def test_a_log_is_no_run(run, tmp_path):
    answer = run_command("merge", str(run / "frames.log"), str(dyno(tmp_path, usual())))
    assert (answer.status, "no run" in answer.err) == (2, True)
