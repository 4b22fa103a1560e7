"""How well a pull was driven and measured, and whether to keep it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mixmon.findings.pull_trace import ARRIVING, PullTrace
from mixmon.mixture.align import GRID_NS
from mixmon.mixture.block import SampleState
from mixmon.session.model import Validity

LIFT, LIMITER, HELD = "throttle lift", "limiter", "speed held or falling"
NO_ENGINE_DATA, BREAK = "engine data lost", "end of the data"
"""What can end a pull."""

KEEP, REJECT = "keep", "reject"

_WIDE_ROWS, _LOCAL_ROWS = 100, 15
"""Half-widths in rows over which a slope counts as the pull's own and as local."""

_SLIP_SHARE, _SLIP_RATE = 0.8, 200.0
_LARGEST_FALL_RPM = 60.0
_GOOD_SHARE, _LEAST_SHARE = 0.9, 0.5
_COARSE_RPM = 60.0

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Driven:
    """The engine's own rows of a pull: speed, opening in percent once it is full, temperatures.

    float64[k] each, the opening maybe fewer; NaN where not known.
    """

    rpm: Floats
    opening: Floats
    coolant_c: Floats
    intake_c: Floats


@dataclass(frozen=True, slots=True)
class PullQuality:
    """What was measured of a pull's driving and of its data. NaN where not known.

    largest_fall_rpm    deepest fall of speed below what had been reached
    slowest, fastest    rpm/s, of the slope over about two seconds
    slips_rpm           speeds at which the slope jumps although the opening does not
    least_opening       percent
    coolant_c, intake_c at the start
    warmed_c            rise of the coolant during the pull
    rpm_step            mean step from one sample of speed to the next
    valid_share         of all readings of the nodes not left out, once gas of full opening is there
    valid_cylinders     cylinders whose sensors are valid for nine tenths of the pull and more
    cylinders           cylinders that are watched and not left out
    """

    largest_fall_rpm: float
    slowest: float
    fastest: float
    slips_rpm: tuple[float, ...]
    least_opening: float
    coolant_c: float
    intake_c: float
    warmed_c: float
    rpm_step: float
    valid_share: float
    valid_cylinders: int
    cylinders: int


@dataclass(frozen=True, slots=True)
class Verdict:
    """A suggestion, "keep" or "reject"; why to reject, empty for "keep"; and what else to know."""

    suggestion: str
    reasons: tuple[str, ...]
    remarks: tuple[str, ...]


def pull_quality(driven: Driven, trace: PullTrace, weights: NDArray[np.int64]) -> PullQuality:
    """Measures a pull; `weights` int64[n] are the cylinders that each node speaks for."""
    share = _valid_shares(trace)
    asked = ~np.isnan(share)
    every = _rows_per_sample(driven.rpm)
    wide = _slope(driven.rpm, _WIDE_ROWS)
    coolant = _first_known(driven.coolant_c)
    return PullQuality(
        largest_fall_rpm=float((np.maximum.accumulate(driven.rpm) - driven.rpm).max()),
        slowest=float(wide.min()),
        fastest=float(wide.max()),
        slips_rpm=_slips(driven.rpm, wide, every),
        least_opening=float(driven.opening.min()),
        coolant_c=coolant,
        intake_c=_first_known(driven.intake_c),
        warmed_c=_first_known(driven.coolant_c[::-1]) - coolant,
        rpm_step=float(driven.rpm[-1] - driven.rpm[0]) / (len(driven.rpm) / every),
        valid_share=float(share[asked].mean()) if asked.any() else np.nan,
        valid_cylinders=int(weights[asked & (np.nan_to_num(share) >= _GOOD_SHARE)].sum()),
        cylinders=int(weights[asked].sum()),
    )


def verdict(quality: PullQuality, ended_by: str, rules: Validity) -> Verdict:
    """Whether to keep the pull, by common practice (no source)."""
    reasons = tuple(_reasons(quality, ended_by, rules.warm_coolant_c))
    return Verdict(REJECT if reasons else KEEP, reasons, tuple(_remarks(quality, ended_by)))


def _reasons(quality: PullQuality, ended_by: str, warm_c: float) -> list[str]:
    out = []
    if quality.coolant_c < warm_c:
        out.append(f"engine cold: coolant {quality.coolant_c:.0f} C, warm from {warm_c:.0f} C")
    if quality.slips_rpm:
        where = ", ".join(f"{rpm:.0f}" for rpm in quality.slips_rpm)
        out.append(f"speed jumps or stalls at {where} rpm with the opening unchanged: slip?")
    if quality.largest_fall_rpm > _LARGEST_FALL_RPM:
        out.append(f"speed falls by {quality.largest_fall_rpm:.0f} rpm on the way")
    if not quality.valid_share >= _LEAST_SHARE:
        out.append("less than half of the readings count")
    if ended_by in {NO_ENGINE_DATA, BREAK}:
        out.append(f"cut off: {ended_by}")
    return out


def _remarks(quality: PullQuality, ended_by: str) -> list[str]:
    out = []
    if ended_by == LIMITER:
        out.append("ran into the limiter; what follows is trimmed off")
    missing = quality.cylinders - quality.valid_cylinders
    if missing:
        out.append(f"{missing} of {quality.cylinders} cylinders not valid all the way")
    if quality.rpm_step > _COARSE_RPM:
        out.append(f"speed comes in steps of {quality.rpm_step:.0f} rpm: bands are blurred by as much")
    return out


def _valid_shares(trace: PullTrace) -> Floats:
    """Share of counted readings of each node after the opening; NaN for nodes left out, float64[n]."""
    asked = trace.why != SampleState.LEFT_OUT
    due = asked & (trace.why != ARRIVING)
    count = due.sum(axis=0)
    share = np.divide((trace.why == 0).sum(axis=0), count, out=np.zeros(len(count)), where=count > 0)
    return np.where(asked.any(axis=0), share, np.nan)


def _slope(x: Floats, half: int) -> Floats:
    """Slope over `half` rows on either side, fewer at the ends, per second."""
    row = np.arange(len(x))
    before, after = np.maximum(row - half, 0), np.minimum(row + half, len(x) - 1)
    return np.asarray((x[after] - x[before]) / ((after - before) * (GRID_NS / 1e9)))


def _rows_per_sample(rpm: Floats) -> float:
    return len(rpm) / max(int(np.count_nonzero(np.diff(rpm))), 1)


def _slips(rpm: Floats, wide: Floats, every: float) -> tuple[float, ...]:
    """Speeds at which the local slope is far from the pull's own, one for each such place."""
    local = _slope(rpm, max(_LOCAL_ROWS, round(2 * every)))
    away = np.abs(local - wide)
    odd = away > np.maximum(_SLIP_SHARE * np.abs(wide), _SLIP_RATE)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], odd, [False]]).astype(np.int8)))
    places = edges.reshape(-1, 2).tolist()
    return tuple(float(rpm[begin + int(np.argmax(away[begin:end]))]) for begin, end in places)


def _first_known(x: Floats) -> float:
    known = x[np.isfinite(x)]
    return float(known[0]) if len(known) else np.nan
