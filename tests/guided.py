"""A guided step test played on the engines of `fuel_answers`: rows, and the acts of a person at the keys."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from fuel_answers import STEP_S, Played

from mixmon.findings.identity.guide import StepAction, StepGuide, StepVerb
from mixmon.findings.identity.plan import plan_steps
from mixmon.mixture.block import CylinderBlock, SampleState
from mixmon.session.fuel_steps import FuelStep
from mixmon.session.model import Session

ROW_NS = 10_000_000
BEGIN_NS = 1_700_000_000_000_000_000


def rows_of(played: Played, *, trims: bool = False, **now: np.ndarray | float) -> CylinderBlock:
    """All rows, at one speed and load; `now` gives other values of the engine, `trims` its trims too."""
    count, labels = played.ln_lambda.shape
    by = 100 * np.expm1(played.fuel)
    told = {f"trim{c:02d}": by[:, c - 1] for c in range(1, by.shape[1] + 1)} if trims else {}
    engine = {"rpm": 3000.0, "load": 18.0, **now, **told}
    shape = (count, labels)
    return CylinderBlock(
        t=BEGIN_NS + ROW_NS * np.arange(1, count + 1),
        stretch=np.zeros(count, np.int64),
        lam=np.exp(played.ln_lambda),
        oxygen=np.full(shape, np.nan),
        age=np.full(shape, 5_000_000, np.int64),
        fresh=np.ones(shape, np.bool_),
        state=np.full(shape, SampleState.VALID, np.uint8),
        shifted={},
        now={name: np.broadcast_to(np.asarray(value, float), count) for name, value in engine.items()},
        aux={},
    )


def planned(count: int, *, single: bool = False, percent: float = 3.0) -> tuple[FuelStep, ...]:
    return plan_steps([(c,) for c in range(1, count + 1)], single=single, percent=percent)


def marked(steps: Sequence[FuelStep], late_s: Sequence[float] | float = 0.0) -> list[tuple[int, StepVerb]]:
    """Row and act of each key: pressed when a step begins and ends, so much later."""
    edges = [
        (s, verb) for step in steps for s, verb in ((step.from_s, StepVerb.BEGIN), (step.to_s, StepVerb.END))
    ]
    late = np.broadcast_to(np.asarray(late_s, float), len(edges))
    return [(round((s + by) / STEP_S), verb) for (s, verb), by in zip(edges, late, strict=True)]


def guided(
    session: Session,
    rows: CylinderBlock,
    keys: Sequence[tuple[int, StepVerb]],
    *,
    until: int | None = None,
    piece: int = 25,
    guide: StepGuide | None = None,
) -> StepGuide:
    """The guide after rows in pieces, each key pressed as soon as its row has been taken."""
    guide, waiting = guide or StepGuide(session), list(keys)
    count, done = len(rows) if until is None else until, 0
    while done < count:
        end = min(done + piece, count, *(row for row, _ in waiting[:1]))
        guide.feed(rows.take(slice(done, end)))
        done = end
        while waiting and waiting[0][0] <= done:
            guide.act(StepAction(int(rows.t[done - 1]), waiting.pop(0)[1]))
    return guide
