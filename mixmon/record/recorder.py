"""The recorder: keeps the last seconds at all times, and runs on disk when asked to.

    recorder = Recorder("runs", name=session.name, buses=options, files={"session.toml": text})
    recorder.arm()                     # shown as armed; whoever sees the engine speed calls start
    ...
    for block in adapters.take(0.05):
        recorder.write(block)          # before anything is decoded
    for event in adapters.events():
        recorder.note_event(event)

Nothing raises once the recorder is made: a full disk, a removed folder, a stick pulled out end
the run, which is an event and a state. Frames then wait in memory, `HELD_S` of them, and are the beginning of
the run that is started next: in the spare folder, if there is one.
"""

from __future__ import annotations

import json
import shutil
import time
from collections import deque
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path, PurePath

from mixmon.arrays import SECOND_NS
from mixmon.errors import UsageError, reason_of
from mixmon.frames.adapters.interfaces import BusOptions, kind_of
from mixmon.frames.adapters.receiver import SourceEvent
from mixmon.frames.block import FrameBlock
from mixmon.frames.logs import FRAMES, MANIFEST, NOTES
from mixmon.record.run_writer import SUMS, Manifest, RunWriter, versions

RING_FRAMES = 1_000_000
"""Our choice: two minutes of 8,000 frames a second, 35 MB."""

NEVER_SURE = 1 << 62  # computed: above every count of frames

PIECE_FRAMES = 100
"""Frames that wait are given to a run so many at a time, and of a piece for which there is no room none is
kept; our choice: 5 kB, so that little room is used and each run brings what waits further."""

MOST_UNSURE = 2000
"""Blocks that wait until they are known to be on the disk; our choice: more than a minute of batches."""

RING_NOTES = 10_000
"""Our choice: it bounds memory."""


class Ring:
    """Frames and notes of the last `seconds`, by data time. Memory is bounded.

    seconds    may be changed at any time
    forgotten  frames that were too old, or too many
    """

    def __init__(self, seconds: float) -> None:
        self.seconds = seconds
        self.forgotten = 0
        self._blocks: deque[FrameBlock] = deque()
        self._notes: deque[tuple[int, bytes]] = deque(maxlen=RING_NOTES)
        self._frames = 0
        self._newest = 0

    def add(self, block: FrameBlock) -> None:
        """Frames that came; those that are too old now are forgotten."""
        if not len(block):
            return
        self._newest = max(self._newest, int(block.t.max()))
        self._blocks.append(block)
        self._frames += len(block)
        while self._blocks and (self._frames > RING_FRAMES or self._is_old(self._blocks[0])):
            old = len(self._blocks.popleft())
            self._frames -= old
            self.forgotten += old

    def note(self, t: int, line: bytes) -> None:
        """A note at data time `t`."""
        self._notes.append((t, line))
        while self._notes and self._notes[0][0] < self._newest - self._span:
            self._notes.popleft()

    @property
    def _span(self) -> int:
        return round(self.seconds * SECOND_NS)

    @property
    def size(self) -> int:
        """Bytes that its frames will take."""
        return self._frames * LINE_BYTES

    @property
    def rate(self) -> float:
        """Frames a second, over what is held."""
        if not self._blocks:
            return 0.0
        spanned = self._newest - int(self._blocks[0].t.min())
        return self._frames / max(spanned / SECOND_NS, 1.0)

    def drain(self) -> tuple[list[FrameBlock], list[tuple[int, bytes]]]:
        """What is held of the last seconds, notes with their times; the ring is empty then."""
        since = self._newest - self._span
        blocks = [block.take(block.t >= since) for block in self._blocks]
        notes = [(t, line) for t, line in self._notes if t >= since]
        self._blocks.clear()
        self._notes.clear()
        self._frames = 0
        return [block for block in blocks if len(block)], notes

    def _is_old(self, block: FrameBlock) -> bool:
        return int(block.t.max()) < self._newest - self._span


HELD_S = 60.0
"""Frames of so many seconds wait in memory for the next run. Our choice: time to change a stick."""

ROOM_S = 10.0
LEAST_ROOM = 1 << 18
"""A run that follows a failed one needs room for so many seconds, and for so many bytes. Our choice: with
less it would fail again at once, and leave another folder."""

SYNC_S = 1.0
"""Files are forced to the disk so often; our choice: a power cut loses about a second."""

LINE_BYTES = 51
"""Computed: a line of frames.log with eight bytes of data."""

WARN_MINUTES = (30.0, 10.0, 2.0)
"""Minutes of room left at which a warning is given; our choice."""

_RESERVED = frozenset({FRAMES, MANIFEST, NOTES, SUMS})


class RecorderState(StrEnum):
    """What the recorder does now."""

    IDLE = "not recording"
    ARMED = "armed"
    RECORDING = "recording"
    FAILED = "recording failed"


class RecorderEventKind(StrEnum):
    """What happened to the recorder."""

    STARTED = "started"
    STOPPED = "stopped"
    FAILED = "failed"
    ROOM = "room"


@dataclass(frozen=True, slots=True)
class RecorderEvent:
    """One event, in words; `t` is the stamp of the newest frame, ns, None before the first.

    loud  a failure, or its end
    """

    t: int | None
    kind: RecorderEventKind
    text: str
    loud: bool = False


@dataclass(frozen=True, slots=True)
class RecorderStatus:
    """The recorder at one moment.

    folder        of the running or last run; None before the first
    frames, size  frames and bytes in it
    seconds       data time from its first frame to its newest
    free          bytes free on its disk; None: not known
    minutes_left  until that is used up at the present rate; None where nothing comes in
    error         why recording failed, in full
    reason        the same in a few words
    unkept        frames that came while nothing could be recorded, and were too many to wait
    """

    state: RecorderState
    folder: Path | None = None
    frames: int = 0
    size: int = 0
    free: int | None = None
    minutes_left: float | None = None
    error: str | None = None
    reason: str = ""
    unkept: int = 0
    seconds: float = 0.0


class Recorder:
    """Records frames and notes. It belongs to one thread; any thread may ask for `status`.

    root           folder in which runs are made, itself made when needed
    spare          another, for when that takes no more
    files          kept in each run as they are: the session file, message definitions
    pre_trigger_s  seconds before the start that a run begins with
    shared         others on this machine may read the runs

    Raises:
        UsageError: a name in `files` is no plain file name, or is taken by the run itself.
    """

    def __init__(
        self,
        root: Path | str,
        *,
        name: str = "",
        buses: Sequence[BusOptions] = (),
        files: Mapping[str, bytes] | None = None,
        pre_trigger_s: float = 10.0,
        sync_s: float = SYNC_S,
        spare: Path | None = None,
        shared: bool = False,
    ) -> None:
        self._roots = [Path(root)] if spare is None else [Path(root), spare]
        self._shared = shared
        self._name = name
        self._buses = tuple(_bus_facts(bus) for bus in buses)
        self._lost_at_start = 0 if all(kind_of(bus.interface).counts_lost for bus in buses) else None
        self._files = dict(files or {})
        self._pre_trigger_s = pre_trigger_s
        self._sync_s = sync_s
        self._ring = Ring(pre_trigger_s)
        self._armed = False
        self._run: RunWriter | None = None
        self._kept_before = 0
        self._recording = False
        self._past: list[RunWriter] = []
        self._unsure: deque[tuple[int, FrameBlock]] = deque()
        self._unkept = 0
        self._holding = False
        self._place = self._roots[0]
        self._error: str | None = None
        self._reason = ""
        self._newest: int | None = None
        self._warned = float("inf")
        self._events: deque[RecorderEvent] = deque()
        for file in self._files:
            if PurePath(file).name != file or file in _RESERVED:
                raise UsageError(
                    f"file {file!r} of a run: expected a plain name, not {' or '.join(sorted(_RESERVED))}"
                )

    def write(self, block: FrameBlock) -> None:
        """Frames as they came. Recorded, they are with the operating system when this returns."""
        if not len(block):
            return
        self._newest = int(block.t[-1])
        run = self._running_run()
        if run is None:
            self._ring.add(block)
        elif run.append(block):
            self._unsure.append((run.frames, block))
            while self._unsure and (self._unsure[0][0] <= run.sure or len(self._unsure) > MOST_UNSURE):
                self._unsure.popleft()
            self._warn_of_room(run.free, run.rate)
        else:
            self._refuse_blocks(run, [block])
            self._running_run()

    def note(self, t: int, kind: str, **data: object) -> None:
        """A mark, note or event at data time `t`; `data` must fit into JSON."""
        line = json.dumps({"t": t, "kind": kind} | data, ensure_ascii=False).encode() + b"\n"
        run = self._running_run()
        if run is None or not run.note(line):
            self._ring.note(t, line)

    def note_event(self, event: SourceEvent) -> None:
        """Note an event of a live bus; lost frames are reported in the log too."""
        self.note(event.t, f"source {event.kind.value}", bus=event.bus, text=event.text)
        run = self._running_run()
        if run is not None and event.lost is None:
            run.losses_counted = False
        if run is not None and event.lost:
            run.lose(event.bus, event.lost)

    def arm(self) -> None:
        """Show that a start is awaited."""
        self._armed = True

    def start(self, why: str = "asked for") -> bool:
        """Begin a run with the last seconds; True when frames are being recorded.

        Does nothing while a run is being recorded. After a failure it begins a new one.
        """
        if self._running_run() is not None:
            return True
        self._armed = False
        again = self._error is not None
        manifest = Manifest(
            self._name,
            time.time_ns(),
            self._buses,
            versions=versions(),
            pre_trigger_s=self._pre_trigger_s,
            why=why,
            lost=self._lost_at_start,
        )
        refusals = []
        for root in self._roots:
            try:
                if again:
                    self._require_room(root)
                run = RunWriter(
                    root,
                    manifest,
                    self._files,
                    sync_s=self._sync_s,
                    failed=self._report_failure,
                    shared=self._shared,
                )
            except OSError as error:
                refusals.append((root, reason_of(error)))
                continue
            self._begin_run(run, why)
            return True
        self._refuse_start(*refusals[0])
        self._hold()
        return False

    def stop(self, why: str = "asked for") -> None:
        """End the run; manifest and checksums are written in the background."""
        run = self._running_run()
        self._hold_no_more()
        if run is None:
            return
        run.stop()
        self._past.append(run)
        self._recording = False
        self._add_event(
            RecorderEventKind.STOPPED, f"recording stopped: {why}; {run.frames} frames in {run.path}"
        )

    @property
    def kept(self) -> int:
        """Frames that are surely on the disk, in all runs; it only grows."""
        return self._kept_before + (0 if self._run is None else self._run.sure)

    def status(self) -> RecorderStatus:
        """The recorder's current status."""
        run = self._run
        recording = run is not None and self._recording and run.failure is None
        free, rate = self._find_room(run if recording else None)
        return RecorderStatus(
            self._current_state(recording=recording),
            None if run is None else run.path,
            0 if run is None else run.frames,
            0 if run is None else run.size,
            free,
            _minutes_left(free, rate),
            self._error,
            self._reason if self._error else "",
            self._unkept + (self._ring.forgotten if self._holding else 0),
            seconds=0.0 if run is None else run.seconds,
        )

    def events(self) -> list[RecorderEvent]:
        """Events since the last call, oldest first."""
        return [self._events.popleft() for _ in range(len(self._events))]

    def close(self) -> None:
        """End the run and wait until all is on the disk."""
        self.stop("closed")
        for run in self._past:
            run.join()
        self._past.clear()

    def _begin_run(self, run: RunWriter, why: str) -> None:
        blocks, notes = self._ring.drain()
        self._hold_no_more()
        self._place = run.path.parent
        again = self._error is not None
        self._kept_before = self.kept
        self._run, self._recording, self._error, self._warned = run, True, None, float("inf")
        self._unsure.clear()
        waiting = deque(piece for block in blocks for piece in _cut_into_pieces(block))
        while waiting and run.append(waiting[0]):
            self._unsure.append((run.frames, waiting.popleft()))
        if waiting:
            self._refuse_blocks(run, waiting)
        for t, line in notes:
            if not run.note(line):
                self._ring.note(t, line)
        self._add_event(RecorderEventKind.STARTED, f"recording started: {why}; {run.path}", loud=again)
        self._warn_of_room(run.free, self._ring.rate * LINE_BYTES)

    def _refuse_blocks(self, run: RunWriter, blocks: Iterable[FrameBlock]) -> None:
        """Blocks that a run did not take wait for the next, with what it took that may not be on the disk."""
        if run.full:
            self._unsure.clear()
        self._unsure.extend((NEVER_SURE, block) for block in blocks)

    def _running_run(self) -> RunWriter | None:
        """The run that takes frames; None if there is none, or if it has failed."""
        run = self._run
        if run is None or not self._recording:
            return None
        if run.failure is not None:
            self._past.append(run)
            self._recording = False
            self._hold_frames(run)
            return None
        return run

    def _hold_frames(self, run: RunWriter) -> None:
        """What may not be on the disk waits in memory, with all that comes, for the next run."""
        self._hold()
        for through, block in self._unsure:
            if through > run.sure:
                self._ring.add(block)
        self._unsure.clear()
        self._roots.sort(key=lambda root: root == run.path.parent)  # the other one first, if there is one

    def _hold(self) -> None:
        """From now on frames wait for the next run."""
        if not self._holding:
            self._holding = True
            self._ring.seconds, self._ring.forgotten = max(HELD_S, self._pre_trigger_s), 0

    def _hold_no_more(self) -> None:
        if self._holding:
            self._holding = False
            self._unkept += self._ring.forgotten
            self._ring.seconds = self._pre_trigger_s

    def _require_room(self, root: Path) -> None:
        """Refuse a folder where a run would fail again at once.

        Raises:
            OSError: there is too little room.
        """
        free = shutil.disk_usage(_nearest_folder(root)).free
        if free < max(LEAST_ROOM, ROOM_S * self._ring.rate * LINE_BYTES + self._ring.size):
            raise OSError(0, f"{free} bytes free")

    def _refuse_start(self, root: Path, why: str) -> None:
        self._report_failure(
            f"{root}: no run can be begun: {why}; expected a folder with room that can be written to; "
            "choose another",
            why,
        )

    def _current_state(self, *, recording: bool) -> RecorderState:
        if recording:
            return RecorderState.RECORDING
        if self._armed:
            return RecorderState.ARMED
        return RecorderState.IDLE if self._error is None else RecorderState.FAILED

    def _find_room(self, run: RunWriter | None) -> tuple[int | None, float]:
        """Bytes free, and bytes a second that come in."""
        if run is not None:
            return run.free, run.rate
        try:
            return shutil.disk_usage(_nearest_folder(self._place)).free, self._ring.rate * LINE_BYTES
        except OSError:
            return None, 0.0

    def _warn_of_room(self, free: int, rate: float) -> None:
        left = _minutes_left(free, rate)
        passed = [limit for limit in WARN_MINUTES if left is not None and left < limit < self._warned]
        if left is not None and passed:
            self._warned = min(passed)
            self._add_event(RecorderEventKind.ROOM, f"{self._place}: room for {max(left, 1):.0f} min more")

    def _report_failure(self, text: str, why: str) -> None:
        """Say why recording failed; a failure that repeats itself is said once."""
        again = text == self._error
        self._error, self._reason = text, why
        if not again:
            self._add_event(RecorderEventKind.FAILED, text, loud=True)

    def _add_event(self, kind: RecorderEventKind, text: str, *, loud: bool = False) -> None:
        self._events.append(RecorderEvent(self._newest, kind, text, loud))


def _nearest_folder(root: Path) -> Path:
    """The folder, or the nearest above it that is there."""
    return next((path for path in (root, *root.absolute().parents) if path.exists()), root)


def _cut_into_pieces(block: FrameBlock) -> Iterator[FrameBlock]:
    """Parts that are taken or refused each by itself, so that a place with a little room takes something."""
    for first in range(0, len(block), PIECE_FRAMES):
        yield block.take(slice(first, first + PIECE_FRAMES))


def _minutes_left(free: int | None, rate: float) -> float | None:
    """Minutes until so many bytes are used at so many a second; None where either is not known."""
    return None if free is None or rate <= 0 else free / rate / 60


def _bus_facts(bus: BusOptions) -> dict[str, object]:
    """What a manifest says of a bus."""
    return {
        "name": bus.name,
        "interface": bus.interface,
        "channel": bus.channel,
        "bitrate": bus.bitrate,
        "acknowledge": bus.acknowledge,
    }
