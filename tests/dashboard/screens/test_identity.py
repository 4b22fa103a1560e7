"""The identity step on the screen: what to type now, what every label answered, what that proves."""

import math
from dataclasses import replace

import numpy as np
import pytest
from dashboard.scenes import OPTIONS, identity, scene, session, snapshot, step_test, text

from mixmon.dashboard.controls import Controls
from mixmon.dashboard.keys import Asked, Page
from mixmon.dashboard.scene import ViewOptions
from mixmon.dashboard.screens import checks
from mixmon.dashboard.screens.pages import State, draw
from mixmon.session.evidence import IdentityStanding, IdentityState, node_address
from mixmon.session.model import IdentifiedNode, IdentityEvidence, Trims
from mixmon.watch.commands import BeginStep, EndStep, KeepIdentity, PlanSteps


def drawn(test, count=8, size=(80, 24), **changes):
    shown = snapshot(count, steps=test)
    seen = scene(shown, count=count, **changes)
    return text(draw(seen, State(seen.options, page=Page.STEPS), *size))


def told(lines):
    return " ".join(" ".join(lines).split())


def test_it_says_what_to_type_and_when_to_take_it_back():
    first = told(drawn(step_test(done=0, held=False)))
    assert "STEP 1 of 5: type all cylinders +3 %" in first
    assert "press enter when it is in force" in first
    held = told(drawn(step_test(done=1)))
    assert "STEP 2 of 5: cyl 2 4 6 8 +3 %, cyl 1 3 5 7 -3 %" in held
    assert "held 3.2 s; hold 3 s more, then take it back, then enter" in held
    assert "NOW take it back, then enter" in told(drawn(step_test(done=1, held_s=6.0)))
    pause = told(drawn(step_test(done=2, held=False, held_s=1.0)))
    assert "STEP 3 of 5: type cyl 3 4 7 8 +3 %, cyl 1 2 5 6 -3 %" in pause
    assert "pause 2 s, then type it" in pause


def test_where_the_engine_control_reports_its_trims_no_key_is_asked_for():
    lines = told(drawn(step_test(done=0, held=False, reported=True)))
    assert "it is seen by itself" in lines
    assert "press enter" not in lines
    assert "then enter" not in told(drawn(step_test(done=1, reported=True)))


@pytest.mark.parametrize("count", [4, 8, 16])
@pytest.mark.parametrize("size", [(80, 24), (200, 60)])
def test_every_label_has_a_row_with_its_answer_beside_what_was_asked(count, size):
    lines = drawn(step_test(count, done=2), count, size)
    rows = [line.split() for line in lines if line[:6].strip().isdigit()]
    assert [int(row[0]) for row in rows] == list(range(1, count + 1))
    third = step_test(count, done=2).steps[2]
    for row, answer, (_, asked) in zip(rows, third.answers, third.fuel, strict=True):
        assert f"{answer:+.1f}" in [word.rstrip("!") for word in row]
        assert f"{asked:+.1f}" in row
    assert [int(row[0]) for row in rows if row[-1].endswith("!")] == [3, 4]  # step 2 told them apart
    assert all(len(line) == size[0] for line in lines)
    assert len(lines) == size[1]


def test_a_picture_of_a_label_ends_at_its_answer_and_shows_what_was_asked():
    ascii_only = ViewOptions(OPTIONS.unit, ascii=True)
    test = step_test(2, done=1)
    fuel = ((1, 3.0), (2, -3.0))
    steps = (test.steps[0], replace(test.steps[1], fuel=fuel, answers=np.array([1.5, math.nan])))
    lines = drawn(replace(test, steps=steps), 2, (80, 24), options=ascii_only)
    one, two = (line[18:].split("  +")[0] for line in lines if line[:6].strip() in {"1", "2"})
    middle = one.index("|")
    reach = (one.index(":") - middle) / 3.0  # cells a percent
    assert one.index("O") - middle == pytest.approx(1.5 * reach, abs=1)
    assert "O" not in two
    assert two.index(":") < two.index("|")


def test_pass_and_fail_say_what_comes_next():
    done = step_test(done=5, held=False)
    right = told(drawn(replace(done, result=identity(exchanged=(1, 1)))))
    assert "PASS: every label sees its cylinder, by 5 steps" in right
    assert "k keeps the proof, and lifts the lock of the trims" in right
    lines = drawn(replace(done, result=identity()))
    wrong = told(lines)
    assert "FAIL: not every label sees its cylinder" in wrong
    assert "labels 3 and 4 are exchanged" in wrong
    assert [line.split()[:2] for line in lines if line[:6].strip() in {"3", "4"}] == [
        ["3", "4!"],
        ["4", "3!"],
    ]
    unknown = told(drawn(replace(done, result=identity(exchanged=(8, 8), proved_from=3))))
    assert "NOT PROVED: p begins the steps again" in unknown
    assert "label 1: its readings were not valid for most of the time of the steps" in unknown


def test_before_all_steps_are_done_nothing_is_called_proved():
    test = step_test(done=3, held=False, result=identity(exchanged=(1, 1), proved_from=5))
    lines = told(drawn(test))
    assert "so far 4 of 8 labels are told, by 5 steps" in lines
    assert "PASS" not in lines
    assert "NOT PROVED" not in lines


def test_what_disturbs_the_test_is_told_at_once():
    test = step_test(done=2, closed_loop=True)
    assert "closed loop is on" in told(drawn(test))
    moved = replace(test, steps=(*test.steps[:-1], replace(test.steps[-1], moved=True)))
    assert "speed or load moved in the last step: it does not count" in told(drawn(moved))
    batch = replace(test, plan=(), steps=(), next=None)
    assert "all cylinders have one trim" in told(drawn(batch))


def evidence(declared, sees=None):
    nodes = declared.chain.nodes
    kept = (
        IdentifiedNode(
            n.position, n.sensor, node_address(declared, n), (sees or {}).get(n.position, n.cylinders), 0.999
        )
        for n in nodes
    )
    return IdentityEvidence("run 6", 1, 2, tuple(kept))


def test_it_says_what_counts_now_and_why_it_may_not():
    declared = replace(session(), trims=Trims())
    test = step_test(done=0, held=False)
    assert "labels: not proved: no trims are offered" in told(drawn(test, declared=declared))
    proved = replace(declared, identity=evidence(declared))
    assert "labels: proved by what was kept (run 6)" in told(drawn(test, declared=proved))
    changed = replace(
        proved.identity, nodes=(replace(proved.identity.nodes[0], sensor="S-9"), *proved.identity.nodes[1:])
    )
    lines = told(drawn(test, declared=replace(declared, identity=changed)))
    assert "since then changed at position 1" in lines
    live = replace(test, evidence=evidence(declared))
    assert "labels: proved by what was kept (run 6)" in told(drawn(live, declared=declared))


class Hand:
    """Keys on the identity step, the commands and the words that come of them."""

    def __init__(self, test, declared=None):
        self.sent = []
        shown = snapshot(8, steps=test)
        self.scene = scene(shown, declared=declared)
        self.controls = Controls(State(OPTIONS, page=Page.STEPS), (OPTIONS.unit,), self.sent.append)

    def press(self, *keys):
        for key in keys:
            self.controls.press(key, self.scene, 100.0)
        return self.controls.state


def test_one_key_begins_and_ends_a_step():
    begin, end = Hand(step_test(done=1, held=False)), Hand(step_test(done=1))
    begin.press("enter")
    end.press("enter")
    assert (begin.sent, end.sent) == ([BeginStep()], [EndStep()])


def test_the_plan_changes_only_before_the_first_step():
    hand = Hand(step_test(done=0, held=False))
    hand.press("right", "up", "down")
    assert hand.sent == [PlanSteps(True, 3.0), PlanSteps(False, 4.0), PlanSteps(False, 2.0)]
    hand = Hand(step_test(done=1))
    assert "p begins them again" in hand.press("right").message
    assert hand.sent == []
    assert hand.press("p").prompt.asked is Asked.STEPS_ANEW
    hand.press("y")
    assert hand.sent == [PlanSteps(False, 3.0)]


def test_a_proof_is_written_over_only_after_a_question():
    declared = replace(session(), trims=Trims())
    hand = Hand(step_test(done=5, held=False), declared)
    hand.press("k")
    assert hand.sent == [KeepIdentity()]
    hand = Hand(step_test(done=5, held=False), replace(declared, identity=evidence(declared)))
    assert hand.press("k").prompt.asked is Asked.PROOF_ANEW
    hand.press("n")
    assert hand.sent == []
    hand.press("k", "y")
    assert hand.sent == [KeepIdentity(over=True)]


def test_it_opens_from_its_check_and_from_everywhere():
    hand = Hand(step_test(done=0, held=False))
    hand.controls.state = State(OPTIONS, page=Page.CHECKS, check=checks.IDENTITY_CHECK)
    assert hand.press("enter").page is Page.STEPS
    hand.controls.state = State(OPTIONS, page=Page.BALANCE)
    assert hand.press("I").page is Page.STEPS


def test_steps_too_short_for_an_answer_take_no_column():
    test = step_test(done=3, held=False)
    short = replace(test.steps[0], answers=np.full(8, math.nan))
    lines = drawn(replace(test, steps=(*test.steps, short, short)), size=(200, 60))
    assert lines == drawn(test, size=(200, 60))


def test_where_trims_go_by_the_cylinder_seen_a_fail_says_so():
    standing = IdentityStanding(IdentityState.PROVED, odd=((3, 3, 4),), own=True, by_cylinder=True)
    shown = snapshot(steps=step_test(done=5, held=False, result=identity()), identity=standing)
    words = told(text(draw(scene(shown), State(OPTIONS, page=Page.STEPS), 80, 24)))
    assert "trims go by the cylinder seen" in words
    assert "no trims until" not in words


def test_what_has_no_room_below_the_labels_is_reached_by_page_down():
    test = step_test(16, done=6, held=False, result=identity(16))
    first = drawn(test, 16)
    assert "more: page down" in first[-2]
    assert "labelled 4, sees 3" not in told(first)
    shown = scene(snapshot(16, steps=test), count=16)
    controls = Controls(State(shown.options, page=Page.STEPS), (OPTIONS.unit,), lambda _: None)
    controls.press("pagedown", shown, 1.0)
    assert "labelled 4, sees 3" in told(text(draw(shown, controls.state, 80, 24)))
