"""All pulls of a run side by side: one set of bands, a table each, and whether they repeat."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from mixmon.arrays import Floats
from mixmon.findings.events.events import EventStage
from mixmon.findings.lags import Lags
from mixmon.findings.pulls.bands import Bands, PullTable, bands_over, pull_table
from mixmon.findings.pulls.pulls import Pull, PullStage
from mixmon.findings.pulls.quality import LeftOut, PullNote, Suggestion, around_misfires
from mixmon.findings.stage import run_side_by_side
from mixmon.gas.fuel import Fuel
from mixmon.mixture.block import CylinderBlock
from mixmon.note import Note, note
from mixmon.session.model import Session

_SAME_C = 3.0
"""Coolant and intake air may differ by this much between pulls (common practice, no source)."""

_SAME_RATE, _SAME_RPM, _SHORT_RPM = 0.1, 300.0, 500.0


@dataclass(frozen=True, slots=True, eq=False)
class Repeat:
    """A pull less an earlier one, b bands and n nodes, over what is known in both.

    against       index of the earlier pull
    difference, half   float64[b, n]  needs against the peers known in both, percent, and half the 95 %
                       interval of the difference
    rms           of the differences, percent; NaN where there are none
    noise_rms     what noise alone would make of it
    by_node, by_node_half   float64[n]  mean difference over the bands
    engine        float64[b]  difference of all against the target
    unlike        in which conditions the two differ by more than repeats should; empty: alike
    """

    against: int
    difference: Floats
    half: Floats
    rms: float
    noise_rms: float
    by_node: Floats
    by_node_half: Floats
    engine: Floats
    unlike: tuple[Note, ...]


@dataclass(frozen=True, slots=True, eq=False)
class PullReview:
    """Pulls in order of time, with a table and a comparison each.

    repeats  None for the first pull that is kept and for those before it
    notes    by pull: its verdict's, and what shows only beside the others
    """

    bands: Bands
    pulls: tuple[Pull, ...]
    tables: tuple[PullTable, ...]
    repeats: tuple[Repeat | None, ...]
    notes: tuple[tuple[Note, ...], ...]


def review(session: Session, pulls: Sequence[Pull], events: Sequence[LeftOut] = ()) -> PullReview:
    """Tabulates pulls and compares each with the last one kept before it.

    Args:
        session: as for the pulls.
        pulls: from `find_pulls`.
        events: times at which a cylinder shall not be counted.
    """
    bands = bands_over(*_range(pulls)) if pulls else Bands((), ())
    tables = [pull_table(session, pull, bands, events) for pull in pulls]
    repeats: list[Repeat | None] = []
    last: int | None = None
    for i, pull in enumerate(pulls):
        repeats.append(None if last is None else _repeat(i, last, pulls, tables))
        if pull.verdict.suggestion is Suggestion.KEEP:
            last = i
    return PullReview(bands, tuple(pulls), tuple(tables), tuple(repeats), tuple(_notes_by_pull(pulls)))


def review_run(
    session: Session, fuel: Fuel, blocks: Iterable[CylinderBlock], lag_s: Lags | None = None
) -> PullReview:
    """All pulls of a run, tabulated and compared; what was read around misfires is not counted.

    Args:
        session: as read.
        fuel: as burnt.
        blocks: its rows, such as a `Run`.
        lag_s: sensor lag in seconds, for all cylinders or by cylinder.

    Raises:
        UsageError: an impossible lag.
    """
    pulls, events = run_side_by_side(PullStage(session, lag_s), EventStage(session, fuel, lag_s), blocks)
    return review(session, pulls, around_misfires(session, events, lag_s))


def _range(pulls: Sequence[Pull]) -> tuple[float, float]:
    """Speeds over which any pull has readings that count."""
    counted = [pull.trace.rpm[pull.trace.why == 0] for pull in pulls]
    some = [rpm for rpm in counted if len(rpm)] or [np.array([p.from_rpm, p.to_rpm]) for p in pulls]
    return float(min(rpm.min() for rpm in some)), float(max(rpm.max() for rpm in some))


def _repeat(late: int, early: int, pulls: Sequence[Pull], tables: Sequence[PullTable]) -> Repeat:
    a, b = tables[early], tables[late]
    difference = 100 * (np.log1p(b.peers / 100) - np.log1p(a.peers / 100))
    # Where a node is missing in one of the two, that one's mean is of fewer: compare over the same.
    difference -= _mean(difference, axis=1)[:, None]
    known = np.isfinite(difference)
    half = np.where(known, np.hypot(a.peers_half, b.peers_half), np.nan)
    error = np.where(known, np.hypot(a.peers_error, b.peers_error), np.nan)
    return Repeat(
        against=early,
        difference=difference,
        half=half,
        rms=_rms(difference),
        noise_rms=_rms(error),
        by_node=_mean(difference, axis=0),
        by_node_half=np.sqrt(_mean(half**2, axis=0) / np.maximum(known.sum(axis=0), 1)),
        engine=b.engine - a.engine,
        unlike=tuple(_list_differences(pulls[early], pulls[late])),
    )


def _list_differences(early: Pull, late: Pull) -> Iterator[Note]:
    """Conditions in which repeats should not differ; unknown ones are not compared."""
    coolant = late.quality.coolant_c - early.quality.coolant_c
    if abs(coolant) > _SAME_C:
        yield note(PullNote.COOLANT_DIFFERS, difference_c=coolant)
    intake = late.quality.intake_c - early.quality.intake_c
    if abs(intake) > _SAME_C:
        yield note(PullNote.INTAKE_DIFFERS, difference_c=intake)
    if abs(late.rate / early.rate - 1) > _SAME_RATE:
        yield note(PullNote.RATE_DIFFERS, rpm_s=late.rate, against_rpm_s=early.rate)
    if abs(late.from_rpm - early.from_rpm) > _SAME_RPM:
        yield note(PullNote.START_DIFFERS, from_rpm=late.from_rpm, against_rpm=early.from_rpm)


def _notes_by_pull(pulls: Sequence[Pull]) -> Iterator[tuple[Note, ...]]:
    """Each verdict's notes, and that a pull ended well before another of the run."""
    highest = max((pull.to_rpm for pull in pulls), default=0.0)
    for pull in pulls:
        short = highest - pull.to_rpm
        early = (note(PullNote.ENDED_EARLY, short_rpm=short),) if short > _SHORT_RPM else ()
        yield (*pull.verdict.notes, *early)


def _mean(x: Floats, axis: int) -> Floats:
    count = np.isfinite(x).sum(axis=axis)
    mean: Floats = np.divide(
        np.nansum(x, axis=axis), count, out=np.full(count.shape, np.nan), where=count > 0
    )
    return mean


def _rms(x: Floats) -> float:
    known = x[np.isfinite(x)]
    return float(np.sqrt(np.mean(known**2))) if len(known) else np.nan
