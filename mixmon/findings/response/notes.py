"""Codes of notes about response, fuel steps and delay, and of edges of a cut that are not measured."""

from __future__ import annotations

from mixmon.note import NoteCode


class ResponseNote(NoteCode):
    """What stands out in the response of a sensor, why a fuel step is not usable, why there is no delay."""

    SLOW = "slow"
    SLOWER_LEAN_GOING = "slower_lean_going"
    SLOWER_RICH_GOING = "slower_rich_going"
    LOW_IN_AIR = "low_in_air"
    HIGH_IN_AIR = "high_in_air"
    SLOW_TO_WARM_UP = "slow_to_warm_up"
    CLOSED_LOOP = "window_in_closed_loop"
    NO_VALID_READINGS = "no_valid_readings"
    NOT_FOLLOWING = "not_following"
    SIGNALS_MISSING = "signals_missing"
    FUEL_SIGNAL_MISSING = "fuel_signal_missing"
    FUEL_STEPS_NOT_USABLE = "fuel_steps_not_usable"
    CUTS_WITHOUT_ENGINE = "cuts_without_engine"
    FUEL_NEVER_MOVED = "fuel_never_moved"
    CLOCKS_APART = "clocks_apart"


class EdgeProblem(NoteCode):
    """Why a sensor's reading at one edge of a fuel cut is not measured; the values stand in JSON."""

    NOT_MEASURING = "not measuring"
    NO_CLEAN_STEP = "no clean step"
    TOO_SHORT = "too short"
