"""Which pulses of the gas caused a bump of the reading: when they began, how long they were, how high.

    PulseFit.best        the one pulse that explains the reading best
    PulseFit.best_pair   the two of equal height that do
    settle               several pulses, moved together until they fit best

The gas is assumed to have been higher by one amount for one span of time, and the reading to have followed
with the sensor's lag. All beginnings and lengths of a grid are tried at once by least squares, then the
neighbourhood of the best one on finer grids. Several pulses are then moved at once, by Gauss and Newton's
steps; one after another they would take ten times as long. Neighbouring readings share noise, because the
noise from cycle to cycle passes the same lag. So the part that a reading carries from the one before it is
subtracted on both sides.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from mixmon.arrays import Bools, Floats
from mixmon.findings.events.bumps import CARRIED
from mixmon.gas.lag import SensorLag

_COARSE_STEP_S, _FINE_STEP_S = 0.010, 0.0025
"""Steps of the beginning: a row, and a quarter of it. Our choice: a finer step moves a pulse by less than
its own error."""

_LONG_S, _LONG_STEP_S = 1.0, 0.020
"""Beginnings over more than this time are tried in steps of two rows first, for the time that it takes."""

_COARSE_WIDTHS, _MOST_AT_ONCE = 8, 3000
"""Widths tried on a coarse grid that would have more pulses than that. Our choice, for the time that it
takes: a third of all; the others follow on the fine grid."""

_POLISH_SCALES = (1.0, 0.3, 0.1)
"""Each round of polishing takes steps of that part of the first one's."""

_SETTLE_ROUNDS, _SETTLED = 5, 0.3
"""Most steps of all pulses together, and the misfit that a step must save for another to follow. Our choice:
far below the price of a pulse."""

_SLOPE_S = 0.0005
"""Step of a beginning or a length over which the slope of a shape is taken: small against any lag."""

_FARTHEST_S, _FARTHEST_WIDTH = 0.020, 0.25
"""The most that one step moves a beginning, and a width as a part of it. Our choice: within it the shape is
nearly straight."""

_DAMPING, _STIFFER, _STIFFEST = 1e-3, 10.0, 1.0
"""Damping of the steps (Levenberg and Marquardt's), in parts of each one's own square; its growth after a
step that saves nothing, and where that ends."""

_POLISH_BEGIN_S, _POLISH_WIDTH = 0.005, 0.06
"""First steps of polishing: of the beginning, and of the width as a part of it. Our choice: two of them are
as far as the next point of the fine grid."""

_NO_POWER = 1e-12
"""Least sum of squares of a shape, so that a pulse outside the samples divides by no zero (our choice)."""


@dataclass(frozen=True, slots=True)
class Pulse:
    """A pulse of the gas.

    begin_s    on the clock of the samples
    width_s    how long
    height     oxygen percent
    height_sd  standard deviation of the height, all else given
    misfit     sum of squares that the pulse leaves, in noise variances
    """

    begin_s: float
    width_s: float
    height: float
    height_sd: float
    misfit: float

    @property
    def end_s(self) -> float:
        """When it ends, on the same clock."""
        return self.begin_s + self.width_s


@dataclass(frozen=True, slots=True)
class PulseSearch:
    """Where to look for a pulse.

    first_s, last_s  earliest and latest beginning
    widths_s         float64[m]  widths that are tried, rising
    lowest, highest  bounds of the height, oxygen percent
    cycle_s          the width is a whole number of these; 0 for any width
    """

    first_s: float
    last_s: float
    widths_s: Floats
    lowest: float
    highest: float
    cycle_s: float = 0.0


class PulseFit:
    """The reading of one bump, to be compared with pulses.

    t      float64[k]  moments of the samples, s, rising
    y      float64[k]  reading above what was expected, oxygen percent
    noise  standard deviation of what a sample adds to what it has from the one before
    """

    def __init__(self, t: Floats, y: Floats, lag: SensorLag, noise: float) -> None:
        self.t, self.y, self.lag, self.noise = t, y, lag, noise
        self._kept = CARRIED ** (np.diff(t) / 0.010)
        self._y = self._remove_carried(y)
        self._grids: dict[tuple[float, ...], tuple[Floats, Floats]] = {}

    def without(self, pulses: Sequence[Pulse]) -> PulseFit:
        """Gives the fit of what is left when pulses are subtracted."""
        left = self.y - sum(p.height * self.lag.pulse(self.t - p.begin_s, p.width_s) for p in pulses)
        fit = PulseFit(self.t, np.asarray(left), self.lag, self.noise)
        fit._grids = self._grids
        return fit

    @property
    def target(self) -> Floats:
        """The reading without what each sample has from the one before, float64[k - 1]."""
        return self._y

    def shapes(self, begins: Floats, widths: Floats) -> Floats:
        """The same of the readings of pulses of height one, float64[pulses, k - 1]."""
        return self._remove_carried(self.lag.pulse(self.t - begins[:, None], widths[:, None]))

    @property
    def misfit(self) -> float:
        """Sum of squares in noise variances, with no pulse at all."""
        return float(self._y @ self._y) / self.noise**2

    @property
    def count(self) -> int:
        """Number of squares that `misfit` adds up."""
        return len(self._y)

    def best(self, search: PulseSearch) -> Pulse:
        """Gives the best pulse within the bounds."""
        rough, near = self._best_of_grid(search)
        if len(near):
            reach = 2 * _LONG_STEP_S
            begins = rough.begin_s + np.arange(-reach, reach + _FINE_STEP_S, _FINE_STEP_S)
            rough = self._pick(begins, near, *self._exact(begins, near), search)
        return self.polish(rough, search)

    def rough(self, search: PulseSearch) -> Pulse:
        """Gives the best pulse of the coarse grid alone."""
        return self._best_of_grid(search)[0]

    def beside(self, pulse: Pulse, search: PulseSearch) -> Pulse:
        """Gives the best of those with a cycle less, as many or one more, begun up to half a cycle apart."""
        begins = pulse.begin_s + search.cycle_s * np.arange(-0.5, 0.6, 0.25)
        widths = pulse.width_s + search.cycle_s * np.arange(-1.0, 2.0)
        widths = widths[widths > 0.5 * search.cycle_s]
        return self._pick(begins, widths, *self._exact(begins, widths), search)

    def _best_of_grid(self, search: PulseSearch) -> tuple[Pulse, Floats]:
        """Gives the best pulse of the coarse grid, and the widths beside it where some were left out."""
        begins, widths = _spread(search), search.widths_s
        many = len(begins) * len(widths) > _MOST_AT_ONCE
        stride = max(1, len(widths) // _COARSE_WIDTHS) if many else 1
        rough = self._pick(begins, widths[::stride], *self._grid(begins, widths[::stride]), search)
        near = int(np.searchsorted(widths, rough.width_s))
        left_out = many or begins[1] - begins[0] > _COARSE_STEP_S
        return rough, widths[max(0, near - stride) : near + stride + 1] if left_out else widths[:0]

    def polish(self, pulse: Pulse, search: PulseSearch) -> Pulse:
        """Moves a pulse a little until it fits best."""
        steps = np.arange(-2.0, 3.0)
        for scale in _POLISH_SCALES:
            begins = pulse.begin_s + scale * _POLISH_BEGIN_S * steps
            step = search.cycle_s or scale * _POLISH_WIDTH * pulse.width_s
            widths = pulse.width_s + step * (steps[1:4] if search.cycle_s else steps)
            widths = widths[widths > 0.5 * step]
            pulse = self._pick(begins, widths, *self._exact(begins, widths), search)
        return pulse

    def best_pair(self, search: PulseSearch) -> tuple[Pulse, Pulse]:
        """Gives the best two pulses of equal height; a single one would be placed between them."""
        at_once = _spread(search)
        begins = np.tile(at_once, len(search.widths_s))
        widths = np.repeat(search.widths_s, len(at_once))
        shapes, _ = self._grid(at_once, search.widths_s)
        shapes = shapes.reshape(len(begins), -1)
        match, together = shapes @ self._y, shapes @ shapes.T
        power = np.diag(together)
        match = match[:, None] + match
        power = np.maximum(power[:, None] + power + 2.0 * together, _NO_POWER)
        height = np.clip(match / power, search.lowest, search.highest)
        gain = height * (2.0 * match - height * power)
        at = np.unravel_index(np.argmax(gain), gain.shape)
        misfit = self.misfit - float(gain[at]) / self.noise**2
        sd = float(self.noise / np.sqrt(power[at]))
        one, two = (Pulse(float(begins[i]), float(widths[i]), float(height[at]), sd, misfit) for i in at)
        return one, two

    def _pick(
        self, begins: Floats, widths: Floats, shapes: Floats, power: Floats, search: PulseSearch
    ) -> Pulse:
        """Gives the best of the pulses with these shapes, float64[widths, begins, k]."""
        match = shapes @ self._y
        height = np.clip(match / power, search.lowest, search.highest)
        gain = height * (2.0 * match - height * power)
        at = np.unravel_index(np.argmax(gain), gain.shape)
        return Pulse(
            begin_s=float(begins[at[1]]),
            width_s=float(widths[at[0]]),
            height=float(height[at]),
            height_sd=float(self.noise / np.sqrt(power[at])),
            misfit=self.misfit - float(gain[at]) / self.noise**2,
        )

    def _grid(self, begins: Floats, widths: Floats) -> tuple[Floats, Floats]:
        """Gives the shapes of a coarse grid and their sums of squares, computed once for all readings."""
        key = (begins[0], begins[-1], len(begins), *widths)
        if key not in self._grids:
            self._grids[key] = self._exact(begins, widths)
        return self._grids[key]

    def _exact(self, begins: Floats, widths: Floats) -> tuple[Floats, Floats]:
        return self._with_power(self.lag.pulses(self.t, begins, widths))

    def _with_power(self, shapes: Floats) -> tuple[Floats, Floats]:
        shapes = self._remove_carried(shapes)
        return shapes, np.maximum(np.einsum("ijk,ijk->ij", shapes, shapes), _NO_POWER)

    def _remove_carried(self, y: Floats) -> Floats:
        return np.asarray(y[..., 1:] - self._kept * y[..., :-1], np.float64)


def _spread(search: PulseSearch) -> Floats:
    """Gives the beginnings of the coarse grid."""
    step = _LONG_STEP_S if search.last_s - search.first_s > _LONG_S else _COARSE_STEP_S
    return np.arange(search.first_s, search.last_s + step, step)


def with_misfit(pulses: Sequence[Pulse], misfit: float) -> tuple[Pulse, ...]:
    """Gives the pulses in order of time, each with the misfit that all leave together."""
    placed = (replace(pulse, misfit=misfit) for pulse in pulses)
    return tuple(sorted(placed, key=lambda pulse: pulse.begin_s))


def place_anew(fit: PulseFit, pulses: list[Pulse], searches: Sequence[PulseSearch]) -> list[Pulse]:
    """Looks for each pulse again while the others stand, one after another, and then settles all of them."""
    for i, search in enumerate(searches):
        others = [*pulses[:i], *pulses[i + 1 :]]
        left = fit.without(others)
        again = left.rough(search)
        if search.cycle_s:
            again = min(again, left.beside(pulses[i], search), key=lambda pulse: pulse.misfit)
        if again.misfit < left.without([pulses[i]]).misfit:
            pulses = [*others[:i], again, *others[i:]]
    return settle(fit, pulses, searches)


def settle(fit: PulseFit, pulses: list[Pulse], searches: Sequence[PulseSearch]) -> list[Pulse]:
    """Moves all pulses together until they fit best; whole numbers of cycles stay as they are."""
    at = _Placed.of(fit, pulses, searches)
    damping = _DAMPING
    for _ in range(_SETTLE_ROUNDS):
        step, before = at.step(damping), at.misfit
        moved = at.moved(step)
        while moved.misfit > before and damping < _STIFFEST:
            damping *= _STIFFER
            moved = at.moved(at.step(damping))
        if moved.misfit >= before:
            break
        at = moved
        if before - at.misfit < _SETTLED:
            break
    return at.pulses()


def _regular(squares: Floats) -> Floats:
    """Gives a matrix of squares that can be solved although two pulses are one."""
    return squares + np.diag(_NO_POWER + 1e-9 * np.diag(squares))


class _Placed:
    """Pulses at one place, with the heights that fit best there."""

    def __init__(
        self, fit: PulseFit, begins: Floats, widths: Floats, searches: Sequence[PulseSearch]
    ) -> None:
        self._fit, self._begins, self._widths, self._searches = fit, begins, widths, searches
        self._free = np.flatnonzero([not s.cycle_s for s in searches])
        self._shapes = fit.shapes(begins, widths)
        self._heights, self._loose = self._best_heights()
        self._left = fit.target - self._heights @ self._shapes
        self.misfit = float(self._left @ self._left) / fit.noise**2

    @classmethod
    def of(cls, fit: PulseFit, pulses: Sequence[Pulse], searches: Sequence[PulseSearch]) -> _Placed:
        """The pulses where they are."""
        begins = np.array([p.begin_s for p in pulses])
        return cls(fit, begins, np.array([p.width_s for p in pulses]), searches)

    def _best_heights(self) -> tuple[Floats, Bools]:
        """Gives the best heights within the bounds, and which are not held at one.

        Those that go beyond are held there, and the others follow.
        """
        low, high = (np.array([getattr(s, end) for s in self._searches]) for end in ("lowest", "highest"))
        together, match = self._shapes @ self._shapes.T, self._shapes @ self._fit.target
        heights: Floats = np.asarray(np.linalg.solve(_regular(together), match), np.float64)
        loose: Bools = np.ones(len(heights), np.bool_)
        while (beyond := loose & ((heights < low) | (heights > high))).any():
            loose &= ~beyond
            heights = np.clip(heights, low, high)
            rest = match - together[:, ~loose] @ heights[~loose]
            heights[loose] = np.linalg.solve(_regular(together[np.ix_(loose, loose)]), rest[loose])
        return heights, loose

    def step(self, damping: float) -> Floats:
        """Gives the steps of the beginnings, then of the free widths, s."""
        free, many = self._free, len(self._begins)
        begins = np.concatenate([self._begins + _SLOPE_S, self._begins[free]])
        widths = np.concatenate([self._widths, self._widths[free] + _SLOPE_S])
        at = np.concatenate([np.arange(many), free])
        slopes = self._fit.shapes(begins, widths) - self._shapes[at]
        slopes *= (self._heights[at] / _SLOPE_S)[:, None]
        loose = self._shapes[self._loose]  # what loose heights take up by themselves is no slope
        if len(loose):
            slopes = slopes - np.linalg.solve(_regular(loose @ loose.T), loose @ slopes.T).T @ loose
        square = slopes @ slopes.T
        square = square + np.diag(damping * np.diag(square) + _NO_POWER)
        return np.asarray(np.linalg.solve(square, slopes @ self._left))

    def moved(self, step: Floats) -> _Placed:
        """Gives the pulses moved by that step, or as far as one step may go."""
        many, free = len(self._begins), self._free
        begins = self._begins + np.clip(step[:many], -_FARTHEST_S, _FARTHEST_S)
        widths = self._widths.copy()
        most = _FARTHEST_WIDTH * widths[free]
        widths[free] += np.clip(step[many:], -most, most)
        return _Placed(self._fit, begins, widths, self._searches)

    def pulses(self) -> list[Pulse]:
        """The pulses, each with the misfit that all leave together."""
        power = np.einsum("ik,ik->i", self._shapes, self._shapes)
        sd = self._fit.noise / np.sqrt(np.maximum(power, _NO_POWER))
        columns = (column.tolist() for column in (self._begins, self._widths, self._heights, sd))
        return [Pulse(b, w, h, one_sd, self.misfit) for b, w, h, one_sd in zip(*columns, strict=True)]


def total_misfit(fit: PulseFit, pulses: Sequence[Pulse]) -> float:
    """Gives the sum of squares that the pulses leave together, in noise variances."""
    return fit.without(pulses).misfit
