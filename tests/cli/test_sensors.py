"""mixmon sensors as scripts and people use it."""

from __future__ import annotations

import gzip
import json
import subprocess
import sys
from pathlib import Path

import pytest
from command_line import Answer, read_json, run_command

from mixmon.ledger.ledger import Ledger

EXAMPLES = Path(__file__).parents[2] / "examples"
LOG = str(EXAMPLES / "alder8_short.log.gz")
ADD = ["--add", LOG, "-s", str(EXAMPLES / "alder8.toml")]


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> str:
    """A ledger that the example log and one rotation have taught."""
    path = str(tmp_path_factory.mktemp("ledger") / "sensors.ledger")
    assert sensors(path, *ADD).status == 0
    assert sensors(path, "--bias", "S-101", "0.6", "0.3", "--reason", "rotation of May").status == 0
    return path


def sensors(place: str, *words: str) -> Answer:
    return run_command("sensors", "--ledger", place, "--quiet", *words)


def test_json_has_every_field_that_scripts_rely_on(place):
    told = read_json(sensors(place, "--json"))
    assert list(told) == ["format", "ledger", "sensors", "logs", "withdrawn"]
    assert told["ledger"] == place
    one = told["sensors"][0]
    assert one.keys() == {
        "sensor", "runs", "hot_h", "runs_without_hours", "leaded_h", "hot_h_fuel_unknown", "heater_cycles",
        "bias", "biases", "air_checks", "events", "forecasts", "flags",
    }  # fmt: skip
    assert one["runs"][0].keys() == {
        "number", "log", "begin", "seconds", "session", "position", "cylinders", "hot_s", "hours",
        "heater_cycles", "leaded", "exposure", "lean", "rich", "air_off_percent", "air_half_percent",
        "air_against", "warm_up_s", "warm_up_at_least",
    }  # fmt: skip
    assert one["forecasts"][0].keys() == {
        "quantity", "limit", "points", "per_100_h", "per_100_h_half", "hours_left", "interval95_h", "why_not",
    }  # fmt: skip
    by_serial = {sensor["sensor"]: sensor for sensor in told["sensors"]}
    assert by_serial["S-101"]["bias"]["percent"] == 0.6
    assert by_serial["S-102"]["bias"] is None
    assert [flag["code"] for flag in by_serial["S-088"]["flags"]] == ["slower_than_its_class"]
    assert by_serial["S-088"]["forecasts"][0]["why_not"]["code"] == "too_few_points"


def test_text_fits_eighty_columns_and_names_what_stands_out(place):
    for words in ((), ("S-108",), ("S-088",)):
        status, out, err = sensors(place, *words)
        assert (status, err) == (0, "")
        assert max(map(len, out.splitlines())) <= 80
    assert "not what it claims to be, or worn out" in " ".join(sensors(place).out.split())
    assert "supply lost while hot (entry" in sensors(place, "S-108").out
    assert "no forecast, 1 of 5 runs" in " ".join(sensors(place, "S-088").out.split())


def test_a_log_is_added_once(place):
    told = read_json(sensors(place, *ADD, "--json"))
    (log,) = told["logs"]
    assert log["entries"] == []
    assert log["log"] == LOG
    assert log.keys() == {"log", "account", "fingerprint", "entered_before", "entries", "notes"}
    assert [note["code"] for note in log["notes"]] == ["already_entered"]
    assert "not entered again" in sensors(place, *ADD).out


def test_the_makers_limits_replace_the_usual_ones(place):
    told = json.loads(sensors(place, "--t63-limit", "0.5", "--json").out)
    assert {flag["code"] for sensor in told["sensors"] for flag in sensor["flags"]} == set()


def test_a_check_in_free_air_is_kept_against_the_oxygen_of_damp_air(tmp_path):
    """20.0 % read in 30 degrees and 80 % humidity, which hold 20.24 % (physics tables by Buck's equation)."""
    place = str(tmp_path / "ledger")
    for read in ("20.0", "19.0"):
        assert sensors(place, "--air-check", "S-1", read, "--air", "30/80").status == 0
    (one,) = json.loads(sensors(place, "--json").out)["sensors"]
    assert [check["expected_percent"] for check in one["air_checks"]] == pytest.approx(
        [20.244] * 2, abs=0.001
    )
    assert one["air_checks"][0]["off_percent"] == pytest.approx(-1.2, abs=0.05)
    assert [flag["code"] for flag in one["flags"]] == ["off_in_air"], "the newest is 6 % off"
    assert "free air: 19.00 % oxygen read of 20.24" in sensors(place, "S-1").out


def test_one_bad_log_of_several_is_told_and_the_others_are_entered(tmp_path):
    (tmp_path / "bad.log").write_text("no frame\n")
    status, out, err = sensors(str(tmp_path / "ledger"), "--add", str(tmp_path / "bad.log"), *ADD[1:])
    assert status == 2
    assert "bad.log: not entered" in err
    assert "entries about 8 sensors" in " ".join(out.split())


def test_a_log_that_is_not_in_order_is_entered_and_a_limit_if_asked_for(tmp_path):
    log = tmp_path / "odd.log"
    log.write_bytes(b"odd line\n" + gzip.decompress(Path(LOG).read_bytes())[:600_000])
    told = sensors(str(tmp_path / "ledger"), "--add", str(log), *ADD[2:], "--strict")
    assert told.status == 1
    assert "rejected" in told.out


def test_an_entry_is_withdrawn_with_a_reason(tmp_path):
    place = str(tmp_path / "ledger")
    sensors(place, "--bias", "S-1", "1.0", "0.5", "--reason", "wrong sensor")
    status, out, _ = sensors(place, "--withdraw", "1", "--reason", "it was S-2")
    assert status == 0
    assert "withdrawn, and kept in the file: 1 (bias of S-1)" in out
    assert json.loads(sensors(place, "--json").out)["sensors"] == []


def test_an_empty_ledger_says_how_to_begin_and_makes_no_file(tmp_path):
    path = tmp_path / "ledger"
    status, out, _ = sensors(str(path))
    assert status == 0
    assert "no sensor is known yet" in out
    assert not path.exists()


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["S-1"], "nothing is known of it"),
        (["--bias", "S-1", "x", "0.3", "--reason", "r"], "no numbers"),
        (["--bias", "S-1", "0.6", "0.3"], "no reason"),
        (["--withdraw", "7", "--reason", "r"], "none that counts"),
        (["--reason", "r"], "nothing to give it for"),
        (["--air", "25/60"], "nothing was in it"),
        (["--air-check", "S-1", "20.3"], "no air"),
        (["--air-check", "S-1", "x", "--air", "25/60"], "no number"),
        (["--air-check", "S-1", "2.1", "--air", "25/60"], "as air holds about 20"),
        (["-s", "no.toml"], "no log"),
        ([*ADD, "--withdraw", "1", "--reason", "r"], "several at once"),
        (["--add", "-", "-s", str(EXAMPLES / "alder8.toml")], "once only"),
    ],
)
def test_what_cannot_be_meant_is_refused_in_one_line(tmp_path, words, says):
    status, out, err = sensors(str(tmp_path / "ledger"), *words)
    assert (status, out) == (2, "")
    assert says in err
    assert len(err.splitlines()) == 1


def test_a_file_that_is_no_ledger_is_refused_and_left(tmp_path):
    path = tmp_path / "notes.txt"
    path.write_text("S-088 is slow\n")
    status, _, err = sensors(str(path), "--bias", "S-1", "1", "1", "--reason", "r")
    assert status == 2
    assert "not a ledger" in err
    assert path.read_text() == "S-088 is slow\n"


@pytest.mark.parametrize("number", ["-1", "-.5", "-1.", "-1e-1", "-0.25"])
def test_a_bias_below_zero_is_a_number_and_no_option(tmp_path, number):
    words = (
        "sensors",
        "--ledger",
        str(tmp_path / "l"),
        "--bias",
        "S-1",
        number,
        "0.3",
        "--reason",
        "analyser",
    )
    assert run_command(*words).status == 0
    with Ledger(tmp_path / "l") as ledger:
        (entry,) = ledger.entries()
    assert entry.fact.facts["percent"] == float(number)


def test_a_whole_number_begins_at_one(tmp_path):
    for words in (("sensors", "--withdraw", "0", "--reason", "x"), ("rotate", "--design", "0")):
        refused = run_command(*words)
        assert refused.status == 2
        assert "found '0'; expected a whole number, 1 or more" in refused.err


def test_a_design_of_one_sensor_is_refused_in_the_singular():
    assert "design of 1 sensor; expected 2 to 16" in run_command("rotate", "--design", "1").err


def test_a_serial_is_one_line(tmp_path):
    words = ("sensors", "--ledger", str(tmp_path / "l"), "--bias", "S\n1", "1", "0.3", "--reason", "analyser")
    refused = run_command(*words)
    assert refused.status == 2
    assert "expected one line of text" in refused.err
    assert not (tmp_path / "l").exists()
    (tmp_path / "s.toml").write_text(
        '[engine]\ncylinders = 1\n[chain]\n[[chain.node]]\nposition = 1\ncylinder = 1\nsensor = "S\\n1"\n'
    )
    assert "one line of text" in run_command("verify", str(tmp_path / "s.toml")).out


def test_no_command_imports_the_ledger_for_a_session_that_does_not_ask_for_it():
    code = "import sys, mixmon.run; sys.exit('mixmon.ledger.ledger' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
