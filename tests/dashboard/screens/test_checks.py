"""The check list: what is judged from what is known, what people say, and what is not guessed."""

from dataclasses import replace

import numpy as np
import pytest
from dashboard.scenes import (
    OPTIONS,
    RULES,
    commissioning,
    cylinders,
    happened,
    identity,
    known_sensors,
    nothing,
    responses,
    scene,
    session,
    snapshot,
    step_test,
    text,
)

from mixmon.dashboard.keys import Page
from mixmon.dashboard.scene import KnownSensors
from mixmon.dashboard.screens.checks import CHECK_LIST, CheckState, judge_checks, note_text
from mixmon.dashboard.screens.pages import State, draw
from mixmon.findings.events.event import Kind
from mixmon.mixture.block import SampleState
from mixmon.session.evidence import IdentityStanding, IdentityState, node_address
from mixmon.session.model import DeclaredFuel, Exhaust, IdentifiedNode, IdentityEvidence, Limits, Trims
from mixmon.watch.snapshot import BusNow

NEEDS = (0.0,) * 8
VALID = cylinders(NEEDS, state=[SampleState.VALID] * 8)
WARMING = cylinders(NEEDS, state=[SampleState.VALID] * 6 + [SampleState.WARMING, SampleState.COLD])


def with_facts(cylinders=VALID, **facts):
    return snapshot(cylinders=cylinders, commissioning=replace(commissioning(), **facts))


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
        of("supply", snapshot(cylinders=replace(VALID, supply=np.full(8, np.nan)), commissioning=None)),
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
    "a twin": (
        of(
            "all nodes",
            snapshot(
                cylinders=cylinders(NEEDS, state=[SampleState.DUPLICATE_NODE] + [SampleState.VALID] * 7)
            ),
        ),
        CheckState.FAILED,
        "two controllers send as cyl 1",
    ),
    "warm-ups that were seen": (
        of("sensors", with_facts(cylinders=VALID)),
        CheckState.PASSED,
        "8 of 8 ready in 9.5 to 10.2 s, slowest cyl 8",
    ),
    "a slow warm-up": (
        of("sensors", with_facts(cylinders=VALID, warm_up_s=np.array([9.0] * 7 + [31.0]))),
        CheckState.FAILED,
        "slowest cyl 8 (limit 30)",
    ),
    "the lowest supply stays the evidence": (
        of("supply", with_facts(cylinders=VALID, lowest_supply=np.array([13.1] * 7 + [9.4]))),
        CheckState.FAILED,
        "lowest 9.40 V, cyl 8, at 00:20.0",
    ),
    "rates": (
        of("frame rate"),
        CheckState.PASSED,
        "99.9 % of cyl 1 at least, longest wait 21 ms, cyl 8, 60 s",
    ),
    "rates of half a minute": (of("frame rate", with_facts(counted_s=30)), CheckState.OPEN, "30 s of 60"),
    "a node that sends too seldom": (
        of("frame rate", with_facts(rate_hz=np.array([99.9] * 7 + [80.0]))),
        CheckState.FAILED,
        "80.0 % of cyl 8",
    ),
    "a long wait": (
        of("frame rate", with_facts(longest_wait_s=np.array([0.01] * 7 + [0.3]))),
        CheckState.FAILED,
        "longest wait 300 ms, cyl 8",
    ),
    "rates of definitions without any": (
        of("frame rate", with_facts(expected_hz=np.full(8, np.nan))),
        CheckState.OPEN,
        "the definitions give no rate",
    ),
    "a delay by cuts": (of("delay"), CheckState.PASSED, "160 ms (±12) at 3000/18, by 2 cuts"),
    "no cut": (of("delay", with_facts(delay=None)), CheckState.OPEN, "no overrun cut yet"),
    "a delay by one cut": (of("delay", with_facts(cuts=1)), CheckState.PASSED, "by 1 cut"),
    "a delay by steps that the engine control reports": (
        of("delay", replace(with_facts(delay=None), steps=step_test(result=identity(), reported=True))),
        CheckState.OPEN,
        "ms by fuel steps; a cut shows it",
    ),
    "a cut that did not tell": (
        of("delay", replace(with_facts(delay=None), happened=(happened(Kind.FUEL_CUT, 1),))),
        CheckState.OPEN,
        "not told by the cut at 04:08",
    ),
    "response": (
        of("response"),
        CheckState.PASSED,
        "T63 84 to 91 ms, slowest cyl 8 x1.1 of the others, 2 cuts",
    ),
    "a slow sensor": (
        of("response", with_facts(sensors=responses(slow=0.262))),
        CheckState.FAILED,
        "slowest cyl 8 x3.1 of the others",
    ),
    "overrun": (of("overrun"), CheckState.PASSED, "in air: cyl 8 -1.9 % off the others (limit 3), 2 cuts"),
    "off in air": (of("overrun", with_facts(sensors=responses(air=4.0))), CheckState.FAILED, "cyl 8 +4.0 %"),
    "no cut in which air was seen": (
        of("overrun", with_facts(sensors=())),
        CheckState.OPEN,
        "no overrun cut",
    ),
    "free air": (
        of("free-air", known=known_sensors()),
        CheckState.PASSED,
        "8 of 8 checked, cyl 5 -2.0 % (limit 3), oldest",
    ),
    "some in free air": (of("free-air", known=known_sensors(6)), CheckState.OPEN, "6 of 8 checked"),
    "free air by hand": (of("free-air"), CheckState.OPEN, "by hand; none in the ledger"),
    "a ledger that cannot be read": (
        of("free-air", known=KnownSensors(fault="no ledger")),
        CheckState.OPEN,
        "the ledger cannot be read",
    ),
    "own errors": (
        of("rotation", known=known_sensors()),
        CheckState.PASSED,
        "8 of 8 known, largest +0.80 %, widest ±0.30",
    ),
    "some own errors": (of("rotation", known=known_sensors(3)), CheckState.OPEN, "3 of 8 known"),
    "no own errors": (of("rotation"), CheckState.OPEN, "mixmon rotate"),
    "the whole engine": (of("whole"), CheckState.PASSED, "worst -0.7 ±0.2 % at 2000/10, 15 cells"),
    "nothing of the whole engine": (of("whole", snapshot(balance=None)), CheckState.OPEN, "no cell yet"),
    "dwells": (of("dwells"), CheckState.OPEN, "cells within ±0.5 %"),
    "identity that is stated": (of("cylinder identity"), CheckState.OPEN, "vouches for the labels"),
    "before and after": (of("before and"), CheckState.OPEN, "by hand"),
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


def test_the_list_goes_on_below_80_by_24_and_the_chosen_one_says_what_to_do():
    page = text(draw(scene(), State(OPTIONS, page=Page.CHECKS, check=1), 80, 24))
    assert [int(line[1:3]) for line in page[2:17]] == list(range(1, 16))
    assert page[3].startswith("▸ 2 OPEN  bus ends")
    assert "step 2: 60 ohm between the wires" in page[21]
    assert "found: by hand" in page[22]
    assert "passed" in page[1]


def test_the_chosen_check_is_in_sight_on_the_smallest_screen():
    for chosen in range(len(CHECK_LIST)):
        page = text(draw(scene(), State(OPTIONS, page=Page.CHECKS, check=chosen), 40, 10))
        assert any(line.startswith(f"▸{chosen + 1:>2} ") for line in page)


def test_a_pass_by_hand_does_not_hide_what_the_data_say():
    remarks = ((0, "note: check 4 passed: all there"),)
    assert judge_checks(scene(snapshot(remarks=remarks)))[3] == (
        CheckState.PASSED,
        "all there (the data: FAIL, silent: cyl 8)",
    )


def test_the_proof_of_the_labels_is_the_evidence_of_its_check():
    declared = replace(session(), trims=Trims())
    nodes = tuple(
        IdentifiedNode(n.position, n.sensor, node_address(declared, n), n.cylinders, 0.9991)
        for n in declared.chain.nodes
    )
    proof = IdentityEvidence("run 6", 1_700_000_000 * 10**9, 9, nodes)
    wanted = CheckState.PASSED, "run 6 2023-11-14, 8 of 8, least sure 0.999"
    assert of("cylinder identity", declared=replace(declared, identity=proof))[0] is wanted[0]
    assert of("cylinder identity", declared=replace(declared, identity=proof))[1].startswith(
        "run 6 2023-11-14, 8 of 8"
    )
    assert of("cylinder identity", declared=declared)[1].startswith("not proved, 2 of 5 steps")
    kept = replace(snapshot().steps, evidence=proof)  # kept while watching
    assert of("cylinder identity", snapshot(steps=kept), declared=declared)[0] is CheckState.PASSED
    wrong = replace(proof, nodes=(replace(nodes[0], cylinders=(2,)), *nodes[1:]))
    found = of("cylinder identity", declared=replace(declared, identity=wrong))
    assert found == (CheckState.FAILED, "1 sees 2; no trims until put right")
    other = replace(proof, nodes=(replace(nodes[0], sensor="S-9"), *nodes[1:]))
    found = of("cylinder identity", declared=replace(declared, identity=other))
    assert found == (CheckState.OPEN, "changed since the proof: position 1")


def test_steps_in_the_run_itself_say_whether_labels_are_proved():
    at = next(i for i, check in enumerate(CHECK_LIST) if "identity" in check.name)
    odd = ((3, 3, 4), (4, 4, 3))
    told = {
        IdentityStanding(IdentityState.PROVED, own=True): (CheckState.PASSED, "8 of 8 by steps in this run"),
        IdentityStanding(IdentityState.PROVED, odd=odd, own=True, by_cylinder=True): (
            CheckState.FAILED,
            "3 sees 4, 4 sees 3, by steps in this run; trims go by the cylinder seen",
        ),
        IdentityStanding(IdentityState.DISPROVED, odd=odd, own=True): (
            CheckState.FAILED,
            "3 sees 4, 4 sees 3, by steps in this run; no trims until put right",
        ),
    }
    for standing, finding in told.items():
        assert judge_checks(scene(snapshot(identity=standing)))[at] == finding
