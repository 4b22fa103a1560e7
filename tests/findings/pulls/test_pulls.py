"""Pulls: which sections of a drive they are, where they end, and how good they are."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from drives import GAS_ROWS, TARGET, path, rows, session
from laws import everything, same_for_all_splits

from mixmon.errors import UsageError
from mixmon.findings.pulls.pulls import LONGEST_OPENING_ROWS, Pull, PullStage
from mixmon.findings.pulls.quality import PullNote, PullState
from mixmon.findings.stage import run_through
from mixmon.mixture.block import CylinderBlock, SampleState
from mixmon.session.model import Axes

LIFT_S, SWEEP_S = 2.0, 8.0

BEFORE = ((0.0, 2500.0), (LIFT_S, 2500.0))
CLOSED = ((0.0, 10.0), (LIFT_S, 10.0), (0.15, 100.0))


def drive(
    rpm: np.ndarray,
    throttle: np.ndarray,
    *,
    cylinders: int = 3,
    noise: float = 4.0,
    held_rows: int = 2,
    seed: int = 1,
    **more: float | np.ndarray,
) -> CylinderBlock:
    """A drive with speed that comes 50 times a second, unless `held_rows` says otherwise, and is noisy."""
    rng = np.random.default_rng([seed, len(rpm)])
    shown = (rpm + noise * rng.standard_normal(len(rpm)))[np.arange(len(rpm)) // held_rows * held_rows]
    lam = TARGET * np.exp(0.002 * rng.standard_normal((len(rpm), cylinders)))
    return rows(shown, throttle, lam, coolant_c=85.0, intake_c=25.0, **more)


def sweep(
    to: float = 7700.0, seconds: float = SWEEP_S, after: tuple[tuple[float, float], ...] = ()
) -> np.ndarray:
    return path(*BEFORE, (seconds, to), *after, (2.0, 3500.0), (1.0, 3000.0))


def opened(seconds: float) -> np.ndarray:
    """Throttle fully open for so long, then closed in a tenth of a second."""
    return path(*CLOSED, (seconds - 0.15, 100.0), (0.1, 0.0), (2.9, 0.0))


def found(block: CylinderBlock, cylinders: int = 3) -> list[Pull]:
    return list(run_through(PullStage(session(cylinders)), [block]))


def test_a_sweep_is_found_from_the_opening_of_the_throttle_to_its_lift() -> None:
    (pull,) = found(drive(sweep(), opened(SWEEP_S)))
    assert pull.begin / 1e9 == pytest.approx(LIFT_S, abs=0.05)
    assert pull.end / 1e9 == pytest.approx(LIFT_S + SWEEP_S, abs=0.03)
    assert pull.rate == pytest.approx(650, abs=5)
    assert (pull.ended_by, pull.verdict.suggestion) == ("throttle lift", "keep")
    assert (pull.quality.coolant_c, pull.quality.intake_c, pull.quality.valid_cylinders) == (85, 25, 3)
    assert pull.quality.slips_rpm == ()


@pytest.mark.parametrize("flagged", [True, False], ids=["spark cut reported", "spark cut not reported"])
@pytest.mark.parametrize("depth", [120.0, 400.0], ids=["shallow bounce", "deep bounce"])
def test_the_bounce_on_a_limiter_is_trimmed_off(depth: float, flagged: bool) -> None:
    bounce = tuple((0.05, 7700 - depth * (i % 2 == 0)) for i in range(16))
    rpm = sweep(after=bounce)
    cut = np.zeros(len(rpm))
    cut[round(100 * (LIFT_S + SWEEP_S)) : round(100 * (LIFT_S + SWEEP_S + 0.8))] = 1.0
    flag: dict[str, float | np.ndarray] = {"spark_cut": cut} if flagged else {}
    (pull,) = found(drive(rpm, opened(SWEEP_S + 0.8), **flag))
    assert pull.end / 1e9 == pytest.approx(LIFT_S + SWEEP_S, abs=0.06)
    assert pull.ended_by == "limiter"
    assert pull.to_rpm == pytest.approx(7700, abs=20)


def test_noise_on_the_speed_does_not_let_the_bounce_in() -> None:
    bounce = tuple((0.05, 7700 - 120.0 * (i % 2 == 0)) for i in range(16))
    rpm, throttle = sweep(after=bounce), opened(SWEEP_S + 0.8)
    ends = [found(drive(rpm, throttle, noise=10.0, seed=seed))[0].end / 1e9 for seed in range(20)]
    assert np.abs(np.array(ends) - LIFT_S - SWEEP_S).max() <= 0.1


def test_a_sweep_that_is_held_at_its_top_ends_where_speed_stops_rising() -> None:
    rpm = path(*BEFORE, (SWEEP_S, 7000.0), (6.0, 7000.0), (3.0, 3000.0))
    (pull,) = found(drive(rpm, opened(SWEEP_S + 6.0)))
    assert pull.end / 1e9 == pytest.approx(LIFT_S + SWEEP_S, abs=0.1)
    assert pull.ended_by == "speed held or falling"


def test_a_sweep_under_a_brake_begins_when_speed_is_let_go() -> None:
    rpm = path((0.0, 2500.0), (5.0, 2500.0), (SWEEP_S, 7700.0), (3.0, 3000.0))
    (pull,) = found(drive(rpm, opened(3.0 + SWEEP_S)))
    assert pull.begin / 1e9 == pytest.approx(5.0, abs=0.1)


@pytest.mark.parametrize(
    ("rpm", "throttle"),
    [
        (
            path(*BEFORE, (1.0, 6000.0), (9.0, 6000.0), (1.0, 2500.0)),
            path(*CLOSED, (9.85, 100.0), (1.0, 5.0)),
        ),
        (path((0.0, 2500.0), (13.0, 2500.0)), path(*CLOSED, (2.5, 100.0), (0.1, 10.0), (8.25, 10.0))),
        (path(*BEFORE, (SWEEP_S, 3400.0), (3.0, 2500.0)), opened(SWEEP_S)),
        (path(*BEFORE, (1.9, 5000.0), (3.0, 2500.0)), opened(1.9)),
        (path(*BEFORE, (SWEEP_S, 7700.0), (3.0, 2500.0)), path((0.0, 60.0), (13.0, 60.0))),
        (path(*BEFORE, (2.2, 7500.0), (3.0, 2500.0)), opened(2.2)),
        (path(*BEFORE, (25.0, 4500.0), (3.0, 2500.0)), opened(25.0)),
        (path(*BEFORE, (2.2, 3700.0), (6.0, 3700.0), (3.0, 2500.0)), opened(8.2)),
    ],
    ids=[
        "a steady dwell at full load",
        "a tip-in",
        "less than 1000 rpm",
        "less than two seconds",
        "part throttle",
        "faster than any engine under load",
        "a creep",
        "a step from one dwell to the next",
    ],
)
def test_what_is_no_pull(rpm: np.ndarray, throttle: np.ndarray) -> None:
    assert found(drive(rpm, throttle)) == []


def test_another_gear_ends_a_pull_and_begins_the_next() -> None:
    rpm = path(*BEFORE, (4.0, 7500.0), (0.2, 5200.0), (5.0, 7600.0), (3.0, 3000.0))
    first, second = found(drive(rpm, opened(9.2)))
    assert first.end / 1e9 == pytest.approx(LIFT_S + 4.0, abs=0.05)
    assert second.begin / 1e9 == pytest.approx(LIFT_S + 4.2, abs=0.05)
    assert (first.ended_by, second.ended_by) == ("speed held or falling", "throttle lift")


def test_a_slip_is_named_with_its_speed_and_the_pull_is_rejected() -> None:
    rpm = path(*BEFORE, (4.0, 5000.0), (0.3, 5800.0), (0.4, 5750.0), (4.0, 7700.0), (3.0, 3000.0))
    (pull,) = found(drive(rpm, opened(8.7)))
    assert pull.verdict.suggestion == "reject"
    assert any(5000 <= slip <= 5900 for slip in pull.quality.slips_rpm)


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        (lambda b: replace(b, now={**b.now, "coolant_c": np.full(len(b), 55.0)}), PullNote.ENGINE_COLD),
        (lambda b: replace(b, state=np.full_like(b.state, SampleState.WARMING)), PullNote.FEW_READINGS),
        (lambda b: b.take(slice(0, 800)), PullNote.CUT_OFF),
        (
            lambda b: replace(
                b, now={**b.now, "throttle": np.where(b.t < 8 * 10**9, b.now["throttle"], np.nan)}
            ),
            PullNote.CUT_OFF,
        ),
    ],
    ids=["cold", "not measured", "the log ends", "the engine bus falls silent"],
)
def test_reasons_to_reject(change: object, reason: PullNote) -> None:
    (pull,) = found(change(drive(sweep(), opened(SWEEP_S))))  # type: ignore[operator]
    assert pull.verdict.suggestion == "reject"
    assert reason in {told.code for told in pull.verdict.reasons}


def test_speed_that_comes_five_times_a_second_blurs_the_bands_and_is_noted() -> None:
    (pull,) = found(drive(sweep(), opened(SWEEP_S), noise=0.0, held_rows=20))
    assert pull.end / 1e9 == pytest.approx(LIFT_S + SWEEP_S, abs=0.1)
    assert pull.quality.rpm_step == pytest.approx(130, abs=10)
    assert pull.verdict.suggestion == "keep"
    (told,) = (one for one in pull.verdict.notes if one.code is PullNote.COARSE_SPEED)
    assert dict(told.values) == {"step_rpm": pull.quality.rpm_step}


def test_without_a_throttle_signal_the_load_axis_shows_the_opening() -> None:
    block = drive(sweep(), opened(SWEEP_S))
    pressure = {"rpm": block.now["rpm"], "load": 30 + 1.5 * block.now["throttle"]}
    shifted = {name: np.repeat(x[:, None], 3, axis=1) for name, x in pressure.items()}
    boosted = session(3, axes=Axes(load=(40.0, 100.0, 190.0), load_signal="map_kpa"))
    (pull,) = run_through(PullStage(boosted), [replace(block, now=pressure, shifted=shifted)])
    assert pull.end / 1e9 == pytest.approx(LIFT_S + SWEEP_S, abs=0.05)


def test_without_speed_or_load_nothing_is_found() -> None:
    block = drive(sweep(), opened(SWEEP_S))
    assert found(replace(block, now={"throttle": block.now["throttle"]})) == []
    assert found(replace(block, now={"rpm": block.now["rpm"]})) == []


def test_a_pull_is_ready_with_the_row_that_shows_the_lift() -> None:
    block, stage = drive(sweep(), opened(SWEEP_S)), PullStage(session(3))
    ready = [k for k in range(len(block)) if stage.feed(block.take(slice(k, k + 1)))]
    assert len(ready) == 1
    assert ready[0] / 100 == pytest.approx(LIFT_S + SWEEP_S, abs=0.05)


def test_a_sweep_after_minutes_of_full_load_is_found() -> None:
    dwell = LONGEST_OPENING_ROWS / 100 + 30
    rpm = path((0.0, 2500.0), (dwell, 2500.0), (SWEEP_S, 7700.0), (3.0, 3000.0))
    throttle = path((0.0, 100.0), (dwell + SWEEP_S, 100.0), (0.1, 0.0), (2.9, 0.0))
    block, stage = drive(rpm, throttle), PullStage(session(3))
    pulls, kept = [], 0
    for first in range(0, len(block), 500):
        pulls += stage.feed(block.take(slice(first, first + 500)))
        kept = max(kept, stage._recent.end - stage._recent._blocks[0][0])
    assert [pull.begin / 1e9 for pull in pulls] == [pytest.approx(dwell, abs=0.1)]
    assert kept <= LONGEST_OPENING_ROWS + 1500  # memory does not grow with the dwell


def test_a_break_in_time_ends_a_pull() -> None:
    block = drive(sweep(), opened(SWEEP_S))
    broken = block.take(slice(850, None))
    stage = PullStage(session(3))
    assert stage.feed(block.take(slice(0, 850))) == []
    (pull,) = stage.feed(replace(broken, stretch=broken.stretch + 1))
    assert pull.ended_by == "end of the data"
    assert pull.end == block.t[849]


def test_readings_stand_beside_the_speed_at_which_their_gas_was_burnt() -> None:
    block = drive(sweep(), opened(SWEEP_S), noise=0.0, held_rows=1)
    (pull,) = run_through(PullStage(session(3), {1: 0.0, 2: 0.205, 3: (0.4, 0.2)}), [block])
    trace, rate = pull.trace, 650.0
    ramp = 2500 + rate * (trace.t / 1e9 - LIFT_S)
    late = rate * (np.array([0.0, 0.205, 0.3]) + GAS_ROWS / 100)
    counted = np.where(trace.why == 0, trace.rpm, np.nan)[200:]
    assert np.nanmax(np.abs(counted - (ramp[200:, None] - late))) < 0.01
    first = np.argmax(trace.why == 0, axis=0) / 100
    assert first == pytest.approx(GAS_ROWS / 100 + 0.14 + 4 * np.array([0.0, 0.2, 0.3]), abs=0.04)
    assert (trace.why[0] == PullState.OPENING).all()


def test_an_impossible_lag_is_refused() -> None:
    with pytest.raises(UsageError, match=r"sensor lag: -0\.1 s; expected 0 to 1 s"):
        PullStage(session(3), -0.1)


def test_pulls_do_not_depend_on_the_split() -> None:
    bounce = tuple((0.05, 7700 - 120.0 * (i % 2 == 0)) for i in range(10))
    rpm = np.concatenate([sweep(after=bounce), sweep()])
    block = drive(rpm, np.concatenate([opened(SWEEP_S + 0.5), opened(SWEEP_S)]))

    def run(pieces: list[slice]) -> object:
        stage = PullStage(session(3), {2: 0.3})
        pulls = [pull for piece in pieces for pull in stage.feed(block.take(piece))] + stage.flush()
        return everything([(p.begin, p.end, p.quality, p.verdict) for p in pulls]) + "".join(
            getattr(p.trace, name).tobytes().hex() for p in pulls for name in ("t", "rpm", "y", "why")
        )

    assert str(same_for_all_splits(len(block), run)).count("Suggestion.KEEP") == 2
