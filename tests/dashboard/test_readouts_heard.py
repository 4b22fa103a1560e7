"""What is heard: each once, the most pressing first, urgent until nobody is waited for."""

from dataclasses import replace

import pytest
from dashboard.scenes import RULES, alarm, alarm_list, event, pull_review, snapshot

from mixmon.dashboard.readouts import SoundCues
from mixmon.findings.alarms.states import AlarmFlag, AlarmState
from mixmon.watch.commands import Remark

QUIET = snapshot(alarms=alarm_list(), holding=None)
WAITING = snapshot(alarms=alarm_list(alarm()), holding=None)


def test_new_alarms_are_heard_once_by_priority_the_most_pressing_first():
    heard = SoundCues()
    items = [event(RULES[2], 8), event(position=4), Remark(0, "chain: frames come again")]
    assert heard.feed(items, WAITING) == [("urgent", "4 lean under load"), ("notice", "8 node silent")]
    assert heard.feed([], WAITING) == []


@pytest.mark.parametrize(
    "after",
    [
        alarm(state=AlarmState.ACKNOWLEDGED),
        alarm(state=AlarmState.NORMAL, active=False),
        alarm(flags=AlarmFlag.SHELVED),
    ],
    ids=["acknowledged", "gone", "shelved"],
)
def test_urgent_ends_once_when_nobody_is_waited_for(after):
    heard = SoundCues()
    heard.feed([event()], WAITING)
    then = snapshot(alarms=alarm_list(after), holding=None)
    assert heard.feed([], then) == [("clear", "")]
    assert heard.feed([], then) == []


def test_what_only_came_back_to_normal_or_was_silenced_is_not_heard():
    assert SoundCues().feed([event(announced=False, active=False)], QUIET) == []


def test_a_dwell_is_done_once():
    heard = SoundCues()
    done = replace(QUIET, holding=replace(snapshot().holding, left_s=0.0))
    under_way = replace(QUIET, holding=snapshot().holding)
    assert [heard.feed([], shown) for shown in (under_way, done, done, QUIET, done)] == [
        [],
        [("done", "dwell done")],
        [],
        [],
        [("done", "dwell done")],
    ]


def test_a_pull_is_heard_when_it_is_kept_and_not_when_it_is_rejected():
    heard = SoundCues()
    first, second = pull_review(pulls=1), pull_review(pulls=2)  # the first one is rejected, cold
    later = replace(second, pulls=(second.pulls[0], replace(second.pulls[1], begin=9)))
    assert heard.feed([], replace(QUIET, pulls=first)) == []
    assert heard.feed([], replace(QUIET, pulls=later)) == [("done", "pull kept")]
    assert heard.feed([], replace(QUIET, pulls=later)) == []
