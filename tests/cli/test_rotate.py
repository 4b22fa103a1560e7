"""mixmon rotate, on logs of an engine that is made without the package, with sensors of known bias."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from command_line import run_command, shared_answer
from rotations import SIX, outside_truth, shifted, write_sessions
from run_folders import BUSES, list_runs

from mixmon.cli.main import BAD_INPUT, DONE, LIMIT_NOT_MET
from mixmon.frames.logs import open_log
from mixmon.ledger.ledger import Ledger
from mixmon.record.recorder import Recorder

pytestmark = pytest.mark.usefixtures("findings_made_once")

ROOT = Path(__file__).parents[2]
EXAMPLE = ("examples/alder8_short.log.gz", "-s", "examples/alder8.toml", "--to", "2")


@pytest.fixture(scope="module")
def three_sessions(tmp_path_factory) -> list[str]:
    return write_sessions(tmp_path_factory.mktemp("rotation"), 1, shifted(SIX, (0, 1, 3)))


def test_needs_and_biases_of_an_outside_engine(three_sessions):
    answer = shared_answer("rotate", *three_sessions, "--json", "--quiet")
    assert (answer.status, answer.err) == (DONE, "")
    found = json.loads(answer.out)
    needs, biases = outside_truth(1)
    true_needs = 100 * ((1 + needs / 100) * np.mean(1 / (1 + needs / 100)) - 1)
    true_biases = 100 * np.expm1(np.log1p(biases / 100) - np.log1p(biases / 100).mean())
    assert found["format"] == 2
    assert found["solvable"]
    assert found["why_not"] is None
    assert found["residual_degrees"] == 5
    off = [
        abs(c["needs_percent"] - true_needs[c["cylinder"] - 1]) / c["half_interval_percent"]
        for c in found["cylinders"]
    ] + [
        abs(s["bias_percent"] - true_biases[int(s["sensor"][1:]) - 1]) / s["half_interval_percent"]
        for s in found["sensors"]
    ]
    assert max(off) < 1.6  # of twelve 95 % intervals, one may miss, and none by much
    assert sum(o > 1 for o in off) <= 1
    assert max(c["half_interval_percent"] for c in found["cylinders"]) < 0.6
    # Without the rotation the sensors' biases are in the needs.
    alone = json.loads(run_command("balance", three_sessions[0], *three_sessions[3:5], "--json").out)
    wrong, right = (
        np.abs([c["needs_percent"] - true_needs[c["cylinder"] - 1] for c in one["cylinders"]]).max()
        for one in (alone, found)
    )
    assert wrong > 3 * right


def test_a_balance_with_the_biases_that_were_found(three_sessions, tmp_path):
    """Entered as known biases they correct a balance of one session; a rotation seeks them as before."""
    found = json.loads(shared_answer("rotate", *three_sessions, "--json", "--quiet").out)
    known = ", ".join(
        f"{s['sensor']} = [{s['bias_percent']:.4f}, {s['half_interval_percent']:.4f}]"
        for s in found["sensors"]
    )
    words = list(three_sessions)
    for i, place in enumerate((4, 6, 8)):
        corrected = tmp_path / f"{i}.toml"
        text = Path(words[place]).read_text()
        corrected.write_text(f"{text}\n[sensors]\nknown_bias = {{ {known} }}\n")
        words[place] = str(corrected)
    again = json.loads(run_command("rotate", *words, "--json", "--quiet").out)
    assert [s["bias_percent"] for s in again["sensors"]] == [s["bias_percent"] for s in found["sensors"]]
    needs, _ = outside_truth(1)
    true = 100 * ((1 + needs / 100) * np.mean(1 / (1 + needs / 100)) - 1)
    balance = json.loads(run_command("balance", words[0], *words[3:5], "--json", "--quiet").out)
    for one, need in zip(balance["cylinders"], true, strict=True):
        low, high = one["total_interval95_percent"]
        assert low - 0.1 < need < high + 0.1
        assert abs(one["needs_percent"] - need) < 0.3


def test_the_errors_that_were_found_go_to_the_ledger_where_asked(three_sessions, tmp_path):
    path = tmp_path / "ledger"
    answer = run_command("rotate", *three_sessions, "--enter", "--ledger", str(path), "--json", "--quiet")
    assert (answer.status, answer.err) == (DONE, "")
    told = json.loads(run_command("sensors", "--ledger", str(path), "--json").out)
    known = {one["sensor"]: one["bias"] for one in told["sensors"]}
    for one in json.loads(answer.out)["sensors"]:
        bias = known[one["sensor"]]
        assert (bias["percent"], bias["half_percent"]) == (one["bias_percent"], one["half_interval_percent"])
        assert bias["source"] == "rotation"
        assert three_sessions[0] in bias["reason"]


def test_the_same_runs_are_entered_once(three_sessions, tmp_path):
    path = tmp_path / "ledger"
    words = [*three_sessions, "--enter", "--ledger", str(path)]
    assert run_command("rotate", *words).status == DONE
    again = run_command("rotate", *words)
    assert again.status == DONE
    assert "6 sensor errors from these runs in" in again.err
    with Ledger(path) as ledger:
        assert len(ledger.entries()) == 6
        ledger.withdraw(1, reason="a wrong serial")
    assert "1 sensor error entered" in run_command("rotate", *words).err


def test_nothing_is_entered_of_sessions_that_do_not_tell(three_sessions, tmp_path):
    path = tmp_path / "ledger"
    one = [three_sessions[0], *three_sessions[3:5], "--enter", "--ledger", str(path), "--quiet"]
    answer = run_command("rotate", *one)
    assert answer.status == LIMIT_NOT_MET
    assert "nothing entered" in answer.err
    assert not path.exists()
    swapped = [*three_sessions[:2], "-s", three_sessions[6], "-s", three_sessions[4]]
    answer = run_command("rotate", *swapped, "--enter", "--ledger", str(path), "--quiet")
    assert answer.status == LIMIT_NOT_MET  # two sessions fit whatever their files say
    assert "nothing checks" in answer.err
    assert not path.exists()


@pytest.mark.parametrize("words", [["--design", "8", "--enter"], ["a.log", "--ledger", "x"]])
def test_entering_needs_runs_and_a_ledger_needs_entering(words):
    assert run_command("rotate", *words).status == BAD_INPUT


def test_the_report(three_sessions):
    answer = run_command("rotate", *three_sessions, "--quiet")
    assert answer.status == DONE
    assert answer.out.startswith("ROTATION  3 sessions, 3 cells shared\n")
    assert three_sessions[1] in "".join(answer.out.split())
    assert "checked by 5 degrees of freedom: the sessions agree" in answer.out
    assert "an error that all of them\nshare is not seen" in answer.out
    assert max(map(len, answer.out.splitlines())) <= 80


def test_the_same_from_python(three_sessions):
    import mixmon

    runs = [
        mixmon.read_run(mixmon.load_session(session), log)
        for log, session in zip(three_sessions[:3], three_sessions[4::2], strict=True)
    ]
    found = mixmon.rotation(runs)
    told = json.loads(shared_answer("rotate", *three_sessions, "--json", "--quiet").out)
    assert [s.bias_percent for s in found.sensors] == [s["bias_percent"] for s in told["sensors"]]


def test_a_wanted_error(three_sessions):
    assert run_command("rotate", *three_sessions, "--quiet", "--error", "5").status == DONE
    answer = run_command("rotate", *three_sessions, "--quiet", "--error", "0.01")
    assert answer.status == LIMIT_NOT_MET
    assert "asked for at most 0.01 %" in answer.err


def test_trims_between_sessions(tmp_path):
    """Trims that were entered after the first session are taken out of the later ones."""
    trims = np.array([4.0, 0, -3.0, 0, 0, 0])
    words = write_sessions(tmp_path, 2, shifted(SIX, (0, 1, 3)), [0.0, trims, trims])
    found = json.loads(run_command("rotate", *words, "--json", "--quiet").out)
    assert found["consistent"]
    needs, biases = outside_truth(2)
    lam = (1 + needs / 100) / (1 + trims / 100)
    true = 100 * (lam * np.mean(1 / lam) - 1)
    off = [
        (c["needs_percent"] - t) / c["half_interval_percent"]
        for c, t in zip(found["cylinders"], true, strict=True)
    ]
    assert np.abs(off).max() < 1.6
    assert "trims_changed" in {n["code"] for n in found["notes"]}
    true_biases = biases - biases.mean()
    said = {s["sensor"]: s["bias_percent"] for s in found["sensors"]}
    assert all(abs(said[f"N{i + 1}"] - b) < 0.7 for i, b in enumerate(true_biases))


def test_reversing_the_row_is_refused_with_the_reason(tmp_path):
    words = write_sessions(tmp_path, 3, [list(range(SIX)), list(range(SIX))[::-1]])
    answer = run_command("rotate", *words, "--quiet")
    assert answer.status == DONE
    said = " ".join(answer.out.split())
    assert "fall into 3 sets that no sensor joins (1, 6 with N1, N6; 2, 5 with N2, N5; 3, 4 with" in said
    assert "next session, sensor to cylinder:" in said
    assert "needs:" not in said
    assert run_command("rotate", *words, "--quiet", "--error", "1").status == LIMIT_NOT_MET


def test_one_session_is_not_enough():
    found = json.loads(shared_answer("rotate", *EXAMPLE, "--json").out)
    assert (found["solvable"], found["why_not"]["code"]) == (False, "one_session")
    assert found["cylinders"] == found["sensors"] == []


def test_a_plan_is_judged_before_anything_is_moved(three_sessions):
    told = json.loads(run_command("rotate", *three_sessions[3:], "--json").out)
    assert told["solvable"]
    assert told["residual_degrees"] == 5
    assert [s["sensor"] for s in told["design"][1]["placed"]] == ["N6", "N1", "N2", "N3", "N4", "N5"]
    twice = json.loads(run_command("rotate", *three_sessions[3:5], *three_sessions[3:5], "--json").out)
    assert twice["why_not"]["code"] == "no_sensor_moved"
    assert len(twice["design"]) == 3  # the two that were planned, and one that would solve it


def test_a_design():
    answer = shared_answer("rotate", "--design", "8", "--error", "0.35", "--json")
    found = json.loads(answer.out)
    assert (answer.status, answer.err, found["reached"]) == (DONE, "", True)
    assert [s["session"] for s in found["design"]] == [1, 2, 3]
    assert [c["cylinder"] for c in found["cylinders"]] == list(range(1, 9))
    of_session = shared_answer("rotate", "--design", "8", "-s", "examples/alder8.toml")
    assert "S-088" in of_session.out
    assert shared_answer("rotate", "--design", "8", "--error", "0.01").status == LIMIT_NOT_MET
    wide = shared_answer("rotate", "--design", "16", "--error", "0.01").out
    assert max(map(len, wide.splitlines())) <= 80
    longer = json.loads(shared_answer("rotate", "--design", "8", "--look-error", "1", "--json").out)
    assert longer["cylinders"][0]["half_interval_percent"] == pytest.approx(2 * 0.3125)


def test_a_run_brings_its_own_session(tmp_path, three_sessions):
    """The second session as a run: sessions are named for the two logs."""
    words = list(three_sessions)
    files = {name: (ROOT / "dbc" / name).read_bytes() for name in ("mixture_chain.dbc", "engine_bus.dbc")}
    files["session.toml"] = Path(words[6]).read_bytes()
    recorder = Recorder(tmp_path, name="second", buses=BUSES, files=files)
    assert recorder.start("by hand")
    for block in open_log(words[1]):
        recorder.write(block)
    recorder.close()
    (words[1],) = map(str, list_runs(tmp_path))
    del words[5:7]
    found = json.loads(run_command("rotate", *words, "--json", "--quiet").out)
    told = json.loads(shared_answer("rotate", *three_sessions, "--json", "--quiet").out)
    assert [s["bias_percent"] for s in found["sensors"]] == [s["bias_percent"] for s in told["sensors"]]


def test_what_is_no_ledger_is_refused_before_a_log_is_read(three_sessions, tmp_path):
    (tmp_path / "text").write_text("no ledger")
    words = ("no.log", *three_sessions[1:], "--enter", "--ledger", str(tmp_path / "text"))
    answer = run_command("rotate", *words, "--quiet")
    assert (answer.status, "not a ledger" in answer.err) == (BAD_INPUT, True)


def test_one_log_under_two_names_is_refused(three_sessions, tmp_path):
    """With the sessions' files exchanged it would fit without an error, and be wrong."""
    words = list(three_sessions)
    copy = tmp_path / "copy.log"
    copy.write_bytes(Path(words[0]).read_bytes())
    words[2] = str(copy)
    answer = run_command("rotate", *words, "--quiet")
    assert (answer.status, answer.out) == (BAD_INPUT, "")
    assert f"{copy}: the same frames as {words[0]}" in answer.err


MISTAKES = {
    "nothing": ((), "nothing given"),
    "both": ((*EXAMPLE[:3], "--design", "8"), "--design: given with runs"),
    "no session": ((EXAMPLE[0],), "--session: 0 for 1 logs"),
    "two of one": ((EXAMPLE[0], *EXAMPLE), "named twice"),
    "wrong number": (("--design", "4", "-s", "examples/alder8.toml"), "the session has 8 sensors"),
    "no serials": (("examples/foreign.log.gz", "-s", "examples/foreign.toml"), "node 1 has no serial"),
    "no error": (("--design", "8", "--look-error", "0"), "look error 0 %"),
}


@pytest.mark.parametrize("name", MISTAKES)
def test_mistakes(name):
    words, said = MISTAKES[name]
    answer = shared_answer("rotate", *words, "--quiet")
    assert answer.status == BAD_INPUT
    assert said in answer.err
    assert answer.err.count("\n") == 1
