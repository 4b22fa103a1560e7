"""One run being written: its files, and the thread that looks after them.

Frames and notes are appended by whoever has them. A thread of the run's own forces them to the
disk once a second, looks whether the folder is still there and how much room is left, and in
the end writes manifest and checksums: no slow disk holds up the caller. A failure of any of
these ends the run with a text in `failure`, and nothing is ever raised once it has begun.
"""

from __future__ import annotations

import hashlib
import shutil
import threading
import time
from collections.abc import Callable, Mapping
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path

from mixmon.frames.block import FrameBlock
from mixmon.frames.candump_write import write_candump
from mixmon.frames.logs import FRAMES, NOTES
from mixmon.record.append_file import AppendFile, sync_folder, write_whole
from mixmon.record.manifest import Manifest, folder_names

MANIFEST = "run.json"
SUMS = "SHA256SUMS"
DIGITS = 9

Teller = Callable[[str, str], None]
"""Is given what is to be told, and the bare reason."""


class RunWriter:
    """A run that has begun. `frames`, `size`, `free` and `failure` may be read from any thread.

    Raises:
        OSError: the folder or a file in it cannot be made; nothing of it is left then.
    """

    def __init__(
        self, root: Path, manifest: Manifest, files: Mapping[str, bytes], *, sync_s: float, failed: Teller
    ) -> None:
        self.path = _new_folder(root, manifest)
        self._manifest = replace(manifest, files=tuple(files))
        self._files = files
        self._sync_s = sync_s
        self._tell_failed = failed
        self._using = threading.Lock()
        self._stop = threading.Event()
        self._lost: dict[str, int] = {}
        self._began = time.monotonic()
        self.frames = 0
        self.free = shutil.disk_usage(self.path).free
        self.failure: str | None = None
        with ExitStack() as undone:
            undone.callback(shutil.rmtree, self.path, ignore_errors=True)
            for name, data in [*files.items(), (MANIFEST, self._manifest.to_json())]:
                write_whole(self.path / name, data)
            self._log = AppendFile(self.path / FRAMES)
            undone.callback(self._log.close)
            self._notes = AppendFile(self.path / NOTES)
            undone.pop_all()
        sync_folder(self.path)
        sync_folder(root)
        self._thread = threading.Thread(target=self._keep, name="run", daemon=True)
        self._thread.start()

    @property
    def size(self) -> int:
        """Bytes written."""
        return self._log.size + self._notes.size

    @property
    def rate(self) -> float:
        """Bytes a second since the start."""
        return self.size / max(time.monotonic() - self._began, 1.0)

    def append(self, block: FrameBlock) -> None:
        """Frames, handed to the operating system before this returns."""
        if self._write(self._log, write_candump(block, DIGITS)):
            self.frames += len(block)

    def note(self, line: bytes) -> None:
        """One line of notes.jsonl."""
        self._write(self._notes, line)

    def lose(self, bus: str, count: int) -> None:
        """Say in the log that frames were lost, in candump's own words (can-utils, candump -d)."""
        total = self._lost[bus] = self._lost.get(bus, 0) + count
        self._write(
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

    def _write(self, file: AppendFile, data: bytes) -> bool:
        with self._using:
            if self.failure is not None:
                return False
            try:
                file.append(data)
            except OSError as error:
                self._fail(error.strerror or str(error))
                return False
            return True

    def _keep(self) -> None:
        while not self._stop.wait(self._sync_s):
            self._look_after()
        self._finish()

    def _look_after(self) -> None:
        try:
            self._log.sync()
            self._notes.sync()
            if not (self._log.in_place() and self._notes.in_place()):
                raise FileNotFoundError(0, "the run's folder was removed or renamed")
            self.free = shutil.disk_usage(self.path).free
        except OSError as error:
            with self._using:
                self._fail(error.strerror or str(error))

    def _fail(self, why: str) -> None:
        """End the run because it cannot go on; called with the lock held."""
        if self.failure is None:
            self.failure = (
                f"{self.path}: recording stopped: {why}; frames from here on are not kept; "
                "make room or choose another folder, and start again"
            )
            self._tell_failed(self.failure, why)
        self._stop.set()

    def _finish(self) -> None:
        """Last words, as far as the disk takes them; the files are closed in any case."""
        self._look_after()
        in_place = self._log.in_place()
        with self._using:
            self._log.close()
            self._notes.close()
        try:
            if in_place:  # else the path may be another run's by now
                self._write_end()
        except OSError as error:
            with self._using:
                self._fail(error.strerror or str(error))

    def _write_end(self) -> None:
        lost = sum(self._lost.values())
        manifest = self._manifest.ended(time.time_ns(), self.frames, self.size, lost, self.failure).to_json()
        write_whole(self.path / MANIFEST, manifest)
        sums = {name: hashlib.sha256(data).hexdigest() for name, data in self._files.items()}
        sums |= {FRAMES: self._log.sha256, NOTES: self._notes.sha256}
        sums[MANIFEST] = hashlib.sha256(manifest).hexdigest()
        write_whole(self.path / SUMS, "".join(f"{sums[name]}  {name}\n" for name in sorted(sums)).encode())
        sync_folder(self.path)


def _new_folder(root: Path, manifest: Manifest) -> Path:
    root.mkdir(parents=True, exist_ok=True)
    for name in folder_names(manifest.started_ns, manifest.name):
        try:
            (root / name).mkdir()
        except FileExistsError:
            continue
        return root / name
    raise FileExistsError(0, "every name for a run of this second is taken")
