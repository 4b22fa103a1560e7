"""A log by its frames, without rows of cylinders: `read_frames`, `census` and `decode`.

`FrameLog` gives the frames of the chosen part of one log and the account of its lines. `census` counts who
sends them; `decode` turns them into values of signals, by a session or by any message definitions. Memory
does not grow with the log.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Self

import numpy as np
from numpy.typing import NDArray

from mixmon.arrays import SECOND_NS, Bytes, Floats, Ints
from mixmon.errors import SourceError, UsageError, check_kind, check_path, nearest
from mixmon.findings.census.census import Census
from mixmon.findings.census.nodes import Expected, from_binding, from_own_layer
from mixmon.findings.census.records import CensusReport
from mixmon.findings.census.traffic import StretchCutter
from mixmon.frames.block import FrameBlock
from mixmon.frames.logs import check_part, open_log
from mixmon.messages.bind import bind, load_databases
from mixmon.messages.binding import NO_BUS, Binding
from mixmon.messages.block import SignalBlock
from mixmon.messages.chain import shipped_database
from mixmon.messages.database import load_database
from mixmon.messages.decode import Decoder
from mixmon.messages.plan import MessagePlan, Quality
from mixmon.result import Origin
from mixmon.run import LogFacts, Watcher, listed_identifiers
from mixmon.session.model import Session

# ----------------------------------------------------------------------------------------------------
# The frames of a log.
# ----------------------------------------------------------------------------------------------------


class FrameLog:
    """Blocks of the frames of one log that lie in the chosen part; never an empty block.

    Each iteration reads the log from its start; `first`, `frames` and `log` are those of the last one.

    first   stamp of the log's first frame, ns, from which the chosen part and all times t_s count
    frames  frames given so far
    """

    def __init__(
        self,
        path: str | Path,
        *,
        begin_ns: int = 0,
        end_ns: int | None = None,
        watcher: Watcher | None = None,
    ) -> None:
        self._source = open_log(path)
        self._begin, self._end = begin_ns, end_ns
        self.watcher = watcher
        self._restart()

    def _restart(self) -> None:
        self.first = 0
        self.frames = 0
        self.corrupt = 0
        self._newest: int | None = None
        self._stretches = StretchCutter()

    @property
    def name(self) -> str:
        """The name of the log."""
        return self._source.name

    def __repr__(self) -> str:
        return f"<FrameLog: {self.name}>"

    @property
    def total(self) -> int | None:
        """Bytes of the log; None where that is not known."""
        return self._source.total

    def __iter__(self) -> Iterator[FrameBlock]:
        self._restart()
        source = self._source
        for block in source:
            self._note_span(block)
            inside = self._cut_to_part(block)
            self.frames += len(inside)
            if len(inside):
                deque(self._stretches.cut(inside), maxlen=0)
                yield inside
            if self.watcher is not None:
                self.watcher(len(block), source.position)
        if not self.frames:
            length = ((self._newest or 0) - self.first) / SECOND_NS
            raise SourceError(
                f"{source.name}: no frame in the chosen part; expected its begin and end within its "
                f"{length:.3f} s; correct them"
            )

    @property
    def log(self) -> LogFacts:
        """What became of the log's lines, as far as it was read."""
        report = self._source.report
        return LogFacts(
            frames=report.frames,
            rejected_lines=report.rejected_lines,
            first_rejected=report.first_rejected,
            skipped=report.skipped,
            losses=report.losses,
            losses_counted=self._source.losses_counted,
            first_ns=self.first,
            duration_s=self._stretches.duration_ns / SECOND_NS,
            jumps=self._stretches.breaks,
            first_jumps=self._stretches.first_jumps,
            decoded=self.frames,
            corrupt=self.corrupt,
            faults=report.faults,
        )

    def _note_span(self, block: FrameBlock) -> None:
        if self._newest is None:
            self.first = self._newest = int(block.t[0])
        self._newest = max(self._newest, int(block.t.max()))

    def _cut_to_part(self, block: FrameBlock) -> FrameBlock:
        if self._begin <= 0 and self._end is None:
            return block
        since = block.t - self.first
        end = np.iinfo(np.int64).max if self._end is None else self._end
        return block.take((since >= self._begin) & (since < end))


def read_frames(
    log: str | Path, *, begin_s: float = 0.0, end_s: float | None = None, watcher: Watcher | None = None
) -> FrameLog:
    """The frames of a log, to iterate over or to hand to `census` or `decode`.

    >>> import mixmon
    >>> frames = mixmon.read_frames("examples/foreign.log.gz", end_s=1.0)
    >>> sum(len(block) for block in frames), frames.log.rejected_lines
    (552, 0)

    Args:
        log: a recording, or the folder of a run; "-" is standard input.
        begin_s: seconds from the log's first frame before which frames are not used.
        end_s: seconds from which on they are not used; None for all.
        watcher: called while reading, with frames and bytes read.

    Raises:
        SourceError: the log cannot be read; also while iterating, and where nothing lies in the part.
    """
    check_path(log, "read_frames", "a log")
    begin_ns, end_ns = check_part(begin_s, end_s)
    return FrameLog(log, begin_ns=begin_ns, end_ns=end_ns, watcher=watcher)


def frames_of(log: FrameLog | str | Path, where: str) -> FrameLog:
    """The frames of a log that is named, or that was opened already; `where` is who asks.

    Raises:
        UsageError: it is neither.
        SourceError: there is no such log.
    """
    if isinstance(log, FrameLog):
        return log
    check_path(log, where, "a log, or what read_frames gives")
    return FrameLog(log)


# ----------------------------------------------------------------------------------------------------
# Who sends them.
# ----------------------------------------------------------------------------------------------------


def census(
    log: FrameLog | str | Path, session: Session | None = None, *, bitrate: int | None = None
) -> CensusReport:
    """Who is on the bus: nodes present and silent, rates, gaps, load of each bus; see `CensusReport`.

    >>> import mixmon
    >>> session = mixmon.load_session("examples/foreign.toml")
    >>> found = mixmon.census(mixmon.read_frames("examples/foreign.log.gz", end_s=5.0), session)
    >>> len(found.nodes), [node.position for node in found.nodes if node.silent]
    (6, [])

    Args:
        log: from `read_frames`, or its name; it is read to its end.
        session: says who should be there; None: the project's own message layer is looked for.
        bitrate: bits a second of every bus, for its load, where there is no session.

    Raises:
        SourceError: the log cannot be read, or nothing lies in the chosen part.
        SessionError: the session's signals are not in its message definitions.
    """
    frames = frames_of(log, "census")
    stage = Census(expected_of(session, bitrate))
    for block in frames:
        stage.feed(block)
    report = stage.result(frames.first)
    frames.corrupt = sum(node.checksum_errors + node.repeats for node in report.nodes)
    return replace(report, origin=Origin(logs=(frames.log,), session=session))


def expected_of(session: Session | None, bitrate: int | None = None) -> Expected:
    """Who should be on the bus; raises and takes what `census` does."""
    if session is None:
        return from_own_layer(bitrate)
    check_kind(session, Session, "census", "a session, as load_session gives it")
    return from_binding(bind(session, load_databases(session)))


# ----------------------------------------------------------------------------------------------------
# Values of their signals.
# ----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class DecodedFrames:
    """One message's frames out of a block of frames.

    channel          the interface's name in the log
    rows  int64[m]   where in the block each frame stood
    block            their signals
    """

    channel: str
    rows: Ints
    block: SignalBlock


@dataclass(frozen=True, slots=True, eq=False)
class SignalValues:
    """One signal's values in m frames of one channel; frames that do not carry it are left out.

    channel, message, signal  the interface's name in the log, and the names in the definitions
    unit     as in the definitions; empty where they name none
    rows     int64[m]    where in its block of frames each frame stood
    values   float64[m]  in `unit`; NaN where not good
    quality  uint8[m]    Quality: good, not available, error, out of range, corrupt, ...
    raw      raw values, in their own type
    t        int64[m]    stamp of each frame as logged, ns
    """

    channel: str
    message: str
    signal: str
    unit: str
    rows: Ints
    values: Floats
    quality: Bytes
    raw: Ints | NDArray[np.uint64] | Floats
    t: Ints

    def __repr__(self) -> str:
        unit = f", {self.unit}" if self.unit else ""
        return f"<SignalValues: {self.channel} {self.message}.{self.signal}{unit}, {len(self.t)} values>"


def _make_columns(t: Ints, decoded: DecodedFrames, wanted: Iterable[str]) -> list[SignalValues]:
    """The values of the wanted signals of a message; `t` int64[n], the stamps of the block."""
    block = decoded.block
    taken = []
    for k, name in enumerate(block.names):
        if name in wanted:
            there = block.quality[k] != Quality.MISSING
            keep = slice(None) if there.all() else there
            unit = block.message.signal(name).unit
            fields = (decoded.rows, block.values[k], block.quality[k], block.raw[k], t[decoded.rows])
            taken.append(
                SignalValues(decoded.channel, block.message.name, name, unit, *(f[keep] for f in fields))  # type: ignore[arg-type]
            )
    return taken


_FRAMES_AT_ONCE = 16_384
"""Our choice: some ten megabytes, as lines of text take some hundred times the room of a frame."""

Wide = tuple[DecodedFrames, tuple[str, ...]]
"""A message's frames and the names of its signals that are wanted."""


@dataclass(frozen=True, slots=True)
class Definitions:
    """Messages by channel, and all of them together."""

    name: str
    of_channel: Callable[[str], tuple[MessagePlan, ...]]
    every: tuple[MessagePlan, ...]

    @classmethod
    def of_session(cls, binding: Binding) -> Self:
        """The session's buses tell which channel has which messages."""

        def of_channel(channel: str) -> tuple[MessagePlan, ...]:
            bus = int(binding.bus_of_channels([channel])[0])
            return () if bus == NO_BUS else binding.plans[bus]

        name = str(binding.session.path or "session")
        return cls(name, of_channel, tuple(plan for plans in binding.plans for plan in plans))

    @classmethod
    def of_database(cls, name: str, messages: Sequence[MessagePlan]) -> Self:
        """The same messages on every channel."""
        every = tuple(messages)
        return cls(name, lambda _: every, every)


class Decoding:
    """Decodes the chosen signals of every channel; each channel has counters of its own.

    frames, values  decoded so far
    missing         values that were not in their frames: cut short, or another branch
    sources         source addresses by channel and message, of messages that are taken from any source
    """

    def __init__(self, definitions: Definitions, patterns: Sequence[str]) -> None:
        """`patterns` choose signals as Signal or Message.Signal; none chooses all.

        Raises:
            UsageError: a pattern fits no signal.
        """
        self._definitions = definitions
        self._chosen = _choose_signals(definitions, patterns)
        self._decoders: dict[str, Decoder] = {}
        self.sources: dict[tuple[str, str], set[int]] = {}
        self.frames = self.values = self.missing = 0

    def columns(self, block: FrameBlock) -> Iterator[tuple[FrameBlock, list[SignalValues]]]:
        """Pieces of the block, each with the values of its signals."""
        for part, messages in self.messages(block):
            found = [
                column for decoded, names in messages for column in _make_columns(part.t, decoded, names)
            ]
            self.values += sum(len(column.rows) for column in found)
            yield part, found

    def messages(self, block: FrameBlock) -> Iterator[tuple[FrameBlock, list[Wide]]]:
        """Pieces of the block, each with its decoded messages."""
        for start in range(0, len(block), _FRAMES_AT_ONCE):
            part = block.take(slice(start, start + _FRAMES_AT_ONCE))
            yield (
                part,
                [wide for bus in range(len(part.channels)) for wide in self._decode_channel(part, bus)],
            )

    @property
    def unknown(self) -> int:
        """Frames of identifiers without a definition."""
        return sum(decoder.unknown for decoder in self._decoders.values())

    @property
    def corrupt(self) -> int:
        """Frames with a wrong checksum or a repeated counter."""
        counts = [c for decoder in self._decoders.values() for c in decoder.counts.values()]
        return sum(c.checksum_errors + c.repeats for c in counts)

    def expected(self) -> str:
        """Some identifiers of the chosen messages, for an error message."""
        chosen = (plan for plan in self._definitions.every if self._chosen_names(plan))
        return listed_identifiers(plan.can_id for plan in chosen)

    def _decode_channel(self, part: FrameBlock, bus: int) -> Iterator[Wide]:
        rows = np.flatnonzero(part.bus == bus)
        if not len(rows):
            return
        channel, mine = part.channels[bus], part.take(rows)
        buses = np.where(np.arange(len(part.channels)) == bus, 0, NO_BUS).astype(np.uint8)
        for block in self._decoder_of(channel).decode(mine, buses):
            at = rows[block.rows]
            if block.message.by_pgn:
                sources = self.sources.setdefault((channel, block.message.name), set())
                sources.update(np.unique(part.can_id[at] & np.uint32(0xFF)).tolist())
            self.frames += len(at)
            self.missing += int(np.count_nonzero(block.quality == Quality.MISSING))
            yield DecodedFrames(channel, at, block), block.names

    def _decoder_of(self, channel: str) -> Decoder:
        if channel not in self._decoders:
            plans = self._definitions.of_channel(channel)
            wanted = frozenset((0, plan.name, name) for plan in plans for name in self._chosen_names(plan))
            self._decoders[channel] = Decoder([(0, plans)], wanted)
        return self._decoders[channel]

    def _chosen_names(self, plan: MessagePlan) -> list[str]:
        return [s.name for s in plan.signals if self._chosen(plan.name, s.name)]


def _choose_signals(definitions: Definitions, patterns: Sequence[str]) -> Callable[[str, str], bool]:
    """Whether a signal of a message is wanted."""
    known = [(plan.name, signal.name) for plan in definitions.every for signal in plan.signals]
    for pattern in patterns:
        if not any(_fits_pattern(pattern, message, signal) for message, signal in known):
            names = {f"{m}.{s}" if "." in pattern else s: None for m, s in known}
            raise UsageError(
                f"signals {pattern}: no such signal in {definitions.name}; {nearest(pattern, names)}"
                "expected Signal or Message.Signal; correct the name"
            )
    if not patterns:
        return lambda _message, _signal: True
    return lambda message, signal: any(_fits_pattern(p, message, signal) for p in patterns)


def _fits_pattern(pattern: str, message: str, signal: str) -> bool:
    return fnmatchcase(f"{message}.{signal}" if "." in pattern else signal, pattern)


class Decoded:
    """The values of signals in a log, decoded while they are asked for; memory does not grow with the log.

    Iterating gives `SignalValues`, block by block of frames: those of one signal in one block.

    frames    the log
    decoding  what is decoded, with its counters
    """

    def __init__(self, frames: FrameLog, decoding: Decoding) -> None:
        self.frames = frames
        self.decoding = decoding

    def __repr__(self) -> str:
        return f"<Decoded: {self.frames.name}>"

    def __iter__(self) -> Iterator[SignalValues]:
        for _, found in self.columns():
            yield from found

    def columns(self) -> Iterator[tuple[FrameBlock, list[SignalValues]]]:
        """Pieces of the log, each with the values of its signals.

        Raises:
            SourceError: the log cannot be read, or no frame of it carries a chosen signal.
        """
        for block in self.frames:
            yield from self.decoding.columns(block)
        self._refuse_nothing()

    def messages(self) -> Iterator[tuple[FrameBlock, list[Wide]]]:
        """Pieces of the log, each with its decoded messages.

        Raises:
            SourceError: as `columns`.
        """
        for block in self.frames:
            yield from self.decoding.messages(block)
        self._refuse_nothing()

    def _refuse_nothing(self) -> None:
        if not self.decoding.frames:
            raise SourceError(
                f"{self.frames.name}: no frame of the chosen signals; expected some of "
                f"{self.decoding.expected()}; check the definitions and the session's log_channel (mixmon "
                "census shows what is there)"
            )


def decode(
    log: FrameLog | str | Path, by: Session | Definitions | str | Path, signals: Sequence[str] = ()
) -> Decoded:
    """The values of signals in a log, by a session's definitions or by any DBC file.

    >>> import mixmon
    >>> log = mixmon.read_frames("examples/foreign.log.gz", end_s=1.0)
    >>> one = next(iter(mixmon.decode(log, "examples/foreign_engine.dbc", ["Crank.*"])))
    >>> one.message, one.unit, len(one.t) == len(one.values)
    ('Crank', '1/min', True)

    Args:
        log: from `read_frames`, or its name.
        by: a session, whose buses say which channel has which messages; or a DBC file, or the name of one
            that is shipped, for all channels.
        signals: only these: Signal or Message.Signal; * and ? stand for any letters; none: all.

    Raises:
        UsageError: a pattern fits no signal.
        DefinitionError, SessionError: the definitions cannot be used.
        SourceError: the log cannot be read; while iterating, also where nothing of the chosen is in it.
    """
    if isinstance(signals, str):
        raise UsageError(
            f"decode: signals {signals!r}; expected a list of them, such as [{signals!r}]; give one"
        )
    return Decoded(frames_of(log, "decode"), Decoding(_definitions_of(by), signals))


def _definitions_of(by: Session | Definitions | str | Path) -> Definitions:

    if isinstance(by, Definitions):
        return by
    if isinstance(by, Session):
        return Definitions.of_session(bind(by, load_databases(by)))
    check_path(by, "decode", "a DBC file, or a session, as load_session gives it")
    path = Path(by)
    database = load_database(path if path.exists() else shipped_database(str(by)) or path)
    return Definitions.of_database(database.name, database.messages)
