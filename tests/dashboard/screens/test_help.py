"""One vocabulary for the states of alarms: on all screens, in help, text, JSON and the glossary."""

from pathlib import Path

import pytest
from dashboard.scenes import OPTIONS, alarm, alarm_list, scene, snapshot, text

from mixmon.dashboard.keys import Page
from mixmon.dashboard.screens.alarms import short_word
from mixmon.dashboard.screens.pages import State, draw
from mixmon.findings.alarms.states import SHORT_WORDS, AlarmFlag, AlarmState

STATES = (*AlarmState, *(flag for flag in AlarmFlag if flag))
"""The words are those of ISA-18.2 (second-hand): unacknowledged, returned to normal, shelved, by design."""


@pytest.mark.parametrize("state", STATES, ids=[s.word for s in STATES])
def test_every_state_has_one_word_with_one_short_form_that_fits_the_column(
    state: AlarmState | AlarmFlag,
) -> None:
    assert 0 < len(SHORT_WORDS[state.word]) <= 10
    glossary = Path("DEVELOPERS.md").read_text(encoding="utf-8").split("\n## Words\n")[1].split("\n## ")[0]
    assert state.word in glossary
    change = {"flags": state} if isinstance(state, AlarmFlag) else {"state": state}
    assert short_word(alarm(**change)) == SHORT_WORDS[state.word]


def test_short_forms_are_told_apart() -> None:
    assert len(set(SHORT_WORDS.values())) == len(SHORT_WORDS) == len(STATES)


def test_help_gives_each_short_form_its_word() -> None:
    page = State(OPTIONS, page=Page.HELP)
    shown = "\n".join(text(draw(page_scene(), page, 100, 120)))
    for word, short in SHORT_WORDS.items():
        assert word == "normal" or f" {short:<10} {word}: " in shown


def page_scene():
    return scene(snapshot(alarms=alarm_list()))
