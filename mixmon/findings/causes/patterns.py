"""Patterns over the whole engine: do the needs go with bank, fuel rail, place, firing order or shared ports?

    needs, engine -> find_patterns    one F test a pattern, and which of them stand when all are looked at

A pattern is a few columns over the cylinders. It is tested against the scatter of the cylinders that is left
with it (analysis of variance and regression, any textbook of statistics), not against the errors of the
readings: cylinders that differ for reasons of their own are no pattern, however surely they differ. F is
exact where that scatter is normal. A single cylinder that is far out makes the scatter large and hides a
pattern rather than inventing one.

Five looks at eight numbers find something in one engine of four by chance. So what is told as found is
what stands after Holm's step-down procedure (from memory: Holm, Scand. J. Statist. 6, 1979), with which all
patterns together are invented in at most `LEVEL` of engines without any.

Patterns with the same columns (a rail that is fed at the front) are one test with several names.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from mixmon.arrays import Bools, Floats
from mixmon.findings.causes.notes import PatternCode
from mixmon.findings.stats import f_tail, student_t95
from mixmon.session.injectors import cycle_degrees
from mixmon.session.model import Engine, Session

LEVEL = 0.05
"""Chance that any pattern at all is found in an engine without one, and any difference of a cylinder in one
without differences: our choice, as usual."""

_LEAST_DEGREES = 2
"""Degrees of freedom of the scatter that a test takes: our choice; with one, F says next to nothing."""

_SAME = 1e-6
"""Part of a column that another cannot explain, from which they are two: rounding."""


@dataclass(frozen=True, slots=True)
class PatternTest:
    """One pattern.

    codes           its names; several where the engine cannot separate them
    effect_percent  of two groups, the first less the second; of a slope, from the first place to the last;
                    of several groups, the highest mean less the lowest
    half_percent    half of its 95 % interval; NaN for more than two groups
    p               chance of such an F, or a larger one, without the pattern
    p_adjusted      the same, for all patterns that were looked at (Holm)
    found           whether it stands
    """

    codes: tuple[PatternCode, ...]
    effect_percent: float
    half_percent: float
    f: float
    degrees: tuple[int, int]
    p: float
    p_adjusted: float
    found: bool


@dataclass(frozen=True, slots=True, eq=False)
class _Pattern:
    """Columns float64[n, k] over the nodes, centred; `contrast` float64[k] gives the effect, if any."""

    codes: tuple[PatternCode, ...]
    columns: Floats
    contrast: Floats | None


def find_patterns(session: Session, needs: Floats) -> tuple[PatternTest, ...]:
    """Every pattern that the engine has, the surest first.

    needs: float64[n], percent of each node of the chain; NaN where not known.
    """
    known = np.isfinite(needs)
    tests = [_test_pattern(one, needs[known]) for one in _list_patterns(session, known)]
    return _adjust([one for one in tests if one is not None])


def _adjust(tests: Sequence[PatternTest]) -> tuple[PatternTest, ...]:
    """Holm's adjustment: the k-th smallest p times how many are left, never less than the one before."""
    ordered = sorted(tests, key=lambda one: one.p)
    out, before = [], 0.0
    for k, one in enumerate(ordered):
        before = max(before, min(one.p * (len(ordered) - k), 1.0))
        values = (one.codes, one.effect_percent, one.half_percent, one.f, one.degrees, one.p)
        out.append(PatternTest(*values, p_adjusted=before, found=before < LEVEL))
    return tuple(out)


def _test_pattern(pattern: _Pattern, needs: Floats) -> PatternTest | None:
    """F of the needs with the pattern against those without; None where the scatter could not be told."""
    n, k = pattern.columns.shape
    if n - 1 - k < _LEAST_DEGREES:
        return None
    apart = needs - needs.mean()
    solved, *_ = np.linalg.lstsq(pattern.columns, apart, rcond=None)
    left = float(((apart - pattern.columns @ solved) ** 2).sum())
    explained, degrees = float((apart**2).sum()) - left, (k, n - 1 - k)
    f = np.inf if left <= 0 else explained / k / (left / degrees[1])
    effect, half = _effect_of(pattern, solved, left / degrees[1], degrees[1])
    p = f_tail(f, *degrees)
    return PatternTest(pattern.codes, effect, half, f, degrees, p, p, found=False)


def _effect_of(pattern: _Pattern, solved: Floats, scatter: float, degrees: int) -> tuple[float, float]:
    if pattern.contrast is None:
        return float(np.ptp(pattern.columns @ solved)), np.nan
    inverse = np.linalg.inv(pattern.columns.T @ pattern.columns)
    error = float(np.sqrt(scatter * pattern.contrast @ inverse @ pattern.contrast))
    return float(pattern.contrast @ solved), student_t95(degrees) * error


# What an engine can show.


def _list_patterns(session: Session, known: Bools) -> list[_Pattern]:
    """The patterns of the known nodes; those with the same columns are one."""
    engine = session.engine
    rails = session.injection.fuel_rails or ()
    banks = list(engine.banks.values()) if len(engine.banks) > 1 else []
    made = [
        (PatternCode.BANK, _groups(session, banks)),
        (PatternCode.RAIL, _slope(session, [place for rail in rails for place in _places(rail)])),
        (PatternCode.PLACE, _slope(session, [p for row in _rows(engine) for p in _places(row)])),
        (PatternCode.PREDECESSOR, _slope(session, _gap_shares(engine))),
        (PatternCode.PORT, _groups(session, shared_ports(session))),
    ]
    out: list[_Pattern] = []
    for code, columns in made:
        part = None if columns is None else _centred(columns[known])
        if part is None or not len(part):
            continue
        same = next((i for i, other in enumerate(out) if _span_alike(other.columns, part)), None)
        if same is None:
            out.append(_Pattern((code,), part, _contrast(columns[known]) if columns is not None else None))
        else:
            out[same] = _Pattern((*out[same].codes, code), out[same].columns, out[same].contrast)
    return out


def _places(row: Sequence[int]) -> list[tuple[int, float]]:
    """Cylinders of a row with how far they are along it, 0 to 1."""
    last = max(len(row) - 1, 1)
    return [(cylinder, k / last) for k, cylinder in enumerate(row)]


def _rows(engine: Engine) -> list[tuple[int, ...]]:
    """Cylinders from front to back: of each bank as the session lists them, else by number."""
    return list(engine.banks.values()) or [tuple(range(1, engine.cylinders + 1))]


def _gap_shares(engine: Engine) -> list[tuple[int, float]]:
    """Cylinders with the crank angle since one of the same bank, or of the engine, fired; parts of a cycle.

    A cylinder that follows its neighbour closely finds less air in the manifold that they share.
    """
    order, cycle = engine.firing_order or (), cycle_degrees(engine.strokes)
    if not order:
        return []
    angles = engine.firing_angles_deg or tuple(cycle * k / len(order) for k in range(len(order)))
    fires = dict(zip(order, angles, strict=True))
    gaps = []
    for row in _rows(engine):
        for cylinder in row:
            since = [(fires[cylinder] - fires[other]) % cycle for other in row if other != cylinder]
            gaps.append((cylinder, min(since, default=cycle) / cycle))
    return gaps


def shared_ports(session: Session) -> list[tuple[int, ...]]:
    """Cylinders that share a sensor's pipe are no pattern of their own; ports come from the session."""
    return list(session.engine.shared_ports or ())


def _groups(session: Session, groups: Sequence[Sequence[int]]) -> Floats | None:
    """One column for each group but the last, of the nodes in it; None where a node is in none or in two."""
    if len(groups) < 2:
        return None
    of_node = [
        [g for g, group in enumerate(groups) if set(node.cylinders) <= set(group)]
        for node in session.chain.nodes
    ]
    if any(len(found) != 1 for found in of_node):
        return None
    return np.array([[float(found[0] == g) for g in range(len(groups) - 1)] for found in of_node])


def _slope(session: Session, places: Sequence[tuple[int, float]]) -> Floats | None:
    """One column: each node's place, the mean of its cylinders; None where one is not known."""
    of: Mapping[int, float] = dict(places)
    if any(cylinder not in of for node in session.chain.nodes for cylinder in node.cylinders):
        return None
    return np.array([[np.mean([of[c] for c in node.cylinders])] for node in session.chain.nodes])


def _centred(columns: Floats) -> Floats:
    """The columns less their means, without those that others explain; float64[n, 0] where none is left."""
    if not len(columns):
        return np.zeros((0, 0))
    apart = columns - columns.mean(axis=0)
    kept: list[int] = []
    for k in range(apart.shape[1]):
        if np.linalg.matrix_rank(apart[:, [*kept, k]], tol=_SAME) > len(kept):
            kept.append(k)
    return apart[:, kept] if kept else np.zeros((0, 0))


def _contrast(columns: Floats) -> Floats | None:
    """What the effect is, in parts of the columns: of one, from its lowest value to its highest."""
    return np.array([np.ptp(columns[:, 0])]) if columns.shape[1] == 1 else None


def _span_alike(one: Floats, other: Floats) -> bool:
    """Whether two sets of centred columns say the same."""
    if one.shape != other.shape:
        return False
    both = np.hstack([one, other])
    return bool(np.linalg.matrix_rank(both, tol=_SAME) == one.shape[1])
