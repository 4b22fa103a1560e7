"""Compares all pulls of a run: one set of bands, a table each, and whether they repeat.

The way of the data: `review` takes the pulls in order of time, tabulates each in the same bands
(`pull_table`), and compares it with the last pull before it that is kept (`Repeat`). `review_run` finds
the pulls and the misfires of a run first.

Invariants: pulls, tables, repeats and notes have one entry a pull, in the same order. Two pulls are
compared only over needs that both have; conditions that are not known are not compared.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby

import numpy as np

from mixmon.arrays import Floats
from mixmon.findings.events.events import EventStage
from mixmon.findings.lags import Lags
from mixmon.findings.pulls.bands import Bands, PullTable, bands_over, pull_table
from mixmon.findings.pulls.pulls import Pull, PullStage
from mixmon.findings.pulls.quality import ExcludedTime, PullNote, Suggestion, around_misfires
from mixmon.findings.stage import run_side_by_side, run_through
from mixmon.findings.stats import mean_of_known
from mixmon.gas.fuel import Fuel
from mixmon.mixture.block import CylinderBlock
from mixmon.note import Note, note
from mixmon.result import Result
from mixmon.session.model import Session

_MOST_DIFFERENCE_C = 3.0
"""Coolant and intake air may differ by this much between pulls (common practice, no source)."""

_MOST_RATE_SHARE = 0.1  # by which the rates of two pulls may differ: our choice
_MOST_START_RPM = 300.0  # by which their first speeds may differ: our choice, less than a usual band
_SHORT_RPM = 500.0  # a pull that ends this far below the highest one ended early: our choice, a usual band


@dataclass(frozen=True, slots=True, eq=False)
class Repeat:
    """A pull minus an earlier one, b bands and n nodes, over what is known in both.

    against       index of the earlier pull
    difference, half   float64[b, n]  needs against the peers known in both, percent, and half the 95 %
                       interval of the difference
    rms           of the differences, percent; NaN where there are none
    noise_rms     the rms that noise alone would make
    by_node, by_node_half   float64[n]  mean difference over the bands
    engine        float64[b]  difference of all against the target
    unlike        conditions that differ by more than they should between repeats; empty: none
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


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class PullReview(Result):
    """Pulls in order of time, with a table and a comparison each.

    repeats  None for the first pull that is kept and for those before it
    notes    by pull: those of its verdict, and those that need the other pulls
    """

    bands: Bands
    pulls: tuple[Pull, ...]
    tables: tuple[PullTable, ...]
    repeats: tuple[Repeat | None, ...]
    notes: tuple[tuple[Note, ...], ...]


def review(session: Session, pulls: Sequence[Pull], events: Sequence[ExcludedTime] = ()) -> PullReview:
    """Tabulates pulls and compares each with the last one before it that is kept.

    Args:
        session: as for the pulls.
        pulls: from `PullStage`.
        events: times at which a cylinder's readings are not counted.
    """
    bands = bands_over(*_range_of_speeds(pulls)) if pulls else Bands((), ())
    tables = [pull_table(session, pull, bands, events) for pull in pulls]
    repeats: list[Repeat | None] = []
    last: int | None = None
    for i, pull in enumerate(pulls):
        repeats.append(None if last is None else _compare_pulls(i, last, pulls, tables))
        if pull.verdict.suggestion is Suggestion.KEEP:
            last = i
    return PullReview(bands, tuple(pulls), tuple(tables), tuple(repeats), tuple(_notes_by_pull(pulls)))


def review_run(
    session: Session, fuel: Fuel, blocks: Iterable[CylinderBlock], lag_s: Lags | None = None
) -> PullReview:
    """Finds all pulls of a run, tabulates and compares them; readings around misfires are not counted.

    Args:
        session: as read.
        fuel: the fuel that is burnt.
        blocks: its rows, such as a `Run`.
        lag_s: sensor lag in seconds, for all cylinders or by cylinder.

    Raises:
        UsageError: an impossible lag.
    """
    pulls, events = run_side_by_side(PullStage(session, lag_s), EventStage(session, fuel, lag_s), blocks)
    return review(session, pulls, around_misfires(session, events, lag_s))


def pulls_by_stretch(
    session: Session, blocks: Iterable[CylinderBlock], lag_s: Lags | None = None
) -> list[tuple[Pull, int]]:
    """All pulls of a run, numbered as those of `review_run`, each with the stretch of time that it lies in.

    Raises:
        UsageError: an impossible lag.
    """
    stage = PullStage(session, lag_s)
    parts = groupby(blocks, key=lambda block: int(block.stretch[0]))
    return [(pull, stretch) for stretch, part in parts for pull in run_through(stage, part)]


def _range_of_speeds(pulls: Sequence[Pull]) -> tuple[float, float]:
    """Speeds over which any pull has readings that count."""
    counted = [pull.trace.rpm[pull.trace.why == 0] for pull in pulls]
    some = [rpm for rpm in counted if len(rpm)] or [np.array([p.from_rpm, p.to_rpm]) for p in pulls]
    return float(min(rpm.min() for rpm in some)), float(max(rpm.max() for rpm in some))


def _compare_pulls(late: int, early: int, pulls: Sequence[Pull], tables: Sequence[PullTable]) -> Repeat:
    """Pull number `late` minus pull number `early`."""
    a, b = tables[early], tables[late]
    difference = 100 * (np.log1p(b.peers / 100) - np.log1p(a.peers / 100))
    # A node that is missing in one of the two is missing in its mean too: compare means of the same nodes.
    difference -= mean_of_known(difference.T)[:, None]
    known = np.isfinite(difference)
    half = np.where(known, np.hypot(a.peers_half, b.peers_half), np.nan)
    error = np.where(known, np.hypot(a.peers_error, b.peers_error), np.nan)
    return Repeat(
        against=early,
        difference=difference,
        half=half,
        rms=_root_mean_square(difference),
        noise_rms=_root_mean_square(error),
        by_node=mean_of_known(difference),
        by_node_half=np.sqrt(mean_of_known(half**2) / np.maximum(known.sum(axis=0), 1)),
        engine=b.engine - a.engine,
        unlike=tuple(_list_differences(pulls[early], pulls[late])),
    )


def _list_differences(early: Pull, late: Pull) -> Iterator[Note]:
    """Conditions in which repeats should not differ; unknown ones are not compared."""
    coolant = late.quality.coolant_c - early.quality.coolant_c
    if abs(coolant) > _MOST_DIFFERENCE_C:
        yield note(PullNote.COOLANT_DIFFERS, difference_c=coolant)
    intake = late.quality.intake_c - early.quality.intake_c
    if abs(intake) > _MOST_DIFFERENCE_C:
        yield note(PullNote.INTAKE_DIFFERS, difference_c=intake)
    if abs(late.rate / early.rate - 1) > _MOST_RATE_SHARE:
        yield note(PullNote.RATE_DIFFERS, rpm_s=late.rate, against_rpm_s=early.rate)
    if abs(late.from_rpm - early.from_rpm) > _MOST_START_RPM:
        yield note(PullNote.START_DIFFERS, from_rpm=late.from_rpm, against_rpm=early.from_rpm)


def _notes_by_pull(pulls: Sequence[Pull]) -> Iterator[tuple[Note, ...]]:
    """Each verdict's notes, and that a pull ended well before another of the run."""
    highest = max((pull.to_rpm for pull in pulls), default=0.0)
    for pull in pulls:
        short = highest - pull.to_rpm
        early = (note(PullNote.ENDED_EARLY, short_rpm=short),) if short > _SHORT_RPM else ()
        yield (*pull.verdict.notes, *early)


def _root_mean_square(x: Floats) -> float:
    """Of the known numbers; NaN where there are none."""
    known = x[np.isfinite(x)]
    return float(np.sqrt(np.mean(known**2))) if len(known) else np.nan
