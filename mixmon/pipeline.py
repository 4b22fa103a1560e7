"""Frames in, judged rows out: the whole chain from the wire to the cylinders.

    frames -> FrameClock -> Decoder -> SenderMarks -> Aligner -> SampleJudge -> Correction, where asked for
           -> CylinderBlock

The same chain serves a recording and a live bus, and gives the same rows bit for bit however
the frames are cut into blocks. Nothing here knows a clock, a thread, a file or a screen.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import numpy as np

from mixmon.arrays import Bytes
from mixmon.frames.block import FrameBlock
from mixmon.frames.clock import DEFAULT_LATENESS_NS, FORWARD_JUMP_NS, FrameClock, FrameSpan, Jump
from mixmon.messages.binding import Binding
from mixmon.messages.decode import Decoder
from mixmon.messages.integrity import MessageCounts
from mixmon.messages.senders import SenderMarks
from mixmon.mixture.align import Aligner
from mixmon.mixture.block import CylinderBlock, SampleState
from mixmon.mixture.correction import correction_of
from mixmon.mixture.layout import layout_of, node_facts
from mixmon.mixture.validity import SampleJudge


class Pipeline:
    """The chain for one session. Feed it frames in the order in which they came.

    Rows come from iterators; each must be run to its end before the next call.

    frames   frames taken
    decoded  frames whose message was wanted and decoded
    samples  int64[states]  samples in rows so far, by SampleState, of all nodes
    """

    def __init__(
        self,
        binding: Binding,
        *,
        left_out: frozenset[int] = frozenset(),
        lateness_ns: int = DEFAULT_LATENESS_NS,
        silence_ns: int = FORWARD_JUMP_NS,
    ) -> None:
        self._binding = binding
        self._clock = FrameClock(lateness_ns, silence_ns=silence_ns)
        self._senders = SenderMarks(binding)
        self._decoder = Decoder(binding.tables, binding.wanted | self._senders.wanted)
        self._aligner = Aligner(layout_of(binding))
        self._judge = SampleJudge(binding.session.validity, node_facts(binding, left_out))
        self._correction = correction_of(binding)
        self._stretch = 0
        self._channels: tuple[str, ...] = ()
        self._bus_of_channel = np.zeros(0, np.uint8)
        self.frames = 0
        self.decoded = 0
        self.samples = np.zeros(len(SampleState), np.int64)

    @property
    def late_by_clock(self) -> int:
        """Frames that came after the rows of their time were given; they are excluded."""
        return self._clock.late

    @property
    def jumps(self) -> int:
        """Jumps of the time stamps."""
        return self._clock.jumps

    @property
    def first_jumps(self) -> Sequence[Jump]:
        """The first of them."""
        return self._clock.first_jumps

    def play_silence(self, silence_ns: int) -> None:
        """How much time before a jump ahead is from now on a silence of the bus (see `FrameClock`)."""
        self._clock.silence_ns = silence_ns

    @property
    def counts(self) -> Mapping[tuple[int, str], MessageCounts]:
        """What happened to each decoded message, by (bus index, name)."""
        return self._decoder.counts

    @property
    def outside_range(self) -> Mapping[str, tuple[int, int]]:
        """Of each own channel with a range: samples outside it, and samples of its message."""
        return self._aligner.outside_range

    def anchor_grid(self, first_ns: int) -> None:
        """Lays the rows of what is fed next as those of a whole log that begins at this stamp, ns."""
        self._aligner.anchor_grid(first_ns)

    def feed(self, frames: FrameBlock) -> Iterator[CylinderBlock]:
        """Rows that no later frame can change."""
        self.frames += len(frames)
        return self._make_rows(self._clock.feed(frames))

    def advance(self, t: int) -> Iterator[CylinderBlock]:
        """Rows up to time `t` although no frame has come."""
        return self._make_rows(self._clock.advance(t))

    def flush(self) -> Iterator[CylinderBlock]:
        """Rows up to the last frame."""
        return self._make_rows(self._clock.flush())

    def _make_rows(self, spans: list[FrameSpan]) -> Iterator[CylinderBlock]:
        for span in spans:
            if span.stretch != self._stretch:
                self._stretch = span.stretch
                self._senders.restart()
                self._aligner.restart()
                self._judge.restart()
            blocks = self._decoder.decode(span.frames, self._buses_of_channels(span.frames.channels))
            self.decoded += sum(len(block) for block in blocks)
            self._senders.mark(blocks)
            first = int(span.frames.t[0]) if len(span.frames) else None
            for rows in self._aligner.feed(blocks, first, span.through):
                block = self._judge.feed(rows, span.stretch)
                self.samples += np.bincount(block.state.ravel(), minlength=len(SampleState))
                yield block if self._correction is None else self._correction.feed(block)

    def _buses_of_channels(self, channels: tuple[str, ...]) -> Bytes:
        """For each of the log's channels, the session's bus that it is; 255 for none."""
        if channels != self._channels:
            self._channels = channels
            self._bus_of_channel = self._binding.bus_of_channels(channels)
        return self._bus_of_channel
