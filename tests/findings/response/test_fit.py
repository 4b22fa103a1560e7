"""Fits of steps against scipy's step responses and scipy's own least squares."""

import numpy as np
import pytest
import scipy.optimize
import scipy.signal
from gas_steps import t63

from mixmon.findings.least_squares import Known, ParameterLimits, Samples, solve
from mixmon.findings.response.fit import Prior, fit_steps

T = np.arange(-0.25, 1.5, 0.01)


def two_lags(t, dead, tau, still):
    """The step response by partial fractions of scipy."""
    residues, poles, _ = scipy.signal.residue([1.0], np.polymul([tau, 1.0], [still, 1.0]) @ np.eye(3))
    late = np.maximum(t - dead, 0.0)[:, None]
    return np.sum((residues / poles) * (np.exp(poles * late) - 1.0), axis=1).real


def test_levels_and_times_of_clean_steps_come_back():
    truth = [
        (-3.0, 24.0, 0.045, 0.085, 0.020),
        (0.5, 20.2, 0.08, 0.30, 0.025),
        (20.7, -20.0, 0.03, 0.11, 0.015),
    ]
    y = np.stack([a + h * two_lags(T, d, tau, f) for a, h, d, tau, f in truth], axis=1)
    fit = fit_steps(Samples(np.repeat(T[:, None], 3, axis=1), y, np.ones(y.shape, bool)))
    for j, (level, height, dead, tau, still) in enumerate(truth):
        assert fit.before[j] == pytest.approx(level, abs=0.01)
        assert fit.after[j] == pytest.approx(level + height, abs=0.08)
        assert fit.dead_s[j] == pytest.approx(dead, abs=0.002)
        assert fit.tau_s[j] == pytest.approx(tau, rel=0.02)
        assert fit.t63_s[j] == pytest.approx(t63(tau, still), rel=0.015)


def test_the_optimum_is_the_one_scipy_finds():
    rng = np.random.default_rng(3)
    y = -3.0 + 24.0 * two_lags(T, 0.04, 0.09, 0.02) + 0.3 * rng.standard_normal(len(T))
    filter_s = Prior(0.020, 1e-4)
    fit = fit_steps(Samples(T[:, None], y[:, None], np.ones((len(T), 1), bool)), filter_s)

    def residual(theta):
        return y - theta[0] - theta[1] * two_lags(T, theta[2], theta[3], 0.020)

    scale = 1.4826 * np.median(np.abs(residual((-3.0, 24.0, 0.04, 0.09))))
    found = scipy.optimize.least_squares(
        residual, (-3.0, 24.0, 0.04, 0.09), loss="huber", f_scale=1.345 * scale, x_scale=(1, 1, 0.01, 0.01)
    )
    assert fit.dead_s[0] == pytest.approx(found.x[2], abs=1.5e-4)
    assert fit.tau_s[0] == pytest.approx(found.x[3], abs=1.5e-4)


def test_intervals_cover_the_truth_as_often_as_they_say():
    # three hundred sensors, noise with the correlation of a lag of 50 ms; own count of the covered ones
    rng, n = np.random.default_rng(11), 300
    white = rng.standard_normal((len(T) + 100, n))
    keep = np.exp(-0.01 / 0.05)
    noise = scipy.signal.lfilter([np.sqrt(1 - keep**2)], [1, -keep], white, axis=0)[100:]
    y = (-3.0 + 24.0 * two_lags(T, 0.05, 0.09, 0.02))[:, None] + 0.5 * noise
    fit = fit_steps(Samples(np.repeat(T[:, None], n, axis=1), y, np.ones(y.shape, bool)), blur=0.0)
    for found, true, sd in ((fit.t63_s, t63(0.09, 0.02), fit.t63_sd), (fit.dead_s, 0.05, fit.dead_sd)):
        inside = np.abs(found - true) <= 1.96 * sd
        assert 0.90 <= inside.mean() <= 0.99


def test_wild_samples_hardly_move_a_fit():
    clean = (
        -3.0 + 24.0 * two_lags(T, 0.05, 0.09, 0.02) + 0.05 * np.random.default_rng(2).standard_normal(len(T))
    )
    spoiled = clean.copy()
    spoiled[[60, 95, 120]] += (15.0, -20.0, 9.0)
    y = np.stack([clean, spoiled], axis=1)
    fit = fit_steps(Samples(np.repeat(T[:, None], 2, axis=1), y, np.ones(y.shape, bool)))
    assert fit.t63_s[1] == pytest.approx(fit.t63_s[0], rel=0.02)


def test_a_clipped_step_needs_its_level_told_and_then_gives_the_time():
    y = np.minimum(-3.0 + 23.7 * two_lags(T, 0.05, 0.09, 0.02), 15.0)
    used = (y < 14.9)[:, None]
    fit = fit_steps(Samples(T[:, None], y[:, None], used), after=Prior(20.6, 0.4))
    assert fit.t63_s[0] == pytest.approx(t63(0.09, 0.02), rel=0.05)


def test_too_few_samples_or_no_step_give_nothing():
    y = np.stack([np.full(len(T), 3.0), two_lags(T, 0.05, 0.09, 0.02)], axis=1)
    used = np.ones(y.shape, bool)
    used[11:, 1] = False
    fit = fit_steps(Samples(np.repeat(T[:, None], 2, axis=1), y, used))
    assert np.isnan(fit.t63_s).all()
    assert fit.samples.tolist() == [0, 0]


@pytest.mark.parametrize(("before", "tau"), [(9, 0.005), (10, 0.01), (11, 0.025), (40, 0.01), (60, 0.005)])
def test_a_quick_sensor_whose_level_stands_still_between_coarse_digits_can_be_fitted(before, tau):
    # at 50 Hz, until its range ends; scipy: T63 of one lag is its time constant
    t = np.arange(-before, 3) * 0.02
    y = np.round(-2.0 + 22.6 * np.where(t >= 0.0, -np.expm1(-(t + 0.01) / tau), 0.0), 1)
    samples = Samples(t[:, None], y[:, None], np.ones((len(t), 1), bool))
    fit = fit_steps(samples, after=Prior(20.6, 0.4), foot=0.05)
    assert abs(fit.t63_s[0] - tau) < 1.96 * fit.t63_sd[0]


def test_a_straight_line_is_fitted_as_by_the_textbook():
    # two parameters, no prior of weight: numpy's polyfit is the judge, of the covariance too
    rng = np.random.default_rng(7)
    x = np.linspace(0.0, 1.0, 400)
    y = 1.0 + 2.0 * x + 0.1 * rng.standard_normal(len(x))
    slopes = np.repeat(np.stack([np.ones_like(x), x], axis=1)[:, None], 1, axis=1)
    wide = ParameterLimits(np.full(2, -np.inf), np.full(2, np.inf), np.full(2, np.inf))
    found = solve(
        lambda theta: (theta[:, 0] + theta[:, 1] * x[:, None], slopes),
        Samples(x[:, None], y[:, None], np.ones((len(x), 1), bool)),
        np.zeros((1, 2)),
        [Known(np.array([1.0, 0.0]), 0.0, 1e6)],
        wide,
        alike=0,
        coarse=10.0,  # nothing is wild: plain least squares
    )
    (slope, level), covariance = np.polyfit(x, y, 1, cov=True)
    assert found.theta[0] == pytest.approx([level, slope], abs=1e-6)
    assert found.sd(np.array([0.0, 1.0]))[0] == pytest.approx(np.sqrt(covariance[0, 0]), rel=0.1)
