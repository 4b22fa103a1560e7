"""Codes of what is not plausible about a signal, and how sure that is."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from mixmon.note import Note, NoteCode


class Level(StrEnum):
    """How sure it is that the session is wrong."""

    MISTAKE = "mistake"  # the signal cannot be what it is taken for
    DOUBT = "doubt"  # it is unlikely to be, or something is wrong with what it measures


class PlausibleNote(NoteCode):
    """What is not plausible."""

    NO_BUS = "bus_not_in_log"
    NO_SIGNAL = "signal_not_in_log"
    NEVER_GOOD = "never_a_value"
    RANGE = "range"
    JUMPS = "value_jumps"
    COUNTS = "value_counts"
    ONE_SIGNAL = "one_signal_for_two"
    TARGET_FOLLOWS = "target_follows_reading"
    INVERTED = "fuel_to_air"
    STAMPS = "odd_stamps"
    STANDS_STILL = "value_stands_still"
    SAME_SIGNAL = "same_signal"
    SAME_VALUES = "same_values"
    OXYGEN_AGAINST_LAMBDA = "oxygen_against_lambda"
    NUMBER_AS_CLAIM = "number_as_yes_or_no"
    ALWAYS_YES = "always_yes"
    NEVER_READY = "never_ready"
    SLOW_SPEED = "speed_too_low"
    LONG_PULSE = "pulse_longer_than_cycle"
    SHORT_PULSE = "pulse_below_dead_time"
    THROTTLE_PART = "throttle_as_part"
    THROTTLE_NEVER_SHUT = "throttle_never_shut"
    PRESSURE_LOW = "pressure_too_low"
    RATE = "rate"
    TOO_SLOW = "too_slow_for_stale"


@dataclass(frozen=True, slots=True)
class Implausible:
    """One thing that is not plausible.

    level   how sure it is that the session is wrong
    key     of the session file, such as `engine_signals.rpm`
    signal  "Message.Signal"; empty where it is about a bus
    note    what it is, with the numbers seen
    """

    level: Level
    key: str
    signal: str
    note: Note
