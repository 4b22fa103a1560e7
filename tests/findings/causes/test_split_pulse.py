"""Dead times by half pulses: rows made by arithmetic, and logs in which the test was done wrong."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
import pytest
from drives import rows, session

from mixmon.findings.causes.notes import CauseNote
from mixmon.findings.causes.split_pulse import DeadTimes, SplitPulseStage
from mixmon.mixture.block import CylinderBlock
from mixmon.note import Note
from mixmon.session.model import Injection
from mixmon.session.split_pulses import SplitPulse

LATE_MS = np.array([0.060, -0.025, 0.0, 0.010])
PULSE_MS, DEAD_MS = 4.6, 0.95
SPLIT = SplitPulse(12.0, 24.0)
SECONDS, RATE = 36, 100


def played(
    *,
    while_ms: float | None = PULSE_MS / 2 + DEAD_MS,
    loses_ms: float = 0.0,
    noise: float = 0.01,
    seed: int = 1,
) -> CylinderBlock:
    """Half a minute at one point; in its middle third each injector gives two half pulses.

    while_ms: what the engine control reports meanwhile; None: it reports no pulse at all.
    loses_ms: of effective opening, of all injectors, where the control does not add its dead time once more.
    """
    rng, k, n = np.random.default_rng(seed), SECONDS * RATE, len(LATE_MS)
    t = np.arange(1, k + 1) / RATE
    split = (t >= SPLIT.from_s + 0.2) & (t < SPLIT.to_s + 0.2)  # gas arrives a fifth of a second later
    fuel = np.where(split[:, None], PULSE_MS - loses_ms - 2 * LATE_MS, PULSE_MS - LATE_MS)
    lam = 0.98 * PULSE_MS / fuel * np.exp(rng.normal(0, noise, (k, n)))
    shown = np.where((t >= SPLIT.from_s) & (t < SPLIT.to_s), while_ms or 0.0, PULSE_MS + DEAD_MS)
    more = {} if while_ms is None else {"pulse_ms": shown}
    return rows(np.full(k, 3000.0), np.full(k, 18.0), lam, target=0.98, **more)


def answer(
    block: CylinderBlock, splits: Sequence[SplitPulse] = (SPLIT,), *, parts: int = 7
) -> tuple[DeadTimes, tuple[Note, ...]]:
    stage = SplitPulseStage(session(len(LATE_MS), injection=Injection(dead_time_ms=DEAD_MS)), splits)
    edges = np.linspace(0, len(block), parts + 1).astype(int)
    for begin, end in pairwise(edges):
        stage.feed(block.take(slice(begin, end)))
    return stage.result()


@pytest.mark.parametrize("loses_ms", [0.0, DEAD_MS])
def test_dead_times_are_found_whether_or_not_the_control_adds_its_own_once_more(loses_ms: float) -> None:
    dead, notes = answer(played(loses_ms=loses_ms))
    assert notes == ()
    expected = LATE_MS - LATE_MS.mean()
    assert dead.late == pytest.approx(expected, abs=0.004)
    assert (dead.error > 0).all()
    assert (dead.error < 0.004).all()


def test_intervals_hold_the_truth() -> None:
    """Rows of independent noise, thirty times: 95 of a hundred, as far as so few tell."""
    expected, held = LATE_MS - LATE_MS.mean(), 0
    for seed in range(30):
        dead, _ = answer(played(seed=seed, noise=0.03), parts=1)
        held += int((np.abs(dead.late - expected) < 1.96 * dead.error).sum())
    assert held >= 105


def test_the_answer_does_not_depend_on_where_blocks_are_cut() -> None:
    one, other = (answer(played(), parts=parts)[0] for parts in (1, 23))
    assert (one.late == other.late).all()
    assert (one.error == other.error).all()


def test_pulses_that_were_not_split_are_noticed_where_the_pulse_is_reported() -> None:
    dead, (told,) = answer(played(while_ms=PULSE_MS + DEAD_MS))
    assert told.code is CauseNote.SPLIT_NOT_ANSWERED
    assert np.isnan(dead.late).all()


def test_without_a_pulse_in_the_log_it_must_be_given_and_nothing_confirms_the_split() -> None:
    block = played(while_ms=None)
    dead, (told,) = answer(block)
    assert told.code is CauseNote.SPLIT_WITHOUT_PULSE
    assert np.isnan(dead.late).all()
    dead, (told,) = answer(block, [SplitPulse(SPLIT.from_s, SPLIT.to_s, PULSE_MS + DEAD_MS)])
    assert told.code is CauseNote.SPLIT_NOT_CONFIRMED
    assert dead.late == pytest.approx(LATE_MS - LATE_MS.mean(), abs=0.004)


@pytest.mark.parametrize("split", [SplitPulse(0.0, 36.0), SplitPulse(100.0, 110.0), SplitPulse(12.0, 14.5)])
def test_too_little_of_either_says_nothing(split: SplitPulse) -> None:
    dead, (told,) = answer(played(), [split])
    assert told.code is CauseNote.SPLIT_WITHOUT_BASE
    assert np.isnan(dead.late).all()


def test_the_rows_with_half_pulses_are_pointed_out() -> None:
    stage = SplitPulseStage(session(len(LATE_MS)), [SPLIT])
    split = stage.feed(played())
    assert np.flatnonzero(split)[[0, -1]] / RATE == pytest.approx([12, 26], abs=0.02)
    assert split.sum() == pytest.approx(14 * RATE, abs=1)


def test_a_sensor_that_is_silent_meanwhile_has_no_answer_and_takes_none_from_the_others() -> None:
    block = played()
    block.state[1500:2000, 1] = 5
    block.state[1200:2400, 3] = 5
    dead, _ = answer(block)
    assert np.isnan(dead.late[3])
    known = LATE_MS[:3] - LATE_MS[:3].mean()
    assert dead.late[:3] == pytest.approx(known, abs=0.005)
