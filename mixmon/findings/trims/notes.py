"""Codes of everything that the trim sheet says beside its numbers."""

from __future__ import annotations

from mixmon.note import NoteCode


class SheetNote(NoteCode):
    """What there is to know about a trim sheet, one of its trims or one of its cells."""

    # why a trim is as it is
    MOVED_BY_NEED = "moved_by_need"
    ORDER_BY_CYLINDER = "order_by_cylinder"
    BANKS_ALIKE = "banks_alike"
    BANK_PART_IN_CYLINDERS = "bank_part_in_cylinders"
    MAP_OF_BOTH_STAGES = "map_of_both_injection_stages"
    MAP_NOW_ASSUMED = "map_now_assumed"
    BANK_NOW_ASSUMED = "bank_now_assumed"
    BETWEEN_BREAKPOINTS = "between_breakpoints"
    MAP_CELL_EMPTY = "map_cell_empty"
    MAP_CELL_NOT_USED = "map_cell_not_used"
    MAP_FUEL_LEFT_OVER = "map_fuel_left_over"


class Outlook(NoteCode):
    """What a set of trims does to the spread of a cell."""

    EVENED = "evened"
    EVEN_ALREADY = "even_already"
    STAYS_UNEVEN = "stays_uneven"
    NOT_SURE = "not_sure"
    OUTLOOK_NOT_KNOWN = "outlook_not_known"


class Certainty(NoteCode):
    """How sure the need behind a trim is."""

    CLEAR = "clear"
    WITHIN_ERROR = "within_error"
    NEED_NOT_KNOWN = "need_not_known"
