"""What `mixmon decode` is made of: frames become columns of values, and text goes to its place.

`Definitions` say which messages a channel carries, `Decoding` decodes the chosen signals of each block,
and text goes to standard output, to a file or to a folder of files. Memory does not grow with the log.
"""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from fnmatch import fnmatchcase
from pathlib import Path
from tempfile import NamedTemporaryFile
from types import TracebackType
from typing import BinaryIO, Self, cast

import numpy as np

from mixmon.cli.console import result_bytes, unwritable
from mixmon.cli.main import nearest
from mixmon.cli.paths import is_file, is_there
from mixmon.errors import UsageError
from mixmon.frames.block import FrameBlock
from mixmon.messages.bind import database_path
from mixmon.messages.binding import NO_BUS, Binding
from mixmon.messages.decode import Decoder
from mixmon.messages.plan import MessagePlan, Quality
from mixmon.report.tables import DecodedFrames, Values, columns
from mixmon.report.text import counted
from mixmon.run import listed_identifiers
from mixmon.session.evidence import evidence_path, evidence_text
from mixmon.session.load import read_session
from mixmon.session.model import IdentityEvidence, Session

# Frames to columns of values, channel by channel.

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
    """Decodes the chosen signals of every channel; each channel has counters of its own."""

    def __init__(self, definitions: Definitions, patterns: Sequence[str]) -> None:
        """`patterns` choose signals as Signal or Message.Signal; none chooses all.

        Raises:
            UsageError: a pattern fits no signal.
        """
        self._definitions = definitions
        self._chosen = _choose_signals(definitions, patterns)
        self._decoders: dict[str, Decoder] = {}
        self._sources: dict[tuple[str, str], set[int]] = {}
        self.frames = 0
        self._values = 0
        self._missing = 0

    def columns(self, block: FrameBlock) -> Iterator[tuple[FrameBlock, list[Values]]]:
        """Pieces of the block, each with the values of its signals."""
        for part, messages in self.messages(block):
            found = [column for decoded, names in messages for column in columns(decoded, names)]
            self._values += sum(len(column.rows) for column in found)
            yield part, found

    def messages(self, block: FrameBlock) -> Iterator[tuple[FrameBlock, list[Wide]]]:
        """Pieces of the block, each with its decoded messages."""
        for start in range(0, len(block), _FRAMES_AT_ONCE):
            part = block.take(slice(start, start + _FRAMES_AT_ONCE))
            yield (
                part,
                [wide for bus in range(len(part.channels)) for wide in self._decode_channel(part, bus)],
            )

    def remarks(self) -> list[str]:
        """What was written, and what was not."""
        unknown = sum(decoder.unknown for decoder in self._decoders.values())
        return [
            text
            for number, text in (
                (self._values, f"{counted(self._values, 'value')} of {counted(self.frames, 'frame')}"),
                (
                    self._missing,
                    f"{counted(self._missing, 'value')} not in their frames (cut short, or another branch)",
                ),
                (unknown, f"{counted(unknown, 'frame')} of identifiers without a definition"),
            )
            if number
        ] + [
            f"{message} on {channel}: from {len(sources)} source addresses taken together: "
            + ", ".join(f"{source:02X}" for source in sorted(sources))
            for (channel, message), sources in self._sources.items()
            if len(sources) > 1
        ]

    def corrupt_remarks(self) -> list[str]:
        """How many frames are corrupt; empty for none."""
        counts = [c for decoder in self._decoders.values() for c in decoder.counts.values()]
        wrong = sum(c.checksum_errors + c.repeats for c in counts)
        words = f"{counted(wrong, 'frame')} with a wrong checksum or a repeated counter, marked corrupt"
        return [words] if wrong else []

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
                sources = self._sources.setdefault((channel, block.message.name), set())
                sources.update(np.unique(part.can_id[at] & np.uint32(0xFF)).tolist())
            self.frames += len(at)
            self._missing += int(np.count_nonzero(block.quality == Quality.MISSING))
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
                f"--signals {pattern}: no such signal in {definitions.name}; {nearest(pattern, names)}"
                "expected Signal or Message.Signal; correct the name"
            )
    if not patterns:
        return lambda _message, _signal: True
    return lambda message, signal: any(_fits_pattern(p, message, signal) for p in patterns)


def _fits_pattern(pattern: str, message: str, signal: str) -> bool:
    return fnmatchcase(f"{message}.{signal}" if "." in pattern else signal, pattern)


# Where text goes.


def check_places(
    places: Mapping[str, Path | None],
    inputs: Iterable[str | Path | None],
    *,
    session: Path | None,
    force: bool,
) -> list[Path]:
    """The files that a command reads; places that hold what must not be written over are refused.

    places   by the option that names each; None where it was not given
    inputs   files that the command reads
    session  the session file that it reads, with the databases that this names
    force    files that are there may be written over, but no input

    Raises:
        UsageError: a place is an input, is named twice, or is a file that is there already.
        SourceError: the session file cannot be read.
    """
    read = [Path(path) for path in inputs if path is not None]
    if session is not None:
        read += [session, *_databases_of(session)]
    written: list[Path] = []
    for option, place in places.items():
        if place is None:
            continue
        _refuse_inputs(f"{option} {place}", place, read)
        if any(place == path or _is_same(place, path) for path in written):
            raise UsageError(f"{option} {place}: is named twice; expected a file for each; choose a name")
        if is_file(place) and not force:
            raise _taken(place)
        written.append(place)
    return read


def _databases_of(session: Path) -> list[Path]:
    """The message definition files that a session file names, as far as it can be understood."""
    read, _ = read_session(session)
    names = [] if read is None else [name for bus in read.buses for name in bus.databases]
    found = (database_path(name, session.parent) for name in names)
    return [path for path in found if path is not None]


def _refuse_inputs(said: str, place: Path, read: Iterable[Path]) -> None:
    """Refuse to write over a file that the command reads; `said` names the place."""
    if any(_is_same(place, path) for path in read):
        raise UsageError(f"{said}: is an input of this command; expected another file; choose a name")


def _is_same(place: Path, path: Path) -> bool:
    return is_file(place) and is_file(path) and place.samefile(path)


def _taken(place: Path) -> UsageError:
    return UsageError(
        f"{place}: is there already; expected a new file; choose another name, or write over it with --force"
    )


def open_new(path: Path, *, force: bool) -> BinaryIO:
    """A new file to be written; with `force` also one that is there. Devices and pipes are taken as they are.

    Raises:
        UsageError: it is there already.
        OutputError: it cannot be opened.
    """
    over = force or (not is_file(path) and is_there(path))
    try:
        return path.open("wb" if over else "xb")
    except FileExistsError as error:
        raise _taken(path) from error
    except (OSError, ValueError) as error:  # ValueError: no name that a file can have
        raise unwritable(path, error) from error


@contextmanager
def new_file(path: Path, *, force: bool) -> Iterator[BinaryIO]:
    """`open_new`, closed at the end; a file that is there stays as it is until the new one is whole.

    The new one is written beside it and takes its name and permissions at the end. Where the work is
    interrupted or fails, the old one is left.
    """
    if not (force and is_file(path)):
        with open_new(path, force=force) as file:
            yield file
        return
    fresh = _make_beside(path)
    try:
        with fresh.open("wb") as file:
            yield file
        _take_name(fresh, path)
    except BaseException:
        fresh.unlink(missing_ok=True)
        raise


def write_evidence(place: Path, evidence: IdentityEvidence, *, force: bool) -> None:
    """Writes the proof of the labels beside the session file; `force` as in `new_file`.

    Raises:
        UsageError: it is there already.
        OutputError: it cannot be written.
    """
    with new_file(place, force=force) as file:
        file.write(evidence_text(evidence).encode())


def evidence_keeper(session: Session) -> Callable[[IdentityEvidence, bool], str] | None:
    """Keeps a proof of the labels beside the session file, over an older one where told to; gives its place.

    None where the session has no file of its own: the copy in the folder of a run, or what a program made.
    """
    if session.path is None or session.of_run:
        return None
    place = evidence_path(session.path)

    def keep(evidence: IdentityEvidence, over: bool) -> str:
        write_evidence(place, evidence, force=over)
        return str(place)

    return keep


def _make_beside(path: Path) -> Path:
    """A new file beside one that is there (where a link leads, beside that), which is to take its name."""
    try:
        with NamedTemporaryFile(dir=path.resolve().parent, prefix=".mixmon-", delete=False) as fresh:
            return Path(fresh.name)
    except OSError as error:
        raise unwritable(path, error) from error


def _take_name(fresh: Path, path: Path) -> None:
    """Put the new file, which is whole, in the place of the one that is there, with its permissions."""
    place = path.resolve()
    shutil.copymode(place, fresh)
    fresh.replace(place)


class TextOut:
    """Text in UTF-8, to a file that is made at the first write, or to standard output.

    What was written is whole lines if only whole lines are given, also after an interruption; but a file
    that was there is then left as it was.
    """

    def __init__(self, path: Path | None, *, force: bool) -> None:
        """None is standard output; `force` as in `new_file`."""
        self._path, self._force = path, force
        self._file: BinaryIO | None = None
        self._open = ExitStack()

    def write(self, text: str) -> None:
        """Writes the text.

        Raises:
            UsageError: the file is there already.
            OutputError: there is no room, or the place is gone.
            BrokenPipeError: nobody reads standard output any more.
        """
        data = text.encode()
        if self._path is None:
            result_bytes(data)
            return
        if self._file is None:
            self._file = self._open.enter_context(new_file(self._path, force=self._force))
        try:
            self._file.write(data)
        except OSError as error:
            raise unwritable(self._path, error) from error

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            self._open.__exit__(kind, error, trace)
        except OSError as failure:
            raise unwritable(self._path, failure) from failure


class FolderOut:
    """A folder with one file a table. Files are opened for each write: there may be thousands.

    What an interruption leaves of new files and of those that were there: as in `TextOut`.
    """

    def __init__(self, folder: Path, read: Sequence[Path], *, force: bool) -> None:
        """Makes the folder if need be; `force` as in `new_file`, but none of the files that are `read`.

        Raises:
            OutputError: it cannot be made.
        """
        self._folder, self._read, self._force = folder, read, force
        self._names: dict[tuple[str, ...], str] = {}
        self._fresh: dict[Path, Path] = {}  # the new files by those whose names they take in the end
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise unwritable(folder, error) from error

    def has(self, key: tuple[str, ...]) -> bool:
        """True if something was written to that table."""
        return key in self._names

    def write(self, key: tuple[str, ...], text: str) -> None:
        """Adds the text to the table of that name, whose file is made at the first call.

        Raises:
            UsageError: the file is there already, or is read by the command.
            OutputError: there is no room, or the place is gone.
        """
        begun = key in self._names
        path = self._folder / self._names.setdefault(key, self._file_name(key))
        if not begun:
            _refuse_inputs(str(path), path, self._read)
            if self._force and is_file(path):
                self._fresh[path] = _make_beside(path)
        try:
            if fresh := self._fresh.get(path):
                opened = cast("BinaryIO", fresh.open("ab"))
            else:
                opened = cast("BinaryIO", path.open("ab")) if begun else open_new(path, force=self._force)
            with opened as file:
                file.write(text.encode())
        except OSError as error:
            raise unwritable(path, error) from error

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        for path, fresh in self._fresh.items():
            try:
                if error is None:
                    _take_name(fresh, path)
                fresh.unlink(missing_ok=True)
            except OSError as failure:
                raise unwritable(path, failure) from failure

    def _file_name(self, key: tuple[str, ...]) -> str:
        """A file name of the key's words, whatever characters they hold, and different from all others."""
        stem = ".".join(re.sub(r"[^A-Za-z0-9_-]", "_", word) for word in key)
        taken = {name.lower() for name in self._names.values()}
        numbered = (f"{stem}{'' if n == 1 else f'-{n}'}.csv" for n in range(1, len(taken) + 2))
        return next(name for name in numbered if name.lower() not in taken)
