"""Codes of everything that a rotation says beside its numbers."""

from __future__ import annotations

from mixmon.note import NoteCode


class BiasNote(NoteCode):
    """Why a rotation gives no numbers (`why_not`), and what there is to know about those that it gives."""

    # why not
    ONE_SESSION = "one_session"
    NO_CELL_IN_COMMON = "no_cell_in_common"
    NO_SENSOR_MOVED = "no_sensor_moved"
    ONE_PAIR_EXCHANGED = "one_pair_exchanged"
    SEPARATE_LOOPS = "separate_loops"
    TOO_FEW_LOOKS = "too_few_looks"

    # on the result
    COMMON_BIAS_STAYS = "common_bias_stays"
    AGREEMENT_SAYS_LITTLE = "agreement_says_little"
    NOTHING_CHECKS = "nothing_checks"
    SESSIONS_DISAGREE = "sessions_disagree"
    LOOK_ODD = "look_odd"
    LOOKS_EXCHANGED = "sensors_look_exchanged"
    CYLINDER_CHANGED = "cylinder_changed"
    SENSOR_CHANGED = "sensor_changed"
    BIASES_DIFFER_BY_CELL = "biases_differ_by_cell"
    OPERATING_POINT_MOVED = "operating_point_moved"
    NO_AXES_IN_SESSIONS = "no_axes_in_sessions"
    TRIMS_CHANGED = "trims_changed"
    NOT_HEARD = "not_heard"
