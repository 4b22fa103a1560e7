"""The states of an alarm as a table that holds every transition.

After the state model of ISA-18.2 and IEC 62682 as OPC 10000-9 publishes it (from memory). A
pair that is not in the table changes nothing. Two entries are the project's own choice: a
latched alarm whose condition comes back is new again, acknowledged or not. A rule may ask for
re-alarm: a condition that still holds so long after it was last announced is announced again.
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import Enum, Flag, auto


class AlarmState(Enum):
    """The state of an alarm; the value is the one word for it in text, on screens, in records and in help."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED_UNACKNOWLEDGED = "returned unacknowledged"
    LATCHED_UNACKNOWLEDGED = "latched unacknowledged"
    LATCHED_ACKNOWLEDGED = "latched acknowledged"

    @property
    def word(self) -> str:
        """The state as screens and reports say it."""
        return self.value

    @property
    def waits(self) -> bool:
        """Whether it waits to be acknowledged."""
        return self in _WAITING


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

_WAITING = frozenset(
    {
        AlarmState.UNACKNOWLEDGED,
        AlarmState.RETURNED_UNACKNOWLEDGED,
        AlarmState.LATCHED_UNACKNOWLEDGED,
    }
)

SHORT_WORDS: Mapping[str, str] = {
    "normal": "NORMAL",
    "unacknowledged": "UNACK",
    "acknowledged": "ACK",
    "returned unacknowledged": "RTN UNACK",
    "latched unacknowledged": "LTCH UNACK",
    "latched acknowledged": "LTCH ACK",
    "shelved": "SHELVED",
    "suppressed by design": "SUPPRESSED",
    "out of service": "OUT OF SRV",
}
"""Every word of a state or a flag, and its short form of ten cells at most for a column of a list."""

_S, _E = AlarmState, AlarmStep

TRANSITIONS: Mapping[tuple[AlarmState, AlarmStep], AlarmState] = {
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

LATCHING_TRANSITIONS: Mapping[tuple[AlarmState, AlarmStep], AlarmState] = {
    (_S.UNACKNOWLEDGED, _E.CONDITION_FALSE): _S.LATCHED_UNACKNOWLEDGED,
    (_S.ACKNOWLEDGED, _E.CONDITION_FALSE): _S.LATCHED_ACKNOWLEDGED,
}
"""What a latching alarm does instead: it stays until it has been acknowledged and reset."""

OWN_TRANSITIONS = frozenset(
    {(_S.LATCHED_UNACKNOWLEDGED, _E.CONDITION_TRUE), (_S.LATCHED_ACKNOWLEDGED, _E.CONDITION_TRUE)}
)
"""Entries that are in no standard: our choice, so that a condition that comes back is seen."""


def after(state: AlarmState, step: AlarmStep, *, latching: bool = False) -> AlarmState:
    """The state after a step.

    >>> after(AlarmState.NORMAL, AlarmStep.CONDITION_TRUE).word
    'unacknowledged'
    """
    pair = (state, step)
    if latching and pair in LATCHING_TRANSITIONS:
        return LATCHING_TRANSITIONS[pair]
    return TRANSITIONS.get(pair, state)


def state_table_markdown() -> str:
    """The table as the documentation prints it, one row a state, one column a step."""
    lines = ["| from | " + " | ".join(step.value for step in AlarmStep) + " |"]
    lines.append("| --- " * (len(AlarmStep) + 1) + "|")
    for state in AlarmState:
        cells = (_cell_text(state, step) for step in AlarmStep)
        lines.append(f"| {state.word.upper()} | " + " | ".join(cells) + " |")
    return "\n".join(lines) + "\n"


def _cell_text(state: AlarmState, step: AlarmStep) -> str:
    plain, latched = TRANSITIONS.get((state, step)), LATCHING_TRANSITIONS.get((state, step))
    text = plain.word.upper() if plain else "-"
    text += " (own choice)" if (state, step) in OWN_TRANSITIONS else ""
    return f"{text}; {latched.word.upper()} if latching" if latched else text
