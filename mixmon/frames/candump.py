"""candump text -> FrameBlock: every line is a frame, or a counted and located something else.

Bytes are fed in any pieces; an unfinished line waits for its end. Interfaces are numbered in
the order in which their first frames appear.
"""

from __future__ import annotations

import numpy as np

from mixmon.frames.block import CLASSIC_WIDTH, FD_WIDTH, FrameBlock, FrameFlag
from mixmon.frames.candump_line import LONGEST_LINE, LineFrame, LineLoss, read_line
from mixmon.frames.read_report import Loss, ReadReport, Reason

MOST_INTERFACES = 256
"""A FrameBlock numbers interfaces in one byte."""

_KEEP_WHY = (Reason.NOT_TEXT, Reason.SCREEN_FORMAT, Reason.TOO_LONG)


class CandumpReader:
    """Stage from the bytes of a candump log to frames.

    `channels` names the interfaces seen so far, `report` counts what was read.
    """

    def __init__(self) -> None:
        self.report = ReadReport()
        self._names: dict[bytes, int] = {}
        self._tail = b""
        self._last_t: int | None = None

    @property
    def channels(self) -> tuple[str, ...]:
        """Interfaces in order of first appearance."""
        return tuple(name.decode("ascii") for name in self._names)

    def feed(self, data: bytes) -> FrameBlock:
        """Frames of the lines that `data` completes."""
        *lines, tail = (self._tail + data).split(b"\n")
        self._tail = tail[: LONGEST_LINE + 1]
        return self._read(lines)

    def flush(self) -> FrameBlock:
        """The last line, if the log does not end with a newline."""
        tail, self._tail = self._tail, b""
        if not tail:
            return FrameBlock.empty(self.channels)
        self.report.no_final_newline = True
        return self._read([tail], cut=True)

    def _read(self, lines: list[bytes], *, cut: bool = False) -> FrameBlock:
        frames = [frame for line in lines if (frame := self._line(line, cut=cut))]
        return self._block(frames)

    def _line(self, line: bytes, *, cut: bool) -> LineFrame | None:
        report = self.report
        report.lines += 1
        found = read_line(line, first=report.lines == 1)
        if isinstance(found, LineFrame):
            if len(self._names) < MOST_INTERFACES or found.interface in self._names:
                self._names.setdefault(found.interface, len(self._names))
                self._last_t = found.t
                return found
            found = Reason.INTERFACES
        if isinstance(found, LineLoss):
            report.losses.append(Loss(report.lines, *found, self._last_t))
        elif found is None:
            report.skipped += 1
        else:
            report.reject(report.lines, Reason.TRUNCATED if cut and found not in _KEEP_WHY else found, line)
        return None

    def _block(self, frames: list[LineFrame]) -> FrameBlock:
        n = len(frames)
        flags = np.array([frame.flags for frame in frames], np.uint8)
        width = FD_WIDTH if np.any(flags & FrameFlag.FD) else CLASSIC_WIDTH
        data = b"".join([frame.data.ljust(width, b"\0") for frame in frames])
        self.report.frames += n
        self.report.remote += int(np.count_nonzero(flags & FrameFlag.REMOTE))
        self.report.error += int(np.count_nonzero(flags & FrameFlag.ERROR))
        return FrameBlock(
            np.array([frame.t for frame in frames], np.int64),
            np.array([frame.can_id for frame in frames], np.uint32),
            np.array([self._names[frame.interface] for frame in frames], np.uint8),
            np.array([len(frame.data) for frame in frames], np.uint8),
            np.array([frame.dlc for frame in frames], np.uint8),
            flags,
            np.frombuffer(data, np.uint8).reshape(n, width).copy(),
            self.channels,
        )
