"""Did the trims take: what each cylinder did after its trim was changed, against what it should have done.

    moves (-change of need), entries (change of ln(1 + trim)), errors -> judge_effect -> Effect

    moves = slope * entries + common        slope 1: taken; 0.5: half; 0: not saved; -1: reversed

Moves are known against the other cylinders only, so `common` is to be found too. Where most cylinders did
what was asked of them it is told by these: for every value that makes one cylinder fit, each cylinder
takes the slope that fits it best, at a price for not doing as most do. All values that explain the moves
nearly as well as the best widen the interval of the slope, so that what the data leave open stays open.
Trims that were all changed alike show nothing here.

A change that appears at another cylinder is found by stories: entries in another order, sought from their own
order and from that of the moves by exchanging pairs, also in rings. Where stories that are nearly as good as
the best differ, nothing is said of the cylinders in which they do: an exchange of opposite trims looks like
both being reversed. Where an engine control closes its loop by bank,
the mean of a bank stays although its trims moved; then each bank has a `common` of its own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import NamedTuple

import numpy as np

from mixmon.arrays import Bools, Floats, Ints
from mixmon.findings.proof.notes import EffectVerdict
from mixmon.findings.stats import NORMAL_95_SIX_DECIMALS, student_t95
from mixmon.note import Note, note

_SLOPES = np.array([1.0, 0.5, 0.0, -1.0, 2.0])
"""What trims can do: take, take by half, not be saved, be reversed, count twice."""

_REGIONS = (
    (EffectVerdict.REVERSED, -1.5, -0.5),
    (EffectVerdict.NOT_SAVED, -0.5, 0.25),
    (EffectVerdict.HALF, 0.25, 0.75),
    (EffectVerdict.TAKEN, 0.75, 1.5),
    (EffectVerdict.OVERSHOT, 1.5, np.inf),
)
"""Slopes that a verdict covers: our choice, half way between what trims can do; an injector's dead time
makes a trim of the whole pulse act up to half as much again at part load."""

_SLOPE_ERROR = 0.1
"""Standard deviation of a slope over its value: our choice, what dead times and wall film do to a trim."""

_LEAST_MOVE_ERROR = 0.001
"""Standard error of a move that is taken at least, ln lambda: our choice, what a sensor drifts in an hour."""

_CAP = 16.0
"""Square beyond which a misfit counts no more: our choice, four standard errors; something else moved it."""

_ODD_PRICE, _ALL_PRICE, _MOVED_PRICE = 4.0, 2.0, 3.0
"""Prices, as squares: a cylinder that does not do as most do; most not doing what was asked; a cylinder that
shows the entry of another: our
choice, two standard errors for a cylinder."""

_CLEARLY_WORSE = 9.0
"""Squares by which an explanation must be worse to be left out: our choice, three standard errors."""

_MOST_STORIES = 20
"""Stories from which others are sought: our choice; where more are as good, all that they change is open."""

_LEAST_ENTRY = 1e-6
"""Change of a trim that is none, ln: rounding."""

_LOOP_LEAST, _LOOP_PART = 0.02, 0.4
"""Change of a bank's mean trim from which its mean can show a closed loop, and the part of it that may be
left in its lambda: our choice; an engine drifts by a percent from run to run by itself."""


class Moves(NamedTuple):
    """What n cylinders did, in ln lambda.

    moved    float64[n], -change of need; NaN where not known
    errors   float64[n], standard errors
    entered  float64[n], change of ln(1 + trim)
    """

    moved: Floats
    errors: Floats
    entered: Floats

    def of(self, nodes: Ints) -> Moves:
        """Some of the cylinders."""
        return Moves(self.moved[nodes], self.errors[nodes], self.entered[nodes])


@dataclass(frozen=True, slots=True)
class NodeEffect:
    """What became of one node's trim.

    node        of those that were compared
    entered     change of ln(1 + trim)
    slope       NaN where nothing was entered
    interval95  of the slope
    verdict     a note with an `EffectVerdict`
    appears_at  the node that shows its entry, where it is another
    """

    node: int
    entered: float
    slope: float
    interval95: tuple[float, float]
    verdict: Note
    appears_at: int | None = None


@dataclass(frozen=True, slots=True)
class Effect:
    """What became of the trims.

    nodes      with an entry, or with another's
    slope      of all together, with half of its 95 % interval; NaN where not known
    """

    nodes: tuple[NodeEffect, ...] = ()
    slope: float = np.nan
    half: float = np.nan


def judge_effect(moves: Moves, banks: Sequence[Ints], closed: Sequence[bool]) -> Effect:
    """What became of every trim that was changed.

    Args:
        moves: of n nodes.
        banks: nodes of each bank; one of all without banks.
        closed: for each bank, whether its mean was held (`is_loop_closed`).
    """
    known = np.flatnonzero(np.isfinite(moves.moved) & np.isfinite(moves.errors))
    nodes: list[NodeEffect] = []
    parts = list(zip(banks, closed, strict=True)) if any(closed) else [(known, False)]
    for bank, is_closed in parts:
        part = np.intersect1d(bank, known)
        if len(part) > 1:
            nodes += _judge_together(moves.of(part), part, closed=is_closed)
    unknown = np.setdiff1d(np.flatnonzero(np.abs(moves.entered) > _LEAST_ENTRY), [one.node for one in nodes])
    nodes += [_not_known(int(i), float(moves.entered[i])) for i in unknown]
    slope, half = _slope_of_all(moves.of(known))
    return Effect(tuple(sorted(nodes, key=lambda one: one.node)), slope, half)


def _not_known(node: int, entered: float) -> NodeEffect:
    return NodeEffect(node, entered, np.nan, (np.nan, np.nan), note(EffectVerdict.NOT_KNOWN))


def _slope_of_all(moves: Moves) -> tuple[float, float]:
    """One slope through all cylinders, with half of its 95 % interval; wider where they do not follow it.

    A trim of each cylinder acts a little otherwise (`_SLOPE_ERROR`).
    """
    if len(moves.moved) < 3 or np.ptp(moves.entered) < _LEAST_ENTRY:
        return np.nan, np.nan
    errors = np.hypot(np.maximum(moves.errors, _LEAST_MOVE_ERROR), _SLOPE_ERROR * moves.entered)
    weight = errors**-2
    away = moves.entered - np.average(moves.entered, weights=weight)
    information = float((weight * away**2).sum())
    slope = float((weight * away * moves.moved).sum()) / information
    left = moves.moved - slope * away
    left -= np.average(left, weights=weight)
    degrees = len(left) - 2
    wider = float((weight * left**2).sum()) / degrees
    half = max(NORMAL_95_SIX_DECIMALS, student_t95(degrees) * float(np.sqrt(wider)))
    return slope, half * float(np.sqrt(1 / information))


# One set of cylinders with one common part.


class _Explained(NamedTuple):
    """The best explanation of the moves by some entries.

    commons  float64[k], the common part of this and of those that are nearly as good; the best first
    error    of the common part
    """

    commons: Floats
    error: float


def _judge_together(moves: Moves, names: Ints, *, closed: bool) -> list[NodeEffect]:
    places, doubtful = _place_entries(moves)
    explained = _explain(moves, places)
    out = []
    for i, name in enumerate(names.tolist()):
        exchanged = places[i] != i
        if abs(moves.entered[i]) <= _LEAST_ENTRY and (not exchanged or doubtful[i]):
            continue
        slope, interval = _slope_of(moves, i, explained)
        at = None
        if doubtful[i]:
            code = EffectVerdict.NOT_KNOWN
        elif exchanged:
            code = EffectVerdict.WRONG_CYLINDER
            at = int(names[int(np.flatnonzero(places == i)[0])])
        else:
            code = _verdict_of(interval, closed=closed)
        out.append(NodeEffect(name, float(moves.entered[i]), slope, interval, note(code), at))
    return out


def _slope_of(moves: Moves, i: int, explained: _Explained) -> tuple[float, tuple[float, float]]:
    """The slope of one cylinder, and its interval over all explanations that are left."""
    entered = moves.entered[i]
    if abs(entered) <= _LEAST_ENTRY:
        return np.nan, (np.nan, np.nan)
    slopes = (moves.moved[i] - explained.commons) / entered
    error = np.hypot(max(moves.errors[i], _LEAST_MOVE_ERROR), explained.error)
    half = NORMAL_95_SIX_DECIMALS * float(error / abs(entered))
    return float(slopes[0]), (float(slopes.min()) - half, float(slopes.max()) + half)


def _verdict_of(interval: tuple[float, float], *, closed: bool) -> EffectVerdict:
    """The verdict that covers the whole interval."""
    covers = (verdict for verdict, low, high in _REGIONS if low < interval[0] and interval[1] < high)
    verdict = next(covers, EffectVerdict.NOT_KNOWN)
    return EffectVerdict.CLOSED_LOOP if closed and verdict is EffectVerdict.TAKEN else verdict


class _Explanations(NamedTuple):
    """Every common part that lets one cylinder fit, c of them, with every slope that most may have.

    commons  float64[c]
    left     float64[slope, c, cylinder], what each slope leaves
    squares  the same over its errors
    odd      float64[cylinder], the price of not doing as most do
    scores   float64[slope of most, c]
    weight   float64[slope, cylinder]
    """

    commons: Floats
    left: Floats
    squares: Floats
    odd: Floats
    scores: Floats
    weight: Floats

    def taken(self, most: int, at: int) -> Ints:
        """The slope of each cylinder that explains it best, int64[n], for one of most and one common part."""
        priced = self.squares[:, at] + self.odd
        priced[most] -= self.odd
        taken: Ints = priced.argmin(axis=0)
        return taken


def _explanations(moves: Moves, places: Ints) -> _Explanations:
    """What lets the cylinders do as most do, or else whatever they do, at a price.

    places: int64[n], whose entry each cylinder shows. One that shows another's does as most do: nothing is
        explained by an entry at another cylinder that did not take there either, nor by entries in another
        order where none was saved.
    """
    entered = moves.entered[places]
    asked = _SLOPES[:, None] * entered
    errors = np.hypot(np.maximum(moves.errors, _LEAST_MOVE_ERROR), _SLOPE_ERROR * asked)
    commons = (moves.moved[:, None] - entered[:, None] * _SLOPES).ravel()
    left = moves.moved - commons[:, None] - asked[:, None]
    squares = np.minimum((left / errors[:, None]) ** 2, _CAP)
    odd = np.where(places == np.arange(len(places)), _ODD_PRICE, _CAP)
    scores = np.minimum(squares, squares.min(axis=0) + odd).sum(axis=-1)
    scores += _ALL_PRICE * (_SLOPES != 1)[:, None]
    scores[_SLOPES == 0] += _CAP * np.count_nonzero(places != np.arange(len(places)))
    return _Explanations(commons, left, squares, odd, scores, errors**-2)


def _explain(moves: Moves, places: Ints) -> _Explained:
    """The best explanation, and the common parts of all that are nearly as good."""
    every = _explanations(moves, places)
    kept = np.argwhere(every.scores <= every.scores.min() + _CLEARLY_WORSE).tolist()
    kept.sort(key=lambda one: float(every.scores[one[0], one[1]]))
    refined = [_refine(every, most, at) for most, at in kept]
    return _Explained(np.array([common for common, _ in refined]), refined[0][1])


def _refine(every: _Explanations, most: int, at: int) -> tuple[float, float]:
    """The common part by all cylinders that the explanation fits, and its error."""
    taken = every.taken(most, at)
    cylinders = np.arange(len(taken))
    fits = every.squares[taken, at, cylinders] < _CAP
    weight = np.where(fits, every.weight[taken, cylinders], 0.0)
    total = float(weight.sum())
    away = float((weight * every.left[taken, at, cylinders]).sum()) / total
    return float(every.commons[at]) + away, total**-0.5


class _Story(NamedTuple):
    """Whose entries the cylinders show, and how well that explains the moves.

    places  whose entry each cylinder shows
    score   squares of the misfits, with the prices of all that is out of the ordinary
    misfit  without the prices
    plain   bool[n], which cylinders show their own entry and do as most do
    """

    places: tuple[int, ...]
    score: float
    misfit: float
    plain: Bools


def _place_entries(moves: Moves) -> tuple[Ints, Bools]:
    """For each cylinder, whose entry it shows; and of whose entries it is not sure which cylinder does."""
    best, *others = sorted(_tell_stories(moves), key=lambda one: (one.score, one.places))
    places, doubtful = np.array(best.places), np.zeros(len(best.places), np.bool_)
    for other in others:
        differs = np.array(other.places) != places
        # What needs nothing out of the ordinary is not doubted for what fits no better.
        patience = 0.0 if best.plain[differs].all() else _ODD_PRICE
        if other.score < best.score + _CLEARLY_WORSE and other.misfit < best.misfit + patience:
            doubtful[places[differs]] = True
    moved = np.flatnonzero(places != np.arange(len(places)))
    for i, j in combinations(moved.tolist(), 2):
        if not _is_told_apart(moves, best.places, (i, j)):
            doubtful[places[[i, j]]] = True
    return places, doubtful


def _tell_stories(moves: Moves) -> list[_Story]:
    """What may have happened, by exchanging pairs in every story that is nearly as good as the best.

    It begins with the entries at their own cylinders, and with those in the order of the moves.
    """
    own = tuple(range(len(moves.moved)))
    told = {places: _tell_story(moves, places) for places in (own, _order_by_moves(moves))}
    open_ones = dict(told)
    for _ in range(_MOST_STORIES):
        if not open_ones:
            break
        story = min(open_ones.values(), key=lambda one: (one.score, one.places))
        if story.score > min(one.score for one in told.values()) + _CLEARLY_WORSE:
            break
        del open_ones[story.places]
        pairs = [pair for pair in combinations(own, 2) if _is_told_apart(moves, story.places, pair)]
        exchanged = {_exchanged(story.places, pair) for pair in pairs}
        new = {places: _tell_story(moves, places) for places in exchanged - told.keys()}
        told |= new
        open_ones |= new
    return list(told.values())


def _order_by_moves(moves: Moves) -> tuple[int, ...]:
    """The cylinder with the largest move shows the largest entry, and so on."""
    places = np.empty(len(moves.moved), np.int64)
    places[np.argsort(moves.moved, kind="stable")] = np.argsort(moves.entered, kind="stable")
    return _settle_equals(moves.entered, places.tolist())


def _settle_equals(entered: Floats, places: list[int]) -> tuple[int, ...]:
    """The same, where equal entries are at their own cylinders as far as they can be."""
    for i in range(len(places)):
        if abs(entered[places[i]] - entered[i]) <= _LEAST_ENTRY:
            j = places.index(i)
            places[i], places[j] = places[j], places[i]
    return tuple(places)


def _tell_story(moves: Moves, places: tuple[int, ...]) -> _Story:
    """How well the moves are explained where each cylinder shows the entry of `places`."""
    every = _explanations(moves, np.array(places))
    most, at = divmod(int(every.scores.argmin()), every.scores.shape[1])
    taken = every.taken(most, at)
    cylinders = np.arange(len(places))
    own = np.array(places) == cylinders
    return _Story(
        places,
        float(every.scores[most, at]) + _MOVED_PRICE * int((~own).sum()),
        float(every.squares[taken, at, cylinders].sum()),
        own & (taken == most),
    )


def _is_told_apart(moves: Moves, places: tuple[int, ...], pair: tuple[int, int]) -> bool:
    """Whether the entries of a pair differ by more than its noise."""
    i, j = pair
    return bool(
        abs(moves.entered[places[i]] - moves.entered[places[j]])
        > _CAP**0.5 * np.hypot(moves.errors[i], moves.errors[j])
    )


def _exchanged(places: tuple[int, ...], pair: tuple[int, int]) -> tuple[int, ...]:
    out = list(places)
    i, j = pair
    out[i], out[j] = out[j], out[i]
    return tuple(out)


def is_loop_closed(entered: Floats, moved: Floats, errors: Floats) -> bool:
    """Whether the mean of a bank was held against its trims.

    entered, moved, errors: float64[n] of its nodes: the changes of ln(1 + trim), those of ln lambda over the
        target, and their standard errors, which the nodes share.
    """
    known = np.isfinite(moved) & np.isfinite(errors)
    if known.sum() < 2 or not known.all():
        return False
    mean = abs(float(entered.mean()))
    left = abs(float(moved.mean())) + NORMAL_95_SIX_DECIMALS * float(errors.mean())
    return mean >= _LOOP_LEAST and left < _LOOP_PART * mean
