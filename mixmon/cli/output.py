"""Where results go: to standard output, to a file or to a folder of files, new ones only unless told."""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager, suppress
from functools import partial
from pathlib import Path
from secrets import token_hex
from tempfile import NamedTemporaryFile
from types import TracebackType
from typing import BinaryIO, Self, cast

from mixmon.cli.console import result_bytes, unwritable
from mixmon.cli.paths import is_file, is_there
from mixmon.errors import UsageError
from mixmon.messages.bind import database_path
from mixmon.session.evidence import evidence_path, evidence_text
from mixmon.session.load import read_session
from mixmon.session.model import IdentityEvidence, Session


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
        UsageError: a place is an input, is named twice, or is a file that is there already;
            or it is standard output.
        SourceError: the session file cannot be read.
    """
    read = [Path(path) for path in inputs if path is not None]
    if session is not None:
        read += [session, *_databases_of(session)]
    written: list[Path] = []
    for option, place in places.items():
        if place is None:
            continue
        if place == Path("-"):
            raise UsageError(
                f"{option} -: standard output has what the command says; expected a file to be written; "
                "name one"
            )
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
def new_file(path: Path, *, force: bool, whole: bool = False) -> Iterator[BinaryIO]:
    """`open_new`, closed at the end; a file that is there stays as it is until the new one is whole.

    The new one is written beside it and takes its name and permissions at the end. Where the work is
    interrupted or fails, the old one is left. With `whole` there is no file of that name before it is whole,
    as nobody sees that half a table is missing.
    """
    if force and is_file(path):
        fresh, mode, take_name = _make_beside(path), "wb", _take_name
    elif whole and not is_there(path):
        fresh, mode = path.parent / f".mixmon-{token_hex(4)}", "xb"
        take_name = partial(_name_new, force=force)
    else:
        with _closed_at_end(open_new(path, force=force), path) as file:
            yield file
        return
    try:
        with _closed_at_end(_open_at(fresh, mode, path), path) as file:
            yield file
        take_name(fresh, path)
    except BaseException:
        with suppress(OSError, ValueError):
            fresh.unlink(missing_ok=True)
        raise


def _name_new(fresh: Path, path: Path, *, force: bool) -> None:
    """Gives the name to the file, which is whole.

    Raises:
        UsageError: another file has taken the name meanwhile.
        OutputError: it cannot be given.
    """
    if is_there(path) and not force:
        raise _taken(path)
    try:
        fresh.replace(path)
    except OSError as error:
        raise unwritable(path, error) from error


def _open_at(fresh: Path, mode: str, path: Path) -> BinaryIO:
    """The file that is to take the name `path`.

    Raises:
        OutputError: it cannot be opened.
    """
    try:
        return cast("BinaryIO", fresh.open(mode))
    except (OSError, ValueError) as error:  # ValueError: no name that a file can have
        raise unwritable(path, error) from error


@contextmanager
def _closed_at_end(file: BinaryIO, path: Path) -> Iterator[BinaryIO]:
    """The file; what it still holds back is written at the end.

    Raises:
        OutputError: there is no room for that.
    """
    try:
        yield file
    except BaseException:
        with suppress(OSError):
            file.close()
        raise
    try:
        file.close()
    except OSError as error:
        raise unwritable(path, error) from error


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

    def __init__(self, path: Path | None, *, force: bool, whole: bool = False) -> None:
        """None is standard output; `force` and `whole` as in `new_file`."""
        self._path, self._force, self._whole = path, force, whole
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
            self._file = self._open.enter_context(new_file(self._path, force=self._force, whole=self._whole))
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
