"""candump text -> FrameBlock: every line is a frame, or a counted and located something else.

Bytes are fed in any pieces; an unfinished line waits for its end. Interfaces are numbered in
the order in which their first frames appear.
"""

from __future__ import annotations

from mixmon.frames.block import FrameBlock
from mixmon.frames.candump_line import LONGEST_LINE, LineLoss, read_line
from mixmon.frames.read_report import Loss, ReadReport, Reason
from mixmon.frames.rows import FrameRow, Interfaces, block_of

_KEEP_WHY = (Reason.NOT_TEXT, Reason.SCREEN_FORMAT, Reason.TOO_LONG)


class CandumpReader:
    """Stage from the bytes of a candump log to frames.

    `channels` names the interfaces seen so far, `report` counts what was read.
    """

    def __init__(self) -> None:
        self.report = ReadReport()
        self._interfaces = Interfaces()
        self._tail = b""
        self._last_t: int | None = None

    @property
    def channels(self) -> tuple[str, ...]:
        """Interfaces in order of first appearance."""
        return self._interfaces.names

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
        rows = [row for line in lines if (row := self._line(line, cut=cut))]
        block = block_of(rows, self._interfaces)
        self.report.count(block.flags)
        return block

    def _line(self, line: bytes, *, cut: bool) -> FrameRow | None:
        report = self.report
        report.lines += 1
        found = read_line(line, first=report.lines == 1)
        if isinstance(found, FrameRow):
            if self._interfaces.number(found.interface) is not None:
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
