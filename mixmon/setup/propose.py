"""A session from a log: which signals carry what, by name, unit and values, and from what it was concluded.

Message definitions are the user's, and the project's own where their frames are in the log. Each file goes to
the channel on which most of its messages came. What several signals could be is decided by name first, then
by unit, then by whether the values can be it (`findings.plausible`); the others are kept beside the choice.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Final

import numpy as np

from mixmon.arrays import SECOND_NS, Floats
from mixmon.errors import UsageError
from mixmon.findings.plausible.judge import Mask, judge_alone
from mixmon.findings.plausible.ranges import (
    DISPLAY_AFR,
    SELF_RUNNING_RPM,
    fitting_conversions,
    possible_range,
    quantity_named,
)
from mixmon.findings.plausible.samples import SignalSamples
from mixmon.log import Definitions, FrameLog
from mixmon.messages.chain import CHAIN_FILE, ENGINE_FILE, shipped_database
from mixmon.messages.database import Database, load_database
from mixmon.messages.misread import Rescaling, measured_by, misread, rescaling_of
from mixmon.messages.plan import MessagePlan, SignalPlan
from mixmon.mixture.track import Source
from mixmon.session.keys import CHAIN_QUANTITIES, ENGINE_QUANTITIES, MOST_CYLINDERS
from mixmon.session.model import SignalChoice
from mixmon.setup.names import goes_with, is_named_phi, name_score, states_meaning, words_of
from mixmon.setup.samples import gather_samples

_LEAST_SCORE: Final = 3
"""Below it a signal is no candidate: a word of its name, or of its message and its unit. Our choice."""


AS_SENT: Final = Rescaling()
"""A number that is the quantity as it is."""


_FLAG_BITS: Final = 2
"""What has no more is a flag or a state, and no number."""


@dataclass(frozen=True, slots=True)
class Candidate:
    """A signal that could carry a quantity.

    channel       of the log
    message       its message
    signal        its definition
    rescaling     how its number becomes the quantity
    equals        states that mean yes; None for a number, and where any value but 0 does
    score         how well name, unit and values fit
    by_unit       whether its unit says that it is the quantity, or another unit of it
    by_values     whether the unit was concluded from the values
    odd           whether its values are not those of the quantity
    seen          lowest, middle and highest value, as the session reads them; NaN where there are none
    """

    channel: str
    message: MessagePlan
    signal: SignalPlan
    rescaling: Rescaling = AS_SENT
    equals: tuple[float, ...] | None = None
    score: int = 0
    by_unit: bool = False
    by_values: bool = False
    odd: bool = False
    seen: tuple[float, float, float] = (np.nan, np.nan, np.nan)

    @property
    def name(self) -> str:
        """Message and signal."""
        return f"{self.message.name}.{self.signal.name}"


@dataclass(frozen=True, slots=True)
class SignalFound:
    """What carries a quantity, and what else could: the best first."""

    quantity: str
    chosen: Candidate
    others: tuple[Candidate, ...] = ()


@dataclass(frozen=True, slots=True)
class ProposedNode:
    """One node: its place, and its signals by quantity."""

    position: int
    signals: Mapping[str, Candidate]


@dataclass(frozen=True, slots=True)
class ProposedBus:
    """One bus: its name here, its channel in the log, and the files that define its messages."""

    name: str
    channel: str
    databases: tuple[Path, ...]
    frames: int


@dataclass(frozen=True, slots=True)
class Cells:
    """Centres of cells where the engine was held, or over the range that it went through.

    held  whether they are points that were held
    """

    rpm: tuple[float, ...] = ()
    load: tuple[float, ...] = ()
    held: bool = False


@dataclass(frozen=True, slots=True)
class Proposal:
    """A session as far as a log tells it.

    buses       those of which something is known; empty without a log
    nodes       in the order of their places; empty where nothing reads mixture
    numbered    whether names tell the places; else they follow the order of the definitions
    rivals      other signals that could be mixture readings
    engine      choices by quantity
    cells       for the axes, by the signal of load
    unfit       files of which no message came
    unused      channels without definitions, with their frames
    log         name of the log; empty without one
    """

    buses: tuple[ProposedBus, ...] = ()
    nodes: tuple[ProposedNode, ...] = ()
    numbered: bool = True
    rivals: tuple[Candidate, ...] = ()
    engine: Mapping[str, SignalFound] = field(default_factory=dict)
    cells: Mapping[str, Cells] = field(default_factory=dict)
    unfit: tuple[Path, ...] = ()
    unused: tuple[tuple[str, int], ...] = ()
    log: str = ""

    @property
    def cylinders(self) -> int:
        """How many there are by the nodes: the number of the last, if there is a first; else theirs."""
        places = [node.position for node in self.nodes]
        return max(places) if 1 in places and self.numbered else len(places)

    def bus_of(self, channel: str) -> str:
        """The name of the bus of a channel."""
        return next(bus.name for bus in self.buses if bus.channel == channel)


_Samples = Mapping[tuple[str, str, str], SignalSamples]
"""By channel, message and signal."""


@dataclass(frozen=True, slots=True)
class _Found:
    """One file's messages on a channel where they came."""

    database: Database
    channel: str
    frames: int
    samples: _Samples
    messages: tuple[MessagePlan, ...]

    def signals(self) -> Iterator[tuple[MessagePlan, SignalPlan, SignalSamples]]:
        """Every signal that came, with its message."""
        for message in self.messages:
            for signal in message.signals:
                if signal.name in (message.protection.counter, message.protection.checksum):
                    continue
                came = self.samples.get((self.channel, message.name, signal.name))
                if came is not None and came.good:
                    yield message, signal, came


def propose(log: FrameLog, databases: Sequence[Database]) -> Proposal:
    """What a log tells of a session; it is read once for each file of definitions.

    Args:
        log: from `read_frames`; standard input cannot be read twice.
        databases: the user's; the project's own are tried beside them.

    Raises:
        SourceError: the log cannot be read.
        UsageError: it is standard input.
    """
    if log.name in {"-", "standard input"}:
        raise UsageError("--from -: is read more than once; expected a file; save the log first")
    found, channels = _read_all(log, databases)
    candidates = _Candidates(found)
    speed = candidates.choose("rpm", ())
    candidates.note_running(speed)
    nodes, numbered, rivals = candidates.nodes()
    taken = {c.name for node in nodes for c in node.signals.values()}
    engine = {} if speed is None else {"rpm": speed}
    for quantity in (name for name in ENGINE_QUANTITIES if name != "rpm"):
        if choice := candidates.choose(quantity, taken):
            engine[quantity] = choice
    used = {one.channel for one in found}
    return Proposal(
        _name_buses(found, nodes, engine),
        nodes,
        numbered,
        rivals,
        {name: engine[name] for name in ENGINE_QUANTITIES if name in engine},
        candidates.cells(engine),
        tuple(d.path for d in databases if all(d is not one.database for one in found)),
        tuple((name, frames) for name, frames in channels.items() if name not in used),
        log.name,
    )


def _read_all(log: FrameLog, databases: Sequence[Database]) -> tuple[list[_Found], Mapping[str, int]]:
    """Each file with the channels on which its messages came; channels of the log with their frames.

    A file goes to the channel on which most of its frames came. Where messages of it that came nowhere there
    are most of what another channel has, it defines both.
    """
    own = [shipped_database(name) for name in (CHAIN_FILE, ENGINE_FILE)]
    shipped = [load_database(path) for path in own if path is not None]
    taken: set[tuple[str, int]] = set()
    found, channels = [], {}
    for database in (*databases, *shipped):
        came = gather_samples(log, Definitions.of_database(database.name, database.messages), (), str)
        channels = dict(came.channels)
        best = _busiest_channel(database, came.samples, taken, by_good=database in shipped)
        if best is not None:
            found.append(_Found(database, *best, came.samples, tuple(database.messages)))
            taken |= {(best[0], message.can_id) for message in database.messages}
    for one in [one for one in found if one.database not in shipped]:
        found += _further_channels(one, channels, taken)
    return found, channels


_MOST_SHARE: Final = 0.5
"""Share of a channel's frames that a file must define to belong there too. Our choice: chance makes less."""


def _further_channels(
    one: _Found, channels: Mapping[str, int], taken: set[tuple[str, int]]
) -> Iterator[_Found]:
    """The file on other channels, with its messages that did not come on its own."""
    here = {message for channel, message, _ in one.samples if channel == one.channel}
    for channel, frames in channels.items():
        came = {
            message: samples.frames
            for (where, message, _), samples in one.samples.items()
            if where == channel and message not in here
        }
        free = tuple(m for m in one.messages if m.name in came and (channel, m.can_id) not in taken)
        count = sum(came[message.name] for message in free)
        if channel != one.channel and count > _MOST_SHARE * frames:
            yield _Found(one.database, channel, count, one.samples, free)


_WHOLE_SHARE: Final = 0.9
"""Share of an own message's frames whose checksum must be right. Our choice: foreign ones pass by chance."""


def _busiest_channel(
    database: Database, samples: _Samples, taken: set[tuple[str, int]], *, by_good: bool
) -> tuple[str, int] | None:
    """The channel on which most frames of a file came, and how many; without those of other files."""
    frames: dict[str, int] = defaultdict(int)
    ids = {message.name: message.can_id for message in database.messages}
    best: dict[tuple[str, str], tuple[int, int]] = defaultdict(lambda: (0, 0))
    for (channel, message, _), came in samples.items():
        best[channel, message] = max(best[channel, message], (came.frames, came.good))
    for (channel, message), (count, good) in best.items():
        whole = not by_good or good >= _WHOLE_SHARE * count
        if whole and (channel, ids[message]) not in taken:
            frames[channel] += count
    return max(frames.items(), key=lambda one: one[1], default=None)


def _name_buses(
    found: Sequence[_Found], nodes: Sequence[ProposedNode], engine: Mapping[str, SignalFound]
) -> tuple[ProposedBus, ...]:
    """Buses by their channels: "chain" with the nodes, "engine" with the rest, "car" with both."""
    of_nodes = {c.channel for node in nodes for c in node.signals.values()}
    of_engine = {choice.chosen.channel for choice in engine.values()}
    buses: dict[str, list[_Found]] = defaultdict(list)
    for one in found:
        buses[one.channel].append(one)
    named: list[ProposedBus] = []
    for channel in sorted(buses):
        both = channel in of_nodes and channel in of_engine
        name = "car" if both else "chain" if channel in of_nodes else "engine"
        taken = [bus.name for bus in named]
        name = name if name not in taken else f"{name}{len(named) + 1}"
        paths = tuple(one.database.path for one in buses[channel])
        named.append(ProposedBus(name, channel, paths, max(one.frames for one in buses[channel])))
    return tuple(named)


class _Candidates:
    """Signals that came, and what each could be."""

    def __init__(self, found: Sequence[_Found]) -> None:
        self._found = found
        self._speed: tuple[Candidate, SignalSamples] | None = None
        self._ranked: dict[str, list[Candidate]] = {}

    def note_running(self, speed: SignalFound | None) -> None:
        """From now on, quantities of a running engine are judged while it ran."""
        if speed is not None:
            self._speed = speed.chosen, self._samples_of(speed.chosen)
            self._ranked.clear()

    def choose(self, quantity: str, of_nodes: Collection[str]) -> SignalFound | None:
        """The best signal for a quantity of the engine, in messages of nodes only where no other has one.

        of_nodes: signals that are the nodes', Message.Signal.
        """
        free = [one for one in self._rank(quantity) if one.name not in of_nodes]
        messages = {name.partition(".")[0] for name in of_nodes}
        listed = [one for one in free if one.message.name not in messages] or free
        return SignalFound(quantity, listed[0], tuple(listed[1:])) if listed else None

    def nodes(self) -> tuple[tuple[ProposedNode, ...], bool, tuple[Candidate, ...]]:
        """The nodes, whether names tell their places, and other mixture readings."""
        readings = self._rank("lambda") or self._rank("oxygen")
        quantity = "lambda" if self._rank("lambda") else "oxygen"  # without lambda, oxygen is followed
        group, places, numbered = _largest_group(readings)
        made = []
        for place, reading in sorted(zip(places, group, strict=True), key=lambda one: one[0]):
            signals = {quantity: reading}
            for name in CHAIN_QUANTITIES:
                if name not in {quantity, "lambda"} and (own := self._of_node(name, reading, group)):
                    signals[name] = own
            made.append(ProposedNode(place, {n: signals[n] for n in CHAIN_QUANTITIES if n in signals}))
        members = {one.name for one in group}
        return tuple(made), numbered, tuple(one for one in readings if one.name not in members)

    def _of_node(self, quantity: str, reading: Candidate, group: Sequence[Candidate]) -> Candidate | None:
        """A node's own signal for a quantity: of its message, or of one that is numbered as it is.

        Numbered messages are the nodes' where most nodes have one: the engine's may have numbers too.
        """
        others = {one.name for one in group}
        free = [
            one for one in self._rank(quantity) if one.channel == reading.channel and one.name not in others
        ]
        own = [one for one in free if _belongs(one, reading)]
        inside = [one for one in own if one.message.name == reading.message.name]
        for one in inside or own:
            alike = [
                c for c in free if _without_numbers(c.message.name) == _without_numbers(one.message.name)
            ]
            served = sum(any(_belongs(c, other) for c in alike) for other in group)
            if inside or 2 * served > len(group):
                return one
        return None

    def _rank(self, quantity: str) -> list[Candidate]:
        """Every candidate for a quantity, the best first; equal ones in the order of the definitions."""
        if quantity in self._ranked:
            return self._ranked[quantity]
        found = [
            one
            for file in self._found
            for message, signal, came in file.signals()
            if (one := self._weigh(quantity, file.channel, message, signal, came)) is not None
        ]
        return self._ranked.setdefault(quantity, sorted(found, key=lambda one: -one.score))

    def _weigh(
        self, quantity: str, channel: str, message: MessagePlan, signal: SignalPlan, came: SignalSamples
    ) -> Candidate | None:
        plain = Candidate(channel, message, signal)
        if quantity_named(quantity).claim:
            return _weigh_claim(quantity, plain, came)
        unit = quantity_named(quantity).units[0]
        if signal.length <= _FLAG_BITS:
            return None
        rescaling, known = rescaling_of(signal, unit), measured_by(signal)
        if known is not None and known != unit and rescaling is None:
            return None
        by_unit = rescaling is not None or known is not None
        by_name = name_score(quantity, message.name, signal.name)
        score = by_name + 2 * by_unit
        if score < _LEAST_SCORE or (not by_name and quantity not in {"rpm", "lambda"}):
            return None
        if unit == "lambda" and not by_unit and is_named_phi(signal.name):
            rescaling = Rescaling(unit="phi")
        score -= 3 * goes_with(quantity, signal.name)  # by more than unit and several words are worth
        return self._look_at_values(quantity, replace(plain, score=score, by_unit=by_unit), rescaling, came)

    def _look_at_values(
        self, quantity: str, one: Candidate, rescaling: Rescaling | None, came: SignalSamples
    ) -> Candidate | None:
        """The candidate with the conversion that its unit or its values ask for, lower where they are odd."""
        possible, by_values = possible_range(quantity), False
        found = judge_alone(quantity, _source(one, rescaling), came, self._running(came))
        if found is not None and possible is not None and not one.by_unit:
            fitting = fitting_conversions(quantity, came.values, possible)
            if fitting:
                rescaling, by_values, found = fitting[0], True, None
        if not by_values and rescaling is None and quantity == "throttle" and _is_part(one.signal, came):
            rescaling, by_values = Rescaling(100.0), True
        read = replace(
            one,
            rescaling=rescaling or AS_SENT,
            by_values=by_values,
            odd=found is not None,
            score=one.score - 2 * (found is not None),
            seen=_seen_as(one, rescaling, came),
        )
        return None if misread(choice_of(read, ""), one.signal, quantity_named(quantity)) else read

    def _samples_of(self, one: Candidate) -> SignalSamples:
        key = (one.channel, one.message.name, one.signal.name)
        return next(f.samples[key] for f in self._found if f.channel == one.channel and key in f.samples)

    def _running(self, came: SignalSamples) -> Mask | None:
        """Whether the engine ran at each kept sample; None where its speed is not known."""
        if self._speed is None:
            return None
        speed, samples = self._speed
        rpm = _source(speed, speed.rescaling).read(samples.values)
        at = np.clip(np.searchsorted(samples.t, came.t, side="right") - 1, 0, None)
        return np.asarray(rpm[at] >= SELF_RUNNING_RPM)

    def cells(self, engine: Mapping[str, SignalFound]) -> Mapping[str, Cells]:
        """Cells where the engine was held, by the signal of load; over its range where it was not."""
        loads = [name for name in ("throttle", "map_kpa") if name in engine]
        return (
            {} if self._speed is None else {name: self._cells_by(engine[name].chosen, name) for name in loads}
        )

    def _cells_by(self, load: Candidate, name: str) -> Cells:
        assert self._speed is not None
        speed, samples = self._speed
        rpm = _source(speed, speed.rescaling).read(samples.values)
        came = self._samples_of(load)
        values = _source(load, load.rescaling).read(came.values)
        at = np.clip(np.searchsorted(came.t, samples.t, side="right") - 1, 0, None)
        thin = slice(None, None, max(1, len(rpm) // _MOST_LOOKS))
        return _make_cells(samples.t[thin] / SECOND_NS, rpm[thin], values[at][thin], name)


def choice_of(one: Candidate, bus: str) -> SignalChoice:
    """The candidate as the session file names it."""
    by = one.rescaling
    return SignalChoice(
        bus, one.message.name, one.signal.name, by.scale, by.offset, unit=by.unit, equals=one.equals
    )


def _source(one: Candidate, rescaling: Rescaling | None) -> Source:
    by = rescaling or AS_SENT
    where = (0, one.message.name, one.signal.name)
    return Source(*where, by.scale, by.offset, by.unit, DISPLAY_AFR, one.equals)


def _seen_as(one: Candidate, rescaling: Rescaling | None, came: SignalSamples) -> tuple[float, float, float]:
    values = _source(one, rescaling).read(came.values)
    low, middle, high = np.quantile(values, (0.005, 0.5, 0.995)).tolist()
    return low, middle, high


def _is_part(signal: SignalPlan, came: SignalSamples) -> bool:
    """Whether an opening is told from 0 to 1: by the declared range, or by values that come near 1."""
    if signal.minimum is not None and signal.maximum is not None and signal.minimum < signal.maximum:
        return signal.maximum <= 1.05
    return bool(0.2 < np.max(came.values) <= 1.05)  # our choice: opened by a fifth


def _weigh_claim(quantity: str, plain: Candidate, came: SignalSamples) -> Candidate | None:
    """A signal as yes or no: by its name, and by states whose text means yes."""
    signal, seen = plain.signal, came.values_seen
    score = name_score(quantity, plain.message.name, signal.name)
    if score < _LEAST_SCORE or seen is None or signal.is_float or signal.length > 8 or signal.scale % 1:
        return None
    states = states_meaning(quantity, signal)
    texts = [text for raw, text in signal.choices.items() if raw >= 0]
    if len(texts) > 2 and states and not _is_flag(signal):
        return replace(plain, equals=states, score=score + 2)
    if quantity == "ready" and signal.length > 2:
        return None
    read = replace(plain, score=score)
    return None if misread(choice_of(read, ""), signal, quantity_named(quantity)) else read


def _is_flag(signal: SignalPlan) -> bool:
    """Whether a signal has no more than no, yes and the codes for error and not available."""
    return signal.length <= 2 and {text.lower() for text in signal.choices.values()} >= {"no", "yes"}


# --- Which readings are the chain: the largest group of signals whose names differ by a number alone. ---


def _numbers_of(name: str) -> tuple[int, ...]:
    return tuple(int(word) for word in words_of(name) if word.isdigit())


def _without_numbers(name: str) -> str:
    return "".join("#" if word.isdigit() else word for word in words_of(name))


def _largest_group(readings: Sequence[Candidate]) -> tuple[list[Candidate], list[int], bool]:
    """The readings of the chain, the place of each, and whether the names tell it."""
    groups: dict[tuple[str, ...], list[Candidate]] = defaultdict(list)
    for one in readings:
        groups["signal", one.channel, _without_numbers(one.signal.name), one.signal.unit].append(one)
    if not groups:
        return [], [], True
    best = max(groups.values(), key=lambda group: (len(group), group[0].score))[:MOST_CYLINDERS]
    places = _places_of(best)
    if places is None:
        return best, list(range(1, len(best) + 1)), len(best) == 1
    return best, places, True


def _places_of(group: Sequence[Candidate]) -> list[int] | None:
    """A place for each by the number in its signal's name, or in its message's; None where neither tells."""
    for names in ([one.signal.name for one in group], [one.message.name for one in group]):
        numbers = [_numbers_of(name) for name in names]
        for k in range(min(map(len, numbers))):
            told = [row[k] for row in numbers]
            shift = 1 if min(told) == 0 else 0
            if len(set(told)) == len(told) and max(told) + shift <= MOST_CYLINDERS:
                return [number + shift for number in told]
    return None


def _belongs(one: Candidate, reading: Candidate) -> bool:
    """Whether a signal is of the node with that reading: by its message, and by the numbers in the names."""
    same_message = one.message.name == reading.message.name
    own, its = _numbers_of(reading.signal.name), _numbers_of(one.signal.name)
    if same_message:
        return not its or its == own
    named = _numbers_of(reading.message.name), _numbers_of(one.message.name)
    return bool(named[0]) and named[0] == named[1] and (not its or its == own)


# --- Where the cells of the axes are: at points that were held, else over the range. ---


_HELD_LEAST_S: Final = 4.0
"""How long a point is held to be one. Our choice: settling, and one second that counts."""

_HELD_BANDS: Final = {"rpm": 60.0, "throttle": 2.0, "map_kpa": 2.0}
"""Within which a point counts as held: the defaults of [validity]."""

_APART: Final = {"rpm": 250.0, "throttle": 4.0, "map_kpa": 6.0}
"""Centres that are nearer are one cell. Our choice: steadiness bands and a margin."""


_MOST_LOOKS: Final = 4000
"""Moments at which speed and load are looked at, about. Our choice: five a second of a quarter of an hour."""


def _make_cells(t: Floats, rpm: Floats, load: Floats, load_signal: str) -> Cells:
    running = (rpm >= SELF_RUNNING_RPM) & np.isfinite(load)
    if np.count_nonzero(running) < 2:
        return Cells()
    held = _held_points(t[running], rpm[running], load[running], _HELD_BANDS[load_signal])
    if len(held) >= 2:
        rpms, loads = (np.array(column) for column in zip(*held, strict=True))
        spread = _centres(rpms, _APART["rpm"], 50.0), _centres(loads, _APART[load_signal], 1.0)
        if max(map(len, spread)) >= 2:
            return Cells(*spread, held=True)
    (slow, fast), (low, high) = (
        np.quantile(values[running], (0.02, 0.98)).tolist() for values in (rpm, load)
    )
    return Cells(_regular(slow, fast, 500.0), _regular(low, high, 5.0))


def _held_points(t: Floats, rpm: Floats, load: Floats, band: float) -> list[tuple[float, float]]:
    """Middle speed and load of each time in which both stayed within their bands long enough."""
    found, start = [], 0
    for i in range(1, len(t) + 1):
        first = min(start + 4, i - 1)  # an anchor that one stray sample does not move
        near = (
            i < len(t)
            and t[i] - t[i - 1] < 1.0
            and abs(rpm[i] - rpm[first]) <= _HELD_BANDS["rpm"]
            and abs(load[i] - load[first]) <= band
        )
        if near:
            continue
        if t[i - 1] - t[start] >= _HELD_LEAST_S:
            found.append((float(np.median(rpm[start:i])), float(np.median(load[start:i]))))
        start = i
    return found


def _centres(values: Floats, apart: float, step: float) -> tuple[float, ...]:
    """Middles of values that lie together, rounded to a step."""
    ordered = np.sort(values)
    parts = np.split(ordered, np.flatnonzero(np.diff(ordered) > apart) + 1)
    rounded = {step * round(float(np.median(part)) / step) for part in parts}
    return tuple(sorted(rounded))


def _regular(low: float, high: float, step: float) -> tuple[float, ...]:
    """At most ten round centres from low to high."""
    while (high - low) / step > 9:
        step *= 2
    first = step * round(low / step)
    count = max(round((high - first) / step) + 1, 1)
    return tuple(max(first, 0.0) + step * k for k in range(count))
