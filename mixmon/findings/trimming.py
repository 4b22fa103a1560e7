"""The trims to offer: from needs with intervals to numbers for the ECU, or the reason for none."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mixmon.errors import RangeError
from mixmon.findings.drawn_in import drawn_in
from mixmon.findings.stats import Estimate
from mixmon.findings.trims import keep_mean, reference_lambda, round_to_step
from mixmon.session.model import Session

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class TrimPlan:
    """What to enter. Percent, one a cylinder; `new` is NaN throughout when withheld.

    exact  float64[cylinders]  before rounding: the mean fuel is what it was, to rounding error
    moves  float64[nodes]      ln of the change of fuel that each node's cylinders will see
    flags  reasons, one tuple a cylinder
    """

    now: tuple[float, ...]
    exact: tuple[float, ...]
    new: tuple[float, ...]
    moves: Floats
    flags: tuple[tuple[str, ...], ...]
    withheld: tuple[str, ...]
    notes: tuple[str, ...]


def plan_trims(session: Session, needs: tuple[Estimate, ...], blocked: tuple[str, ...] = ()) -> TrimPlan:
    """Trims that make the cylinders alike and leave the engine's total fuel as it is.

    needs: ln lambda against peers, one a node. A cylinder that is not known keeps its trim. The
    known ones move by their needs drawn in to what can be told from noise (`drawn_in`); none of
    them is held fixed, or the others would have to carry the mean for it.

    blocked: reasons for which no trims shall be offered, whatever the needs.
    """
    count = session.engine.cylinders
    held = session.trims.now_percent
    now = np.zeros(count) if held is None else np.array(held)
    notes = () if held is not None else ("trims now: not given in [trims] now_percent, taken as 0",)
    need = _by_cylinder(session, needs)
    known = np.array([one is not None for one in need])
    flags = [_told(one) for one in need]
    withheld = blocked + _reasons(need)
    exact, rounded = now.copy(), now.copy()
    if not withheld:
        try:
            exact, rounded = _solve(session, now, need, known)
        except RangeError as problem:
            withheld = (str(problem),)
    moves = np.log((1 + rounded / 100) / (1 + now / 100))
    if not withheld:
        _mark(session, exact=exact, rounded=rounded, now=now, moving=known, flags=flags)
    first = [node.cylinders[0] - 1 for node in session.chain.nodes]
    none = np.full(count, np.nan)
    return TrimPlan(
        now=tuple(now.tolist()),
        exact=tuple((none if withheld else exact).tolist()),
        new=tuple((none if withheld else rounded).tolist()),
        moves=moves[first],
        flags=tuple(tuple(f) for f in flags),
        withheld=withheld,
        notes=notes,
    )


def _by_cylinder(session: Session, needs: tuple[Estimate, ...]) -> list[Estimate | None]:
    out: list[Estimate | None] = [None] * session.engine.cylinders
    for node, need in zip(session.chain.nodes, needs, strict=True):
        for cylinder in node.cylinders:
            out[cylinder - 1] = need if np.isfinite(need.half) else None
    return out


def _told(need: Estimate | None) -> list[str]:
    """What must be said of a need before it is used."""
    if need is None:
        return ["trim kept: need not known"]
    return ["need not told from zero"] if abs(need.mean) <= need.half else []


def _reasons(needs: list[Estimate | None]) -> tuple[str, ...]:
    known = sum(need is not None for need in needs)
    if known < 2:
        return (
            f"too little data: {known} of {len(needs)} cylinders have a need with an interval, 2 are needed",
        )
    return ()


def _solve(
    session: Session, now: Floats, needs: list[Estimate | None], known: NDArray[np.bool_]
) -> tuple[Floats, Floats]:
    """Exact and rounded percent."""
    trims = session.trims
    factors, shares = 1 + now / 100, np.full(len(now), 1 / len(now))
    lam = np.ones(len(now))
    lam[known] = np.exp(_told_apart([need for need in needs if need is not None]))
    reference = reference_lambda(lam[known], factors[known], shares[known])
    wanted = np.where(known, factors * lam / reference, factors)
    lowest = np.where(known, 1 + trims.lowest_percent / 100, factors)
    highest = np.where(known, 1 + trims.highest_percent / 100, factors)
    total = float((shares * factors).sum())
    exact = 100 * (keep_mean(wanted, shares, lowest, highest, total) - 1)
    rounded = now.copy()
    rounded[known] = round_to_step(
        exact[known], trims.step_percent, trims.lowest_percent, trims.highest_percent
    )
    return exact, rounded


def _told_apart(needs: list[Estimate]) -> Floats:
    """The needs as they are entered."""
    means = np.array([need.mean for need in needs])
    return drawn_in(means, np.array([need.standard_error for need in needs]))[0]


def _mark(
    session: Session,
    *,
    exact: Floats,
    rounded: Floats,
    now: Floats,
    moving: NDArray[np.bool_],
    flags: list[list[str]],
) -> None:
    trims = session.trims
    for i in np.flatnonzero(moving):
        if min(exact[i] - trims.lowest_percent, trims.highest_percent - exact[i]) < 1e-9:
            flags[i].append("trim at its limit")
        if abs(rounded[i] - now[i]) > trims.ask_above_percent:
            flags[i].append(
                f"over {trims.ask_above_percent:g} %: look for a mechanical cause before trimming"
            )
