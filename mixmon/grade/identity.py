"""Grades what fuel steps say of the labels: which cylinder each one sees.

The analysis is given the steps of a scenario as an operator lists them who typed them. Where a scenario
has none, nothing may be claimed.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from mixmon.grade.evidence import Evidence
from mixmon.grade.item import Item, does_not_apply, judged
from mixmon.session.evidence import IdentityState

_QUESTION = "which label is which cylinder"
_TOLERANCE = "exact; nothing claimed without steps"


def identity(evidence: Evidence) -> Item:
    """Which label is which cylinder."""
    found = evidence.identity
    if not evidence.typed_steps:
        claimed = found.state is not IdentityState.UNPROVED or any(label.cylinders for label in found.labels)
        return judged(
            _QUESTION, "nothing claimed: no steps", found.state.value, _TOLERANCE, right=not claimed
        )
    sees = {one["position"]: one["cylinder"] for one in evidence.truth["identity"]}
    wrong = [one for one in evidence.truth["identity"] if not one["right"]]
    expected = _describe((one["label"], one["cylinder"]) for one in wrong) or "every label right"
    told = [label for label in found.labels if label.told]
    odd = [(label.labelled[0], label.cylinders[0]) for label in told if not label.right]
    said = _describe(iter(odd)) or "every label right"
    if all(sees[label.position] in label.cylinders for label in told):
        if len(told) < len(found.labels):
            return _judge_untold(evidence, expected, f"{len(told)} labels told")
        return judged(_QUESTION, expected, said, _TOLERANCE, right=True)
    return judged(_QUESTION, expected, said, _TOLERANCE, right=False)


def _judge_untold(evidence: Evidence, expected: str, said: str) -> Item:
    """Some labels are not told: were all steps of the script played?"""
    planned = sum(len(set(step["percent"])) > 1 for step in evidence.truth["fuel_steps"])
    if len(evidence.typed_steps) < planned:
        return does_not_apply(_QUESTION, f"too little data: the run ends within the fuel steps; {said}")
    return judged(_QUESTION, expected, said, _TOLERANCE, right=False)


def _describe(pairs: Iterator[tuple[Any, Any]]) -> str:
    return ", ".join(f"label {label} is cylinder {cylinder}" for label, cylinder in pairs)
