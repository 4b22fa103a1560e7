"""Items about the run after the work: are the cylinders shown to be alike, and did the trims take."""

from __future__ import annotations

import math

from mixmon.findings.proof.compare import CylinderChange
from mixmon.findings.proof.equivalence import Outcome
from mixmon.findings.proof.notes import EffectVerdict
from mixmon.grade.evidence import Evidence
from mixmon.grade.further import MARGIN_PERCENT
from mixmon.grade.item import Item, does_not_apply, judged

NEAR_MARGIN = 0.5
"""Percent from the margin within which neither need be shown of a true need: our choice, as for a need."""

FEWEST_LOOKS = 8
"""Looks of cylinders in cells of both runs from which a proof is asked for: the demo engine's item on it."""

LARGE_TRIM = 3.0
"""Change of a trim, percent, that one further run must show to have taken: our choice, a fuel step."""


def alike_after(evidence: Evidence) -> Item:
    """With the offered trims in, every cylinder that is alike is shown to be, and no other is."""
    name = f"after the work: shown to be alike within ±{MARGIN_PERCENT:g} %"
    if evidence.balance.withheld:
        return does_not_apply(name, "no trims are offered")
    after = evidence.further.after
    known = [
        (one, true) for one, true in zip(after.compared.cylinders, after.true, strict=True) if one.cells > 1
    ]
    looks = sum(one.cells for one, _ in known)
    if looks < FEWEST_LOOKS:
        return does_not_apply(name, f"{looks} looks in cells of both runs; {FEWEST_LOOKS} are asked for")
    alike = [abs(true) <= MARGIN_PERCENT for _, true in known]
    shown = [one.after_outcome is Outcome.EQUIVALENT for one, _ in known]
    return judged(
        name,
        f"{sum(alike)} of {len(known)} cylinders",
        f"{sum(shown)}, by {looks} looks",
        f"those within {NEAR_MARGIN} % of the margin may be open",
        right=all(_is_right(one, true) for one, true in known),
    )


def _is_right(one: CylinderChange, true: float) -> bool:
    """Whether what is shown of a cylinder is true, and shown at all unless it lies near the margin."""
    away = abs(true) - MARGIN_PERCENT
    if one.after_outcome is Outcome.NOT_SHOWN:
        return abs(away) <= NEAR_MARGIN
    return away <= 0 if one.after_outcome is Outcome.EQUIVALENT else away >= 0


def trims_took(evidence: Evidence) -> Item:
    """Every large trim that was entered is said to have taken, and of no other anything else."""
    name = "after the work: trims said to have taken"
    if evidence.balance.withheld:
        return does_not_apply(name, "no trims are offered")
    effect = evidence.further.after.compared.effect
    if not effect:
        return does_not_apply(name, "no trim is changed")
    large = [one for one in effect if abs(one.entered_percent) >= LARGE_TRIM]
    said = {one.cylinder: one.verdict.code for one in effect}
    took = [str(one.cylinder) for one in effect if said[one.cylinder] is EffectVerdict.TAKEN]
    false = [c for c, code in said.items() if code not in {EffectVerdict.TAKEN, EffectVerdict.NOT_KNOWN}]
    right = not false and all(said[one.cylinder] is EffectVerdict.TAKEN for one in large)
    slope = max((abs(one.slope - 1) for one in large if math.isfinite(one.slope)), default=0.0)
    return judged(
        name,
        f"cylinder {', '.join(str(one.cylinder) for one in large) or 'none'} at least",
        f"cylinder {', '.join(took) or 'none'}" + (f"; {len(false)} said otherwise" if false else ""),
        f"from {LARGE_TRIM:g} % on; slopes up to {slope:.2f} off",
        right=right,
    )
