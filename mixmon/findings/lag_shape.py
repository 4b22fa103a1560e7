"""The answer of two lags in a row to a step: its course, its slopes, and when it reaches 63 %."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

_APART = 1e-3
"""Least relative distance of the two time constants: equal ones make the closed form 0/0."""

_REACHED = 1.0 - np.exp(-1.0)
_ROUNDS = 20


class Answer(NamedTuple):
    """Share of the step that has been answered, and its derivatives by time and by the time constants."""

    share: Floats
    by_t: Floats
    by_tau: Floats
    by_filter: Floats


def step_answer(t: Floats, tau_s: Floats | float, filter_s: Floats | float) -> Answer:
    """The answer at t s to a step at zero; nothing before it. Arguments broadcast.

    >>> step_answer(np.array([-1.0, 0.1075, 9.0]), 0.085, 0.020).share.round(3).tolist()
    [0.0, 0.632, 1.0]
    """
    tau, still = np.asarray(tau_s, np.float64), np.asarray(filter_s, np.float64)
    tau = np.where(np.abs(tau / still - 1.0) < _APART, still * (1.0 + _APART), tau)
    after, apart = np.maximum(t, 0.0), tau - still
    long, short = np.exp(-after / tau), np.exp(-after / still)
    left = (tau * long - still * short) / apart
    return Answer(
        share=1.0 - left,
        by_t=(long - short) / apart,
        by_tau=(left - long * (1.0 + after / tau)) / apart,
        by_filter=(short * (1.0 + after / still) - left) / apart,
    )


def time_63(tau_s: Floats | float, filter_s: Floats | float) -> Floats:
    """Seconds from the step until 63 % of it are answered.

    >>> float(time_63(0.085, 0.020).round(4))
    0.1075
    """
    tau, still = np.asarray(tau_s, np.float64), np.asarray(filter_s, np.float64)
    t = tau + still
    for _ in range(_ROUNDS):
        answer = step_answer(t, tau, still)
        t = t + (_REACHED - answer.share) / answer.by_t
    return np.asarray(t, np.float64)
