"""The guided step test: keys and reported trims become steps, answers and a result, however rows come."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from fuel_answers import Played, orders, session
from guided import BEGIN_NS, ROW_NS, guided, marked, planned, rows_of
from laws import everything

from mixmon.errors import UsageError
from mixmon.findings.identity.guide import StepAction, StepGuide, StepTest, StepVerb
from mixmon.findings.identity.identity import evidence_of, identify_labels, review_identity
from mixmon.findings.identity.notes import IdentityNote
from mixmon.mixture.block import CylinderBlock, SampleState
from mixmon.session.evidence import IdentityState
from mixmon.session.model import Engine, Injection

EXCHANGED = [0, 1, 3, 2, 4, 5, 6, 7]
STEPS = planned(8)


@pytest.fixture(scope="module")
def rows() -> CylinderBlock:
    """Eight sensors, those of labels 3 and 4 exchanged, stepped as planned; noise 0.45 %."""
    return rows_of(Played(STEPS, orders(8, EXCHANGED)))


@pytest.fixture(scope="module")
def late() -> list[tuple[int, StepVerb]]:
    """The keys of a person, each pressed 0.1 to 0.5 s after the trim was typed."""
    return marked(STEPS, np.random.default_rng(4).uniform(0.1, 0.5, 2 * len(STEPS)))


def said(test: StepTest) -> str:
    return everything(replace(test, steps=())) + everything(
        [(s.place, s.begin, s.end, s.answers, s.moved) for s in test.steps]
    )


def test_keys_that_follow_the_plan_tell_every_label(rows, late):
    test = guided(session(8), rows, late).now()
    assert (test.next, test.open, test.waiting, len(test.steps)) == (None, False, False, 5)
    assert test.result.state is IdentityState.DISPROVED
    assert [label.cylinders[0] - 1 for label in test.result.labels] == EXCHANGED
    assert test.result.exchanged == ((3, 4),)
    # Each label answers its own cylinder's step: +3 % of fuel within the noise of seconds.
    for step, planned_step in zip(test.steps, STEPS, strict=True):
        asked = [dict(planned_step.percent)[c + 1] for c in EXCHANGED]
        assert step.answers == pytest.approx(asked, abs=0.9)


def test_the_result_is_that_of_the_file_of_the_same_steps(rows):
    """One finding with `mixmon identify --steps`, which reads all rows from the log's beginning."""
    guide = guided(session(8), rows, marked(STEPS))
    by_file = review_identity(session(8), [rows], STEPS)
    shown = guide.identity()
    assert shown.state is by_file.state
    assert [x.cylinders for x in shown.labels] == [x.cylinders for x in by_file.labels]
    assert [x.gain for x in shown.labels] == pytest.approx([x.gain for x in by_file.labels], abs=0.02)


def test_the_test_is_the_same_however_rows_come_and_when_all_acts_are_known_before(rows, late):
    part = rows.take(slice(0, 3000))
    keys = [(row, verb) for row, verb in late if row < 3000]
    live = guided(session(8), part, keys, piece=7)
    fuel = {step.begin: step.fuel for step in live.now().steps}
    for piece in (11, 3000):
        guide = StepGuide(session(8))
        for row, verb in keys:  # a replay knows them all from the notes of its run
            at = int(rows.t[row - 1])
            guide.act(StepAction(at, verb, fuel=fuel.get(at + 1, ())))
        assert said(guided(session(8), part, [], piece=piece, guide=guide).now()) == said(live.now())


def test_steps_come_from_the_trims_that_the_engine_control_reports(rows):
    played = Played(STEPS, orders(8, EXCHANGED))
    told = rows_of(played, trims=True)
    tests = []
    for piece in (20, 4000):
        guide = StepGuide(session(8), reported=True)
        test = guided(session(8), told, [], piece=piece, guide=guide).now()
        tests.append(said(test))
    assert tests[0] == tests[1]
    assert [step.place for step in test.steps] == [0, 1, 2, 3, 4]
    assert test.next is None
    assert [label.cylinders[0] - 1 for label in test.result.labels] == EXCHANGED
    with pytest.raises(UsageError, match="reports its trims"):
        guide.act(StepAction(0, StepVerb.BEGIN))


def test_trims_that_come_in_several_messages_are_one_step():
    """The trims of cylinders 3 and 4 come 50 ms after those of 1 and 2, at the beginning and at the end."""
    played = Played(planned(4), orders(4, range(4)))
    told = rows_of(played, trims=True)
    late = {f"trim{c:02d}": np.roll(told.now[f"trim{c:02d}"], 5) for c in (3, 4)}
    rows = replace(told, now={**told.now, **late})
    test = guided(session(4), rows, [], piece=100, guide=StepGuide(session(4), reported=True)).now()
    assert [step.place for step in test.steps] == [0, 1, 2, 3]
    assert test.next is None


def test_trims_that_stay_are_no_step_and_later_ones_count_from_them():
    """New trims at 10 s that stay; 90 s later a step of all cylinders on top of them."""
    played = Played(planned(4)[:1], orders(4, range(4)), after_s=130.0)
    stay = np.broadcast_to([2.0, 0.0, -2.0, 0.0], played.fuel.shape).copy()
    stay[:1000] = 0.0
    rows = rows_of(played)
    step = 100 * (1 + stay / 100) - 100
    step[10_000:10_600] = 100 * ((1 + stay[10_000:10_600] / 100) * 1.03 - 1)
    rows = replace(rows, now={**rows.now, **{f"trim{c:02d}": step[:, c - 1] for c in range(1, 5)}})
    test = guided(session(4), rows, [], piece=100, guide=StepGuide(session(4), reported=True)).now()
    assert [(s.place, s.counts) for s in test.steps] == [(None, False), (0, True)]
    assert dict(test.steps[1].fuel) == pytest.approx(dict.fromkeys(range(1, 5), 3.0))


def test_a_step_that_was_too_short_for_an_answer_comes_again():
    """All trims +3 % for 0.8 s, as where somebody types a number and takes it back."""
    played = Played(planned(4)[:1], orders(4, range(4)))
    rows = rows_of(played)
    step = np.zeros((len(rows), 4))
    step[1000:1080] = 3.0
    rows = replace(rows, now={**rows.now, **{f"trim{c:02d}": step[:, c - 1] for c in range(1, 5)}})
    test = guided(session(4), rows, [], piece=100, guide=StepGuide(session(4), reported=True)).now()
    assert [(s.place, s.answered, s.counts) for s in test.steps] == [(0, False, False)]
    assert test.next == 0


def test_nothing_is_claimed_without_an_answer_and_in_a_closed_loop():
    """The engine holds its mean back to where it was, or does not move at all."""
    ses = session(4)
    nothing = Played(planned(4), orders(4, range(4)), gain=0.0)
    found = guided(ses, rows_of(nothing), marked(planned(4))).now().result
    assert found.state is IdentityState.UNPROVED
    assert [x.code for x in found.notes] == [IdentityNote.NOT_ANSWERED]
    closed = rows_of(Played(planned(4), orders(4, range(4))), closed_loop=1.0)
    test = guided(ses, closed, marked(planned(4))).now()
    assert test.closed_loop
    assert [x.code for x in test.result.notes] == [IdentityNote.CLOSED_LOOP_REPORTED]
    small = Played(planned(4, percent=0.3), orders(4, range(4)), noise=0.03)
    guide = StepGuide(ses)
    guide.act(StepAction(0, StepVerb.PLAN, percent=0.3))
    assert not any(
        x.told for x in guided(ses, rows_of(small), marked(planned(4)), guide=guide).now().result.labels
    )


def test_a_step_in_which_the_speed_moved_comes_again(rows, late):
    speed = np.full(len(rows), 3000.0)
    begin, end = (row for row, _ in late[2:4])
    speed[(begin + end) // 2 :] = 3300.0
    moved = replace(rows, now={**rows.now, "rpm": speed})
    test = guided(session(8), moved, late, until=end + 50).now()
    assert [step.moved for step in test.steps] == [False, True]
    assert test.next == 1


def test_a_jump_of_the_stamps_begins_the_test_anew(rows, late):
    middle = late[3][0] + 100
    guide = guided(session(8), rows, late, until=middle)
    assert len(guide.now().steps) == 2
    after = rows.take(slice(middle, middle + 500))
    guide.feed(replace(after, stretch=after.stretch + 1, t=after.t - 100 * 10**9))
    test = guide.now()
    assert (test.steps, test.next, test.result) == ((), 0, None)


def test_a_label_that_is_not_valid_has_no_answer_and_is_not_told(rows, late):
    state = rows.state.copy()
    state[:, 5] = SampleState.SILENT
    test = guided(session(8), replace(rows, state=state), late).now()
    assert np.isnan([step.answers[5] for step in test.steps]).all()
    assert not test.result.labels[5].told


def test_acts_out_of_order_are_refused_with_what_to_do(rows):
    guide = StepGuide(session(8))
    with pytest.raises(UsageError, match="nothing has been heard"):
        guide.act(StepAction(BEGIN_NS, StepVerb.BEGIN))
    guide.feed(rows.take(slice(0, 100)))
    now = BEGIN_NS + 100 * ROW_NS
    with pytest.raises(UsageError, match="none is held"):
        guide.act(StepAction(now, StepVerb.END))
    guide.act(StepAction(now, StepVerb.BEGIN))
    with pytest.raises(UsageError, match="held already"):
        guide.act(StepAction(now, StepVerb.BEGIN))
    batch = StepGuide(session(4, injection=Injection(timing="batch"), engine=Engine(4)))
    batch.feed(rows.take(slice(0, 100)))
    assert batch.now().plan == ()
    with pytest.raises(UsageError, match="there are none"):
        batch.act(StepAction(now, StepVerb.BEGIN))


def test_what_is_kept_is_what_the_steps_say():
    ses = session(4)
    steps = planned(4)
    found = identify_labels(ses, Played(steps, orders(4, [1, 0, 2, 3])).windows(), (-1.0, 2.0))
    kept = evidence_of(ses, found, log="run 7", first_ns=5, frames=9)
    assert (kept.log, kept.first_ns, kept.frames) == ("run 7", 5, 9)
    assert [node.cylinders for node in kept.nodes] == [(2,), (1,), (3,), (4,)]
    quiet = identify_labels(ses, [], (-1.0, 2.0))
    assert evidence_of(ses, quiet, log="", first_ns=0, frames=0) is None
