"""Codes of the notes on a table beside a run; `report.words` has their English."""

from __future__ import annotations

from mixmon.note import NoteCode


class MergeNote(NoteCode):
    """What is to be known of a table beside a run."""

    CELLS_UNREAD = "cells_unread"
    ROWS_BEHIND = "rows_behind"
    ROWS_REPEAT = "rows_repeat"
    ROWS_OUTSIDE = "rows_outside"
    UNIT_NOT_TOLD = "unit_not_told"
    STAMPS_CHECKED = "stamps_checked"
    STAMPS_NOT_CHECKED = "stamps_not_checked"
    SPEED_READS_OFF = "speed_reads_off"
    SPEED_AVERAGED = "speed_averaged"
