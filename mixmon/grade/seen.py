"""What is true of the cells of the analysis: the script's points, by the time it saw of each.

The analysis gathers all steady time that falls into a cell, and a script may hold several points
in one cell, or step fuel while the engine is steady. So the truth of a cell is the mean of the
truths of its points, each with the rows that were steady there, less the mean of the fuel steps.
Cells with time at a point of which the truth says nothing are not compared.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from mixmon.findings.balance.cells import CENSORED_SHARE
from mixmon.grade.evidence import ROW_S, Evidence, cylinders_behind
from mixmon.mixture.block import SampleState
from mixmon.mixture.steady import Cell, CellGrid
from mixmon.simulate.truth_cells import engine_lambda, needs, spread

UNKNOWN_SHARE = 0.02
"""Most time that a cell may hold of which the truth says nothing."""

ENOUGH_S, SURE_S = 2.5, 5.0
"""Seconds of one label counted in one cell from which its need there is told with an interval as a rule, and
always. Six quarter seconds hold the three independent ones that an interval asks for, behind a lag of 0.1 s
(computed). Of simulated needs 1 in 400 was refused below 3 s, of those of the whole engine, which drifts,
1 in 25; none above."""

_BY_CHANCE = 0.5
"""Largest share of the answers between the two that may be refused: those of one cell fail together."""

Floats = NDArray[np.float64]
Truth = dict[str, Any]


@dataclass(frozen=True, slots=True, eq=False)
class SeenCell:
    """One cell of the analysis; arrays float64[n] by label.

    read, true   lambda without noise: what each label's sensor shows, and of the cylinder that it sits in
    target       of the fuel control
    counted_s    seconds that were counted of each label
    number       of the cell
    stepped      fuel was stepped for single cylinders while the engine was steady here
    """

    cell: Cell
    read: Floats
    true: Floats
    target: float
    counted_s: Floats
    number: int
    stepped: bool

    @property
    def enough(self) -> NDArray[np.bool_]:
        """Labels of which enough was counted here for an answer as a rule, bool[n]."""
        return np.asarray(self.counted_s >= ENOUGH_S)

    @property
    def of_two_s(self) -> float:
        """Seconds counted of at least two labels: no need against peers rests on one."""
        return float(np.sort(self.counted_s)[-2])

    @property
    def centre(self) -> str:
        """The cell's centre in words."""
        return _centre(self.cell)

    @property
    def read_needs(self) -> Floats:
        """Percent against peers, by label."""
        return needs(self.read)

    @property
    def true_needs(self) -> Floats:
        """Percent against peers, by label."""
        return needs(self.true)

    @property
    def read_spread(self) -> float:
        """Largest less smallest need, percent."""
        return spread(self.read)

    @property
    def true_spread(self) -> float:
        """Largest less smallest need, percent."""
        return spread(self.true)

    @property
    def read_engine(self) -> float:
        """What the whole engine needs against target, percent."""
        return 100 * (engine_lambda(self.read) / self.target - 1)

    @property
    def true_engine(self) -> float:
        """What the whole engine needs against target, percent."""
        return 100 * (engine_lambda(self.true) / self.target - 1)


def seen_cells(evidence: Evidence, truth: Truth | None = None) -> dict[Cell, SeenCell]:
    """Every cell that can be compared, in order of cell number.

    `truth` is that of the same script with other trims, if not the evidence's own.
    """
    truth = truth or evidence.truth
    grid = CellGrid(evidence.simulation.session.axes)
    counted = evidence.counted & (evidence.state == SampleState.VALID).any(axis=1)
    points = _points_of_rows(evidence, truth)
    steps = _fuel_steps(truth, evidence.t_s)
    seen: dict[Cell, SeenCell] = {}
    for number in np.unique(evidence.cell[counted]).tolist():
        rows = np.flatnonzero(counted & (evidence.cell == number))
        known = rows[points[rows] >= 0]
        if len(known) >= (1 - UNKNOWN_SHARE) * len(rows):
            cell = grid.cell(number)
            counted_s = _counted_s(evidence.state[rows], evidence.undisturbed[rows])
            seen[cell] = _seen_cell(
                cell, truth, points[known], steps[known], counted_s=counted_s, number=number
            )
    return seen


def at_full_load(seen: Iterable[SeenCell]) -> list[SeenCell]:
    """The cells at the highest load; all where the cells have none."""
    cells = list(seen)
    highest = max((one.cell.load or 0.0 for one in cells), default=0.0)
    return [one for one in cells if (one.cell.load or 0.0) == highest]


def too_little(cells: Iterable[SeenCell], labels: Sequence[int] = ()) -> str:
    """In words: how little was counted of some labels, or of all."""
    whose = f"of label {', '.join(map(str, labels))}" if labels else "of a label"
    chosen = [label - 1 for label in labels] or slice(None)
    most = max((float(one.counted_s[chosen].max()) for one in cells), default=0.0)
    return f"too little data: {most:.1f} s {whose} in a cell at most; {SURE_S:g} s are asked for"


def refused(asked: Sequence[tuple[str, float, bool]]) -> str:
    """The answers that should have been given, in words; each with the seconds it rests on, and if it was.

    With little to rest on, up to half may be refused: that is chance, and honest.
    """
    wanting = [(name, seconds) for name, seconds, told in asked if seconds >= ENOUGH_S and not told]
    sure = [name for name, seconds in wanting if seconds >= SURE_S]
    vague = [name for name, seconds in wanting if seconds < SURE_S]
    doubtful = sum(ENOUGH_S <= seconds < SURE_S for _, seconds, _ in asked)
    return ", ".join(sure + (vague if len(vague) > max(1.0, _BY_CHANCE * doubtful) else []))


def by_cell(values: Mapping[Cell, float], *, signed: bool = False) -> str:
    """A number with one decimal for every cell, under the cell's centre."""
    sign = "+" if signed else ""
    return ", ".join(f"{_centre(cell)}: {value:{sign}.1f}" for cell, value in values.items())


def _centre(cell: Cell) -> str:
    return "/".join(f"{centre:g}" for centre in (cell.rpm, cell.load) if centre is not None) or "all"


def _points_of_rows(evidence: Evidence, truth: Truth) -> NDArray[np.int64]:
    """For every row, index of the truth's point that the script holds then; -1 for none."""
    index = {(cell["rpm"], cell["load"]): i for i, cell in enumerate(truth["cells"])}
    points = np.full(len(evidence.t_s), -1)
    for part in truth["parts"]:
        points[evidence.during(part["settled_s"], part["to_s"])] = index.get((part["rpm"], part["load"]), -1)
    return points


def _fuel_steps(truth: Truth, t_s: Floats) -> Floats:
    """Fuel that steps add to every cylinder at every row, as a share, float64[k, n]."""
    n = len(truth["identity"])
    begins = np.array([-np.inf, *(step["t_s"] for step in truth["fuel_steps"])])
    percent = np.array([(0.0,) * n, *(step["percent"] for step in truth["fuel_steps"])])
    steps: Floats = percent[np.searchsorted(begins, t_s, "right") - 1] / 100
    return steps


def _counted_s(state: NDArray[np.uint8], undisturbed: NDArray[np.bool_]) -> Floats:
    """Seconds counted of every label; none where it stood at a limit of its range too often for a mean."""
    limits = (state == SampleState.AT_RICH_LIMIT) | (state == SampleState.AT_LEAN_LIMIT)
    seconds = ((state == SampleState.VALID) & undisturbed).sum(axis=0) * ROW_S
    return np.where(limits.mean(axis=0) > CENSORED_SHARE, 0.0, seconds)


def _seen_cell(
    cell: Cell,
    truth: Truth,
    points: NDArray[np.int64],
    steps: Floats,
    *,
    counted_s: Floats,
    number: int,
) -> SeenCell:
    weights = np.bincount(points, minlength=len(truth["cells"])) / len(points)
    stepped = np.log1p(steps).mean(axis=0)
    behind = cylinders_behind(truth)

    def mean(key: str) -> Floats:
        logarithms = np.array([np.log(one[key]) for one in truth["cells"]])
        return np.asarray(weights @ logarithms)

    return SeenCell(
        cell=cell,
        read=np.exp(mean("lambda_read") - stepped)[behind],
        true=np.exp(mean("lambda_true") - stepped)[behind],
        target=float(np.exp(mean("target"))),
        counted_s=counted_s,
        number=number,
        stepped=bool((steps != steps[:, :1]).any()),
    )
