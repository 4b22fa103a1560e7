"""What the analysis made of a simulation's frames, gathered in one pass, and the truth beside it.

`gather` plays a simulation through every stage that is graded; the analysis gets the frames and the session
that the engine's owner would write, nothing else. `seen_cells` then says what is true of each cell that the
analysis saw, so that the items can compare like with like.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np

from mixmon.arrays import Bools, Bytes, Floats, Ints
from mixmon.errors import UsageError
from mixmon.findings.balance.balance import Balance, BalanceStage
from mixmon.findings.balance.dwell import BATCH_ROWS, GUARD_BATCHES
from mixmon.findings.causes.causes import Causes, CausesStage
from mixmon.findings.events.event import Event
from mixmon.findings.events.events import EventStage
from mixmon.findings.identity.identity import Identity, IdentityStage
from mixmon.findings.identity.own import own_standing
from mixmon.findings.pulls.pulls import Pull, PullStage
from mixmon.findings.response.response import ResponseReview, ResponseReviewer
from mixmon.findings.stage import run_through, sum_up
from mixmon.findings.stats import CENSORED_SHARE
from mixmon.grade.further import FurtherRuns
from mixmon.messages.bind import bind, load_databases
from mixmon.mixture.align import ROW_S
from mixmon.mixture.block import CylinderBlock, SampleState
from mixmon.mixture.steady import NOWHERE, Cell, CellGrid, Steady
from mixmon.pipeline import Pipeline
from mixmon.session.evidence import IdentityState
from mixmon.session.fuel_steps import FuelStep
from mixmon.session.keys import trim_quantity
from mixmon.session.split_pulses import SplitPulse
from mixmon.simulate.simulation import EPOCH_NS, Simulation
from mixmon.simulate.truth import engine_lambda, needs, spread, truth_of

_ECHO_S = 1.0
"""Seconds after a disturbance in which a sample may be settling or suspect: our choice, ten lags."""


@dataclass(frozen=True, slots=True, eq=False)
class Evidence:
    """The simulation, its truth, and what the analysis found without it.

    truth         as from `simulate.truth.truth_of`
    balance       of all nodes; entry by entry it goes by what the program takes for the cylinder of each node
    spared        the balance without the labels whose sensors sit behind a leak; None: no leak
    pulls         that were found
    found_events  that were found
    response      of the sensors, and the delay
    causes        of the labels
    typed_steps   fuel steps of single cylinders that were played, as an operator lists them
    identity      of the labels, by the trims that the engine control reports, else by these steps
    further       what further runs of the same engine show; they are played when they are asked for
    t_s      float64[k]     seconds of the simulation, one a row
    state    uint8[k, n]    SampleState of every sample
    cell     int64[k]       number of the cell in which the engine was taken for steady, or NOWHERE
    """

    simulation: Simulation
    truth: dict[str, Any]
    balance: Balance
    spared: Balance | None
    pulls: tuple[Pull, ...]
    found_events: tuple[Event, ...]
    response: ResponseReview
    causes: Causes
    typed_steps: tuple[FuelStep, ...]
    identity: Identity
    further: FurtherRuns
    t_s: Floats
    state: Bytes
    cell: Ints

    @property
    def steady(self) -> Bools:
        """Rows that were taken for steady, bool[k]."""
        return np.not_equal(self.cell, NOWHERE)

    @property
    def counted(self) -> Bools:
        """Steady rows without those at a visit's end, which no statistic counts, bool[k]."""
        counted = np.zeros(len(self.cell), np.bool_)
        changes = np.flatnonzero(np.diff(self.cell)) + 1
        for start, end in pairwise([0, *changes.tolist(), len(self.cell)]):
            batches = max((end - start) // BATCH_ROWS - GUARD_BATCHES, 0)
            counted[start : start + batches * BATCH_ROWS] = self.cell[start] != NOWHERE
        return counted

    @property
    def nodes(self) -> list[int]:
        """For each entry of the balance in order, index of its node."""
        return [one.position - 1 for one in self.balance.cylinders]

    @property
    def behind(self) -> list[int]:
        """For each entry of the balance in order, index of the cylinder that its sensor really sits in."""
        of_position = {one["position"]: one["cylinder"] - 1 for one in self.truth["identity"]}
        return [of_position[node + 1] for node in self.nodes]

    @property
    def named(self) -> list[int]:
        """For each entry, index of the cylinder that the program says it is of.

        Where it says that the labels are not proved, that is the one behind the label, whichever it is.
        """
        by_label = self.balance.identity in {IdentityState.UNPROVED, IdentityState.DISPROVED}
        return self.behind if by_label else list(range(len(self.behind)))

    @property
    def leaking(self) -> frozenset[int]:
        """Entries of the balance, from 1 on, whose sensors sit behind a leak."""
        leaking = {fault["cylinder"] - 1 for fault in self.faults("leak")}
        return frozenset(entry for entry, cylinder in enumerate(self.behind, 1) if cylinder in leaking)

    def during(self, begin: float, end: float) -> Bools:
        """Rows between two moments, in seconds, bool[k]."""
        return (self.t_s >= begin) & (self.t_s < end)

    @property
    def undisturbed(self) -> Bools:
        """Samples that no planted cut, misfire or loss of supply has touched, bool[k, n]."""
        good = np.ones(self.state.shape, np.bool_)
        for event in (*self.events("fuel cut"), *self.events("spark cut")):
            good[self.during(event["t_s"], event["to_s"] + _ECHO_S)] = False
        for event in self.events("misfire"):
            good[self.during(event["t_s"], event["to_s"] + _ECHO_S), event["position"] - 1] = False
        for event in self.events("supply drop-out"):
            good[self.during(event["t_s"], event["ready_again_s"] + _ECHO_S), event["position"] - 1] = False
        return good

    def events(self, kind: str) -> list[dict[str, Any]]:
        """Planted events of a kind."""
        return [event for event in self.truth["events"] if event["kind"] == kind]

    def parts(self, *kinds: str) -> list[dict[str, Any]]:
        """Parts of the script of some kinds."""
        return [part for part in self.truth["parts"] if part["kind"] in kinds]

    def faults(self, kind: str) -> list[dict[str, Any]]:
        """Planted faults of a kind."""
        return [fault for fault in self.truth["faults"] if fault["kind"] == kind]


def cylinders_behind(truth: dict[str, Any]) -> list[int]:
    """For each label in order, index of the cylinder its sensor really sits in."""
    of_label = {one["label"]: one["cylinder"] - 1 for one in truth["identity"]}
    return [of_label[label] for label in sorted(of_label)]


def leaking_labels(truth: dict[str, Any]) -> frozenset[int]:
    """Labels whose sensors sit behind a leak."""
    leaking = {fault["cylinder"] for fault in truth["faults"] if fault["kind"] == "leak"}
    return frozenset(one["label"] for one in truth["identity"] if one["cylinder"] in leaking)


def gather(simulation: Simulation) -> Evidence:
    """Plays the simulation through the analysis."""
    truth = truth_of(simulation)
    analysis = _Analysis(simulation, leaking_labels(truth), typed_steps(truth), split_pulses(truth))
    for block in run_through(analysis.pipeline, simulation):
        analysis.take(block)
    return analysis.evidence(simulation, truth)


def typed_steps(truth: Mapping[str, Any]) -> tuple[FuelStep, ...]:
    """The steps of single cylinders that ended before the simulation did, as an operator lists them."""
    return tuple(
        FuelStep(step["t_s"], after["t_s"], tuple(enumerate(step["percent"], 1)))
        for step, after in pairwise(truth["fuel_steps"])
        if len(set(step["percent"])) > 1 and after["t_s"] < truth["duration_s"]
    )


def split_pulses(truth: Mapping[str, Any]) -> tuple[SplitPulse, ...]:
    """The times of half pulses that ended before the simulation did, as an operator lists them."""
    return tuple(
        SplitPulse(one["from_s"], one["to_s"])
        for one in truth["split_pulses"]
        if one["to_s"] < truth["duration_s"]
    )


def balance_of(simulation: Simulation) -> Balance:
    """The balance alone."""
    session = simulation.session
    pipeline = Pipeline(bind(session, load_databases(session)))
    return sum_up(BalanceStage(session), run_through(pipeline, simulation))


class _Analysis:
    """Every stage that is graded, side by side behind one pipeline, and what the items need of the rows."""

    def __init__(
        self,
        simulation: Simulation,
        spared: frozenset[int],
        steps: tuple[FuelStep, ...],
        splits: tuple[SplitPulse, ...],
    ) -> None:
        session = simulation.session
        binding = bind(session, load_databases(session))
        self.pipeline = Pipeline(binding)
        self._session, self._reported = session, trim_quantity(1) in binding.engine
        self._causes = CausesStage(session, splits=splits)
        self._spared = BalanceStage(session, spared) if spared else None
        self._pull_stage, self._pulls = PullStage(session), list[Pull]()
        self._excursions, self._events = EventStage(session, binding.fuel), list[Event]()
        self._response = ResponseReviewer(binding)
        typed = None if self._reported else steps
        self._steps, self._identity = steps, IdentityStage(session, typed, typed=False)
        self._blocks: list[CylinderBlock] = []
        self._steady = Steady(session.axes, session.validity, session.injection.staging)
        self._t: list[Ints] = []
        self._state: list[Bytes] = []
        self._cell: list[Ints] = []

    def take(self, block: CylinderBlock) -> None:
        self._causes.feed(block)
        if self._spared is not None:
            self._spared.feed(block)
        self._pulls += self._pull_stage.feed(block)
        self._apply_events(self._excursions.feed(block))
        self._response.feed(block)
        self._identity.feed(block)
        self._blocks.append(block)
        self._t.append(block.t)
        self._state.append(block.state)
        self._cell.append(self._steady.feed(block))

    def _apply_events(self, events: Sequence[Event]) -> None:
        self._events += events
        self._causes.exclude(events)
        if self._spared is not None:
            self._spared.exclude(events)

    def evidence(self, simulation: Simulation, truth: dict[str, Any]) -> Evidence:
        if not self._t:
            raise UsageError(
                f"grade: {simulation.duration_s:g} s hold nothing to judge; expected seconds; play longer"
            )
        self._apply_events(self._excursions.flush())
        identity = self._identity.result()
        standing = own_standing(self._session, identity, reported=self._reported)
        self._causes.take_standing(standing)
        if self._spared is not None:
            self._spared.take_standing(standing)
        causes = self._causes.result()
        return Evidence(
            simulation=simulation,
            truth=truth,
            balance=causes.balance,
            spared=None if self._spared is None else self._spared.result(),
            pulls=(*self._pulls, *self._pull_stage.flush()),
            found_events=tuple(self._events),
            response=self._response.result(),
            causes=causes,
            typed_steps=self._steps,
            identity=identity,
            further=FurtherRuns(simulation, standing, self._blocks, self._events),
            t_s=(np.concatenate(self._t) - EPOCH_NS) / 1e9,
            state=np.concatenate(self._state),
            cell=np.concatenate(self._cell),
        )


# --- What is true of the cells of the analysis. ---
#
# The analysis gathers all steady time that falls into a cell, and a script may hold several points in one
# cell, or step fuel while the engine is steady. So the truth of a cell is the mean of the truths of its
# points, each with the rows that were steady there, less the mean of the fuel steps. Cells with time at a
# point of which the truth says nothing are not compared.

UNKNOWN_SHARE = 0.02
"""Largest share of a cell's time of which the truth may say nothing: our choice."""

ENOUGH_S, SURE_S = 2.5, 5.0
"""Seconds of one label counted in one cell from which its need there has an interval: as a rule, and always.

Six quarter seconds hold the three independent ones that an interval needs, behind a lag of 0.1 s (computed).
Of simulated needs 1 in 400 was refused below 3 s, of those of the whole engine, which drifts, 1 in 25; none
above.
"""

_BY_CHANCE = 0.5
"""Largest share of the answers between the two that may be refused.

Our choice: those of one cell fail together.
"""

Truth = dict[str, Any]


@dataclass(frozen=True, slots=True, eq=False)
class SeenCell:
    """One cell of the analysis; arrays float64[n] by entry of the balance.

    read, true   lambda without noise: what each entry's sensor shows, and of the cylinder that it is said to
                 see
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
    def enough(self) -> Bools:
        """Labels of which enough was counted here for an answer as a rule, bool[n]."""
        return np.asarray(self.counted_s >= ENOUGH_S)

    @property
    def of_two_s(self) -> float:
        """Seconds counted of at least two labels: no need against peers rests on one."""
        return float(np.sort(self.counted_s)[-2])

    @property
    def centre(self) -> str:
        """The cell's centre in words."""
        return _centre_text(self.cell)

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
                evidence, cell, truth, points[known], steps[known], counted_s=counted_s, number=number
            )
    return seen


def spared_labels(balance: Balance) -> dict[Cell, tuple[int, ...]]:
    """Labels that a balance left out of a cell's mean because it suspects a leak, by cell."""
    return {Cell(one.rpm, one.load): one.reference.suspect for one in balance.whole_engine}


def references(
    balance: Balance, seen: Mapping[Cell, SeenCell], left_out: Iterable[int] = ()
) -> dict[Cell, float]:
    """Lambda against which a balance puts the needs of each cell, by what the sensors show without noise.

    A label that it left out of a cell's mean stands in it as it compares with the middle of the others where
    it is richest. Labels in `left_out` were not counted at all.
    """
    spared, out, gone = spared_labels(balance), {}, [label - 1 for label in left_out]
    for cell, one in seen.items():
        read, left = one.read.copy(), [label - 1 for label in spared.get(cell, ())]
        left = [i for i in left if i not in gone]
        kept = np.delete(np.arange(len(read)), [*left, *gone])
        for i in left:
            moved = [other.read / one.read for other in seen.values()]
            read[i] *= min(float(ratio[i] / np.median(ratio[kept])) for ratio in moved)
        out[cell] = engine_lambda(np.delete(read, gone))
    return out


def at_full_load(seen: Iterable[SeenCell]) -> list[SeenCell]:
    """The cells at the highest load; all where the cells have none."""
    cells = list(seen)
    highest = max((one.cell.load or 0.0 for one in cells), default=0.0)
    return [one for one in cells if (one.cell.load or 0.0) == highest]


def too_little(cells: Iterable[SeenCell], labels: Sequence[int] = ()) -> str:
    """A sentence: how little was counted of some labels, or of all."""
    whose = f"of label {', '.join(map(str, labels))}" if labels else "of a label"
    chosen = [label - 1 for label in labels] or slice(None)
    most = max((float(one.counted_s[chosen].max()) for one in cells), default=0.0)
    return f"too little data: {most:.1f} s {whose} in a cell at most; {SURE_S:g} s are asked for"


def refused(asked: Sequence[tuple[str, float, bool]]) -> str:
    """The names of answers that should have been given; "" where none is lacking.

    `asked` holds for each answer its name, the seconds that it rests on, and whether it was given. Of those
    with little to rest on, up to half may be refused by chance.
    """
    wanting = [(name, seconds) for name, seconds, given in asked if seconds >= ENOUGH_S and not given]
    sure = [name for name, seconds in wanting if seconds >= SURE_S]
    vague = [name for name, seconds in wanting if seconds < SURE_S]
    doubtful = sum(ENOUGH_S <= seconds < SURE_S for _, seconds, _ in asked)
    return ", ".join(sure + (vague if len(vague) > max(1.0, _BY_CHANCE * doubtful) else []))


def by_cell(values: Mapping[Cell, float], *, signed: bool = False) -> str:
    """A number with one decimal for every cell, under the cell's centre."""
    sign = "+" if signed else ""
    return ", ".join(f"{_centre_text(cell)}: {value:{sign}.1f}" for cell, value in values.items())


def _centre_text(cell: Cell) -> str:
    """Speed and load of a cell's centre, such as "3000/100"; "all" where the axes have none."""
    return "/".join(f"{centre:g}" for centre in (cell.rpm, cell.load) if centre is not None) or "all"


def _points_of_rows(evidence: Evidence, truth: Truth) -> Ints:
    """For every row, index of the truth's point that the script plays then; -1 for none."""
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


def _counted_s(state: Bytes, undisturbed: Bools) -> Floats:
    """Seconds counted of every label; none where it stood at a limit of its range too often for a mean."""
    limits = (state == SampleState.AT_RICH_LIMIT) | (state == SampleState.AT_LEAN_LIMIT)
    seconds = ((state == SampleState.VALID) & undisturbed).sum(axis=0) * ROW_S
    return np.where(limits.mean(axis=0) > CENSORED_SHARE, 0.0, seconds)


def _seen_cell(
    evidence: Evidence,
    cell: Cell,
    truth: Truth,
    points: Ints,
    steps: Floats,
    *,
    counted_s: Floats,
    number: int,
) -> SeenCell:
    weights = np.bincount(points, minlength=len(truth["cells"])) / len(points)
    stepped = np.log1p(steps).mean(axis=0)

    def mean(key: str) -> Floats:
        logarithms = np.array([np.log(one[key]) for one in truth["cells"]])
        return np.asarray(weights @ logarithms)

    return SeenCell(
        cell=cell,
        read=np.exp(mean("lambda_read") - stepped)[evidence.behind],
        true=np.exp(mean("lambda_true") - stepped)[evidence.named],
        target=float(np.exp(mean("target"))),
        counted_s=counted_s[evidence.nodes],
        number=number,
        stepped=bool((steps != steps[:, :1]).any()),
    )
