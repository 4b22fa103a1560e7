"""One live bus: read in a thread of its own, watched, and opened again when lost.

The thread ends only when asked to, or by a mistake in this program, which then is an event and
a state. Where an unplugged device looks like a silent bus, the device is opened again from time to
time, with growing pauses.
"""

from __future__ import annotations

import threading
from collections import Counter
from dataclasses import dataclass, field
from typing import Protocol

from mixmon.arrays import SECOND_NS
from mixmon.errors import MixmonError
from mixmon.frames.adapters.interfaces import BusOptions, kind_of, open_receiver
from mixmon.frames.adapters.receiver import (
    BusCondition,
    DeviceLostError,
    Receiver,
    SourceEvent,
    SourceEventKind,
    SourceState,
    SourceStatus,
)
from mixmon.frames.adapters.stamps import HostClock
from mixmon.frames.block import FrameBlock, FrameFlag

READ_S = 0.02
"""Longest wait of one read; our choice: short beside the 50 ms batches in which frames are worked."""

FIRST_PAUSE_S = 0.1  # our choice, see the next
LONGEST_PAUSE_S = 5.0
"""Pauses before a lost device is opened again, doubled each time; our choice: a device that is plugged in
again is there within seconds, and one that stays away costs nothing."""

LONGEST_PATIENCE_NS = 30 * SECOND_NS
"""A silent device is opened again after at most this long, doubled each time up to it; our choice."""

STALL_NS = SECOND_NS
"""A read that takes longer is an event: this computer slept or was busy; our choice."""

REPORT_NS = SECOND_NS
"""Counts become events at most this often; our choice."""


BUS_OFF_WORDS = (
    "the adapter's controller is bus off: it hears nothing until it is restarted, and how many frames are "
    "lost until then is not known; check bit rate, wires and the ends of the bus (60 ohm)"
)
"""A controller goes off the bus after too many errors in what it sends or acknowledges (ISO 11898-1)."""

BACK_WORDS = (
    "the adapter's controller was bus off{often} and is on the bus again; how many frames were lost "
    "meanwhile is not known; check bit rate, wires and the ends of the bus (60 ohm)"
)

_UNREMARKABLE = frozenset({BusCondition.UNKNOWN, BusCondition.BUS_OFF})
"""After these, an active controller needs no word of its own."""


class Sink(Protocol):
    """Where a listener puts what it read."""

    def deliver(self, index: int, block: FrameBlock, through: int) -> int:
        """Frames, and the time through which the bus is complete; how many of them found no room."""

    def leave(self, index: int) -> None:
        """Nothing more will come."""

    def tell(self, event: SourceEvent) -> None:
        """An event."""


class Listener:
    """A thread on one live bus. `status` is replaced by a new one, and may be read from any thread."""

    def __init__(
        self,
        options: BusOptions,
        index: int,
        channels: tuple[str, ...],
        clock: HostClock,
        sink: Sink,
        *,
        silence_s: float,
    ) -> None:
        self._options = options
        self._index, self._channels = index, channels
        self._clock = clock
        self._sink = sink
        self._silence_ns = round(silence_s * 1e9)
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run_thread, name=f"bus {options.name}", daemon=True)
        self._receiver: Receiver | None = None
        self._state = SourceState.WAITING
        self._opened_at = clock.now()
        self._lost_at: int | None = None
        self._pause_s = FIRST_PAUSE_S
        self._patience_ns = self._silence_ns
        self._refusal = ""
        self._last_heard: int | None = None
        self._read_at: int | None = None
        self._frames = self._error_frames = self._overflowed = 0
        self._interrupted = self._told_off = False
        self._dropped_before = self._overflows_before = self._bus_offs_before = 0
        self._rejected_before: Counter[str] = Counter()  # all four by receivers that are closed
        self._reported = ListenerCounts()
        self._reported_at = 0
        self.status = SourceStatus(options.name, self._state)

    def open(self) -> None:
        """Open the device for the first time.

        Raises:
            SourceError: it cannot be opened.
            UsageError: the options cannot mean anything.
        """
        self._adopt_receiver(open_receiver(self._options, self._index, self._channels, self._clock))
        self._tell_event(SourceEventKind.OPENED, self._introduce_receiver())
        self._pass_remarks_on()

    def start(self) -> None:
        """Start to read."""
        self._thread.start()

    def ask_to_stop(self) -> None:
        """Ask the thread to end; `join` waits for it."""
        self._stop.set()

    def join(self, longest_s: float) -> None:
        """Wait for the thread's end, which closes the device; no longer than asked."""
        if self._thread.is_alive():
            self._thread.join(longest_s)
        if not self._thread.is_alive():
            self._let_go()

    def _run_thread(self) -> None:
        try:
            while not self._stop.is_set():
                if self._receiver is None:
                    self._reopen_device()
                else:
                    self._read_receiver(self._receiver)
            self._state = SourceState.CLOSED
        except Exception as error:  # noqa: BLE001 - a reader that ends must be seen, whatever ended it
            self._state = SourceState.FAILED
            self._tell_event(SourceEventKind.FAILED, f"the reader ended: {type(error).__name__}: {error}")
        self._let_go()
        self._tell_counts()
        self._publish_status()
        self._sink.leave(self._index)

    def _read_receiver(self, receiver: Receiver) -> None:
        before = self._clock.now()
        try:
            block = receiver.read(READ_S)
        except DeviceLostError as error:
            self._lose_device(str(error))
            return
        now = self._clock.now()
        still = now - (before if self._read_at is None else self._read_at)  # also between two reads
        self._read_at = now
        if still > STALL_NS:
            self._tell_event(
                SourceEventKind.STALLED, f"this computer was asleep or busy for {_say_seconds(still)}"
            )
        if self._lost_at is not None:
            again = f"open again after {_say_seconds(now - self._lost_at)}"
            self._tell_event(SourceEventKind.OPENED, again, None)
            self._lost_at, self._state = None, SourceState.SILENT
        if len(block):
            self._note_frames(block, now)
        else:
            self._check_silence(receiver, before)
        self._check_receiver(receiver, now)
        self._overflowed += self._sink.deliver(self._index, block, receiver.through)
        self._publish_status()

    def _note_frames(self, block: FrameBlock, now: int) -> None:
        if self._state is not SourceState.LIVE:
            if self._last_heard is not None:
                reopened = self._opened_at > self._last_heard
                uncounted = "; the device was opened again meanwhile, frames lost by that are not counted"
                gap = f"no frames for {_say_seconds(now - self._last_heard)}"
                self._tell_event(SourceEventKind.GAP, gap + uncounted * reopened)
            self._state = SourceState.LIVE
            self._pause_s, self._patience_ns = FIRST_PAUSE_S, self._silence_ns
        self._frames += len(block)
        self._error_frames += int(((block.flags & FrameFlag.ERROR) != 0).sum())
        self._last_heard = now

    def _check_silence(self, receiver: Receiver, asked: int) -> None:
        """Report a silence, and open a silent device anew; `asked` is when the read that gave nothing began.

        That read proves that nothing had come by then. Nothing is known of the time since: the thread may
        have been held up behind the read, while frames wait in the device. Closing it would lose them.
        """
        quiet = asked - max(self._opened_at, self._last_heard or 0)
        if quiet > self._silence_ns and self._state is not SourceState.SILENT:
            self._tell_event(SourceEventKind.SILENT, f"no frames for {_say_seconds(quiet)}")
            self._state = SourceState.SILENT
        if quiet > self._patience_ns and not receiver.reports_loss:
            self._patience_ns = min(2 * self._patience_ns, LONGEST_PATIENCE_NS)
            self._let_go()

    def _lose_device(self, why: str) -> None:
        if self._lost_at is None:
            self._lost_at = self._clock.now()
            self._tell_event(
                SourceEventKind.LOST, f"device lost: {why}; it is opened again when it is back", None
            )
        self._state = SourceState.LOST
        self._let_go()
        self._publish_status()

    def _reopen_device(self) -> None:
        self._interrupted = True
        if self._lost_at is not None:
            self._wait_idle(self._pause_s)
            self._pause_s = min(2 * self._pause_s, LONGEST_PAUSE_S)
        if self._stop.is_set():
            return
        try:
            receiver = open_receiver(self._options, self._index, self._channels, self._clock)
        except MixmonError as error:
            self._lose_device(str(error))
            if str(error) != self._refusal:
                self._refusal = str(error)
                self._tell_event(SourceEventKind.REFUSED, self._refusal)
            return
        self._refusal = ""
        self._adopt_receiver(receiver)

    def _wait_idle(self, seconds: float) -> None:
        """Wait without holding up the other buses: this one is complete up to now."""
        until = self._clock.now() + round(seconds * 1e9)
        while not self._stop.is_set() and (now := self._clock.now()) < until:
            self._sink.deliver(self._index, FrameBlock.empty(self._channels), now)
            self._stop.wait(min(READ_S, (until - now) / 1e9))

    def _adopt_receiver(self, receiver: Receiver) -> None:
        self._receiver = receiver
        self._opened_at, self._read_at = self._clock.now(), None

    def _let_go(self) -> None:
        receiver, self._receiver = self._receiver, None
        if receiver is not None:
            receiver.close()
            self._dropped_before += receiver.dropped or 0
            self._overflows_before += receiver.overflows
            self._bus_offs_before += receiver.bus_offs
            self._rejected_before += receiver.rejected

    def _check_receiver(self, receiver: Receiver, now: int) -> None:
        self._pass_remarks_on()
        before, now_is = self.status.condition, receiver.condition
        well = before in _UNREMARKABLE and now_is is BusCondition.ACTIVE
        if now_is not in {before, BusCondition.UNKNOWN, BusCondition.BUS_OFF} and not well:
            self._tell_event(SourceEventKind.CONDITION, f"the adapter's controller is {now_is.value}")
        self._interrupted |= receiver.overflows > 0 or receiver.bus_offs > 0
        if now - self._reported_at >= REPORT_NS:
            self._reported_at = now
            self._tell_counts()

    def _tell_counts(self) -> None:
        counts = self._count_now()
        for kind, text, lost in counts.since(self._reported):
            self._tell_event(kind, text, lost)
        self._tell_bus_off(counts.bus_offs - self._reported.bus_offs)
        self._reported = counts

    def _tell_bus_off(self, times: int) -> None:
        """Say that the controller went off the bus so many times since the last report, or is on it again."""
        off = self._receiver is not None and self._receiver.condition is BusCondition.BUS_OFF
        if times and off:
            restart = kind_of(self._options.interface).restarted_by.format(channel=self._options.channel)
            self._tell_event(SourceEventKind.CONDITION, f"{BUS_OFF_WORDS}, then {restart}", None)
        elif (times or self._told_off) and self._receiver is not None:
            often = f" {times} times" if times > 1 else ""
            self._tell_event(SourceEventKind.CONDITION, BACK_WORDS.format(often=often), None)
        self._told_off = off

    def _pass_remarks_on(self) -> None:
        if self._receiver is not None:
            for remark in self._receiver.remarks:
                self._tell_event(SourceEventKind.REMARK, remark)
            self._receiver.remarks.clear()

    def _count_now(self) -> ListenerCounts:
        receiver = self._receiver
        rejected = self._rejected_before + (Counter() if receiver is None else receiver.rejected)
        dropped = self._dropped_before + ((receiver and receiver.dropped) or 0)
        overflows = self._overflows_before + (0 if receiver is None else receiver.overflows)
        bus_offs = self._bus_offs_before + (0 if receiver is None else receiver.bus_offs)
        return ListenerCounts(dropped, self._overflowed, self._error_frames, rejected, overflows, bus_offs)

    def _publish_status(self) -> None:
        receiver, counts, last = self._receiver, self._count_now(), self.status
        counted = last.dropped is not None if receiver is None else receiver.dropped is not None
        self.status = SourceStatus(
            self._options.name,
            self._state,
            self._frames,
            self._error_frames,
            last.condition if receiver is None else receiver.condition,
            counts.dropped if counted else None,
            self._overflowed,
            counts.rejected,
            last.listen_only if receiver is None else receiver.listen_only,
            last.stamped_by if receiver is None else receiver.stamped_by,
            self._interrupted,
        )

    def _introduce_receiver(self) -> str:
        assert self._receiver is not None
        confirmed_by = kind_of(self._options.interface).confirmed_by
        claim = {
            True: f"listening only, confirmed by {confirmed_by}",
            False: "acknowledging frames",
            None: "listening only not confirmed",
        }
        return f"{claim[self._receiver.listen_only]}; time by {self._receiver.stamped_by.value}"

    def _tell_event(self, kind: SourceEventKind, text: str, lost: int | None = 0) -> None:
        self._sink.tell(SourceEvent(self._clock.now(), self._options.name, kind, text, lost))


@dataclass(frozen=True, slots=True)
class ListenerCounts:
    """Counts that become events from time to time."""

    dropped: int = 0
    overflowed: int = 0
    error_frames: int = 0
    rejected: Counter[str] = field(default_factory=Counter)
    overflows: int = 0
    bus_offs: int = 0

    def since(self, before: ListenerCounts) -> list[tuple[SourceEventKind, str, int | None]]:
        """What was added since the counts `before`: kind of event, words, frames lost; None: not counted."""
        news: list[tuple[SourceEventKind, str, int | None]] = []
        if lost := self.dropped - before.dropped:
            news.append((SourceEventKind.DROPPED, f"{lost} frames lost in the adapter or the system", lost))
        if lost := self.overflowed - before.overflowed:
            news.append((SourceEventKind.OVERFLOW, f"{lost} frames lost: this program did not keep up", lost))
        if self.overflows > before.overflows:
            words = "adapter buffer overflow; number of lost frames unknown"
            news.append((SourceEventKind.DROPPED, words, None))
        if errors := self.error_frames - before.error_frames:
            news.append((SourceEventKind.ERROR_FRAMES, f"{errors} error frames", 0))
        if rejected := self.rejected - before.rejected:
            reasons = ", ".join(f"{why} {count}" for why, count in rejected.items())
            news.append((SourceEventKind.REJECTED, f"not frames: {reasons}", 0))
        return news


def _say_seconds(ns: int) -> str:
    return f"{ns / 1e9:.2f} s"
