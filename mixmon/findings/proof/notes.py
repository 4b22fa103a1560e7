"""Codes of everything that a comparison of two runs says beside its numbers."""

from __future__ import annotations

from mixmon.note import NoteCode


class ProofNote(NoteCode):
    """What there is to know about a comparison."""

    NO_CELL_SHARED = "no_cell_shared"
    OF_INJECTION_STAGE = "compared_in_one_injection_stage"
    ONE_CELL_SHARED = "one_cell_shared"
    SENSORS_OTHER = "sensors_other"
    SERIALS_UNKNOWN = "serials_unknown"
    LOOKS_EXCHANGED = "looks_exchanged"
    BIASES_DIFFER = "biases_differ"
    AFTER_IS_EARLIER = "after_is_earlier"
    NODES_NOT_IN_BOTH = "nodes_not_in_both"
    NOT_COMPARED = "not_compared"
    PLACES_DIFFER = "places_differ"
    CELLS_ALIKE = "cells_alike"
    READINGS_WANDER = "readings_wander"
    WANDER_NOT_SEEN = "wander_not_seen"
    MIXTURE_MOVED = "mixture_moved"
    CONDITIONS_DIFFER = "conditions_differ"
    CONDITIONS_UNKNOWN = "conditions_unknown"
    COMMON_BIAS_CANCELS = "common_bias_cancels"
    ONE_CELL_FOR_ALL = "one_cell_for_all"
    TRIMS_NOT_TOLD = "trims_not_told"
    NO_TRIM_CHANGED = "no_trim_changed"
    LOOP_REPORTED = "loop_reported"
    LOOP_HELD_MEAN = "loop_held_mean"


class EffectVerdict(NoteCode):
    """What became of the trim that was entered for one cylinder."""

    TAKEN = "taken"
    HALF = "half"
    NOT_SAVED = "not_saved"
    REVERSED = "reversed"
    OVERSHOT = "overshot"
    WRONG_CYLINDER = "wrong_cylinder"
    CLOSED_LOOP = "closed_loop"
    NOT_KNOWN = "effect_not_known"
