"""mixmon compare, on logs of an engine that is made without the package, with known trims and sensors."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pytest
from command_line import run_command, shared_answer
from rotations import SIX, outside_truth, shifted, write_sessions

from mixmon.cli.main import BAD_INPUT, DONE

pytestmark = pytest.mark.usefixtures("findings_made_once")

EXAMPLE = ("examples/foreign.log.gz", "examples/foreign_after.log.gz", "-s", "examples/foreign.toml")
TRIMS = np.array([0.0, -4.0, 5.0, 0.0, 6.0, -3.0])
AS_IS = list(range(SIX))


def written(folder: Path, seed: int, sensors: list[list[int]], trims: list) -> list[str]:
    """Two logs and their sessions, as the words that name them."""
    before, after, _, first, _, second = write_sessions(folder, seed, sensors, trims)
    return [before, after, "--session-before", first, "--session-after", second]


def compared(*words: str) -> dict:
    answer = run_command("compare", *words, "--json", "--quiet")
    assert (answer.status, answer.err) == (DONE, "")
    return json.loads(answer.out)


def true_change(trims: np.ndarray, needs: np.ndarray) -> np.ndarray:
    """Change of the needs in the fuel domain, percent, for trims that took; by the definition of the mean."""
    before = (1 + needs / 100) * np.mean(1 / (1 + needs / 100))
    lam = (1 + needs / 100) / (1 + trims / 100)
    after = lam * np.mean(1 / lam)
    return 100 * (after / before - 1)


@pytest.fixture(scope="module")
def trimmed(tmp_path_factory) -> list[str]:
    return written(tmp_path_factory.mktemp("trimmed"), 11, [AS_IS, AS_IS], [0.0, TRIMS])


def test_changes_and_trims_of_an_outside_engine(trimmed):
    found = compared(*trimmed)
    needs, _ = outside_truth(11)
    true = true_change(TRIMS, needs)
    held = [
        c["interval90_percent"][0] <= t <= c["interval90_percent"][1]
        for c, t in zip(found["cylinders"], true, strict=True)
    ]
    assert sum(held) >= 4  # of six 90 % intervals
    assert (
        np.abs([c["change_percent"] - t for c, t in zip(found["cylinders"], true, strict=True)]).max() < 0.6
    )
    assert [c["outcome"] for c in found["cylinders"]].count("equivalent") == 0
    assert {e["cylinder"]: e["verdict"]["code"] for e in found["effect"]} == dict.fromkeys(
        (2, 3, 5, 6), "taken"
    )
    assert found["effect_of_all"]["slope"] == pytest.approx(1, abs=0.1)
    assert all(c["same_sensor"] for c in found["cylinders"])
    assert found["spread_before_percent"]["cylinders_used"] == SIX


def test_lambda_is_shown_in_the_unit_that_was_asked_for(trimmed):
    shown = {
        unit: run_command("compare", *trimmed, "--units", unit, "--quiet").out for unit in ("lambda", "phi")
    }
    first = {
        unit: next(lines[i + 1].split() for i, line in enumerate(lines) if f"{unit} before" in line)
        for unit, lines in ((unit, text.splitlines()) for unit, text in shown.items())
    }
    for lam, phi in zip(first["lambda"][2:4], first["phi"][2:4], strict=True):
        assert float(phi) == pytest.approx(1 / float(lam), abs=0.0015)  # both are rounded to three decimals


def test_an_exchanged_pair_of_trims(trimmed):
    """The session says that what cylinder 3 got was typed for cylinder 1, and the other way round."""
    typed = TRIMS.copy()
    typed[[0, 2]] = typed[[2, 0]]
    words = [f"{c}={t:g}" for c, t in enumerate(typed, 1)]
    told = {e["cylinder"]: e["verdict"] for e in compared(*trimmed, "--entered", *words)["effect"]}
    assert (told[1]["code"], told[1]["appears_at"]) == ("wrong_cylinder", [3])
    assert (told[3]["code"], told[3]["appears_at"]) == ("wrong_cylinder", [1])
    assert told[5]["code"] == "taken"


def test_trims_with_the_wrong_sign(trimmed):
    words = [f"{c}={-t:g}" for c, t in enumerate(TRIMS, 1)]
    found = compared(*trimmed, "--entered", *words)
    assert {e["verdict"]["code"] for e in found["effect"]} == {"reversed"}


def test_nothing_changed_and_trims_not_saved(tmp_path):
    words = written(tmp_path, 12, [AS_IS, AS_IS], [0.0, 0.0])
    found = compared(*words, "--margin", "2")
    assert found["all_equivalent"]
    assert found["cells_needed"] >= 2
    assert "no_trim_changed" in {n["code"] for n in found["notes"]}
    told = compared(*words, "--entered", "2=-4", "3=5", "5=6", "6=-3")
    assert {e["verdict"]["code"] for e in told["effect"]} == {"not_saved"}


def test_moved_sensors_are_told_and_their_errors_in_the_intervals(tmp_path):
    words = written(tmp_path, 13, shifted(SIX, (0, 1)), [0.0, 0.0])
    for path in (words[3], words[5]):  # twice the standard deviation of the biases that are planted
        Path(path).write_text(Path(path).read_text() + "\n[sensors]\nbias_percent = 3\n")
    found = compared(*words)
    assert not any(c["same_sensor"] for c in found["cylinders"])
    assert "sensors_other" in {n["code"] for n in found["notes"]}
    assert not any(c["equivalent"] for c in found["cylinders"])
    lows, highs = np.array([c["interval90_percent"] for c in found["cylinders"]]).T
    assert (highs - lows).min() > 5.0  # two sensors' errors of 3 % at 95 %
    assert ((lows < 0) & (highs > 0)).sum() >= 5


def test_a_wanted_session_for_each_or_one_for_both():
    assert shared_answer("compare", *EXAMPLE, "--json", "--quiet").status == DONE
    answer = shared_answer("compare", *EXAMPLE[:2], "--session-before", EXAMPLE[3], "--quiet")
    assert answer.status == BAD_INPUT


def test_the_report_of_the_example():
    answer = shared_answer("compare", *EXAMPLE, "--entered", "5=4", "--quiet")
    assert answer.out.startswith("COMPARISON  3 shared cells\n")
    assert max(map(len, answer.out.splitlines())) <= 80
    assert "taken" in answer.out
    assert "oil, degC" in answer.out


def test_one_shared_cell_proves_nothing_but_shows_the_trim():
    found = json.loads(
        shared_answer("compare", *EXAMPLE, "--to", "25", "--entered", "5=4", "--json", "--quiet").out
    )
    assert len(found["cells"]) == 1
    assert {c["outcome"] for c in found["cylinders"]} == {"not shown"}
    assert "one_cell_shared" in {n["code"] for n in found["notes"]}
    assert [e["verdict"]["code"] for e in found["effect"]] == ["taken"]


def test_a_copy_of_the_log_is_no_other_run(tmp_path):
    """Every change would be zero, and every cylinder shown to be equivalent."""
    copy = tmp_path / "after.log.gz"
    shutil.copy(EXAMPLE[0], copy)
    answer = run_command("compare", EXAMPLE[0], str(copy), *EXAMPLE[2:], "--quiet", "--to", "25")
    assert answer.status == BAD_INPUT
    assert f"{copy}: the same readings as in {EXAMPLE[0]} in 1 of 1 cells" in answer.err


MISTAKES = {
    "same log": ((EXAMPLE[0], *EXAMPLE[0:1], *EXAMPLE[2:]), "named twice"),
    "no session": (EXAMPLE[:2], "no session"),
    "margin": ((*EXAMPLE, "--margin", "0"), "margin 0 %"),
    "no trim": ((*EXAMPLE, "--entered", "5"), "--entered 5: no trim"),
    "no such cylinder": ((*EXAMPLE, "--entered", "9=1"), "cylinder 9; expected 1 to 6"),
    "two trims": ((*EXAMPLE, "--entered", "5=4", "5=3"), "--entered 5=3: cylinder 5 was given 4 % before"),
    "large trim": ((*EXAMPLE, "--entered", "5=400"), "--entered 5=400: no trim"),
    "other engine": (
        (
            EXAMPLE[0],
            "examples/alder8_short.log.gz",
            "--session-before",
            EXAMPLE[3],
            "--session-after",
            "examples/alder8.toml",
        ),
        "expected one engine",
    ),
}


@pytest.mark.parametrize("name", MISTAKES)
def test_mistakes(name):
    words, said = MISTAKES[name]
    answer = shared_answer("compare", *words, "--quiet")
    assert answer.status == BAD_INPUT
    assert said in answer.err
    assert answer.err.count("\n") == 1
