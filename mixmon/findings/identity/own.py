"""A run that proves its own labels: what fuel steps in the same rows say of the nodes that a balance counts.

    rows -> OwnSteps -> IdentityStage -> own_standing -> IdentityStanding

The steps are those that the engine control reports (`[engine_signals] trim`), else those that a file beside
the log lists. They hold for the rows in which they were seen, before anything that was kept of the labels or
stated about them; where they say nothing, what was kept or stated holds.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import replace

from mixmon.findings.identity.identity import Identity, IdentityStage, Label
from mixmon.findings.identity.notes import IdentityNote
from mixmon.messages.binding import Binding
from mixmon.mixture.block import CylinderBlock
from mixmon.note import Note
from mixmon.session.evidence import IdentityStanding, IdentityState, identity_standing
from mixmon.session.fuel_steps import FuelStep
from mixmon.session.keys import trim_quantity
from mixmon.session.model import IdentityEvidence, Session


class OwnSteps:
    """A stage: rows in, what their own fuel steps say of the labels by `result`.

    Args:
        binding: the session, and whether the engine control reports its trims.
        steps: that a person listed; used only where it does not.
        begin_s: seconds of the log before the first row.
        left_out: cylinders that are not counted.
    """

    def __init__(
        self,
        binding: Binding,
        steps: Sequence[FuelStep] | None = None,
        begin_s: float = 0.0,
        left_out: Collection[int] = (),
    ) -> None:
        self._session, self._left_out = binding.session, left_out
        self._reported = trim_quantity(1) in binding.engine
        known = self._reported or steps is not None
        typed = None if self._reported else steps
        self._stage = IdentityStage(binding.session, typed, begin_s) if known else None
        self._closed = 0
        self._lately = identity_standing(binding.session)

    def keep(self, evidence: IdentityEvidence) -> None:
        """Takes a proof of the labels that was kept after the session was read."""
        self._session = replace(self._session, identity=evidence)
        self._lately = self.result()[0]

    def feed(self, block: CylinderBlock) -> None:
        """Takes the next rows, which lie within one stretch of time."""
        if self._stage is not None:
            self._stage.feed(block)

    def result(self) -> tuple[IdentityStanding, tuple[Note, ...]]:
        """What is known of the labels, and where the steps show nothing, why."""
        if self._stage is None:
            return identity_standing(self._session), ()
        found = self._stage.result()
        standing = own_standing(self._session, found, reported=self._reported, left_out=self._left_out)
        unproved = standing.state is IdentityState.UNPROVED
        return standing, _reasons(found) if unproved else ()

    def lately(self) -> IdentityStanding:
        """The same for a screen: asked anew only when a window with steps has ended."""
        if self._stage is not None and self._stage.closed != self._closed:
            self._closed = self._stage.closed
            self._lately = self.result()[0]
        return self._lately


def _reasons(found: Identity) -> tuple[Note, ...]:
    """Why steps show nothing; nothing is said where there were none."""
    return tuple(one for one in found.notes if one.code is not IdentityNote.NO_STEPS)


def own_standing(
    session: Session, found: Identity, *, reported: bool, left_out: Collection[int] = ()
) -> IdentityStanding:
    """What is known of the labels of a run, by its own steps before anything that was kept or stated.

    A label of which the steps do not tell leaves what was known before. Where steps that the engine control
    reports show the cylinder of every label, and these are the labelled ones in another order, the labels
    are proved and each node goes by the cylinder that it sees: that is the one whose trim moves its reading.
    Steps that a person lists do not show it: who typed them into other cylinders would get the same answer.

    Args:
        session: that declares the labels.
        found: by the steps in the run.
        reported: whether the engine control itself reported the steps.
        left_out: cylinders that are not counted; nothing is asked of their labels.
    """
    kept = identity_standing(session)
    asked = [label for label in found.labels if not set(label.labelled) & set(left_out)]
    told = [label for label in asked if label.told]
    wrong = [label for label in told if not label.right]
    odd = tuple((label.position, label.labelled[0], label.cylinders[0]) for label in wrong)
    if not told:
        return kept
    if wrong:
        by_cylinder = reported and len(told) == len(asked) and _are_rearranged(session, wrong)
        state = IdentityState.PROVED if by_cylinder else IdentityState.DISPROVED
        return IdentityStanding(state, odd=odd, own=True, by_cylinder=by_cylinder)
    if len(told) == len(asked):
        return IdentityStanding(IdentityState.PROVED, own=True, by_cylinder=reported)
    if kept.state is not IdentityState.UNPROVED:
        return kept
    unknown = tuple(label.position for label in asked if not label.told)
    return IdentityStanding(kept.state, open=unknown, own=True)


def _are_rearranged(session: Session, wrong: Sequence[Label]) -> bool:
    """Whether wrong labels have one cylinder each, and see the same ones in another order.

    Cylinders that are meant to differ do not count: each reading was held against the target of its label.
    """
    if any(session.engine.target_offset_percent or ()):
        return False
    labelled = sorted(cylinder for label in wrong for cylinder in label.labelled)
    seen = sorted(cylinder for label in wrong for cylinder in label.cylinders)
    return len(labelled) == len(wrong) and labelled == seen
