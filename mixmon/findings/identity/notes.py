"""Codes of what is said about identity: why nothing is claimed, and what stands out of a label."""

from __future__ import annotations

from mixmon.note import NoteCode


class IdentityNote(NoteCode):
    """Why identity is not proved, or not even claimed, and what to know where it is."""

    NO_STEPS = "no_steps"
    STEPS_ELSEWHERE = "steps_elsewhere"
    NOT_STEADY = "steps_while_not_steady"
    CLOSED_LOOP_REPORTED = "closed_loop_reported"
    CLOSED_LOOP_SEEN = "closed_loop_seen"
    ANSWER_DECAYS = "answer_decays"
    NOT_ANSWERED = "steps_not_answered"
    ANSWERED_REVERSED = "steps_answered_reversed"
    EXCHANGED = "labels_exchanged"
    MISPLACED = "labels_misplaced"
    LABELS_OR_STEPS = "labels_or_steps_exchanged"
    WITHIN_PAIRS_NOT_KNOWN = "within_pairs_not_known"
    SPLIT_NOT_KNOWN = "split_of_shared_sensor_not_known"
    ANSWERS_IN_PAIRS = "answers_in_pairs"
    NOT_SEPARATED = "cylinders_not_separated"
    SIGN_NOT_CHECKED = "sign_not_checked"
    CROSSTALK_NOT_MEASURED = "crosstalk_not_measured"


class LabelNote(NoteCode):
    """What stands out of one label."""

    NOT_VALID = "not_valid_during_steps"
    WEAK_ANSWER = "weak_answer"
    NOT_CONFIDENT = "not_confident"
    BETWEEN_CYLINDERS = "between_cylinders"
    ANSWERS_ALIKE = "answers_alike"
    OTHER_CYLINDER = "sees_another_cylinder"
    OR_STEPS_EXCHANGED = "or_steps_exchanged"
