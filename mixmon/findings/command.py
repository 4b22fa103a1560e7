"""What the engine control asked of the mixture: steps of the target, else of the injector pulse."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

_STEP_ROWS = 5
_LEAST_STEP = 0.010

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Command:
    """The command over some rows at steady speed and load.

    signal      "target" or "pulse_ms"
    ln_lambda   float64[k], what it asks of ln lambda, up to a constant
    moves       row of each step, and whether it asks for leaner
    """

    signal: str
    ln_lambda: Floats
    moves: tuple[tuple[int, bool], ...]

    @property
    def largest(self) -> float:
        """Largest change within a step's time, as a share."""
        return float(_change(self.ln_lambda).max(initial=0.0))

    @property
    def leaner(self) -> int:
        """Number of steps that ask for a leaner mixture."""
        return sum(rises for _, rises in self.moves)

    def part(self, begin: int, end: int) -> Command:
        """The same over fewer rows."""
        moves = tuple((row - begin, rises) for row, rises in self.moves if begin <= row < end)
        return Command(self.signal, self.ln_lambda[begin:end], moves)

    def inner(self, before: int, after: int) -> tuple[int, int]:
        """First row and end of what has no steps among its first and last rows.

        Steps there belong to the engine's way into these rows and out of them.
        """
        last = len(self.ln_lambda)
        early = [row for row, _ in self.moves if row < before]
        late = [row for row, _ in self.moves if row >= last - after]
        return (early[-1] + _STEP_ROWS if early else 0), (late[0] - _STEP_ROWS if late else last)


def command_of(signals: Mapping[str, Floats], dead_ms: float) -> Command:
    """The command among the signals "target" (lambda) and "pulse_ms"; the target where it steps.

    A pulse is fuel as far as it exceeds the injectors' dead time.
    """
    target = _command("target", _log(signals["target"]))
    if target.moves:
        return target
    return _command("pulse_ms", -_log(signals["pulse_ms"] - dead_ms))


def _log(x: Floats) -> Floats:
    with np.errstate(all="ignore"):
        return np.asarray(np.log(x))


def _command(signal: str, ln_lambda: Floats) -> Command:
    """Finds the steps: changes by a percent within a few rows."""
    change = _change(ln_lambda)
    moving = change >= _LEAST_STEP
    begins = np.flatnonzero(np.diff(moving.astype(np.int8), prepend=0) > 0) + _STEP_ROWS
    later = np.minimum(begins + _STEP_ROWS, len(ln_lambda) - 1)
    rises = ln_lambda[later] > ln_lambda[begins - _STEP_ROWS]
    return Command(signal, ln_lambda, tuple(zip(begins.tolist(), rises.tolist(), strict=True)))


def _change(ln_lambda: Floats) -> Floats:
    """How far it moves within a step's time; nothing where it is not known throughout."""
    if not np.isfinite(ln_lambda).all():
        return np.zeros(0)
    return np.abs(ln_lambda[_STEP_ROWS:] - ln_lambda[:-_STEP_ROWS])
