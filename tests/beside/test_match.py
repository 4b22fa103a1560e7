"""The lag of another clock by speed: against scipy's correlation, and against clocks whose error is known."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.signal

from mixmon.beside.match import (
    COARSE_S,
    ClockMatch,
    MatchFault,
    SpeedRecord,
    correlate_known,
    fits_at_stamps,
    match_clocks,
)

SECONDS = 80.0
PULLS = ((8.0, 600.0, 6500.0), (40.0, 450.0, 7000.0))
ROWS = np.arange(0.005, SECONDS, 0.01)


def speed(t: np.ndarray, pulls=PULLS) -> np.ndarray:
    """2,200 rpm and pulls: begin in s, rpm/s, top in rpm; it falls by 1,500 rpm/s."""
    rpm = np.full(len(t), 2200.0)
    for begin, rate, top in pulls:
        end = begin + (top - 2200) / rate
        rpm = np.where((t >= begin) & (t < end), 2200 + rate * (t - begin), rpm)
        rpm = np.where(t >= end, np.maximum(rpm, top - 1500 * (t - end)), rpm)
    return rpm


def run_record(rpm: np.ndarray) -> SpeedRecord:
    """As rows have it: sent each 20 ms in steps of a quarter, and held."""
    return SpeedRecord(ROWS, np.repeat(np.round(rpm[::2] * 4) / 4, 2)[: len(ROWS)])


def test_without_gaps_the_correlation_is_that_of_scipy():
    rng = np.random.default_rng(1)
    a, b = rng.standard_normal(400).cumsum() + 3000, rng.standard_normal(300).cumsum() + 2000
    t_a, t_b = np.arange(400) * COARSE_S, np.arange(300) * COARSE_S
    lags, found = correlate_known(SpeedRecord(t_a, a), SpeedRecord(t_b, b))
    # Pearson's r at each lag, by scipy's sums of products of the part that overlaps.
    ones_a, ones_b = np.ones(len(a)), np.ones(len(b))

    def sums(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        return scipy.signal.correlate(x, y, mode="full", method="direct")

    n = sums(ones_a, ones_b)
    shared = sums(a - 3000, b - 2000) - sums(a - 3000, ones_b) * sums(ones_a, b - 2000) / n
    spread_a = sums((a - 3000) ** 2, ones_b) - sums(a - 3000, ones_b) ** 2 / n
    spread_b = sums(ones_a, (b - 2000) ** 2) - sums(ones_a, b - 2000) ** 2 / n
    expected_lags = scipy.signal.correlation_lags(400, 300) * COARSE_S
    good = np.isfinite(found)
    assert good.sum() > 300
    assert (n[good] >= 150).all()
    np.testing.assert_allclose(lags, expected_lags, atol=1e-9)
    expected = shared[good] / np.sqrt(spread_a[good] * spread_b[good])
    np.testing.assert_allclose(found[good], expected, atol=1e-6)


def shown(
    hz: float, lag_s: float, drift: float, seed: int, gain: float = 1.0
) -> tuple[SpeedRecord, np.ndarray]:
    """A table's record, with slow and quick errors, in steps of 10 rpm and with a gap; and its true times."""
    rng = np.random.default_rng(seed)
    t = np.arange(0.4, SECONDS, 1 / hz)
    keep = np.exp(-1 / hz / 0.3)
    slow = scipy.signal.lfilter([np.sqrt(1 - keep**2)], [1, -keep], 12 * rng.standard_normal(len(t)))
    rpm = np.round((gain * speed(t) + slow + 4 * rng.standard_normal(len(t))) / 10) * 10
    rpm[len(t) // 3 : len(t) // 3 + max(int(hz), 1)] = np.nan
    return SpeedRecord((t - lag_s) * (1 - drift), rpm), t


@pytest.mark.parametrize(
    ("hz", "lag_s", "drift", "gain"),
    [
        (1.0, -12.0, 0.0, 1.0),
        (2.0, 250.0, 1e-4, 1.004),
        (10.0, 3600.4, -1e-4, 0.99),
        (50.0, 0.037, 5e-4, 1.0),
    ],
)
def test_the_interval_holds_the_lag_at_every_time_of_the_table(hz, lag_s, drift, gain):
    run = run_record(speed(ROWS))
    for seed in range(3):
        table, true = shown(hz, lag_s, drift, seed, gain)
        match = match_clocks(run, table)
        assert match.fault is None
        error = match.to_run(table.t) - true
        assert (np.abs(error) <= match.half_at(table.t)).all()
        assert match.half_s < max(0.12, 0.3 / hz)  # between two samples an average is not seen
        assert match.off_percent == pytest.approx(100 * (gain - 1), abs=0.2)


@pytest.mark.parametrize(
    ("average_s", "falls_off_s", "hz"), [(0.4, 0, 20.0), (1.5, 0, 5.0), (0, 0.4, 50.0), (0, 0.2, 2.0)]
)
def test_the_interval_holds_a_clock_whose_speed_is_shown_late_and_the_speed_itself(
    average_s, falls_off_s, hz
):
    """A mean over the time before, and a filter of first order, as instruments of speed have them."""
    fine = np.arange(0.0, SECONDS, 0.005)
    rpm = speed(fine)
    if average_s:
        count = round(average_s / 0.005)
        late = scipy.signal.lfilter(np.ones(count) / count, [1], rpm - 2200) + 2200
    else:
        keep = np.exp(-0.005 / falls_off_s)
        late = scipy.signal.lfilter([1 - keep], [1, -keep], rpm - 2200) + 2200
    t = np.arange(0.3, SECONDS, 1 / hz)
    noise = 8 * np.random.default_rng(4).standard_normal(len(t))
    match = match_clocks(run_record(speed(ROWS)), SpeedRecord(t - 20.0, np.interp(t, fine, late) + noise))
    assert match.fault is None
    assert abs(match.lag_s - 20.0) <= match.half_s
    assert abs(match.lag_s - (20.0 - average_s / 2 - falls_off_s)) <= match.half_s
    assert match.half_s < 0.3 + average_s / 4 + falls_off_s / 2
    if average_s:
        assert match.averaged_s[0] <= average_s <= match.averaged_s[1]


def test_quick_noise_of_a_speed_is_no_other_run():
    noise = 70 * np.random.default_rng(6).standard_normal(len(ROWS[::4]))
    match = match_clocks(run_record(speed(ROWS)), SpeedRecord(ROWS[::4] - 3.0, speed(ROWS[::4]) + noise))
    assert match.fault is None
    assert match.misfit_rpm > 60
    assert abs(match.lag_s - 3.0) <= match.half_s


def steady(seed: int) -> np.ndarray:
    return 3000 + np.random.default_rng(seed).standard_normal(len(ROWS))


@pytest.mark.parametrize(
    ("run", "table", "fault"),
    [
        (steady(1), steady(2), MatchFault.STEADY),
        (speed(ROWS), speed(ROWS, ((15.0, 900.0, 5500.0), (30.0, 350.0, 6800.0))), MatchFault.UNLIKE),
        (speed(ROWS), speed(ROWS, ((8.0, 620.0, 6250.0), (39.2, 440.0, 6800.0))), MatchFault.UNLIKE),
        (speed(ROWS), speed(ROWS) / 1000, MatchFault.OFF),
        (speed(ROWS), speed(ROWS) / 2, MatchFault.OFF),
        (1000 + 60 * np.sin(2 * ROWS), 1000 + 60 * np.sin(2 * ROWS), MatchFault.ALIKE),
        (2000 + 2000 * np.abs(ROWS / 10 % 2 - 1), 2000 + 2000 * np.abs(ROWS / 10 % 2 - 1), MatchFault.ALIKE),
        (speed(ROWS), np.where(ROWS < 3, 3000.0, np.nan), MatchFault.NO_OVERLAP),
        (np.full(len(ROWS), np.nan), speed(ROWS), MatchFault.NO_OVERLAP),
    ],
)
def test_what_does_not_tell_the_lag_is_refused(run, table, fault):
    noise = 3 * np.random.default_rng(7).standard_normal(len(ROWS[::5]))
    record = SpeedRecord(ROWS[::5] - 4.0, table[::5] + noise * np.nanmean(table) / 3000)
    assert match_clocks(run_record(run), record).fault is fault


@pytest.mark.parametrize(
    ("off_s", "fits"), [(0.0, True), (0.1, True), (20.0, True), (7.0, False), (3600.0, False)]
)
def test_equal_clocks_are_contradicted_where_they_are_not_among_the_lags_that_fit(off_s, fits):
    saw = 2000 + 2000 * np.abs(ROWS / 10 % 2 - 1)
    run, table = SpeedRecord(ROWS[::5], saw[::5]), SpeedRecord(ROWS[::5] - off_s, saw[::5])
    match = match_clocks(run, table)
    assert match.fault is MatchFault.ALIKE
    assert fits_at_stamps(run, table, match, 0.2) is fits


def test_a_match_turns_times_of_the_table_into_times_of_the_run():
    match = ClockMatch(lag_s=5.0, half_s=0.02, middle_s=100.0, drift=1e-3, drift_half=1e-4)
    assert match.to_run(np.array([100.0, 200.0])).tolist() == [105.0, 205.1]
    assert match.half_at(np.array([100.0]))[0] == 0.02
    assert match.half_at(np.array([1100.0]))[0] == pytest.approx(np.hypot(0.02, 0.1))
