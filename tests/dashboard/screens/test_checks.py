"""The check list: what is judged from what is known, what people say, and what is not guessed."""

from dataclasses import replace

import numpy as np
import pytest
from dashboard.scenes import OPTIONS, RULES, cylinders, nothing, scene, session, snapshot, text

from mixmon.dashboard.keys import Page
from mixmon.dashboard.screens.checks import CHECK_LIST, CheckState, judge_checks, note_text
from mixmon.dashboard.screens.pages import State, draw
from mixmon.mixture.block import SampleState
from mixmon.session.model import DeclaredFuel, Exhaust, Limits
from mixmon.watch.snapshot import BusNow

NEEDS = (0.0,) * 8
VALID = cylinders(NEEDS, state=[SampleState.VALID] * 8)
WARMING = cylinders(NEEDS, state=[SampleState.VALID] * 6 + [SampleState.WARMING, SampleState.COLD])


def of(name, given=None, **kind):
    shown = scene(snapshot() if given is None else given, **kind)
    at = next(i for i, check in enumerate(CHECK_LIST) if check.name.startswith(name))
    return judge_checks(shown)[at]


def on(*buses):
    return snapshot(buses=tuple(BusNow(*bus) for bus in buses))


CASES = {
    "limits with a source": (of("builder"), CheckState.PASSED, "builder's sheet 14; lean at +0.040"),
    "placeholders": (
        of("builder", declared=session(limits=Limits(None, RULES))),
        CheckState.OPEN,
        "placeholders are in force",
    ),
    "a silent node": (of("all nodes"), CheckState.FAILED, "silent: cyl 8"),
    "all heard": (of("all nodes", snapshot(cylinders=VALID)), CheckState.PASSED, "8 of 8 heard"),
    "nothing heard": (of("all nodes", nothing()), CheckState.OPEN, "nothing heard yet"),
    "supply": (of("supply", snapshot(cylinders=VALID)), CheckState.PASSED, "V, cyl"),
    "low supply": (
        of("supply", snapshot(cylinders=replace(VALID, supply=np.array([13.0] * 7 + [10.9])))),
        CheckState.FAILED,
        "lowest 10.90 V, cyl 8",
    ),
    "no supply told": (
        of("supply", snapshot(cylinders=replace(VALID, supply=np.full(8, np.nan)))),
        CheckState.OPEN,
        "no supply voltage reported",
    ),
    "quiet buses": (of("bus load"), CheckState.PASSED, "chain 19 %, engine 4 %"),
    "a crowded bus": (
        of("bus load", on(("chain", 61.0, 900.0, 0, "active", 1, 0))),
        CheckState.FAILED,
        "61 %",
    ),
    "error frames": (
        of("bus load", on(("chain", 20.0, 900.0, 3, "active", 1, 0))),
        CheckState.FAILED,
        "3 error frames",
    ),
    "one bus unheard": (
        of("bus load", on(("chain", 20.0, 9.0, 0, "active", 1, 0), ("engine", 0.0, 0.0, 0, "", -1, 0))),
        CheckState.FAILED,
        "engine 0 %",
    ),
    "ready": (of("sensors", snapshot(cylinders=VALID)), CheckState.PASSED, "8 of 8 ready"),
    "warming": (of("sensors", snapshot(cylinders=WARMING)), CheckState.OPEN, "not ready: cyl 7 8"),
    "engine signals are looked at by people": (
        of("engine"),
        CheckState.OPEN,
        "now rpm 6720, load 100, target 0.870",
    ),
    "no target": (
        of("engine", declared=replace(session(), engine_signals={})),
        CheckState.FAILED,
        "no signal for rpm, throttle, target",
    ),
    "fuel": (of("fuel", declared=replace(session(), fuel=DeclaredFuel("E10"))), CheckState.PASSED, "E10"),
    "no fuel": (of("fuel"), CheckState.OPEN, "lambda only"),
    "sensors that point up": (
        of("sensor angle", declared=replace(session(), exhaust=Exhaust(sensor_angle_deg=35))),
        CheckState.PASSED,
        "35 degrees above horizontal",
    ),
    "sensors that lie flat": (
        of("sensor angle", declared=replace(session(), exhaust=Exhaust(sensor_angle_deg=5))),
        CheckState.OPEN,
        "condensed water",
    ),
    "leaded fuel": (
        of("sensor angle", declared=replace(session(), fuel=DeclaredFuel("E10", leaded=True))),
        CheckState.OPEN,
        "leaded fuel poisons",
    ),
    "sensors of which nothing is said": (of("sensor angle"), CheckState.OPEN, "no sensor_angle_deg"),
    "recording": (of("recording"), CheckState.PASSED, "recording run 7"),
    "little room": (
        of("recording", snapshot(recording_minutes_left=12.0)),
        CheckState.FAILED,
        "room for 12 min",
    ),
    "not recording": (of("recording", snapshot(recording="not recording")), CheckState.OPEN, "not recording"),
    "a replay": (of("recording", snapshot(replay_position=0.3)), CheckState.PASSED, "being played"),
    "the analysis has stopped": (
        of("all nodes", snapshot(failure="it broke")),
        CheckState.OPEN,
        "nothing heard",
    ),
}


@pytest.mark.parametrize("name", CASES)
def test_a_check_stands_with_its_evidence(name):
    (stand, evidence), wanted, words = CASES[name]
    assert stand is wanted
    assert words in evidence


def said(*remarks):
    return judge_checks(scene(snapshot(remarks=tuple((i, words) for i, words in enumerate(remarks)))))


def test_what_someone_found_is_the_evidence_and_the_newest_counts():
    assert said("note: check 2 failed: 120 ohm", "note: check 2 passed: 60.4 ohm")[1] == (
        CheckState.PASSED,
        "60.4 ohm",
    )
    assert said("note: check 7 skipped: no time")[6] == (CheckState.SKIPPED, "no time")
    assert said("note: check 2 passed: 60 (no run is being recorded)")[1] == (CheckState.PASSED, "60")


def test_a_check_that_was_opened_again_stands_as_before():
    assert said("note: check 2 passed: 60 ohm", "note: check 2 reopened: again")[1] == (
        CheckState.OPEN,
        "by hand",
    )


@pytest.mark.parametrize("words", ["note: check the plugs", "note: check 99 passed: x", "check 2 passed: 60"])
def test_other_notes_are_no_evidence(words):
    assert said(words) == said()


def test_what_keys_write_is_what_the_list_reads():
    assert said("note: " + note_text(10, "failed", "3 and 4 exchanged"))[10] == (
        CheckState.FAILED,
        "3 and 4 exchanged",
    )


def test_all_checks_fit_80_by_24_and_the_chosen_one_says_what_to_do():
    page = text(draw(scene(), State(OPTIONS, page=Page.CHECKS, check=1), 80, 24))
    assert [int(line[1:3]) for line in page[2:17]] == list(range(1, 16))
    assert page[3].startswith("▸ 2 OPEN  bus ends")
    assert "step 2: 60 ohm between the wires" in page[18]
    assert "passed" in page[1]


def test_the_chosen_check_is_in_sight_on_the_smallest_screen():
    for chosen in range(len(CHECK_LIST)):
        page = text(draw(scene(), State(OPTIONS, page=Page.CHECKS, check=chosen), 40, 10))
        assert any(line.startswith(f"▸{chosen + 1:>2} ") for line in page)
