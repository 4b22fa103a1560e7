"""The limit word says what is known, and no more."""

from dataclasses import replace

import numpy as np
import pytest
from dashboard.scenes import (
    NEEDS,
    RULES,
    alarm,
    alarm_list,
    cylinders,
    nothing,
    scene,
    session,
    snapshot,
)

from mixmon.dashboard.verdict import LimitWord, verdict
from mixmon.findings.alarms.states import AlarmFlag, AlarmState
from mixmon.mixture.block import SampleState
from mixmon.session.default_limits import NO_ENGINE

SILENT, SUPPLY = RULES[2], RULES[3]


def shown(*alarms, state=SampleState.VALID, **changes):
    """Eight cylinders, all in one state unless a list is given."""
    states = state if isinstance(state, list) else [state] * 8
    now = cylinders(NEEDS[:8], state=states)
    return snapshot(8, alarms=alarm_list(*alarms), cylinders=now, **changes)


LOST = [SampleState.SILENT, SampleState.HELD, SampleState.COLD, SampleState.WARMING] * 2
ONE_SILENT = [SampleState.VALID] * 7 + [SampleState.SILENT]

STATE_WORDS = {
    "nothing stands": (shown(), LimitWord.NONE, "no limit crossed"),
    "before the first frame": (nothing(), LimitWord.NO_DATA, "nothing received yet"),
    "all sensors lost": (shown(state=LOST), LimitWord.NO_DATA, "sensors cold or held or silent or warming"),
    "an alarm whose data are lost": (shown(alarm(), state=LOST), LimitWord.NO_DATA, "sensors cold"),
    "the worker stopped": (shown(alarm(), failure="disk gone"), LimitWord.NO_DATA, "disk gone"),
    "lean": (shown(alarm()), LimitWord.OVER, "cyl 3 lean under load"),
    "lean, acknowledged": (shown(alarm(state=AlarmState.ACKNOWLEDGED)), LimitWord.OVER, "cyl 3 lean"),
    "lean, shelved by the operator": (shown(alarm(flags=AlarmFlag.SHELVED)), LimitWord.OVER, "cyl 3 lean"),
    "lean, suppressed by design": (
        shown(alarm(flags=AlarmFlag.SUPPRESSED)),
        LimitWord.NONE,
        "no limit crossed",
    ),
    "two lean": (shown(alarm(), alarm(position=4)), LimitWord.OVER, "cyl 3 lean under load and 1 more"),
    "was lean, not acknowledged": (
        shown(alarm(state=AlarmState.RETURNED_UNACKNOWLEDGED, active=False)),
        LimitWord.LOOK,
        "unacknowledged",
    ),
    "a lesser alarm": (shown(alarm(SUPPLY, 5)), LimitWord.LOOK, "cyl 5 supply low"),
    "one sensor silent": (shown(state=ONE_SILENT), LimitWord.LOOK, "7 of 8 valid"),
    "overrun": (shown(state=SampleState.OVERRUN), LimitWord.NONE, "no limit crossed"),
    "settling after a cut": (shown(state=SampleState.SETTLING), LimitWord.LOOK, "0 of 8 valid"),
    "lean beyond the sensors' range": (
        shown(alarm(), state=SampleState.AT_LEAN_LIMIT),
        LimitWord.OVER,
        "cyl 3 lean under load",
    ),
    "the engine bus is lost": (
        shown(engine={}, target=np.nan),
        LimitWord.LOOK,
        "rpm and target not known",
    ),
    "the engine bus is lost, and has its alarm": (
        shown(alarm(NO_ENGINE, None), alarm(flags=AlarmFlag.SUPPRESSED), engine={}, target=np.nan),
        LimitWord.LOOK,
        "no data from the engine",
    ),
    "the engine bus is lost while over": (shown(alarm(), engine={}, target=np.nan), LimitWord.OVER, "cyl 3"),
}


@pytest.mark.parametrize("name", STATE_WORDS)
def test_word_and_reason(name):
    given, word, why = STATE_WORDS[name]
    found = verdict(scene(given))
    assert found.word is word
    assert why in found.why


def test_a_worker_that_does_not_answer_leaves_no_data():
    assert verdict(scene(shown(alarm()), stalled=2.0)).word is LimitWord.NO_DATA


def test_a_stalled_reader_is_named_and_no_older_value_is_shown():
    """No rows come while the worker goes on: the clock of the screen ages what was seen last."""
    late = scene(shown(alarm()).aged(2_300_000_000))
    found = verdict(late)
    assert found.word is LimitWord.NO_DATA
    assert found.why == "nothing for 2.3 s: a reader is stalled, or this computer is busy"
    assert late.live.leanest is None
    assert not late.live.valid


def test_limits_that_nobody_can_watch_are_not_called_none():
    without_target = replace(
        session(), engine_signals={k: v for k, v in session().engine_signals.items() if k != "target"}
    )
    found = verdict(scene(shown(target=np.nan), declared=without_target))
    assert found.word is LimitWord.LOOK
    assert "not watched" in found.why


def test_a_frozen_picture_does_not_hide_an_alarm():
    assert verdict(scene(shown(), live=shown(alarm()), frozen=5.0)).word is LimitWord.OVER


@pytest.mark.parametrize(
    ("given", "asks"),
    [
        (alarm(), True),
        (alarm(state=AlarmState.ACKNOWLEDGED), False),
        (alarm(state=AlarmState.RETURNED_UNACKNOWLEDGED, active=False), True),
        (alarm(flags=AlarmFlag.SHELVED), False),
        (alarm(SILENT, 8), False),
    ],
    ids=["new", "acknowledged", "came and went", "shelved", "priority 2"],
)
def test_only_an_unacknowledged_priority_1_alarm_blinks(given, asks):
    assert verdict(scene(shown(given))).unacknowledged is asks


PART_LOAD = {"rpm": 3000.0, "throttle": 18.0, "load": 18.0, "target": 0.98}


def test_no_limit_in_force_is_not_called_uncrossed():
    """At part load no rule about mixture watches: what lies beyond its limit has crossed nothing."""
    found = verdict(scene(shown(engine=PART_LOAD)))
    assert (found.word, found.why) == (LimitWord.NONE, "no mixture limit in force now")
