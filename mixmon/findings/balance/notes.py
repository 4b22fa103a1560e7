"""Codes of everything that the balance says beside its numbers."""

from __future__ import annotations

from mixmon.note import NoteCode


class BalanceNote(NoteCode):
    """What there is to know about one cylinder (flags), about all trims (withheld) or the result (notes).

    Values are percent of fuel, seconds or counts, as their names say.
    """

    # flags of a cylinder
    NO_SENSOR = "no_sensor"
    SHARED_SENSOR = "shared_sensor"
    LEFT_OUT_AS_ASKED = "left_out_as_asked"
    TOO_LITTLE_DATA = "too_little_data"
    ONLY_IN_CELLS_NOT_USED = "only_in_cells_not_used"
    AT_RICH_LIMIT = "at_rich_limit"
    AT_LEAN_LIMIT = "at_lean_limit"
    RANGE_ENDS_HERE = "range_ends_here"
    STANDS_STILL = "stands_still"
    WANDERS_SLOWLY = "wanders_slowly"
    WANDERS_BETWEEN_VISITS = "wanders_between_visits"
    CELLS_DISAGREE = "cells_disagree"
    NEED_DRIFTS = "need_drifts"
    NEED_CHANGED = "need_changed"
    END_APART = "end_apart"
    LEAN_AT_LOW_FLOW = "lean_at_low_flow"
    SENDS_TOO_SELDOM = "sends_too_seldom"
    MISFIRE_EXCLUDED = "misfire_excluded"
    OUTLIERS_EXCLUDED = "outliers_excluded"
    TRIM_KEPT = "trim_kept"
    TRIM_KEPT_MOVING = "trim_kept_moving"
    WITHIN_ERROR_OF_ZERO = "within_error_of_zero"
    TRIM_AT_LIMIT = "trim_at_limit"
    LARGE_TRIM_CHANGE = "large_trim_change"
    ROUNDED_FOR_TOTAL = "rounded_for_total"
    LESS_THAN_HALF_A_STEP = "less_than_half_a_step"
    SHARED_INJECTOR_DRIVER = "shared_injector_driver"
    PARTNER_NOT_KNOWN = "partner_not_known"

    COMPARED_WITHIN_GROUP = "compared_within_group"

    # why no trims are offered
    NO_CELL_USED = "no_cell_used"
    CELLS_TOO_UNLIKE = "cells_too_unlike"
    GROUPS_NOT_COMPARED = "groups_not_compared"
    TOO_FEW_NEEDS = "too_few_needs"
    TOO_FEW_PAIRS = "too_few_pairs"
    CYLINDERS_AT_LIMIT = "cylinders_at_limit"
    FREQUENT_MISFIRE = "frequent_misfire"
    PULLS_WITHOUT_DWELLS = "pulls_without_dwells"
    LEAK_IN_ALL_CELLS = "leak_in_all_cells"
    LEAK_OR_RICH = "leak_or_rich"
    SENSORS_AFTER_MERGE = "sensors_after_merge"
    ONE_TRIM_FOR_ALL = "one_trim_for_all"
    IDENTITY_NOT_PROVED = "identity_not_proved"
    IDENTITY_DISPROVED = "identity_disproved"
    TRIMS_CHANGED_BETWEEN = "trims_changed_between"

    # notes on the whole result
    SPLIT_NOT_KNOWN = "split_not_known"
    CYLINDERS_NOT_MEASURED = "cylinders_not_measured"
    OWN_TARGETS = "own_targets"
    BIASES_CORRECTED = "biases_corrected"
    BIASES_NOT_KNOWN = "biases_not_known"
    BIASES_NOT_LOOKED_UP = "biases_not_looked_up"
    CELL_OR_TIME = "cell_or_time"
    TOO_SHORT_FOR_WANDER = "too_short_for_wander"
    FUEL_LEFT_OVER = "fuel_left_over"
    EQUAL_AIR_ASSUMED = "equal_air_assumed"
    REFERENCE_OF_SOME = "reference_of_some"
    REFERENCE_WITHOUT_SUSPECTS = "reference_without_suspects"
    REFERENCE_WITHOUT_LIMITED = "reference_without_limited"
    JOINED_BY_TARGET = "joined_by_target"
    TRIMS_NOW_ASSUMED_ZERO = "trims_now_assumed_zero"
    TRIMS_NOW_FROM_ENTRY = "trims_now_from_entry"
    TRIMS_AGAINST_ENTRY = "trims_against_entry"
    ENTRIES_NOT_PLACED = "entries_not_placed"
    OTHER_SHAPE = "other_shape"
    CELLS_EXCLUDED_BY_OPERATOR = "cells_excluded_by_operator"
    ENGINE_FAR_FROM_TARGET = "engine_far_from_target"
    NO_SPEED = "no_speed"
    CUTS_UNKNOWN = "cuts_unknown"
    IDENTITY_STATED = "identity_stated"
    BY_CYLINDERS_SEEN = "by_cylinders_seen"
    CURVE_ASSUMED = "curve_assumed"
