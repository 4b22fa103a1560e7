"""A file that only grows, handed to the operating system at every append."""

from __future__ import annotations

import hashlib
import os
from contextlib import suppress
from pathlib import Path


class AppendFile:
    """A new file. `size` and `sha256` tell of what was appended whole.

    An append that the disk does not take whole is taken back, so that the file ends with the
    append before it. `append` and `close` belong to one caller at a time; `sync` and `in_place`
    may run beside them, but not beside `close`.

    Raises:
        OSError: the file exists, or cannot be made.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.size = 0
        self._hash = hashlib.sha256()
        self._file = path.open("xb", buffering=0)

    @property
    def sha256(self) -> str:
        """Checksum of all that was appended, in hex."""
        return self._hash.hexdigest()

    def append(self, data: bytes) -> None:
        """Add `data` at the end.

        Raises:
            OSError: the disk is full, gone or broken.
        """
        rest = memoryview(data)
        try:
            while rest:
                rest = rest[self._file.write(rest) :]
        except OSError:
            with suppress(OSError):
                self._file.truncate(self.size)
            raise
        self.size += len(data)
        self._hash.update(data)

    def sync(self) -> None:
        """Force what was appended to the disk.

        Raises:
            OSError: the disk could not take it.
        """
        os.fsync(self._file.fileno())

    def in_place(self) -> bool:
        """False when the file was removed or renamed under us: it then grows out of sight."""
        try:
            return os.path.samestat(self.path.stat(), os.fstat(self._file.fileno()))
        except OSError:
            return False

    def close(self) -> None:
        """Close; never raises."""
        with suppress(OSError):
            self._file.close()


def write_whole(path: Path, data: bytes) -> None:
    """Write a file so that a cut leaves the old contents or the new, never a mixture.

    Raises:
        OSError: it cannot be written.
    """
    fresh = path.with_name(path.name + ".new")
    with fresh.open("wb", buffering=0) as file:
        rest = memoryview(data)
        while rest:
            rest = rest[file.write(rest) :]
        os.fsync(file.fileno())
    fresh.replace(path)


def sync_folder(path: Path) -> None:
    """Force the names in a folder to the disk, where the system can."""
    with suppress(OSError):
        handle = os.open(path, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
