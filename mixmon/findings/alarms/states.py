"""The life of an alarm as a table: every transition there is stands in this file.

After the state model of ISA-18.2 and IEC 62682 as OPC 10000-9 publishes it (from memory). A
pair that is not in the table changes nothing. Two entries are the project's own choice: a
latched alarm whose condition comes back is new again, acknowledged or not. A rule may ask for
re-alarm: a condition that stands for so long since it was last announced is announced again.
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import Enum, Flag, auto


class AlarmState(Enum):
    """Where an alarm stands; the value is the word on the screen."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "new"
    ACKNOWLEDGED = "acknowledged"
    RETURNED_UNACKNOWLEDGED = "cleared-unacknowledged"
    LATCHED_UNACKNOWLEDGED = "latched-unacknowledged"
    LATCHED_ACKNOWLEDGED = "latched-acknowledged"

    @property
    def word(self) -> str:
        """The state as screens and reports say it."""
        return self.value

    @property
    def title(self) -> str:
        """The state as the standards name it."""
        return self.name.replace("_", " ")


class AlarmStep(Enum):
    """What can move an alarm; the value heads its column in the table."""

    CONDITION_TRUE = "condition true"
    CONDITION_FALSE = "condition false"
    ACKNOWLEDGE = "acknowledge"
    RESET = "reset"
    RE_ALARM = "re-alarm"


class AlarmFlag(Flag):
    """What keeps an alarm from being announced, independent of its state and of each other."""

    NONE = 0
    SHELVED = auto()  # by the operator: for a time, or for one occurrence
    SUPPRESSED = auto()  # by design: a named engine state is in force
    OUT_OF_SERVICE = auto()  # by the operator, until taken back

    @property
    def word(self) -> str:
        """The flags as screens and reports say them, the strongest first; empty for none."""
        return ", ".join(word for flag, word in _FLAG_WORDS.items() if flag in self)


_FLAG_WORDS = {
    AlarmFlag.OUT_OF_SERVICE: "out of service",
    AlarmFlag.SHELVED: "shelved",
    AlarmFlag.SUPPRESSED: "suppressed by design",
}

_S, _E = AlarmState, AlarmStep

TABLE: Mapping[tuple[AlarmState, AlarmStep], AlarmState] = {
    (_S.NORMAL, _E.CONDITION_TRUE): _S.UNACKNOWLEDGED,
    (_S.UNACKNOWLEDGED, _E.CONDITION_FALSE): _S.RETURNED_UNACKNOWLEDGED,
    (_S.UNACKNOWLEDGED, _E.ACKNOWLEDGE): _S.ACKNOWLEDGED,
    (_S.UNACKNOWLEDGED, _E.RE_ALARM): _S.UNACKNOWLEDGED,
    (_S.ACKNOWLEDGED, _E.CONDITION_FALSE): _S.NORMAL,
    (_S.ACKNOWLEDGED, _E.RE_ALARM): _S.UNACKNOWLEDGED,
    (_S.RETURNED_UNACKNOWLEDGED, _E.CONDITION_TRUE): _S.UNACKNOWLEDGED,
    (_S.RETURNED_UNACKNOWLEDGED, _E.ACKNOWLEDGE): _S.NORMAL,
    (_S.LATCHED_UNACKNOWLEDGED, _E.CONDITION_TRUE): _S.UNACKNOWLEDGED,
    (_S.LATCHED_UNACKNOWLEDGED, _E.ACKNOWLEDGE): _S.LATCHED_ACKNOWLEDGED,
    (_S.LATCHED_ACKNOWLEDGED, _E.CONDITION_TRUE): _S.UNACKNOWLEDGED,
    (_S.LATCHED_ACKNOWLEDGED, _E.RESET): _S.NORMAL,
}

LATCHING: Mapping[tuple[AlarmState, AlarmStep], AlarmState] = {
    (_S.UNACKNOWLEDGED, _E.CONDITION_FALSE): _S.LATCHED_UNACKNOWLEDGED,
    (_S.ACKNOWLEDGED, _E.CONDITION_FALSE): _S.LATCHED_ACKNOWLEDGED,
}
"""What a latching alarm does instead: it stays until it has been acknowledged and reset."""

OWN_CHOICE = frozenset(
    {(_S.LATCHED_UNACKNOWLEDGED, _E.CONDITION_TRUE), (_S.LATCHED_ACKNOWLEDGED, _E.CONDITION_TRUE)}
)
"""Entries that no standard gives."""


def after(state: AlarmState, step: AlarmStep, *, latching: bool = False) -> AlarmState:
    """The state after a step.

    >>> after(AlarmState.NORMAL, AlarmStep.CONDITION_TRUE).word
    'new'
    """
    pair = (state, step)
    if latching and pair in LATCHING:
        return LATCHING[pair]
    return TABLE.get(pair, state)


def state_table_markdown() -> str:
    """The table as the documentation prints it, one row a state, one column a step."""
    lines = ["| from | " + " | ".join(step.value for step in AlarmStep) + " |"]
    lines.append("| --- " * (len(AlarmStep) + 1) + "|")
    for state in AlarmState:
        cells = (_cell(state, step) for step in AlarmStep)
        lines.append(f"| {state.title} | " + " | ".join(cells) + " |")
    return "\n".join(lines) + "\n"


def _cell(state: AlarmState, step: AlarmStep) -> str:
    plain, latched = TABLE.get((state, step)), LATCHING.get((state, step))
    text = plain.title if plain else "-"
    text += " (own choice)" if (state, step) in OWN_CHOICE else ""
    return f"{text}; {latched.title} if latching" if latched else text
