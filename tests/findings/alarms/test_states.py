"""The state table against the standard's, written out as text and as pairs."""

import itertools
from pathlib import Path

import pytest

from mixmon.findings.alarms.states import AlarmFlag, AlarmState, AlarmStep, after, state_table_markdown

# ISA-18.2 / IEC 62682 as published in OPC 10000-9, re-alarm by its ReAlarmTime (from memory).
STANDARD = """\
| from | condition true | condition false | acknowledge | reset | re-alarm |
| --- | --- | --- | --- | --- | --- |
| NORMAL | UNACKNOWLEDGED | - | - | - | - |
| UNACKNOWLEDGED | - | RETURNED UNACKNOWLEDGED; LATCHED UNACKNOWLEDGED if latching | ACKNOWLEDGED | - | UNACKNOWLEDGED |
| ACKNOWLEDGED | - | NORMAL; LATCHED ACKNOWLEDGED if latching | - | - | UNACKNOWLEDGED |
| RETURNED UNACKNOWLEDGED | UNACKNOWLEDGED | - | NORMAL | - | - |
| LATCHED UNACKNOWLEDGED | UNACKNOWLEDGED (own choice) | - | LATCHED ACKNOWLEDGED | - | - |
| LATCHED ACKNOWLEDGED | UNACKNOWLEDGED (own choice) | - | - | NORMAL | - |
"""  # noqa: E501

LISTED = {
    "NORMAL, condition true": "UNACKNOWLEDGED",
    "UNACKNOWLEDGED, condition false": "RETURNED_UNACKNOWLEDGED",
    "UNACKNOWLEDGED, condition false, latching": "LATCHED_UNACKNOWLEDGED",
    "UNACKNOWLEDGED, acknowledge": "ACKNOWLEDGED",
    "ACKNOWLEDGED, condition false": "NORMAL",
    "ACKNOWLEDGED, condition false, latching": "LATCHED_ACKNOWLEDGED",
    "UNACKNOWLEDGED, re-alarm": "UNACKNOWLEDGED",
    "ACKNOWLEDGED, re-alarm": "UNACKNOWLEDGED",
    "RETURNED_UNACKNOWLEDGED, condition true": "UNACKNOWLEDGED",
    "RETURNED_UNACKNOWLEDGED, acknowledge": "NORMAL",
    "LATCHED_UNACKNOWLEDGED, condition true": "UNACKNOWLEDGED",
    "LATCHED_UNACKNOWLEDGED, acknowledge": "LATCHED_ACKNOWLEDGED",
    "LATCHED_ACKNOWLEDGED, condition true": "UNACKNOWLEDGED",
    "LATCHED_ACKNOWLEDGED, reset": "NORMAL",
}


def expected(state, step, latching):
    key = f"{state.name}, {step.value}"
    fallback = LISTED.get(key, state.name)
    return AlarmState[LISTED.get(f"{key}, latching", fallback) if latching else fallback]


@pytest.mark.parametrize("latching", [False, True], ids=["plain", "latching"])
@pytest.mark.parametrize("step", AlarmStep, ids=lambda step: step.value)
@pytest.mark.parametrize("state", AlarmState, ids=lambda state: state.word)
def test_every_pair_goes_where_the_standard_says_and_others_stay(state, step, latching):
    assert after(state, step, latching=latching) is expected(state, step, latching)


def test_the_printed_table_is_the_standard_s():
    assert state_table_markdown() == STANDARD


def test_the_documentation_prints_the_table_that_the_code_works_by():
    """`tools/print_alarm_table.py` gives what must stand there."""
    text = (Path(__file__).parents[3] / "DEVELOPERS.md").read_text("utf-8")
    section = text.split("\n## Alarms\n")[1].split("\n## ")[0]
    table = "".join(f"{line}\n" for line in section.splitlines() if line.startswith("|"))
    assert table == state_table_markdown()


def test_from_every_state_two_operators_keys_and_a_quiet_condition_lead_to_normal():
    quiet = (AlarmStep.CONDITION_FALSE, AlarmStep.ACKNOWLEDGE, AlarmStep.RESET)
    for state, latching in itertools.product(AlarmState, (False, True)):
        now = state
        for step in quiet:
            now = after(now, step, latching=latching)
        assert now is AlarmState.NORMAL


def test_words_of_the_screen():
    assert [state.word for state in AlarmState] == [
        "normal",
        "unacknowledged",
        "acknowledged",
        "returned unacknowledged",
        "latched unacknowledged",
        "latched acknowledged",
    ]
    assert AlarmFlag.NONE.word == ""
    assert (AlarmFlag.SHELVED | AlarmFlag.OUT_OF_SERVICE).word == "out of service, shelved"
    assert AlarmFlag.SUPPRESSED.word == "suppressed by design"
