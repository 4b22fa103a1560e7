"""Alarm records in lines of text."""

import json
from dataclasses import replace

import pytest
from dashboard.scenes import FUEL, session, snapshot

from mixmon.findings.alarms.misfire import MisfireMark
from mixmon.findings.alarms.records import AlarmEvent, Happening
from mixmon.findings.alarms.states import AlarmFlag, AlarmState
from mixmon.live.recording import alarm_data
from mixmon.report.alarms import alarm_line, moment_line
from mixmon.report.answers import alarms_answer, answer_text
from mixmon.report.text import to_json
from mixmon.report.units import unit_named


def record(what: Happening) -> AlarmEvent:
    """An announcement of an alarm that stands."""
    return AlarmEvent(
        stretch=0,
        t=3_000_000_000,
        rule="lean under load",
        priority=1,
        position=3,
        cylinders=(4,),
        what=what,
        before=AlarmState.UNACKNOWLEDGED,
        state=AlarmState.UNACKNOWLEDGED,
        flags=AlarmFlag(0),
        active=True,
        announced=True,
        since=1_000_000_000,
        value=0.05,
        limit=0.04,
        unit="lambda",
        in_ten_minutes=1,
        chattering=False,
    )


def test_what_is_announced_again_is_not_called_new() -> None:
    first, again = (alarm_line(record(w), 0) for w in (Happening.CONDITION_TRUE, Happening.RE_ALARMED))
    assert first.split(": ")[1] == "raised, unacknowledged  0.050 lambda (limit 0.04)"
    assert again.split(": ")[1] == "re-alarm, unacknowledged"


def test_what_is_raised_in_silence_says_so_and_its_moment_is_that_of_the_screens() -> None:
    silenced = replace(
        record(Happening.CONDITION_TRUE), t=75_040_000_000, announced=False, flags=AlarmFlag.SUPPRESSED
    )
    line = alarm_line(silenced, 0)
    assert line.split()[0] == "01:15.0"
    assert "lean under load: raised, suppressed by design  0.050 lambda" in line
    rule = replace(record(Happening.SUPPRESSED), position=None, cylinders=(), before=None, state=None)
    assert "P1 rule     lean under load: suppressed by design" in alarm_line(rule, 0)
    assert replace(silenced, what=Happening.CONDITION_FALSE).word == "returned to normal"


def test_a_misfire_is_not_counted_as_lean_in_the_answer() -> None:
    raised = replace(record(Happening.CONDITION_TRUE), misfire=MisfireMark.SUSPECTED)
    found = replace(raised, what=Happening.MISFIRE_CONFIRMED, announced=False, misfire=MisfireMark.CONFIRMED)
    other = replace(raised, position=2, cylinders=(2,))
    no_misfire = replace(found, position=2, cylinders=(2,), misfire=MisfireMark.WITHDRAWN)
    lean = [replace(raised, position=p, cylinders=(p,), misfire=None) for p in (5, 6, 7)]
    assert [json.loads(to_json(alarm_data(one)))["misfire"] for one in (raised, found, no_misfire)] == [
        "misfire?",
        "misfire",
        "no misfire",
    ]
    beside = replace(found, lean_before=True)
    assert "P1 lean under load: raised 1 time" in answer_text(alarms_answer([raised, beside]))
    assert "lean under load+misfire: misfire confirmed" in alarm_line(beside, 0)
    others = [replace(raised, priority=p, rule=f"rule {p}", misfire=None) for p in (2, 3, 4, 5)]
    told = " ".join(answer_text(alarms_answer(others)).split())
    assert told.endswith("P4 rule 4: raised 1 time (cylinder 4); raised as well: rule 5.")
    words = answer_text(alarms_answer([raised, other, found, no_misfire, *lean]))
    assert " ".join(words.split()) == (
        "P1 lean under load: raised 4 times (cylinders 2, 5, 6 and 1 more); "
        "P1 lean under load misfire: raised 1 time (cylinder 4)."
    )


@pytest.mark.parametrize(
    ("recording", "words"),
    [
        ("recording run 7", "ANALYSIS STOPPED, still recording run 7  why"),
        ("recording failed: disk full", "STOPPED  why"),
        ("", "STOPPED  why"),
    ],
)
def test_a_failed_analysis_says_whether_a_run_is_still_written(recording: str, words: str) -> None:
    stopped = snapshot(recording=recording, failure="why")
    assert moment_line(stopped, session(), unit_named("lambda", FUEL, None)) == words
