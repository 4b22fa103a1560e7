"""Identity: which cylinder each label sees, by fuel steps of known cylinders.

    rows -> IdentityStage   windows of held speed and load, readings and fuel in bins of 50 ms
            answers         what each label answers in the directions of the steps, with errors
            _Match          the best assignment of all labels, and what every other would cost more
            Identity        the result: proved, disproved (who sees what), or unproved, with the reason

The fuel of each cylinder is known from the engine control's trim signals, or from steps that a person
lists (`session.fuel_steps`). Nothing is claimed where there were no steps, where the engine was not steady,
where the readings did not answer them, and where the engine control worked against them.

Kept: the bins of the window under way, and of windows in which fuel moved, at most `_MOST_WINDOWS`.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from mixmon.arrays import SECOND_NS, Floats
from mixmon.findings.identity.answers import (
    BIN_ROWS,
    HOLD_BINS,
    STEP_SHARE,
    StepWindow,
    measure_answers,
    measure_decay,
)
from mixmon.findings.identity.assign import best_assignment, extra_costs
from mixmon.findings.identity.notes import IdentityNote, LabelNote
from mixmon.findings.stage import sum_up
from mixmon.findings.stats import NORMAL_95
from mixmon.mixture.align import FIRST_ROW_NS
from mixmon.mixture.block import CylinderBlock, SampleState
from mixmon.note import Note, note
from mixmon.result import Result
from mixmon.session.evidence import PROVED_CONFIDENCE, IdentityState, node_address
from mixmon.session.fuel_steps import FuelStep
from mixmon.session.injectors import sets_with_several_sensors, trimmed_together
from mixmon.session.keys import trim_quantity
from mixmon.session.model import IdentifiedNode, IdentityEvidence, Session

TYPED_DELAYS_S = (-1.0, 2.0)
"""Delays behind steps that a person listed: our choice; who types is a second early or late, and the gas
takes up to half a second (`mixture.align.LONGEST_DELAY_NS`)."""

REPORTED_DELAYS_S = (0.0, 1.5)
"""Delays behind trims that the engine control reports: the longest delay of the gas that rows know."""

_MODEL_SHARE = 0.15
"""Part of a step by which an answer may be off without noise: our choice; neighbours in a shared collector
show 5 to 10 % of each other (common practice, no source)."""

_SAME_ANSWER = 0.25
"""Cylinders whose expected answers differ by less than this part of them are not separated: our choice; two
codes that differ in one step of sixteen differ by half."""

_GAIN = (0.5, 2.5)
"""Gains that an answer to fuel can have: our choice; a trim of the whole pulse moves the fuel by up to 1.8
times of it (computed: dead time 0.9 of 2 ms)."""

_SURE_ANSWER = 4.0
"""Standard errors from which an answer is one: our choice; noise alone passes it once in 16,000."""

_ODD_ANSWER = (0.5, 1.5)
"""Gain of one label against all of them beyond which it is not matched: our choice, half a cylinder more or
less."""

_MOST_OPPOSED = 0.3
"""Part of the expected mean answer that is missing, or of an answer that is lost while the step is held, from
which something works against the steps: the bound of common practice, no source."""

_SURE_OPPOSED = 3.0
"""Standard errors by which it must be seen: our choice."""

_LEAST_COMMON = 0.1
"""Mean step of cylinders, as a part of a single step, from which their mean answer can be judged: our choice;
balanced groups have none."""

_PAIR_GAIN = 30.0
"""How much cheaper two cylinders together must explain a label than one: our choice, e^15 to one."""

_BETWEEN = 0.15
"""How far short of half the way to another cylinder's answer a label's must lie, as a part of that way: our
choice, as large as `_MODEL_SHARE`; nearer the middle, noise alone would choose between the two."""

_WHOLE_ANSWER = 0.25
"""Least total answer of a label, as a gain, that its shares are taken of: our choice."""

_LEAST_TRIM_PERCENT = -90.0
"""Trims below it stand for an injector that is off: our choice, the range of the session's trims."""

_NO_ANSWER_POWER = 1e-6
"""Stands for a cylinder whose fuel never moved: our choice, a thousandth of an error."""

_SHORTEST_BINS = 80
"""Shortest window: our choice, 4 s, a step of a second with its delay and the level before and after."""

_IDLE_BINS = 1200
"""Bins without a step after which a window begins anew: our choice, a minute, so that memory stays small."""

_MOST_WINDOWS = 20
"""Windows with steps that count: our choice; the first ones."""

_HELD_SPEED_SHARE = 0.02
"""Part of the speed by which it may move within a window: our choice, beside the session's band."""

_STEP_DIGITS = 9
"""Digits of ln fuel by which steps are told apart: our choice, above rounding, far below a step of a trim."""

_VISITS = 3  # rounds of gain and assignment: computed, the second one changes nothing in most cases

_MOVING_COLUMNS = ("rpm", "load", "closed_loop")


@dataclass(frozen=True, slots=True)
class Label:
    """What the steps say of one label.

    labelled    the cylinders that the session gives to the node
    cylinders   those that it sees: several where they share an injector driver or a sensor; empty if not told
    confidence  probability that this is so; NaN if not told
    gain        its answer, 1 for that of fuel and air; NaN if not known
    delay_s     of its answer behind the steps
    """

    position: int
    sensor: str | None
    labelled: tuple[int, ...]
    cylinders: tuple[int, ...]
    confidence: float
    gain: float
    gain_half: float
    delay_s: float
    lag_s: float
    flags: tuple[Note, ...]

    @property
    def told(self) -> bool:
        """Whether it is known, surely enough, what the label sees."""
        return bool(self.cylinders) and self.confidence >= PROVED_CONFIDENCE

    @property
    def right(self) -> bool:
        """Whether the label sees what the session says."""
        return set(self.labelled) <= set(self.cylinders)


@dataclass(frozen=True, slots=True)
class OtherReading:
    """Labels that seem to see other cylinders, and the one mistake of typing that would look the same.

    labels  labelled cylinder and the cylinder that it seems to see, where they differ
    steps   two fuel steps that, typed in each other's place, would explain it; in order of time, from 1
    """

    labels: tuple[tuple[int, int], ...]
    steps: tuple[int, int]


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Identity(Result):
    """Which label is which cylinder.

    exchanged          pairs of labelled cylinders of which each sees the other's
    crosstalk_percent  float64[n, c]: what share of its answer a label gets from each cylinder; NaN where the
                       steps do not separate all cylinders
    crosstalk_half     half of the 95 % interval
    steps              that were held, in windows that count
    notes              why nothing is claimed, and what to know
    other_reading      where labels seem exchanged and two steps typed in each other's place look alike: then
                       neither is claimed of these labels
    """

    state: IdentityState
    labels: tuple[Label, ...]
    exchanged: tuple[tuple[int, int], ...]
    crosstalk_percent: Floats
    crosstalk_half: Floats
    steps: int
    notes: tuple[Note, ...]
    other_reading: OtherReading | None = None

    @property
    def proved(self) -> bool:
        """Whether every label sees the cylinder that the session gives it."""
        return self.state is IdentityState.PROVED


# ----------------------------------------------------------------------------------------------------
# From rows to windows.
# ----------------------------------------------------------------------------------------------------


class IdentityStage:
    """A stage: rows in, identity by `result`.

    Args:
        session: that the rows are of.
        steps: fuel steps of known cylinders; None where the engine control reports its trims.
        begin_s: seconds of the log before the first row.
        typed: whether somebody typed the steps, who may have taken one for another.

    breaks  how often speed or load have left what they were
    """

    def __init__(
        self,
        session: Session,
        steps: Sequence[FuelStep] | None = None,
        begin_s: float = 0.0,
        *,
        typed: bool = True,
    ) -> None:
        self._session, self._typed = session, typed and steps is not None
        self._steps = None if steps is None else list(steps)
        self._begin_s, self._begin_ns = begin_s, round(begin_s * SECOND_NS) + FIRST_ROW_NS
        self._first_ns: int | None = None
        self._last_ns = 0
        self._stretch = -1
        self._rest: list[Mapping[str, Floats]] = []
        self._open: list[Floats] = []
        self._anchor: Floats | None = None
        self._windows: list[StepWindow] = []
        self._moved_last = 0
        self._last_fuel: Floats | None = None
        self._moved = False
        self.breaks = 0

    @property
    def _labels(self) -> int:
        return len(self._session.chain.nodes)

    def feed(self, block: CylinderBlock) -> None:
        """Takes the next rows, which lie within one stretch of time."""
        if not len(block):
            return
        if block.stretch[0] != self._stretch:
            self._close_window()
            self._stretch, self._rest = int(block.stretch[0]), []
        if self._first_ns is None:
            self._first_ns = int(block.t[0]) - self._begin_ns
        self._last_ns = int(block.t[-1])
        self._rest.append(self._columns(block))
        rows = {name: np.concatenate([part[name] for part in self._rest]) for name in self._rest[0]}
        bins = len(rows["rpm"]) // BIN_ROWS
        self._rest = [{name: column[bins * BIN_ROWS :] for name, column in rows.items()}]
        if bins:
            self._take_bins({name: _bin_means(column, bins) for name, column in rows.items()})

    @property
    def closed(self) -> int:
        """Windows with steps that are over."""
        return len(self._windows)

    def begin_step(self, t: int, percent: tuple[tuple[int, float], ...]) -> None:
        """A step whose end is not known yet; `t` is data time, ns, after all rows so far."""
        assert self._steps is not None
        self._steps.append(FuelStep(self._seconds_at(t), np.inf, percent))

    def end_step(self, t: int) -> None:
        """The end of that step, data time, ns, after all rows so far."""
        assert self._steps
        self._steps[-1] = replace(self._steps[-1], to_s=self._seconds_at(t))

    def _seconds_at(self, t: int) -> float:
        """Seconds of the log, whose first row has come."""
        assert self._first_ns is not None
        return (t - self._first_ns) / SECOND_NS

    def result(self) -> Identity:
        """What the steps so far say."""
        windows = [*self._windows, *self._usable_window()][:_MOST_WINDOWS]
        if self._steps and self._first_ns is not None:
            first_s, last_s = self._begin_s, (self._last_ns - self._first_ns) / SECOND_NS
            edges = [edge for step in self._steps for edge in (step.from_s, step.to_s)]
            if not any(first_s <= edge <= last_s for edge in edges):
                return _nothing(self._session, note(IdentityNote.STEPS_ELSEWHERE, read_s=(first_s, last_s)))
        delays_s = REPORTED_DELAYS_S if self._steps is None else TYPED_DELAYS_S
        return identify_labels(self._session, windows, delays_s, moved=self._moved, typed=self._typed)

    def _columns(self, block: CylinderBlock) -> Mapping[str, Floats]:
        """Rows of what is kept, each column float64[k] or [k, ...]."""
        unknown = np.full(len(block), np.nan)
        with np.errstate(divide="ignore", invalid="ignore"):
            ln_lambda = np.log(block.lam)
        return {
            **{name: block.now.get(name, unknown) for name in _MOVING_COLUMNS},
            "ln_lambda": np.where(block.state == SampleState.VALID, ln_lambda, np.nan),
            "ln_fuel": self._ln_fuel(block),
        }

    def _ln_fuel(self, block: CylinderBlock) -> Floats:
        """The logarithm of the fuel of every cylinder, up to a constant; float64[k, c]."""
        cylinders = self._session.engine.cylinders
        if self._steps is None:
            unknown = np.full(len(block), np.nan)
            percent = np.stack(
                [block.now.get(trim_quantity(c), unknown) for c in range(1, cylinders + 1)], axis=1
            )
            return np.asarray(np.log1p(np.maximum(percent, _LEAST_TRIM_PERCENT) / 100))
        assert self._first_ns is not None
        t = (block.t - self._first_ns) / SECOND_NS
        percent = np.zeros((len(block), cylinders))
        for step in self._steps:
            during = (t >= step.from_s) & (t < step.to_s)
            for cylinder, by in step.percent:
                percent[during, cylinder - 1] = by
        return np.asarray(np.log1p(percent / 100))

    def _take_bins(self, bins: Mapping[str, Floats]) -> None:
        """Adds bins to the window under way, and begins another where speed or load leave it."""
        held_at = np.stack([bins["rpm"], bins["load"]], axis=1)
        kept = np.hstack([bins["closed_loop"][:, None], bins["ln_lambda"], bins["ln_fuel"]])
        self._note_moves(bins["ln_fuel"])
        for k in range(len(held_at)):
            fuel_known = bool(np.isfinite(bins["ln_fuel"][k]).all())
            held = self._is_held(held_at[k])
            if not fuel_known or not held:
                self.breaks += not held and self._anchor is not None
                self._close_window()
                self._anchor = held_at[k] if fuel_known else None
            if fuel_known:
                self._add_bin(kept[k])

    def _note_moves(self, fuel: Floats) -> None:
        before = fuel[:1] if self._last_fuel is None else self._last_fuel
        moves = np.abs(np.diff(np.vstack([before, fuel]), axis=0))
        self._moved |= bool((moves > STEP_SHARE).any())
        self._last_fuel = fuel[-1:].copy()

    def _is_held(self, now: Floats) -> bool:
        """Whether speed and load are still where the window began; what is not known does not matter."""
        if self._anchor is None:
            return False
        rules = self._session.validity
        band = np.array([max(rules.rpm_band, _HELD_SPEED_SHARE * abs(self._anchor[0])), rules.load_band])
        return not bool((np.abs(now - self._anchor) > band).any())

    def _add_bin(self, one: Floats) -> None:
        fuel = one[1 + self._labels :]
        if self._open and np.abs(fuel - self._open[-1][1 + self._labels :]).max() > STEP_SHARE:
            self._moved_last = len(self._open)
        self._open.append(one)
        if not self._moved_last and len(self._open) > 2 * _IDLE_BINS:
            del self._open[:_IDLE_BINS]
        elif self._moved_last and len(self._open) - self._moved_last > _IDLE_BINS:
            self._close_window()

    def _close_window(self) -> None:
        if len(self._windows) < _MOST_WINDOWS:
            for window in self._usable_window():
                self._windows.append(window)
        self._open, self._moved_last = [], 0

    def _usable_window(self) -> Iterator[StepWindow]:
        """The window under way if it is long enough and fuel moved in it apart."""
        if len(self._open) < _SHORTEST_BINS or not self._moved_last:
            return
        rows = np.array(self._open)
        fuel = rows[:, 1 + self._labels :]
        yield StepWindow(rows[:, 1 : 1 + self._labels], fuel, closed_loop=bool((rows[:, 0] > 0).any()))


def _bin_means(column: Floats, bins: int) -> Floats:
    """Means of the known rows of each bin; NaN where none is known."""
    parts = column[: bins * BIN_ROWS].reshape(bins, BIN_ROWS, *column.shape[1:])
    known = np.isfinite(parts)
    count = known.sum(axis=1)
    total = np.where(known, parts, 0.0).sum(axis=1)
    return np.asarray(np.divide(total, count, out=np.full(total.shape, np.nan), where=count > 0))


# ----------------------------------------------------------------------------------------------------
# From answers to the assignment.
# ----------------------------------------------------------------------------------------------------


def identify_labels(
    session: Session,
    windows: Sequence[StepWindow],
    delays_s: tuple[float, float],
    *,
    moved: bool = True,
    typed: bool = True,
) -> Identity:
    """Which label is which cylinder, by windows with fuel steps.

    Args:
        session: whose nodes and cylinders the windows have.
        windows: with steps; none where there was no usable one.
        delays_s: least and most delay of the readings behind the fuel.
        moved: whether fuel moved at all, steady or not.
        typed: whether somebody typed the steps, who may have taken one for another.
    """
    if not windows:
        return _nothing(session, note(IdentityNote.NOT_STEADY if moved else IdentityNote.NO_STEPS))
    if any(window.closed_loop for window in windows):
        return _nothing(session, note(IdentityNote.CLOSED_LOOP_REPORTED))
    found = _Match(session, windows, delays_s).judge()
    steps = _find_exchanged_steps(windows, found) if typed else None
    return found if steps is None else _leave_open(found, steps)


def _find_exchanged_steps(windows: Sequence[StepWindow], found: Identity) -> tuple[int, int] | None:
    """Two steps that, had they been typed in each other's place, make every label see its own cylinder.

    None where no pair of steps does, or no label seems to see another cylinder. Steps are counted from 1.
    """
    told = [label for label in found.labels if label.told]
    if all(label.right for label in told):
        return None
    rows = np.concatenate([np.round(window.ln_fuel, _STEP_DIGITS) for window in windows])
    patterns, first, count = np.unique(rows, axis=0, return_index=True, return_counts=True)
    held = (count >= HOLD_BINS) & (np.abs(patterns).max(axis=1) > STEP_SHARE)
    steps = patterns[held][np.argsort(first[held])]
    labelled, seen = (
        np.stack([steps[:, [c - 1 for c in one]].mean(axis=1) for one in sets], axis=1)
        for sets in ([label.labelled for label in told], [label.cylinders for label in told])
    )
    for i, j in combinations(range(len(steps)), 2):
        typed = labelled.copy()
        typed[[i, j]] = labelled[[j, i]]
        if np.abs(typed - seen).max() < STEP_SHARE / 2:
            return i + 1, j + 1
    return None


def _leave_open(found: Identity, steps: tuple[int, int]) -> Identity:
    """The result with nothing claimed of the labels that two exchanged steps would explain."""
    odd = [one for one in found.labels if one.told and not one.right]
    seem, see = tuple(one.labelled[0] for one in odd), tuple(one.cylinders[0] for one in odd)
    open_ = {
        one.position: replace(
            one,
            cylinders=(),
            confidence=np.nan,
            flags=(note(LabelNote.OR_STEPS_EXCHANGED, cylinders=one.cylinders, steps=steps),),
        )
        for one in odd
    }
    lost = (IdentityNote.EXCHANGED, IdentityNote.MISPLACED)
    why = note(IdentityNote.LABELS_OR_STEPS, labels=seem, cylinders=see, steps=steps)
    return replace(
        found,
        state=IdentityState.UNPROVED,
        labels=tuple(open_.get(one.position, one) for one in found.labels),
        exchanged=(),
        notes=(why, *(one for one in found.notes if one.code not in lost)),
        other_reading=OtherReading(tuple(zip(seem, see, strict=True)), steps),
    )


def _nothing(session: Session, why: Note, steps: int = 0) -> Identity:
    """An answer that claims nothing, with the reason."""
    nodes, cylinders = session.chain.nodes, session.engine.cylinders
    return Identity(
        IdentityState.UNPROVED,
        tuple(
            Label(node.position, node.sensor, node.cylinders, (), *(np.nan,) * 5, flags=()) for node in nodes
        ),
        exchanged=(),
        crosstalk_percent=np.full((len(nodes), cylinders), np.nan),
        crosstalk_half=np.full((len(nodes), cylinders), np.nan),
        steps=steps,
        notes=(why,),
    )


class _Match:
    """The answers of all labels, matched with those of all cylinders.

    Groups are cylinders whose fuel moves together: an injector driver's pair gets the mean of its trims.
    """

    def __init__(
        self, session: Session, windows: Sequence[StepWindow], delays_s: tuple[float, float]
    ) -> None:
        self._session = session
        self._groups = trimmed_together(session)
        self._windows = [_shared_fuel(w, self._groups) for w in windows]
        self._answers = measure_answers(self._windows, delays_s)
        self._notes: list[Note] = []
        self._prepare()

    def _prepare(self) -> None:
        """The answers that are expected, and the assignment of the labels that are known."""
        answers = self._answers
        self._known = np.flatnonzero(answers.known)
        places = [c for node in self._session.chain.nodes for c in node.cylinders]
        every = range(1, self._session.engine.cylinders + 1)
        sets = [node.cylinders for node in self._session.chain.nodes]
        sets += [(c,) for c in every if c not in places]
        basis = answers.basis
        expected = np.stack([basis[:, [c - 1 for c in one]].mean(axis=1) for one in sets])
        self._expected = expected
        kinds = _kinds_of(expected)
        by_kind: dict[int, set[int]] = {}
        for one, kind in zip(sets, kinds, strict=True):
            by_kind.setdefault(kind, set()).update(one)
        self._kinds = np.array(kinds)
        self._seen = {kind: tuple(sorted(cylinders)) for kind, cylinders in by_kind.items()}
        self._gain, self._gain_error = 1.0, np.nan
        self._chosen = np.zeros(0, np.int64)
        for _ in range(_VISITS if len(self._known) else 0):
            self._weights = self._weights_at(self._gain)
            cost = self._costs(self._gain * expected)
            self._chosen, self._extra = extra_costs(cost)
            self._gain, self._gain_error = self._fit_gain()

    def _weights_at(self, gain: float) -> Floats:
        """Inverse covariances of the answers, float64[known, r, r], with what the model leaves out."""
        rank = self._expected.shape[1]
        size = float((self._expected**2).sum(axis=1).mean())
        left_out = np.eye(rank) * (_MODEL_SHARE * max(abs(gain), _GAIN[0])) ** 2 * size / rank
        return np.linalg.inv(self._answers.covariance[self._known] + left_out)

    def _costs(self, expected: Floats) -> Floats:
        """Squared distances of every label from every expected answer, in errors; float64[known, sets]."""
        away = self._answers.response[self._known][:, None] - expected
        return np.asarray(np.einsum("jki,jil,jkl->jk", away, self._weights, away))

    def _fit_gain(self) -> tuple[float, float]:
        """The gain of all labels, and its standard error."""
        own = self._expected[self._chosen]
        top = np.einsum("ji,jil,jl->", own, self._weights, self._answers.response[self._known])
        power = np.einsum("ji,jil,jl->", own, self._weights, own)
        return float(top / power), float(1 / np.sqrt(power))

    def judge(self) -> Identity:
        """The result."""
        answers, session = self._answers, self._session
        if not len(self._known):
            return self._with_labels(IdentityState.UNPROVED, self._unknown_labels())
        if self._is_reversed():
            return _nothing(session, note(IdentityNote.ANSWERED_REVERSED), answers.steps)
        if not _GAIN[0] <= self._gain <= _GAIN[1] or self._gain < _SURE_ANSWER * self._gain_error:
            values = {"gain": self._gain, "half": NORMAL_95 * self._gain_error}
            return _nothing(session, note(IdentityNote.NOT_ANSWERED, **values), answers.steps)
        opposed = self._find_opposition()
        if opposed is not None:
            return _nothing(session, opposed, answers.steps)
        pairs = self._find_pairs()
        if pairs is not None:
            return _nothing(session, note(IdentityNote.ANSWERS_IN_PAIRS, pairs=pairs), answers.steps)
        labels = self._label_results()
        self._notes += self._notes_on_steps()
        return self._with_labels(_state_of(labels, len(session.chain.nodes)), labels)

    # --- What speaks against any claim. ---

    def _is_reversed(self) -> bool:
        """Whether the labels answer better as if fuel were taken where it is added."""
        right = self._costs(self._gain * self._expected)
        wrong = self._costs(-self._gain_of_size() * self._expected)
        rows = np.arange(len(right))
        best = wrong[rows, best_assignment(wrong)].sum()
        return bool(best + _PAIR_GAIN * len(rows) < right[rows, self._chosen].sum())

    def _gain_of_size(self) -> float:
        """The gain by the size of the answers alone, whatever they answer."""
        size = float((self._answers.response[self._known] ** 2).sum(axis=1).mean())
        return float(np.sqrt(size / (self._expected**2).sum(axis=1).mean()))

    def _find_opposition(self) -> Note | None:
        """The note on an engine control that works against the steps; None where none is seen."""
        banks = {"": tuple(range(1, self._session.engine.cylinders + 1)), **self._session.engine.banks}
        for name, cylinders in banks.items():
            lost, error = self._lost_mean(cylinders)
            if lost >= _MOST_OPPOSED and lost >= _SURE_OPPOSED * error:
                values = {"share_percent": 100 * lost, "half_percent": 100 * NORMAL_95 * error}
                return note(IdentityNote.CLOSED_LOOP_SEEN, bank=name, **values)
        sees: list[int | None] = [None] * len(self._answers.known)
        for row, j in enumerate(self._known.tolist()):
            cylinders = self._seen[int(self._kinds[self._chosen[row]])]
            sees[j] = cylinders[0] - 1
        decay = measure_decay(self._windows, self._answers, sees)
        if decay.share >= _MOST_OPPOSED and decay.share >= _SURE_OPPOSED * decay.error:
            values = {"share_percent": 100 * decay.share, "half_percent": 100 * NORMAL_95 * decay.error}
            return note(IdentityNote.ANSWER_DECAYS, **values)
        return None

    def _lost_mean(self, cylinders: Sequence[int]) -> tuple[float, float]:
        """Part of the mean answer of these cylinders that is missing, and its error; 0 if not judged."""
        rows = [
            row
            for row, k in enumerate(self._chosen.tolist())
            if set(self._seen[int(self._kinds[k])]) <= set(cylinders)
        ]
        if len(rows) < 2 or len(rows) * 2 <= len(cylinders):
            return 0.0, np.inf
        own = self._expected[self._chosen[rows]]
        told = self._answers.response[self._known[rows]]
        mean, mean_told = own.mean(axis=0), told.mean(axis=0)
        apart, apart_told = own - mean, told - mean_told
        power = float(mean @ mean)
        alone = float((apart**2).sum())
        if power < _LEAST_COMMON**2 * float((own**2).sum(axis=1).mean()) or not alone:
            return 0.0, np.inf
        gain = float((apart * apart_told).sum()) / alone
        covariance = self._answers.covariance[self._known[rows]].sum(axis=0) / len(rows) ** 2
        error = float(np.sqrt(mean @ covariance @ mean)) / power
        return 1 - float(mean @ mean_told) / power / gain, error / abs(gain)

    def _find_pairs(self) -> tuple[tuple[int, ...], ...] | None:
        """Cylinders whose steps most labels answer two by two; empty where the steps cannot tell them."""
        cylinders = self._answers.basis.shape[1]
        if any(len(group) > 1 for group in self._groups) or cylinders < 4:
            return None
        first, second = np.triu_indices(cylinders, 1)
        basis = self._answers.basis.T
        both = self._costs(self._gain_of_pairs() * (basis[first] + basis[second]) / 2)
        single = self._costs(self._gain * self._expected)
        fits_pair = both.min(axis=1) + _PAIR_GAIN < single.min(axis=1)
        if fits_pair.sum() * 2 <= len(self._known):
            return None
        if len(self._answers.basis) < cylinders:
            return ()
        best = both.argmin(axis=1)[fits_pair]
        return tuple(sorted({(int(first[k]) + 1, int(second[k]) + 1) for k in best.tolist()}))

    def _gain_of_pairs(self) -> float:
        """The gain of labels that answer two cylinders by halves, by the size of the answers."""
        first, second = np.triu_indices(self._answers.basis.shape[1], 1)
        halves = (self._answers.basis[:, first] + self._answers.basis[:, second]) / 2
        size = float((self._answers.response[self._known] ** 2).sum(axis=1).mean())
        return float(np.sqrt(size / (halves**2).sum(axis=0).mean()))

    # --- What each label sees. ---

    def _label_results(self) -> tuple[Label, ...]:
        labels = []
        row_of = {int(j): row for row, j in enumerate(self._known)}
        self._near = self._near_kinds()
        for j, node in enumerate(self._session.chain.nodes):
            labels.append(self._unknown_label(j) if j not in row_of else self._known_label(j, row_of[j]))
            assert labels[-1].position == node.position
        return tuple(labels)

    def _known_label(self, j: int, row: int) -> Label:
        """The label of node j, in a row of the match."""
        node, answers = self._session.chain.nodes[j], self._answers
        kind = self._kinds[self._chosen[row]]
        others = self._kinds != kind
        confidence = float(1 / (1 + np.exp(-self._extra[row, others] / 2).sum()))
        own, weight = self._expected[self._chosen[row]], self._weights[row]
        power = max(float(own @ weight @ own), _NO_ANSWER_POWER)
        gain, error = float(own @ weight @ answers.response[j]) / power, 1 / np.sqrt(power)
        cylinders, flags = self._seen[int(kind)], list[Note]()
        together = self._driver_of(cylinders)
        if not _ODD_ANSWER[0] <= gain / self._gain <= _ODD_ANSWER[1]:
            cylinders, confidence = (), np.nan
            flags.append(note(LabelNote.WEAK_ANSWER, gain=gain))
        elif not together and len(cylinders) > len(node.cylinders):
            cylinders, confidence = (), np.nan
        elif confidence < PROVED_CONFIDENCE:
            flags.append(note(LabelNote.NOT_CONFIDENT, confidence=confidence))
        elif doubt := self._doubt(row, int(kind)):
            cylinders, confidence = (), np.nan
            flags.append(doubt)
        elif not set(node.cylinders) <= set(cylinders):
            flags.append(note(LabelNote.OTHER_CYLINDER, labelled=node.cylinders, cylinders=cylinders))
        return Label(
            node.position,
            node.sensor,
            node.cylinders,
            cylinders,
            confidence,
            gain,
            NORMAL_95 * float(error),
            float(answers.delay_s[j]),
            float(answers.lag_s[j]),
            tuple(flags),
        )

    def _near_kinds(self) -> tuple[frozenset[int], ...]:
        """For each known label the kinds that its answer is about as near to as to the nearest of all."""
        expected = self._gain * self._expected
        cost = self._costs(expected)
        near = []
        for row, weight in enumerate(self._weights):
            nearest = int(cost[row].argmin())
            apart = expected - expected[nearest]
            way = np.einsum("ki,ij,kj->k", apart, weight, apart)
            close = cost[row] - cost[row, nearest] <= 2 * _BETWEEN * way
            near.append(frozenset(self._kinds[close].tolist()))
        return tuple(near)

    def _doubt(self, row: int, kind: int) -> Note | None:
        """Why a label is not said to see a kind though that is its best place; None where nothing is."""
        near = self._near[row]
        if near != {kind}:
            several = sorted({c for one in near for c in self._seen[one]})
            return note(LabelNote.BETWEEN_CYLINDERS, cylinders=tuple(several))
        alike = [int(self._known[other]) for other, kinds in enumerate(self._near) if kinds == near]
        if len(alike) <= (self._kinds == kind).sum():
            return None
        nodes = self._session.chain.nodes
        labels = tuple(c for j in alike for c in nodes[j].cylinders)
        return note(LabelNote.ANSWERS_ALIKE, labels=labels, cylinders=self._seen[kind])

    def _driver_of(self, cylinders: Sequence[int]) -> bool:
        """Whether one injector driver, or one sensor by the session, has all of these cylinders."""
        alike = [*self._groups, *(node.cylinders for node in self._session.chain.nodes)]
        return any(set(cylinders) <= set(group) for group in alike)

    def _unknown_labels(self) -> tuple[Label, ...]:
        return tuple(self._unknown_label(j) for j in range(len(self._session.chain.nodes)))

    def _unknown_label(self, j: int) -> Label:
        node = self._session.chain.nodes[j]
        flags = (note(LabelNote.NOT_VALID),)
        return Label(node.position, node.sensor, node.cylinders, (), *(np.nan,) * 5, flags=flags)

    def _notes_on_steps(self) -> Iterable[Note]:
        """What the steps themselves leave open."""
        merged = [
            cylinders
            for cylinders in self._seen.values()
            if len(cylinders) > 1 and not self._driver_of(cylinders)
        ]
        if merged:
            yield note(IdentityNote.NOT_SEPARATED, groups=tuple(sorted(merged)))
        nearest = min(
            (
                float(np.abs(one + other).max() / np.abs(one).max())
                for one in self._expected
                for other in self._expected
                if one.any()
            ),
            default=np.inf,
        )
        if nearest < _SAME_ANSWER:
            yield note(IdentityNote.SIGN_NOT_CHECKED)
        if len(self._answers.basis) < len(self._groups):
            yield note(IdentityNote.CROSSTALK_NOT_MEASURED)
        if apart := sets_with_several_sensors(self._session):
            yield note(IdentityNote.WITHIN_PAIRS_NOT_KNOWN, cylinders=apart)
        for node in self._session.chain.nodes:
            if len(node.cylinders) > 1:
                yield note(IdentityNote.SPLIT_NOT_KNOWN, cylinders=node.cylinders)

    def _crosstalk(self) -> tuple[Floats, Floats]:
        """Shares of each label's answer by cylinder, percent, and halves of their intervals."""
        answers, cylinders = self._answers, self._session.engine.cylinders
        shape = (len(answers.known), cylinders)
        if len(answers.basis) < cylinders:
            return np.full(shape, np.nan), np.full(shape, np.nan)
        by_cylinder = answers.response @ answers.basis
        total = by_cylinder.sum(axis=1, keepdims=True)
        total = np.where(np.abs(total) >= _WHOLE_ANSWER, total, np.nan)
        shares = by_cylinder / total
        covariance = answers.basis.T @ answers.covariance @ answers.basis
        own, with_all = np.einsum("jcc->jc", covariance), covariance.sum(axis=2)
        variance = own - 2 * shares * with_all + shares**2 * with_all.sum(axis=1, keepdims=True)
        return 100 * shares, 100 * NORMAL_95 * np.sqrt(np.maximum(variance, 0.0)) / np.abs(total)

    def _with_labels(self, state: IdentityState, labels: tuple[Label, ...]) -> Identity:
        exchanged = _exchanged(labels)
        if exchanged:
            self._notes.insert(0, note(IdentityNote.EXCHANGED, pairs=exchanged))
        if ring := _misplaced(labels, exchanged):
            self._notes.insert(0, note(IdentityNote.MISPLACED, labels=ring))
        return Identity(
            state, labels, exchanged, *self._crosstalk(), steps=self._answers.steps, notes=tuple(self._notes)
        )


def _state_of(labels: Sequence[Label], nodes: int) -> IdentityState:
    """Disproved by one label that surely sees another cylinder; proved by all."""
    told = [label for label in labels if label.told]
    if any(not label.right for label in told):
        return IdentityState.DISPROVED
    return IdentityState.PROVED if len(told) == nodes else IdentityState.UNPROVED


def _exchanged(labels: Sequence[Label]) -> tuple[tuple[int, int], ...]:
    """Pairs of labels of which each surely sees the other's cylinder."""
    sees = {label.labelled[0]: label.cylinders for label in labels if label.told and not label.right}
    return tuple(
        sorted(
            (a, b)
            for a, of_a in sees.items()
            for b, of_b in sees.items()
            if a < b and b in of_a and a in of_b
        )
    )


def _misplaced(labels: Sequence[Label], exchanged: Iterable[tuple[int, int]]) -> tuple[int, ...]:
    """Labels that surely see another cylinder and are no exchanged pair, such as three in a ring."""
    paired = {label for pair in exchanged for label in pair}
    wrong = [label.labelled[0] for label in labels if label.told and not label.right]
    return tuple(sorted(set(wrong) - paired))


def _shared_fuel(window: StepWindow, groups: Sequence[Sequence[int]]) -> StepWindow:
    """The window with the mean fuel of each group for all its cylinders."""
    fuel = window.ln_fuel.copy()
    for group in groups:
        members = [c - 1 for c in group]
        fuel[:, members] = fuel[:, members].mean(axis=1, keepdims=True)
    return replace(window, ln_fuel=fuel)


def _kinds_of(expected: Floats) -> list[int]:
    """A number for each expected answer, the same where answers cannot be told apart."""
    kinds: list[int] = []
    for k, one in enumerate(expected):
        size = float(np.sqrt((one**2).sum()))
        near = (
            m for m in range(k) if np.sqrt(((one - expected[m]) ** 2).sum()) < _SAME_ANSWER * max(size, 1e-12)
        )
        kinds.append(next((kinds[m] for m in near), k))
    return kinds


def review_identity(
    session: Session,
    blocks: Iterable[CylinderBlock],
    steps: Sequence[FuelStep] | None = None,
    begin_s: float = 0.0,
) -> Identity:
    """The identity of the labels of a run; arguments as for `IdentityStage`."""
    return sum_up(IdentityStage(session, steps, begin_s), blocks)


def evidence_of(
    session: Session, found: Identity, *, log: str, first_ns: int, frames: int
) -> IdentityEvidence | None:
    """What is kept beside a session of what the steps say; None where they say nothing of any label.

    Args:
        session: that the steps were of.
        found: what they say.
        log: name of the log or the run.
        first_ns: stamp of its first frame.
        frames: number of its frames.
    """
    if not any(label.told for label in found.labels):
        return None
    nodes = (
        IdentifiedNode(
            node.position,
            node.sensor,
            node_address(session, node),
            label.cylinders if label.told else (),
            label.confidence if label.told else 0.0,
        )
        for node, label in zip(session.chain.nodes, found.labels, strict=True)
    )
    return IdentityEvidence(log=log, first_ns=first_ns, frames=frames, nodes=tuple(nodes))
