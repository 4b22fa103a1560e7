"""Codes of the causes, of the tests that separate them, and of what there is to know about both."""

from __future__ import annotations

from enum import StrEnum

from mixmon.note import NoteCode


class PossibleCause(StrEnum):
    """What can make one cylinder read apart from the others."""

    FLOW = "injector flow"
    AIR = "air"
    SENSOR = "sensor"
    LEAK = "leak"
    SYNC = "throttle sync"
    DEAD_TIME = "dead time"
    GAIN = "sensor gain"
    IDENTITY = "identity"


class NextTest(StrEnum):
    """What a person can do to find out."""

    IDENTITY = "identity steps"
    ROTATE = "rotate sensors"
    SMOKE = "smoke test"
    SPLIT = "split pulse"
    EXCHANGE = "exchange injectors"
    STOP = "throttle stop"
    PULL = "one more pull"


class PatternCode(StrEnum):
    """What needs of a whole engine can go with."""

    BANK = "bank"
    RAIL = "fuel rail"
    PLACE = "front to back"
    PREDECESSOR = "firing predecessor"
    PORT = "shared port"


class CauseNote(NoteCode):
    """What there is to know about one cylinder (flags) or about the result (notes)."""

    # flags of a cylinder
    TOO_FEW_CELLS = "too_few_cells"
    NOTHING_APART = "nothing_apart"
    LEFT_OUT_OF_REFERENCE = "left_out_of_reference"
    DEAD_TIME_NOT_SEPARABLE = "dead_time_not_separable"
    DEAD_TIME_FOUND = "dead_time_found"
    DEAD_TIME_ALIKE = "dead_time_alike"
    DRIFTS = "drifts"

    # notes on the whole result
    DEAD_TIME_NOT_GIVEN = "dead_time_not_given"
    FLOW_BY_SPEED_AND_LOAD = "flow_by_speed_and_load"
    OTHERS_MAY_LEAK = "others_may_leak"
    RAIL_NOT_GIVEN = "rail_not_given"
    SPLIT_WITHOUT_BASE = "split_without_base"
    SPLIT_WITHOUT_PULSE = "split_without_pulse"
    SPLIT_NOT_CONFIRMED = "split_not_confirmed"
    SPLIT_NOT_ANSWERED = "split_not_answered"
