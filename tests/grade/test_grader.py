"""The grader as a whole: the command, what it cannot judge, and what comes of unproved labels."""

from __future__ import annotations

import dataclasses
import json
import re
from itertools import pairwise

import pytest
from gradings import graded

from mixmon.cli.main import main
from mixmon.grade.grader import JUDGES, all_right
from mixmon.grade.item import Grading, does_not_apply, judged, not_yet
from mixmon.grade.needs import entered, naive_run, shown_without_noise, true_spread
from mixmon.report.grade import grade_json, grade_text
from mixmon.simulate.load import load_scenario
from mixmon.simulate.scenario import Leak
from mixmon.simulate.simulation import simulate


def test_every_item_is_answered_named_or_does_not_apply(capsysbinary) -> None:
    assert main(["simulate", "--scenario", "odd-six", "--seed", "31", "--grade", "--json"]) == 0
    found = json.loads(capsysbinary.readouterr().out)
    assert found["format"] == 2
    items = {item["item"]: item for item in found["items"]}
    assert len(items) == len(found["items"]) == sum(found["verdicts"].values()) == len(JUDGES)
    for item in items.values():
        if item["verdict"] in {"not yet", "does not apply"}:
            assert item["why"]
        else:
            assert item["expected"]
            assert item["found"]
            assert item["tolerance"]
    assert items["leak suspected, test asked for"]["verdict"] == "does not apply"


def test_trimming_by_exchanged_labels_grows_the_spread_as_computed() -> None:
    # trims rounded to half a per cent, labels 3 and 4 exchanged, unbiased sensors (computed apart from this)
    scenario = load_scenario("alder8-short")
    unbiased = dataclasses.replace(scenario.sensors, bias_percent=(0.0,) * 8, free_air_percent=(0.0,) * 8)
    leaks = tuple(fault for fault in scenario.faults if not isinstance(fault, Leak))
    simulation = simulate(dataclasses.replace(scenario, sensors=unbiased, faults=leaks), seed=1)
    spreads = [true_spread(simulation)]
    for played in range(3):
        simulation = entered(simulation, shown_without_noise(simulation), played)
        spreads.append(true_spread(simulation))
    assert spreads == pytest.approx([8.3, 13.8, 27.6, 55.8], abs=0.1)


def test_what_the_analysis_makes_of_exchanged_labels_is_judged_round_by_round() -> None:
    item = naive_run(graded("alder8-glimpse", 31))
    assert item.grading is Grading.RIGHT
    assert all(float(after) > 1.5 * float(before) for before, after in pairwise(item.found.split()))


def test_trimming_by_label_does_no_harm_where_the_labels_are_right() -> None:
    evidence = graded("six", 32)
    assert naive_run(evidence).grading is Grading.DOES_NOT_APPLY


def test_the_command_prints_every_item_and_exits_by_the_verdict(capsysbinary) -> None:
    """Of four cylinders; that nothing of the demo engine and of another is wrong: test_judging."""
    assert main(["simulate", "--scenario", "four", "--seed", "1", "--grade"]) == 0
    out = capsysbinary.readouterr().out.decode()
    assert max(map(len, out.splitlines())) <= 80
    assert sum(map(int, re.findall(r"(\d+) (?:right|WRONG|not|do)", out.splitlines()[1]))) == len(JUDGES)
    assert "0 WRONG" in out


def test_a_wrong_item_is_a_limit_that_is_not_met() -> None:
    right = judged("spread", "8.3", "8.4", "+-0.5", right=True)
    wrong = judged("needs", "6.0", "-1.2", "+-0.5", right=False)
    assert all_right((right, not_yet("leak", "6", "no finding"), does_not_apply("cuts", "none")))
    assert not all_right((right, wrong))


def test_text_says_what_each_verdict_rests_on() -> None:
    items = (
        judged("needs", "+6.0", "-1.2", "+-0.5", right=False),
        not_yet("leak", "cylinder 6", "no finding of leaks"),
        does_not_apply("fuel cuts", "none in the script"),
    )
    assert grade_text(items, "Six", 4) == (
        "GRADE  Six, seed 4\n"
        "0 right, 1 WRONG, 1 not yet, 1 does not apply\n"
        "\n"
        "WRONG           needs\n"
        "                expected   +6.0\n"
        "                found      -1.2\n"
        "                tolerance  +-0.5\n"
        "not yet         leak\n"
        "                expected   cylinder 6\n"
        "                lacking    no finding of leaks\n"
        "does not apply  fuel cuts\n"
        "                because    none in the script\n"
    )
    assert grade_json(items, "Six", 4)["verdicts"] == {
        "right": 0,
        "wrong": 1,
        "not yet": 1,
        "does not apply": 1,
    }


@pytest.mark.parametrize(
    "words",
    [
        ["--grade", "--out", "-"],
        ["--grade", "--through", "session.toml"],
        ["--naive", "--out", "x.log"],
        ["--json", "--out", "x.log"],
    ],
)
def test_words_that_do_not_go_together_are_bad_use(words, capsysbinary) -> None:
    assert main(["simulate", *words]) == 2
    assert b"--grade" in capsysbinary.readouterr().err


def test_a_moment_too_short_to_judge_is_refused_in_one_line(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["simulate", "--scenario", "alder8-short", "--duration", "0.002", "--grade"]) == 2
    assert "play longer" in capsys.readouterr().err
