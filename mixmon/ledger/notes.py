"""Codes of everything that the ledger says beside its numbers."""

from __future__ import annotations

from mixmon.note import NoteCode


class LedgerNote(NoteCode):
    """What stands out about a sensor, what a log cannot teach, and why there is no forecast."""

    ALREADY_ENTERED = "already_entered"
    OVERLAPS = "overlaps_an_entered_log"
    NO_SERIAL = "no_serial"
    TWO_NODES = "one_serial_on_two_nodes"
    TWO_PLACES_AT_ONCE = "two_places_at_once"
    SEEN_ELSEWHERE = "seen_elsewhere_before"
    NO_DATE = "no_date"
    NOT_KNOWN_WITHOUT = "not_known_without"
    SLOWER_THAN_CLASS = "slower_than_its_class"
    WARMS_UP_SLOWER_THAN_CLASS = "warms_up_slower_than_its_class"
    OFF_IN_AIR = "off_in_air"
    MUCH_QUICKER_THAN_BEFORE = "much_quicker_than_before"
    TOO_FEW_POINTS = "too_few_points"
    HOURS_MISSING = "hours_missing"
    NO_TREND = "no_trend"
    BEYOND_LIMIT = "beyond_limit_already"
    TOO_FAR = "too_far_ahead"
