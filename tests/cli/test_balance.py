"""mixmon balance and mixmon demo, as scripts use them."""

from __future__ import annotations

import gzip
import json
import runpy
import subprocess
import sys
from pathlib import Path

import pytest
from command_line import read_json, shared_answer

pytestmark = pytest.mark.usefixtures("findings_made_once")

EXAMPLES = Path(__file__).parents[2] / "examples"
SIX = [str(EXAMPLES / "foreign.log.gz"), "-s", str(EXAMPLES / "foreign.toml")]
EIGHT = [str(EXAMPLES / "alder8_short.log.gz"), "-s", str(EXAMPLES / "alder8.toml")]


def balanced(*arguments: str) -> dict:
    return read_json(shared_answer("balance", *arguments, "--json", "--quiet"))


def test_json_has_every_field_that_scripts_rely_on():
    found = balanced(*EIGHT)
    assert list(found)[:4] == ["format", "session", "log", "against"]
    assert found["format"] == 2
    assert {"frames", "rejected_lines", "first_rejected", "duration_s", "late_by_clock"} <= found[
        "log"
    ].keys()
    assert found["against"] == "peers"
    assert len(found["cylinders"]) == 8
    assert found["cylinders"][0].keys() >= {
        "cylinder", "position", "sensor", "needs_percent", "interval95_percent", "usable_s",
        "effective_samples", "left_out_s", "trim_now_percent", "trim_new_percent", "flags",
    }  # fmt: skip
    assert found["cells"][0].keys() >= {
        "rpm", "load", "cylinder", "needs_percent", "half_interval_percent", "usable_s", "used_for_trims",
    }  # fmt: skip
    assert found["whole_engine"][0].keys() >= {"rpm", "load", "needs_percent", "half_interval_percent"}
    for spread in ("spread_percent", "predicted_spread_percent"):
        assert found[spread].keys() >= {"value", "interval95"}
    assert found["spread_percent"]["cylinders_used"] == 8
    assert found["withheld"] == []


def test_total_intervals_hold_those_of_repeatability():
    """The sensors' own errors, 1 % of lambda and more here, are in all that is compared with zero."""
    found = balanced(*EIGHT)
    assert found["sensor_error"] == {"given": False, "known_bias": []}
    for one in found["cylinders"]:
        (low, high), (least, most) = one["interval95_percent"], one["total_interval95_percent"]
        assert least < low - 0.3 < high + 0.3 < most
        assert 1.0 < one["sensor_error_percent"] < 2.0
        assert one["effective_samples"] <= one["usable_s"] * 100 + 1e-9
    for cell in (*found["cells"], *found["whole_engine"]):
        if cell["half_interval_percent"] is not None:
            assert cell["total_half_interval_percent"] > cell["half_interval_percent"]
    low, high = found["spread_percent"]["total_interval95"]
    assert low < found["spread_percent"]["interval95"][0] < found["spread_percent"]["interval95"][1] < high


def test_a_log_through_definitions_that_are_not_ours_gives_needs_and_trims():
    # The truth of this log: injectors 4 and 5 weak, 1 to 3 rich of the mean, by the scenario it was made from
    found = balanced(*SIX)
    needs = [c["needs_percent"] for c in found["cylinders"]]
    assert max(range(6), key=needs.__getitem__) == 4
    assert all(low < high for low, high in (c["interval95_percent"] for c in found["cylinders"]))
    assert sum(c["trim_new_percent"] for c in found["cylinders"]) == pytest.approx(0, abs=0.5)


def test_text_fits_eighty_columns_and_says_what_the_signs_mean():
    status, out, _ = shared_answer("balance", *EIGHT, "--cells", "--units", "afr")
    assert status == 0
    assert max(map(len, out.splitlines())) <= 80
    assert "+ means add fuel" in out
    assert "AFR/14.01" in out
    assert "engine builder's limits stand" in out
    assert "safe" not in out.lower()


def test_needs_against_the_target_differ_from_those_against_peers_by_the_whole_engine():
    peers, target = (balanced(*EIGHT, "--against", which) for which in ("peers", "target"))
    whole = [e["needs_percent"] for e in peers["whole_engine"] if e["load"] == 100]
    shift = [
        b["needs_percent"] - a["needs_percent"]
        for a, b in zip(peers["cylinders"], target["cylinders"], strict=True)
    ]
    assert sum(shift) / 8 == pytest.approx(sum(whole) / len(whole), abs=0.4)
    assert [c["trim_new_percent"] for c in peers["cylinders"]] == [
        c["trim_new_percent"] for c in target["cylinders"]
    ]


def test_a_cylinder_left_out_is_not_counted():
    found = balanced(*SIX, "--leave-out", "5")
    assert found["cylinders"][4]["needs_percent"] is None
    assert found["spread_percent"]["cylinders_used"] == 5
    assert set(found["cylinders"][4]["left_out_s"]) == {"left out"}


def test_where_nothing_counts_the_reasons_stand_in_place_of_an_empty_table():
    everyone = ["--leave-out", *map(str, range(1, 9))]
    (said,) = [n for n in balanced(*EIGHT, *everyone)["notes"] if n["code"] == "nothing_counts"]
    assert (said["reasons"], said["seconds"]) == (["left out"], [38.0])
    page = shared_answer("balance", *EIGHT, *everyone).out
    assert "of 8 cylinders not one sample was counted" in page
    assert "left out 38.0" in page
    assert "needs %" not in page
    assert "too little data; trim kept" not in page
    assert not [n for n in balanced(*EIGHT, "--leave-out", "1")["notes"] if n["code"] == "nothing_counts"]


def test_exit_status_one_if_the_spread_is_larger_than_asked_for():
    assert shared_answer("balance", *SIX, "--max-spread", "8")[0] == 0
    status, out, err = shared_answer("balance", *SIX, "--max-spread", "3")
    assert status == 1
    assert "BALANCE" in out
    assert "asked for at most 3 %" in err
    assert "with the sensors' own errors" in shared_answer("balance", *EIGHT, "--max-spread", "8").err
    status, _, err = shared_answer("balance", *SIX, "--max-spread", "8", "--to", "4")
    assert status == 1
    assert "not known" in err


def test_only_part_of_a_log():
    found = balanced(*SIX, "--from", "20", "--to", "40")
    assert all(sum(c["left_out_s"].values()) < 20.5 for c in found["cylinders"])


def test_several_logs_add_up(tmp_path):
    once = balanced(*SIX)
    again = tmp_path / "again.log.gz"
    again.write_bytes(Path(SIX[0]).read_bytes())
    twice = balanced(str(again), *SIX)
    assert twice["log"]["frames"] == 2 * once["log"]["frames"]
    assert twice["log"]["clock_jumps"] == 1
    # a cell with too little in one log may have enough in two
    assert twice["cylinders"][0]["usable_s"] >= 2 * once["cylinders"][0]["usable_s"]


def test_an_engine_bus_that_is_not_in_the_log_is_named(tmp_path):
    lines = gzip.decompress(Path(EIGHT[0]).read_bytes()).splitlines(keepends=True)
    log = tmp_path / "chain_only.log"
    log.write_bytes(b"".join(line for line in lines if b"can0" in line))
    found = balanced(str(log), *EIGHT[1:])
    missing = next(note for note in found["notes"] if note["code"] == "messages_missing")
    assert (missing["message"], missing["bus"]) == ("Engine_Fast", "engine")
    assert "rpm" in missing["needed_for_steady"]
    assert missing["text"].startswith("Engine_Fast never came on bus engine: no rpm")
    assert [reason["code"] for reason in found["withheld"]] == ["too_few_needs"]


def test_standard_input_gives_the_same():
    plain = gzip.decompress(Path(SIX[0]).read_bytes())
    command = [sys.executable, "-m", "mixmon", "balance", "-", *SIX[1:], "--json"]
    piped = subprocess.run(command, input=plain, capture_output=True, check=True)
    assert json.loads(piped.stdout) == balanced(*SIX)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["balance", *SIX, "--leave-out", "7"], ("cylinder 7", "1 to 6")),
        (["balance", SIX[0], *SIX], ("named twice",)),
        (["balance", *SIX, "--from", "900"], ("no frame", "58")),
        (["balance", SIX[0], *EIGHT[1:]], ("none of the session's", "census", "expected")),
        (["balance", str(EXAMPLES), *EIGHT[1:]], ("a folder",)),
        (["balance", "nowhere.log", *EIGHT[1:]], ("nowhere.log", "no such file")),
    ],
    ids=[
        "a cylinder that is not there",
        "a log named twice",
        "no such time",
        "another bus",
        "a folder",
        "no file",
    ],
)
def test_what_cannot_be_done_is_said_in_one_line(arguments, words):
    status, out, err = shared_answer(*arguments, "--quiet")
    assert (status, out, err.count("\n")) == (2, "", 1)
    assert all(word in err for word in words)


def test_the_demo_shows_the_balance_beside_the_truth():
    status, out, err = shared_answer("demo")
    assert status == 0
    assert "BALANCE  Alder 8" in out
    assert "THE TRUTH" in out
    assert "demo engine" in err
    assert max(map(len, out.splitlines())) <= 80


def test_the_script_that_checks_balance_exits_by_the_result(capsys, monkeypatch):
    def exits(*words: str) -> tuple[int, str, str]:
        monkeypatch.setattr(sys, "argv", ["check_balance.py", *words])
        with pytest.raises(SystemExit) as end:
            runpy.run_path(str(EXAMPLES / "check_balance.py"), run_name="__main__")
        return end.value.code, *capsys.readouterr()

    status, out, _ = exits(SIX[2], SIX[0])
    assert (status, "over the limit" in out) == (1, True)
    status, out, _ = exits(SIX[2], SIX[0], "9")
    assert (status, "within the limit" in out) == (0, True)
    for words in ([SIX[2], "nowhere"], [SIX[2], SIX[0], "abc"], [SIX[2]]):
        status, _, err = exits(*words)
        assert (status, err.count("\n")) == (2, 1)


def test_a_log_under_the_low_flow_mask_says_so_in_place_of_an_empty_table(tmp_path):
    text = (EXAMPLES / "alder8.toml").read_text().replace('"../', f'"{EXAMPLES.parent}/')
    text = text.replace(
        "low_flow_mask = { rpm_below = 1400, load_below = 5 }",
        "low_flow_mask = { rpm_below = 9000, load_below = 101 }",
    )
    text = text.replace("load_from = 90", "# load_from = 90")
    session = tmp_path / "masked.toml"
    session.write_text(text)
    page = shared_answer("balance", EIGHT[0], "-s", str(session), "--cells").out
    words = " ".join(page.split())
    assert "all steady time is in cells that are not used for trims (low flow)" in words
    assert "not one sample" not in words
    assert ", low flow " in words[words.index("excluded, seconds a cylinder") :]
    assert "not used: low flow" in words
