"""Alarm records in lines of text."""

from dataclasses import replace

import pytest
from dashboard.scenes import FUEL, session, snapshot

from mixmon.findings.alarms.records import AlarmEvent, Happening
from mixmon.findings.alarms.states import AlarmFlag, AlarmState
from mixmon.report.alarms import alarm_line, moment_line
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
    assert replace(silenced, what=Happening.CONDITION_FALSE).word == "returned to normal"


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
