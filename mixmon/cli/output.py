"""Where a table of any length goes: standard output, a file, or a folder of files."""

from __future__ import annotations

import re
from collections.abc import Iterable
from pathlib import Path
from typing import BinaryIO, Self

from mixmon.cli.console import result_bytes
from mixmon.errors import OutputError, UsageError

STDOUT = "-"


def refuse_inputs(out: Path, inputs: Iterable[str | Path]) -> None:
    """Sees to it that no input is written over.

    Raises:
        UsageError: the output is one of the inputs.
    """
    for path in map(Path, inputs):
        if out.exists() and path.exists() and out.samefile(path):
            raise UsageError(
                f"--out {out}: is an input of this command; expected another file; choose a name"
            )


class TextOut:
    """Text in UTF-8, to a file that is written anew, or to standard output.

    What was written is whole lines if only whole lines are given, also after an interruption.
    """

    def __init__(self, path: Path | None) -> None:
        """None is standard output.

        Raises:
            OutputError: the file cannot be opened.
        """
        self._path = path
        self._file: BinaryIO | None = None if path is None else _open(path, "wb")

    def write(self, text: str) -> None:
        """Writes the text.

        Raises:
            OutputError: there is no room, or the place is gone.
            BrokenPipeError: nobody reads standard output any more.
        """
        data = text.encode()
        if self._file is None:
            result_bytes(data)
            return
        try:
            self._file.write(data)
        except OSError as error:
            raise _unwritable(self._path, error) from error

    def close(self) -> None:
        """Closes the file; raises as `write` does."""
        if self._file is not None:
            try:
                self._file.close()
            except OSError as error:
                raise _unwritable(self._path, error) from error

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


class FolderOut:
    """A folder with one file a table. Files are opened for each write: there may be thousands."""

    def __init__(self, folder: Path) -> None:
        """Makes the folder if need be.

        Raises:
            OutputError: it cannot be made.
        """
        self._folder = folder
        self._names: dict[tuple[str, ...], str] = {}
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise _unwritable(folder, error) from error

    def has(self, key: tuple[str, ...]) -> bool:
        """True if something was written to that table."""
        return key in self._names

    def write(self, key: tuple[str, ...], text: str) -> None:
        """Adds the text to the table of that name, which begins anew at the first call.

        Raises:
            OutputError: there is no room, or the place is gone.
        """
        mode = "ab" if key in self._names else "wb"
        name = self._names.setdefault(key, self._name(key))
        path = self._folder / name
        try:
            with _open(path, mode) as file:
                file.write(text.encode())
        except OSError as error:
            raise _unwritable(path, error) from error

    def _name(self, key: tuple[str, ...]) -> str:
        """A file name of the key's words, whatever characters they hold, and different from all others."""
        stem = ".".join(re.sub(r"[^A-Za-z0-9_-]", "_", word) for word in key)
        taken = {name.lower() for name in self._names.values()}
        numbered = (f"{stem}{'' if n == 1 else f'-{n}'}.csv" for n in range(1, len(taken) + 2))
        return next(name for name in numbered if name.lower() not in taken)


def _open(path: Path, mode: str) -> BinaryIO:
    try:
        return path.open(mode)  # type: ignore[return-value]
    except OSError as error:
        raise _unwritable(path, error) from error


def _unwritable(path: Path | None, error: OSError) -> OutputError:
    why = error.strerror or error
    return OutputError(f"{path}: {why}; expected a place with room that can be written; choose another")
