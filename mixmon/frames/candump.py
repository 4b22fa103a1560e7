"""candump text -> FrameBlock: every line is a frame, or a counted and located something else.

Bytes are fed in any pieces; an unfinished line waits for its end. Plain lines are read by whole
columns, the rest one by one, and both are joined in the order of the lines, so that neither
the pieces nor the way a line was read can be seen in the result.
"""

from __future__ import annotations

import numpy as np

from mixmon.arrays import Bytes
from mixmon.frames.account import Loss, ReadReport, Reason
from mixmon.frames.block import FrameBlock, FrameRow, Interfaces, block_of, concat
from mixmon.frames.candump_fast import BEFORE, BEHIND, Columns, Regions, Rows, StampLayout, read_columns
from mixmon.frames.candump_line import LONGEST_LINE, LineLoss, read_line

BATCH = 1 << 20
"""Bytes of text that are read at once; more gain nothing, as the columns leave the cache."""

_NEWLINE = 10
_PASSES = 32
_FRUITLESS = 4
"""Passes by columns in a batch, and those among them that may find nothing, before the rest is
read line by line; numbers that only cost or save time."""

_KEEP_WHY = (Reason.NOT_TEXT, Reason.SCREEN_FORMAT, Reason.TOO_LONG)

OddLine = FrameRow | LineLoss | Reason | None
"""What a line is that the columns could not hold."""

OddLines = dict[int, OddLine]
"""Such lines by row, in order."""


class CandumpReader:
    r"""Stage from the bytes of a candump log to frames.

    `channels` names the interfaces seen so far, in order of first appearance; `report` counts
    what was read.

        >>> reader = CandumpReader()
        >>> block = reader.feed(b"(1436509052.249713) can0 123#1122\n(1436509052.25")
        >>> len(block), reader.channels, len(reader.flush()), reader.report.rejected
        (1, ('can0',), 0, {'truncated': 1})
    """

    def __init__(self) -> None:
        self.report = ReadReport()
        self._interfaces = Interfaces()
        self._text = np.zeros(BEFORE + LONGEST_LINE + 1 + BATCH + BEHIND, np.uint8)
        self._filled = BEFORE  # where the text ends; it begins at BEFORE, with an unfinished line
        self._layout: StampLayout | None = None
        self._regions = Regions()
        self._last_t: int | None = None

    @property
    def channels(self) -> tuple[str, ...]:
        """Interfaces in order of first appearance."""
        return self._interfaces.names

    def feed(self, data: bytes) -> FrameBlock:
        """Frames of the lines that `data` completes."""
        if not data:
            return FrameBlock.empty(self.channels)
        new = np.frombuffer(data, np.uint8)
        return concat([self._take(new[at : at + BATCH]) for at in range(0, len(new), BATCH)])

    def flush(self) -> FrameBlock:
        """The last line, if the log does not end with a newline."""
        end, self._filled = self._filled, BEFORE
        if end == BEFORE:
            return FrameBlock.empty(self.channels)
        self.report.no_final_newline = True
        self._text[end] = _NEWLINE
        return self._read(np.array([BEFORE]), np.array([end]), cut=True)

    def _take(self, new: Bytes) -> FrameBlock:
        text, begin = self._text, self._filled
        end = begin + len(new)
        text[begin:end] = new
        ends = np.flatnonzero(text[begin:end] == _NEWLINE)
        block = FrameBlock.empty(self.channels)
        rest = BEFORE
        if len(ends):
            ends += begin
            starts = np.concatenate(([BEFORE], ends[:-1] + 1))
            block = self._read(starts, ends)
            rest = int(ends[-1]) + 1
        kept = min(end - rest, LONGEST_LINE + 1)  # of a longer line no more is needed to refuse it
        text[BEFORE : BEFORE + kept] = text[rest : rest + kept].copy()
        self._filled = BEFORE + kept
        return block

    def _read(self, starts: Rows, ends: Rows, *, cut: bool = False) -> FrameBlock:
        """The lines as far as they are frames; `cut` when there is one and its end is missing."""
        columns = Columns.none(len(starts))
        odd: OddLines = {}
        left = np.arange(len(starts))
        fruitless = 0
        for _ in range(_PASSES):
            before = len(left)
            left = self._by_columns(left, starts, ends, columns)
            fruitless += len(left) == before
            if not len(left) or fruitless > _FRUITLESS:
                break
            # the first line left is odd, or brings a new interface: then the rest goes by columns
            odd |= self._one_by_one(left[:1], starts, ends)
            self._learn(odd[int(left[0])], starts[left[0]], ends[left[0]])
            left = left[1:]
        odd |= self._one_by_one(left, starts, ends)
        self._join(columns, odd)
        self._note(columns, odd, starts, ends, cut=cut)
        return self._block(columns)

    def _by_columns(self, rows: Rows, starts: Rows, ends: Rows, columns: Columns) -> Rows:
        """Reads what has the stamp layout of the first line, or of the pass before; gives the rest."""
        if not len(rows):
            return rows
        first = self._text[starts[rows[0]] :][:BEFORE].tobytes()
        self._layout = StampLayout.of(first) or self._layout
        if self._layout is None:
            return rows
        found = read_columns(self._text, starts[rows], ends[rows], self._layout, self._regions)
        columns.put(rows, found)
        return rows[~found.valid]

    def _one_by_one(self, rows: Rows, starts: Rows, ends: Rows) -> OddLines:
        """Reads these lines strictly; new interfaces get their numbers here, in the order of lines."""
        text = self._text.data
        odd: OddLines = {}
        for row, start, end in zip(rows.tolist(), starts[rows].tolist(), ends[rows].tolist(), strict=True):
            found = read_line(bytes(text[start:end]), first=self.report.lines + row == 0)
            if isinstance(found, FrameRow) and self._interfaces.number(found.interface) is None:
                found = Reason.INTERFACES
            odd[row] = found
        return odd

    def _learn(self, found: OddLine, start: int, end: int) -> None:
        """Remembers how the interface of this line is written."""
        if isinstance(found, FrameRow):
            self._regions.learn(self._text[start:end].tobytes(), self._interfaces[found.interface])

    def _join(self, columns: Columns, odd: OddLines) -> None:
        """Puts the frames read one by one into the rows of their lines."""
        frames = {row: found for row, found in odd.items() if isinstance(found, FrameRow)}
        if frames:
            block = block_of(list(frames.values()), self._interfaces)
            valid = np.ones(len(block), np.bool_)
            columns.put(
                np.array(list(frames)),
                Columns(
                    valid, block.t, block.can_id, block.bus, block.size, block.dlc, block.flags, block.data
                ),
            )

    def _note(self, columns: Columns, odd: OddLines, starts: Rows, ends: Rows, *, cut: bool) -> None:
        """Counts what is no frame, with the numbers of the lines."""
        report, text = self.report, self._text.data
        read = np.flatnonzero(columns.valid)
        for row, found in odd.items():
            line = report.lines + row + 1
            if found is None:
                report.skipped += 1
            elif isinstance(found, LineLoss):
                before = int(np.searchsorted(read, row))
                after_t = int(columns.t[read[before - 1]]) if before else self._last_t
                report.lose(Loss(line, *found, after_t))
            elif isinstance(found, Reason):
                why = Reason.TRUNCATED if cut and found not in _KEEP_WHY else found
                report.reject(line, why, text[starts[row] : ends[row]])

    def _block(self, columns: Columns) -> FrameBlock:
        """The rows that are frames, counted."""
        kept = slice(None) if columns.valid.all() else columns.valid
        block = FrameBlock(
            columns.t[kept],
            columns.can_id[kept],
            columns.bus[kept],
            columns.size[kept],
            columns.dlc[kept],
            columns.flags[kept],
            columns.data[kept],
            self.channels,
        )
        self.report.lines += len(columns.valid)
        self.report.count(block.flags)
        if len(block):
            self._last_t = int(block.t[-1])
        return block
