"""One run being written: its files, and the thread that looks after them.

Frames and notes are appended by the caller. A thread of the run's own forces them to the
disk once a second, looks whether the folder is still there and how much room is left, and in
the end writes manifest and checksums: no slow disk holds up the caller. A failure of any of
these ends the run with a text in `failure`, and nothing is ever raised once it has begun.
"""

from __future__ import annotations

import errno
import hashlib
import json
import math
import os
import platform
import shutil
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import ExitStack, suppress
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime
from importlib.metadata import PackageNotFoundError, version
from io import FileIO
from pathlib import Path
from typing import Any, Final, Self

from mixmon.arrays import SECOND_NS
from mixmon.errors import reason_of
from mixmon.frames.account import known_lost
from mixmon.frames.block import FrameBlock
from mixmon.frames.candump_write import write_candump
from mixmon.frames.logs import FRAMES, MANIFEST, NOTES

PRIVATE_FILE, PRIVATE_FOLDER = 0o600, 0o700
"""Runs tell what an engine can do: nobody else on the machine reads them unless that is asked for."""


def _opener(*, shared: bool) -> Callable[[str, int], int]:
    """Makes files that only the user reads; `shared`: as the user's other files."""
    return lambda path, flags: os.open(path, flags, 0o666 if shared else PRIVATE_FILE)


def make_folder(path: Path, *, shared: bool) -> None:
    """A new folder, for the user alone unless `shared`.

    Raises:
        OSError: it cannot be made, or is there.
    """
    path.mkdir(0o777 if shared else PRIVATE_FOLDER)


class ChangedError(OSError):
    """Another program removed, renamed or changed what a run writes."""


class AppendFile:
    """A new file that only grows, handed to the operating system at every append.

    size    bytes that were appended whole; `sha256` is their checksum

    Data goes to the end of the file as it is then, so that a file that another program has cut short stays so
    short, which `require_size` notices.

    An append that the disk does not take whole is taken back, so that the file ends with the
    append before it. `append`, `require_size` and `close` belong to one caller at a time; `sync` and
    `in_place` may run beside them, but not beside `close`.

    Raises:
        OSError: the file exists, or cannot be made.
    """

    def __init__(self, path: Path, *, shared: bool = False) -> None:
        self.path = path
        self.size = 0
        self._hash = hashlib.sha256()
        opener = _opener(shared=shared)
        self._file = FileIO(path, "xb", opener=lambda name, flags: opener(name, flags | os.O_APPEND))

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
        """False when the file was removed or renamed by another program: what follows would be lost."""
        try:
            return os.path.samestat(self.path.stat(), os.fstat(self._file.fileno()))
        except OSError:
            return False

    def require_size(self) -> None:
        """See whether the file has what was appended, and no more.

        Raises:
            ChangedError: another program has cut it short, or has written into it.
        """
        found = os.fstat(self._file.fileno()).st_size
        if found != self.size:
            raise ChangedError(
                0, f"another program changed {self.path.name}: {found} bytes of the {self.size} written"
            )

    def close(self) -> None:
        """Close; never raises."""
        with suppress(OSError):
            self._file.close()


def write_whole(path: Path, data: bytes, *, shared: bool = False) -> None:
    """Write a file so that a cut leaves the old contents or the new, never a mixture.

    Raises:
        OSError: it cannot be written.
    """
    fresh = path.with_name(path.name + ".new")
    with FileIO(fresh, "wb", opener=_opener(shared=shared)) as file:
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


# run.json: what a run is, who made it, and how it ended.

RUN_FORMAT = 1  # of the folder of a run; raised when an older program could no longer read it

RECORDING = "recording"
COMPLETE = "complete"
STOPPED = "stopped"


@dataclass(frozen=True, slots=True)
class Manifest:
    """A run's facts, as in run.json.

    state       "recording", "complete", or "stopped" when it could not go on; a run that was cut
                off still says "recording"
    why         why it was begun; and why it was stopped, if it was
    started_ns  system clock at the start, ns since the epoch; `started` is the same in UTC
    buses       name, interface, channel, bit rate, and whether frames were acknowledged
    versions    of mixmon and of the packages it uses
    files       kept beside the frames, as they were used
    frames      in frames.log
    size        bytes of frames.log and notes.jsonl
    lost        frames that the sources reported as lost; null: none, but not all sources count them
    """

    name: str = ""
    started_ns: int = 0
    buses: tuple[Mapping[str, Any], ...] = ()
    files: tuple[str, ...] = ()
    versions: Mapping[str, str] | None = None
    pre_trigger_s: float = 0.0
    why: str = ""
    state: str = RECORDING
    stopped: str | None = None
    ended_ns: int | None = None
    frames: int = 0
    size: int = 0
    lost: int | None = 0
    format: int = RUN_FORMAT

    @property
    def started(self) -> str:
        """The start, in UTC."""
        return utc(self.started_ns)

    def ended(self, ended_ns: int, frames: int, size: int, lost: int | None, stopped: str | None) -> Manifest:
        """The manifest of the run when it has ended, by itself or because it could not go on."""
        state = COMPLETE if stopped is None else STOPPED
        return replace(
            self, state=state, stopped=stopped, ended_ns=ended_ns, frames=frames, size=size, lost=lost
        )

    def to_json(self) -> bytes:
        """The text of run.json."""
        fields = {"format": self.format, "name": self.name, "state": self.state, "started": self.started}
        if self.ended_ns is not None:
            fields["ended"] = utc(self.ended_ns)
        return json.dumps(fields | asdict(self), indent=1, ensure_ascii=False).encode() + b"\n"

    @classmethod
    def from_json(cls, text: bytes) -> Self:
        """The manifest in the text of run.json; unknown fields are ignored.

        Raises:
            ValueError: it is none.
        """
        try:
            fields = json.loads(text)
        except RecursionError:
            fields = None
        if not isinstance(fields, dict) or not _is_count(fields.get("format")):
            raise ValueError("no run manifest")
        if fields["format"] > RUN_FORMAT:  # its other fields may mean anything
            return cls(format=fields["format"])
        known = {key: value for key, value in fields.items() if key in cls.__slots__}
        for key, value in known.items():
            if not _FIELD_RULES[key](value):
                raise ValueError(f"{key} is {value!r}"[:100])
        for key in {"buses", "files"} & known.keys():
            known[key] = tuple(known[key])
        return cls(**known)


def _is_count(value: object) -> bool:
    return type(value) is int and 0 <= value < 1 << 63


def _is_text(value: object) -> bool:
    return isinstance(value, str)


def _is_list_of(kind: type) -> Callable[[object], bool]:
    return lambda value: isinstance(value, list) and all(isinstance(one, kind) for one in value)


def _are_versions(value: object) -> bool:
    return value is None or (isinstance(value, dict) and all(map(_is_text, value.values())))


_FIELD_RULES: Final[Mapping[str, Callable[[object], bool]]] = {
    **dict.fromkeys(("format", "started_ns", "frames", "size"), _is_count),
    **dict.fromkeys(("name", "state", "why"), _is_text),
    "buses": _is_list_of(dict),
    "files": _is_list_of(str),
    "versions": _are_versions,
    "pre_trigger_s": lambda value: isinstance(value, int | float) and 0 <= value < math.inf,
    "stopped": lambda value: value is None or _is_text(value),
    **dict.fromkeys(("ended_ns", "lost"), lambda value: value is None or _is_count(value)),
}
"""What each field of a manifest may hold."""


def versions() -> dict[str, str]:
    """What made the record."""
    found = {"python": platform.python_version(), "system": platform.platform(terse=True)}
    for package in ("mixmon", "numpy", "python-can", "pyserial"):
        try:
            found[package] = version(package)
        except PackageNotFoundError:
            found[package] = "unknown"
    return found


def utc(ns: int) -> str:
    """A moment as ISO 8601, to the microsecond."""
    return datetime.fromtimestamp(ns // 1000 / 1e6, UTC).isoformat(timespec="microseconds")


def folder_names(started_ns: int, name: str, most: int = 1000) -> Sequence[str]:
    """Names for a run's folder, of which the first that is free is taken; they sort by start."""
    stem = datetime.fromtimestamp(started_ns // 1_000_000_000, UTC).strftime("%Y-%m-%dT%H-%M-%SZ")
    words = "".join(c if c.isascii() and c.isalnum() else " " for c in name.lower()).split()
    stem = "-".join([stem, *words])[:80]
    return [stem, *(f"{stem}-{n}" for n in range(2, most))]


SUMS = "SHA256SUMS"
FailureListener = Callable[[str, str], None]
"""Called with the text of a failure, and with its bare reason."""


_ROOM = "expected a folder that takes more; make room, or name"
_NO_ROOM = {errno.ENOSPC, errno.EFBIG, errno.EDQUOT}

_UNTOUCHED = "expected files that only this program changes; close the other one, or name"
"""What to do about a failure, as far as the words that follow both."""


class RunWriter:
    """A run that has begun. Its attributes may be read from any thread.

    frames   appended
    span     stamps of the first and the newest of them, ns; None before the first
    sure     of these, frames that were on the disk when it was last looked at
    failure  why it could not go on; None: it goes on
    full     it could not go on because an append found no room; what was appended before is in its files
    losses_counted  every frame that is lost is reported to `lose`

    Raises:
        OSError: the folder or a file in it cannot be made; nothing of it is left then.
    """

    def __init__(
        self,
        root: Path,
        manifest: Manifest,
        files: Mapping[str, bytes],
        *,
        sync_s: float,
        failed: FailureListener,
        shared: bool = False,
    ) -> None:
        self.path = _new_folder(root, manifest, shared=shared)
        self._shared = shared
        self._manifest = replace(manifest, files=tuple(files))
        self._files = files
        self._sync_s = sync_s
        self._tell_failed = failed
        self._using = threading.Lock()
        self._stop = threading.Event()
        self._lost: dict[str, int] = {}
        self.losses_counted = manifest.lost is not None
        self._began = time.monotonic()
        self.frames = self.sure = 0
        self.span: tuple[int, int] | None = None
        self.free = shutil.disk_usage(self.path).free
        self.failure: str | None = None
        self.full = False
        with ExitStack() as undone:
            undone.callback(shutil.rmtree, self.path, ignore_errors=True)
            for name, data in [*files.items(), (MANIFEST, self._manifest.to_json())]:
                write_whole(self.path / name, data, shared=shared)
            self._log = AppendFile(self.path / FRAMES, shared=shared)
            undone.callback(self._log.close)
            self._notes = AppendFile(self.path / NOTES, shared=shared)
            undone.pop_all()
        sync_folder(self.path)
        sync_folder(root)
        self._thread = threading.Thread(target=self._look_after_run, name="run", daemon=True)
        self._thread.start()

    @property
    def size(self) -> int:
        """Bytes written."""
        return self._log.size + self._notes.size

    @property
    def seconds(self) -> float:
        """Data time from the first frame to the newest; 0 where the stamps have jumped back."""
        return 0.0 if self.span is None else max(self.span[1] - self.span[0], 0) / SECOND_NS

    @property
    def rate(self) -> float:
        """Bytes a second since the start."""
        return self.size / max(time.monotonic() - self._began, 1.0)

    def append(self, block: FrameBlock) -> bool:
        """Frames, handed to the operating system before this returns; their stamps are whole microseconds.

        False: none of them could be appended, and the run has ended.
        """
        appended = self._append_to(self._log, write_candump(block))
        if appended and len(block):
            self.frames += len(block)
            newest = int(block.t[-1])
            self.span = (int(block.t[0]) if self.span is None else self.span[0], newest)
        return appended

    def note(self, line: bytes) -> bool:
        """One line of notes.jsonl; False as in `append`."""
        return self._append_to(self._notes, line)

    def lose(self, bus: str, count: int) -> None:
        """Say in the log that frames were lost, in candump's own words (can-utils, candump -d)."""
        total = self._lost[bus] = self._lost.get(bus, 0) + count
        self._append_to(
            self._log,
            b"DROPCOUNT: dropped %d CAN frames on '%s' socket (total drops %d)\n"
            % (count, bus.encode(), total),
        )

    def stop(self) -> None:
        """End the run; the thread does the rest."""
        self._stop.set()

    def join(self) -> None:
        """Wait until all is on the disk."""
        self._thread.join()

    def _append_to(self, file: AppendFile, data: bytes) -> bool:
        with self._using:
            if self.failure is not None:
                return False
            try:
                file.append(data)
            except OSError as error:
                self.full = error.errno in _NO_ROOM
                self._end_by_failure(reason_of(error))
                return False
            return True

    def _look_after_run(self) -> None:
        while not self._stop.wait(self._sync_s):
            self._check_disk()
        self._finish_run()

    def _check_disk(self) -> None:
        frames = self.frames
        try:
            self._log.sync()
            self._notes.sync()
            if not (self._log.in_place() and self._notes.in_place()):
                raise ChangedError(0, "the run's folder was removed or renamed")
            with self._using:
                self._log.require_size()
                self._notes.require_size()
            self.free = shutil.disk_usage(self.path).free
            self.sure = frames
        except OSError as error:
            with self._using:
                self._end_by_failure(
                    reason_of(error), _UNTOUCHED if isinstance(error, ChangedError) else _ROOM
                )

    def _end_by_failure(self, why: str, remedy: str = _ROOM) -> None:
        """End the run because it cannot go on; called with the lock held."""
        if self.failure is None:
            self.failure = f"{self.path}: recording stopped: {why}; {remedy} a second one with --spare"
            self._tell_failed(self.failure, why)
        self._stop.set()

    def _finish_run(self) -> None:
        """Write manifest and checksums, as far as the disk allows; the files are closed in any case."""
        self._check_disk()
        in_place = self._log.in_place()
        with self._using:
            self._log.close()
            self._notes.close()
        try:
            if in_place:  # else the path may be another run's by now
                self._write_manifest_and_sums()
        except OSError as error:
            with self._using:
                self._end_by_failure(reason_of(error))

    def _write_manifest_and_sums(self) -> None:
        lost = known_lost(sum(self._lost.values()), counted=self.losses_counted)
        manifest = self._manifest.ended(time.time_ns(), self.frames, self.size, lost, self.failure).to_json()
        write_whole(self.path / MANIFEST, manifest, shared=self._shared)
        sums = {name: hashlib.sha256(data).hexdigest() for name, data in self._files.items()}
        sums |= {FRAMES: self._log.sha256, NOTES: self._notes.sha256}
        sums[MANIFEST] = hashlib.sha256(manifest).hexdigest()
        text = "".join(f"{sums[name]}  {name}\n" for name in sorted(sums))
        write_whole(self.path / SUMS, text.encode(), shared=self._shared)
        sync_folder(self.path)


def _new_folder(root: Path, manifest: Manifest, *, shared: bool) -> Path:
    """A folder made for the run.

    Raises:
        OSError: it cannot be made.
    """
    root.parent.mkdir(parents=True, exist_ok=True)
    if not root.is_dir():
        make_folder(root, shared=shared)
    for name in folder_names(manifest.started_ns, manifest.name):
        try:
            make_folder(root / name, shared=shared)
        except FileExistsError:
            continue
        return root / name
    raise FileExistsError(0, "every name for a run of this second is taken")
