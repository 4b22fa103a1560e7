"""Tip-ins and tip-outs: found, made comparable, measured, repeated."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import scipy.signal
from drives import FUEL, GAS_ROWS, earlier, lagged, path, read, rows, session
from laws import everything, same_for_all_splits

from mixmon.findings.events.tips import (
    LEVEL_ROWS,
    TipReview,
    TipStage,
    TipTrace,
    equalised,
    find_tips,
    measures,
)
from mixmon.findings.lags import Lags
from mixmon.gas.exhaust import oxygen_balance
from mixmon.mixture.block import CylinderBlock, SampleState

N = 4
LAGS = [0.105, 0.105, 0.105, 0.32]
BY_CYLINDER = dict(enumerate(LAGS, 1))
TIPS_S = (3.0, 10.0, 17.0)
OFF = np.array([0.0, 0.03, -0.03, 0.01])
FILM = 0.06
FILM_S = 0.35


def opening(held_s: float = 2.9) -> np.ndarray:
    legs = [(0.0, 10.0), (3.0, 10.0)]
    for _ in TIPS_S:
        legs += [(0.1, 60.0), (held_s, 60.0), (0.1, 10.0), (6.8 - held_s, 10.0)]
    return path(*legs)


def film(throttle: np.ndarray, share: float, film_s: float) -> np.ndarray:
    """ln of lambda by a wall film: takes when the throttle opens, gives when it shuts."""
    keep = np.exp(-0.01 / film_s)
    moved = np.diff(throttle, prepend=throttle[:1]) / 50
    return np.asarray(scipy.signal.lfilter([share], [1, -keep], moved))


def drive(
    *,
    shares: tuple[float, ...] = (FILM,) * N,
    lags: list[float] | None = None,
    noise: float = 0.0,
    seed: int = 1,
    held_s: float = 2.9,
) -> CylinderBlock:
    throttle = opening(held_s)
    rng = np.random.default_rng(seed)
    target = np.where(throttle > 40, 0.90, 0.98)
    gas = target[:, None] * np.exp(
        OFF + np.stack([film(throttle, share, FILM_S) for share in shares], axis=1)
    )
    drawn = np.repeat(noise * rng.standard_normal((len(throttle) // 5 + 1, N)), 5, axis=0)[: len(throttle)]
    lam = read(earlier(gas * np.exp(drawn), GAS_ROWS), lags or LAGS)
    return rows(np.full(len(throttle), 2500.0), throttle, lam, target=target)


def found(block: CylinderBlock, lag_s: Lags | None = None) -> TipReview:
    return find_tips(session(N), FUEL, [block], BY_CYLINDER if lag_s is None else lag_s)


def test_tips_are_found_where_the_throttle_begins_to_move() -> None:
    tips = found(drive()).tips
    assert [tip.kind for tip in tips] == ["tip-in", "tip-out"] * 3
    moments = [s for t in TIPS_S for s in (t, t + 3.0)]
    assert [tip.t / 1e9 for tip in tips] == pytest.approx(moments, abs=0.02)
    for tip in tips:
        assert {round(tip.from_opening), round(tip.to_opening)} == {10, 60}
        assert abs(tip.rate) == pytest.approx(500, rel=0.2)
        assert tip.from_rpm == 2500
        assert tip.seconds == pytest.approx(3.0, abs=0.02)


def test_equal_mixtures_show_equal_excursions_however_slow_the_sensor() -> None:
    for tip in found(drive()).tips:
        peaks = [one.peak for one in tip.measures if one]
        areas = [one.area for one in tip.measures if one]
        assert len(peaks) == N
        assert np.ptp(peaks) < 0.003
        assert np.ptp(areas) < 0.002
        assert (np.sign(peaks) == (1 if tip.kind == "tip-in" else -1)).all()


def test_left_as_they_are_a_slow_sensor_fakes_a_difference() -> None:
    first = found(drive(), 0.105).tips[0]
    peaks = [one.peak for one in first.measures if one]
    assert abs(peaks[3] - np.mean(peaks[:3])) > 0.01


def test_excursion_and_area_are_those_of_the_gas_behind_the_common_lag() -> None:
    """The gas of the test, lagged by scipy's filter to 0.32 s, less its settled path."""
    throttle = opening()
    target = earlier(np.where(throttle > 40, 0.90, 0.98), GAS_ROWS)[:, None]
    gas = target * np.exp(earlier(film(throttle, FILM, FILM_S), GAS_ROWS))[:, None]
    seen = [read(x, [0.32])[:, 0] for x in (gas, target)]
    true = (seen[0] - seen[1])[300:500]
    measured = found(drive()).tips[0].measures[0]
    assert measured is not None
    assert measured.peak == pytest.approx(true.max(), abs=0.002)
    assert measured.area == pytest.approx(true.sum() / 100, abs=0.0025)
    after = int(np.argmax(true)) + int(np.argmax(true[np.argmax(true) :] < 0.02))
    assert measured.back_s == pytest.approx(after / 100 - (GAS_ROWS + 5) / 100, abs=0.06)


def test_a_cylinder_with_more_film_stands_out_by_as_much() -> None:
    measures = found(drive(shares=(0.06, 0.06, 0.12, 0.06))).tips[0].measures
    peaks = [one.peak for one in measures if one]
    assert peaks[2] == pytest.approx(2 * np.mean([peaks[0], peaks[1], peaks[3]]), rel=0.12)
    over = [one.over_target for one in measures if one]
    assert over[1] - over[0] == pytest.approx(0.03, abs=0.006)


def test_without_film_there_is_no_excursion() -> None:
    for tip in found(drive(shares=(0.0,) * N)).tips:
        for one in tip.measures:
            assert one is not None
            assert abs(one.peak) < 0.006
            assert one.back_s == 0.0


def test_repeats_are_averaged_and_their_scatter_gives_the_interval() -> None:
    misses = []
    for seed in range(20):
        result = found(drive(noise=0.02, seed=seed))
        assert [group.tips for group in result.groups] == [(0, 2, 4), (1, 3, 5)]
        for one in result.groups[0].measures:
            assert one is not None
            assert one.repeats == 3
            misses.append(abs(one.mean.area - 0.0172) <= one.area_half)
    assert np.mean(misses) > 0.88
    single = found(drive().take(slice(0, 900)))
    assert single.groups == ()


def test_back_is_where_it_stays_back() -> None:
    """0.05, inside from row 30 to 40, outside until 80, inside from there on."""
    rows_ = np.concatenate([np.zeros(LEVEL_ROWS), np.full(30, 0.05), np.full(10, 0.01), np.full(40, 0.04)])
    excursion = np.concatenate([rows_, np.zeros(120)])[:, None]
    (one,) = measures(TipTrace(excursion, excursion, np.array([LEVEL_ROWS])))
    assert one is not None
    assert one.back_s == pytest.approx(0.8, abs=0.02)
    assert one.peak == pytest.approx(0.05)
    assert one.area == pytest.approx(0.3 * 0.05 + 0.1 * 0.01 + 0.4 * 0.04)
    (never,) = measures(TipTrace(excursion + 0.03, excursion, np.array([LEVEL_ROWS])))
    assert never is not None
    assert np.isnan(never.back_s)


def test_a_sensor_is_made_slower_exactly_and_no_frequency_is_raised() -> None:
    """(1 + 0.1 s)/(1 + 0.3 s) by scipy.signal.lsim, and by its frequency response."""
    rng = np.random.default_rng(5)
    x = np.cumsum(rng.standard_normal((800, 1)), axis=0) * 0.05
    x = lagged(np.concatenate([np.zeros((200, 1)), x]), 0.1)
    made = equalised(x, np.array([[0.1], [0.1]]), 0.3)
    t = np.arange(len(x)) / 100
    _, wanted, _ = scipy.signal.lsim(([0.1, 1], [0.3, 1]), x[:, 0], t)
    assert np.abs(made[:, 0] - wanted).max() < 0.02 * np.ptp(x)
    white = rng.standard_normal((20_000, 1))
    assert equalised(white, np.array([[0.1], [0.1]]), 0.3).std() < 0.4 * white.std()
    assert equalised(white, np.array([[0.3], [0.3]]), 0.3) == pytest.approx(white)


def test_a_sensor_that_rises_and_falls_unequally_is_made_even() -> None:
    step = np.concatenate([np.zeros(100), np.ones(400), np.zeros(400)])
    uneven, y = [], 0.0
    for gas in step:
        y += (1 - np.exp(-0.01 / (0.3 if gas > y else 0.15))) * (gas - y)
        uneven.append(y)
    made = equalised(np.array(uneven)[:, None], np.array([[0.3], [0.15]]), 0.3)[:, 0]
    assert np.abs(made - lagged(step[:, None], 0.3)[:, 0]).max() < 0.03


@pytest.mark.parametrize(
    ("throttle", "too_short"),
    [
        (path((0.0, 10.0), (4.0, 10.0), (1.5, 90.0), (6.0, 90.0)), 0),
        (path((0.0, 10.0), (4.0, 10.0), (0.1, 60.0), (0.4, 60.0), (0.1, 10.0), (6.0, 10.0)), 2),
        (path((0.0, 10.0), (4.0, 10.0), (0.1, 28.0), (6.0, 28.0)), 0),
        (path((0.0, 60.0), (9.0, 60.0)), 0),
    ],
    ids=["a slow opening", "a blip", "a small move", "no move"],
)
def test_what_is_no_tip(throttle: np.ndarray, too_short: int) -> None:
    lam = np.full((len(throttle), N), 0.95) + 0.001 * np.random.default_rng(1).standard_normal(
        (len(throttle), N)
    )
    result = found(rows(np.full(len(throttle), 2500.0), throttle, lam))
    assert result.tips == ()
    assert result.too_short == too_short


def test_a_node_that_is_not_valid_is_not_judged_and_a_fuel_cut_judges_none() -> None:
    block = drive()
    state = block.state.copy()
    state[:, 1] = SampleState.SILENT
    state[600:700] = SampleState.OVERRUN
    result = found(replace(block, state=state))
    assert result.unjudged == 1
    assert [tip.kind for tip in result.tips][:2] == ["tip-in", "tip-in"]
    assert all(tip.measures[1] is None for tip in result.tips)
    assert result.groups[0].measures[1] is None


def test_without_a_target_each_cylinder_is_judged_by_itself() -> None:
    block = drive()
    shifted = {name: column for name, column in block.shifted.items() if name != "target"}
    one = found(replace(block, shifted=shifted)).tips[0].measures[0]
    assert one is not None
    assert one.peak == pytest.approx(found(block).tips[0].measures[0].peak, abs=0.004)  # type: ignore[union-attr]
    assert np.isnan(one.over_target)


def test_tips_do_not_depend_on_the_split() -> None:
    # moved again just before the rows are enough: the end must not depend on when that is seen
    block = drive(noise=0.02, held_s=2.85)

    def run(pieces: list[slice]) -> object:
        stage = TipStage(session(N), FUEL, BY_CYLINDER)
        tips = [tip for piece in pieces for tip in stage.feed(block.take(piece))] + stage.flush()
        return everything([(t.kind, t.t, t.rate, t.seconds, t.measures) for t in tips]) + "".join(
            t.trace.excursion.tobytes().hex() for t in tips
        )

    assert str(same_for_all_splits(len(block), run)).count("tip-in") == 3


def test_the_test_s_own_film_is_lean_when_the_throttle_opens() -> None:
    throttle = opening()
    assert film(throttle, FILM, FILM_S)[320] > 0.03
    assert oxygen_balance(np.array(0.98), FUEL) > oxygen_balance(np.array(0.90), FUEL)
