"""Pulls by bands of speed, against mixtures that the test makes itself."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import scipy.signal
from drives import FUEL, TARGET, earlier, lagged, path, read, rows, session

from mixmon.findings.events.tips import find_tips
from mixmon.findings.pulls.bands import PullTable, bands_over, pull_table, sweep_noise
from mixmon.findings.pulls.pulls import Pull, PullStage
from mixmon.findings.pulls.quality import ExcludedTime, PullState
from mixmon.findings.pulls.review import PullReview, review
from mixmon.findings.stage import run_through
from mixmon.mixture.block import CylinderBlock, SampleState
from mixmon.report.words import sentence

FROM, TO, SWEEP_S, LEAD_S = 2500.0, 7700.0, 8.0, 2.0
RATE = (TO - FROM) / SWEEP_S
N = 6
LAGS = [0.105, 0.09, 0.12, 0.105, 0.30, 0.105]
BY_CYLINDER = dict(enumerate(LAGS, 1))

SPEED = path((0.0, FROM), (LEAD_S, FROM), (SWEEP_S, TO), (3.0, 3000.0))
THROTTLE = path((0.0, 10.0), (LEAD_S, 10.0), (0.15, 100.0), (SWEEP_S - 0.15, 100.0), (0.1, 0.0), (2.9, 0.0))
LEVEL = np.array([0.0, -0.02, 0.06, -0.01, 0.015, -0.03])
SLOPE = np.array([0.0, 0.01, -0.02, 0.02, 0.01, -0.01])  # over the whole sweep


def offsets(rpm: np.ndarray) -> np.ndarray:
    """ln of lambda over target of each cylinder at a speed, [..., N]; all together have a hump."""
    way = ((rpm - FROM) / (TO - FROM))[..., None]
    return np.asarray(LEVEL + SLOPE * (way - 0.5) + 0.02 * np.sin(2 * np.pi * way))


def needs_at(rpm: np.ndarray) -> np.ndarray:
    """True needs against the mean of the cylinders, percent."""
    off = offsets(rpm)
    return 100 * (np.exp(off) * np.mean(np.exp(-off), axis=-1, keepdims=True) - 1)


def cycles(rng: np.random.Generator, sigma: float) -> np.ndarray:
    """Noise of each cycle's fuel in ln, [k, N]: as long as a cycle takes at that speed."""
    turned = np.cumsum(SPEED / 120 / 100)
    number = np.floor(turned).astype(int)
    drawn = sigma * rng.standard_normal((number[-1] + 1, N))
    share = (turned - number)[:, None] / (SPEED / 120 / 100)[:, None]
    share = np.clip(share, 0, 1)
    return np.asarray(share * drawn[number] + (1 - share) * drawn[np.maximum(number - 1, 0)])


def pull_block(
    rng: np.random.Generator | None = None, *, sigma: float = 0.015, burst: slice | None = None
) -> CylinderBlock:
    gas = TARGET * np.exp(offsets(np.clip(SPEED, FROM, TO)))
    gas[: round(100 * (LEAD_S + 0.07))] = 0.97
    if rng is not None:
        gas = gas * np.exp(cycles(rng, sigma))
    if burst is not None:
        gas[burst, 3] = 1.67  # unburnt charges, as the sensor takes them
    lam = read(earlier(gas, 4), LAGS)
    if rng is not None:
        lam = lam + 0.003 * rng.standard_normal(lam.shape)
    return rows(SPEED, THROTTLE, lam, coolant_c=85.0, intake_c=25.0)


def the_pull(block: CylinderBlock, lags: dict[int, float] | None = None) -> Pull:
    (pull,) = run_through(PullStage(session(N), BY_CYLINDER if lags is None else lags), [block])
    return pull


def tabulated(pull: Pull, *events: ExcludedTime) -> PullTable:
    return pull_table(session(N), pull, bands_over(3000, TO), events)


def test_needs_by_band_are_true_however_slow_the_sensors() -> None:
    found = tabulated(the_pull(pull_block()))
    truth = needs_at(np.array(found.bands.centres))
    assert np.isfinite(found.peers[2:]).all()
    assert np.nanmax(np.abs(found.peers[1:-1] - truth[1:-1])) < 0.15
    whole = 100 * (1 / np.mean(np.exp(-offsets(np.array(found.bands.centres))), axis=1) - 1)
    assert found.lam[1:-1] == pytest.approx(TARGET * (1 + whole[1:-1] / 100), abs=0.003)
    assert np.nanmax(np.abs(found.engine[1:-1] - whole[1:-1])) < 0.3
    over = 100 * np.expm1(offsets(np.array(found.bands.centres)))
    assert np.nanmax(np.abs(found.target[1:-1] - over[1:-1])) < 0.35
    known = found.peers[2:]
    assert np.mean(1 / (1 + known / 100), axis=1) == pytest.approx(1.0)  # the mean is one of fuel
    assert found.spread[4] == pytest.approx(np.ptp(truth[4]), abs=0.2)
    in_band = found.spreads()[4]
    assert in_band.value == pytest.approx(found.spread[4])
    assert in_band.interval95[0] < in_band.value < in_band.interval95[1]


def test_a_lag_that_is_not_corrected_moves_the_table_by_as_much_speed() -> None:
    """lag x rate = 0.3 s x 650 rpm/s = 195 rpm, by hand."""
    block = pull_block()
    right = tabulated(the_pull(block))
    wrong = tabulated(the_pull(block, {**BY_CYLINDER, 5: 0.0}))
    centres = np.array(right.bands.centres)[3:-1]
    moved = 100 * (np.exp(offsets(centres - 0.3 * RATE)) - np.exp(offsets(centres)))[:, 4]
    assert np.abs(moved).max() > 0.3
    assert (wrong.target - right.target)[3:-1, 4] == pytest.approx(moved, abs=0.12)


def test_intervals_cover_the_truth_and_are_as_wide_as_they_must_be() -> None:
    inside, ratio = [], []
    for seed in range(25):
        found = tabulated(the_pull(pull_block(np.random.default_rng([1, seed]))))
        error = (found.peers - needs_at(np.array(found.bands.centres)))[2:-1]
        inside.append(np.abs(error) <= found.peers_half[2:-1])
        ratio.append(error / found.peers_error[2:-1])
    assert np.isfinite(ratio).all()
    assert 0.92 <= np.mean(inside) <= 0.985
    assert 0.8 < np.sqrt(np.mean(np.square(ratio))) < 1.05
    by_band = np.sqrt(np.mean(np.square(ratio), axis=(0, 2)))
    assert by_band[:2].mean() == pytest.approx(by_band[-2:].mean(), rel=0.25)  # low speed is noisier
    assert np.mean(inside, axis=(0, 1)).min() > 0.88  # and for every sensor


def test_noise_is_estimated_as_it_was_made() -> None:
    """An Ornstein-Uhlenbeck process of density 2 sigma^2 tau (textbook), made by scipy's filter."""
    rng, tau, sigma = np.random.default_rng(4), 0.1, 0.01
    keep = np.exp(-0.01 / tau)
    drive = sigma * np.sqrt(1 - keep**2) * rng.standard_normal((60_500, 6))
    noise = scipy.signal.lfilter([1], [1, -keep], drive, axis=0)[500:]
    trend = 0.05 * np.sin(np.linspace(0, 3, 2400))[:, None]
    noisy = sweep_noise(noise.reshape(2400, 25, 6).mean(axis=1) + trend, np.full(6, tau))
    assert noisy.density.mean() == pytest.approx(2 * sigma**2 * tau, rel=0.05)
    error = noisy.standard_error(np.arange(2400) < 40, np.full(6, 0.75))
    assert error == pytest.approx(noise.reshape(800, 75, 6).mean(axis=1).std(), rel=0.15)


def test_a_sensor_noisier_than_the_others_has_its_own_density() -> None:
    scale = np.array([1.0, 1.0, 1.0, 1.0, 2.0])
    y = scale * np.random.default_rng(7).standard_normal((400, 5))
    density = sweep_noise(y, np.full(5, 0.1)).density
    assert density[:, 4].mean() / density[:, :4].mean() == pytest.approx(4.0, rel=0.25)


def test_too_few_batches_have_no_interval() -> None:
    noisy = sweep_noise(np.zeros((3, 2)), np.array([0.1, 0.1]))
    assert np.isnan(noisy.density).all()
    assert np.isnan(noisy.t95).all()


@pytest.mark.parametrize("known", [True, False], ids=["known event", "found by its neighbours"])
def test_a_burst_of_misfires_is_masked_and_leaves_the_need_alone(known: bool) -> None:
    rng = np.random.default_rng(8)
    begin = round(100 * (LEAD_S + 5.2))
    clean = tabulated(the_pull(pull_block(np.random.default_rng(8))))
    pull = the_pull(pull_block(rng, burst=slice(begin, begin + 9)))
    event = ExcludedTime(4, (begin + 2) * 10_000_000, (begin + 60) * 10_000_000)
    found = tabulated(pull, *([event] if known else []))
    band = int(np.nanargmin(found.share[2:, 3])) + 2
    assert 5500 <= found.bands.centres[band] <= 6500
    assert found.why[band][3] is (PullState.EVENT if known else PullState.OUTLIER)
    assert found.share[band, 3] < 0.8
    kept = np.isfinite(found.peers[:, 3]) & np.isfinite(clean.peers[:, 3])
    assert np.abs(found.peers - clean.peers)[kept].max() < 0.4
    assert (found.share[2:, [0, 1, 2, 4, 5]] > 0.95).all()


def test_a_node_that_falls_silent_has_no_need_from_there_on_and_does_not_count() -> None:
    block = pull_block(np.random.default_rng(2))
    state = block.state.copy()
    state[600:, 2] = SampleState.SILENT
    found = tabulated(the_pull(replace(block, state=state)))
    silent = found.bands.centres.index(6400.0)
    assert np.isnan(found.peers[silent, 2])
    assert found.why[silent][2] is SampleState.SILENT
    assert (found.valid[silent], found.valid[2], found.share[silent, 2]) == (5, 6, 0.0)
    assert np.isfinite(found.peers[silent, [0, 1, 3, 4, 5]]).all()
    assert found.worst[2] is not None
    assert found.worst[2].needs_percent == pytest.approx(6.4, abs=0.8)


def test_a_reading_at_the_end_of_its_range_is_no_number() -> None:
    block = pull_block()
    state = block.state.copy()
    state[700:706, 1] = SampleState.AT_LEAN_LIMIT
    found = tabulated(the_pull(replace(block, state=state)))
    band = next(i for i, reasons in enumerate(found.why) if reasons[1] is SampleState.AT_LEAN_LIMIT)
    assert found.share[band, 1] > 0.8
    assert np.isnan(found.peers[band, 1])


def test_the_leanest_moment_against_the_target_has_its_speed() -> None:
    found = tabulated(the_pull(pull_block()))
    leanest = found.leanest[2]
    assert leanest is not None
    way = np.linspace(0.15, 1, 400)
    off = offsets(FROM + way * (TO - FROM))[:, 2]
    assert leanest.rpm == pytest.approx(FROM + way[np.argmax(off)] * (TO - FROM), abs=150)
    assert leanest.needs_percent == pytest.approx(100 * np.expm1(off.max()), abs=0.3)
    assert leanest.over_target == pytest.approx(TARGET * np.expm1(off.max()), abs=0.003)


def test_without_a_target_peers_are_still_compared() -> None:
    block = pull_block()
    shifted = {name: column for name, column in block.shifted.items() if name != "target"}
    found = tabulated(the_pull(replace(block, shifted=shifted)))
    assert np.isfinite(found.peers[2:-1]).all()
    assert np.isnan(found.target).all()
    assert np.isnan(found.engine).all()
    assert found.leanest == (None,) * N


def reviewed(*blocks: CylinderBlock) -> PullReview:
    pulls = [
        pull
        for i, block in enumerate(blocks)
        for pull in run_through(PullStage(session(N), BY_CYLINDER), [replace(block, t=block.t + i * 10**11)])
    ]
    return review(session(N), pulls)


def test_repeats_agree_as_far_as_noise_lets_them() -> None:
    found = reviewed(*(pull_block(np.random.default_rng([3, i])) for i in range(4)))
    assert found.repeats[0] is None
    for repeat in found.repeats[1:]:
        assert repeat is not None
        assert repeat.unlike == ()
        assert repeat.rms < 0.5
        assert repeat.rms == pytest.approx(repeat.noise_rms, rel=0.35)
        assert (np.abs(repeat.by_node) < 0.35).all()
    assert [r.against for r in found.repeats if r] == [0, 1, 2]


def test_a_node_missing_from_one_pull_does_not_bend_the_comparison() -> None:
    whole = pull_block(np.random.default_rng(5))
    state = whole.state.copy()
    state[:, 2] = SampleState.SILENT  # the leanest one, by 6 %
    repeat = reviewed(whole, replace(whole, state=state)).repeats[1]
    assert repeat is not None
    assert np.isnan(repeat.difference[:, 2]).all()
    assert repeat.rms < 0.02


def test_conditions_that_differ_are_named_and_a_rejected_pull_is_no_reference() -> None:
    block = pull_block(np.random.default_rng(6))
    hot = replace(block, now={**block.now, "intake_c": np.full(len(block), 34.0)})
    cold = replace(block, now={**block.now, "coolant_c": np.full(len(block), 40.0)})
    found = reviewed(block, cold, hot)
    assert [r.against for r in found.repeats if r] == [0, 0]
    unlike = [[] if repeat is None else list(map(sentence, repeat.unlike)) for repeat in found.repeats[1:3]]
    assert unlike == [["coolant -45 C"], ["intake air +9 C"]]


@pytest.mark.parametrize(
    ("low", "high", "count", "width"), [(2480, 7900, 11, 500), (2200, 6500, 11, 400), (3000, 5000, 11, 200)]
)
def test_bands_are_eight_to_twelve_with_round_centres(
    low: float, high: float, count: int, width: float
) -> None:
    bands = bands_over(low, high)
    assert len(bands) == count
    assert set(np.diff(bands.centres)) == {width}
    assert all(centre % 50 == 0 for centre in bands.centres)
    assert bands.edges[0] <= low
    assert bands.edges[-1] >= high


def test_the_lag_of_the_test_is_the_lag_that_is_meant() -> None:
    step = np.concatenate([np.zeros((1, 1)), np.ones((200, 1))])
    assert lagged(step, 0.105)[11, 0] == pytest.approx(1 - np.exp(-0.11 / 0.105), abs=1e-9)
    assert FUEL.stoich_afr > 14


@pytest.mark.parametrize("seed", range(12))
def test_bad_data_is_tabulated_without_an_error(seed: int) -> None:
    """Gaps, impossible numbers and frozen signals, in one to three cylinders."""
    rng = np.random.default_rng([9, seed])
    n = 1 + seed % 3
    whole = pull_block(rng)
    lam, state = whole.lam[:, :n].copy(), whole.state[:, :n].copy()
    for _ in range(rng.integers(1, 8)):
        begin, node = int(rng.integers(0, len(whole))), int(rng.integers(0, n))
        piece = slice(begin, begin + int(rng.integers(1, 400)))
        lam[piece, node] = rng.choice([np.nan, 0.65, 1.6, 4.0])
        state[piece, node] = (
            rng.choice([2, 3, 5, 6, 7, 10]) if np.isnan(lam[begin, node]) else rng.integers(0, 12)
        )
    speed, throttle = SPEED.copy(), THROTTLE.copy()
    speed[rng.random(len(speed)) < rng.choice([0.0, 0.001])] = rng.choice([np.nan, 0.0, 16_000.0])
    throttle[rng.random(len(throttle)) < rng.choice([0.0, 0.0, 0.001])] = np.nan
    block = replace(
        rows(speed, throttle, np.where(np.isnan(lam), 1.0, lam)),
        lam=lam,
        state=np.where(np.isnan(lam), 10, state),
    )
    pulls = list(run_through(PullStage(session(n)), [block, replace(block, stretch=block.stretch + 1)]))
    found = review(session(n), pulls)
    assert len(found.tables) == len(pulls)
    for one in found.tables:
        assert one.peers.shape == (len(one.bands), n)
        assert np.isnan(one.peers).all() or n > 1
        assert not np.isinf(one.peers).any()
        assert len(one.spreads()) == len(one.bands)
    assert find_tips(session(n), FUEL, [block]).unjudged >= 0
