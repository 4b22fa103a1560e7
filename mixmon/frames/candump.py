"""candump text -> FrameBlock: every line is a frame, or a counted and located something else.

Bytes are fed in any pieces; an unfinished line waits for its end. Plain lines are read by whole
columns, the rest one by one, and both are joined in the order of the lines, so that neither
the pieces nor the way a line was read can be seen in the result.
"""

from __future__ import annotations

import numpy as np

from mixmon.arrays import Bools, Bytes
from mixmon.frames.account import Loss, ReadReport, Reason
from mixmon.frames.block import FrameBlock, FrameRow, Interfaces, block_of, concat
from mixmon.frames.candump_fast import (
    BYTES_BEFORE,
    BYTES_BEHIND,
    Columns,
    Regions,
    Rows,
    StampLayout,
    read_columns,
)
from mixmon.frames.candump_line import LONGEST_LINE, LineLoss, read_line

TEXT_BYTES = 1 << 20
"""Bytes of text that are read at once; our choice: more gain nothing, as the columns leave the cache."""

_NEWLINE, _RETURN = b"\n\r"

_MOST_PASSES = 32
"""Passes by columns over one text before the rest is read line by line; our choice: a log with more
interfaces and layouts than that loses time, nothing else."""

_MOST_FRUITLESS = 4
"""Those among them that may find nothing; our choice, likewise."""

_REASONS_KEPT = (Reason.NOT_TEXT, Reason.SCREEN_FORMAT, Reason.TOO_LONG)

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
        self._text = np.zeros(BYTES_BEFORE + LONGEST_LINE + 1 + TEXT_BYTES + BYTES_BEHIND, np.uint8)
        self._filled = BYTES_BEFORE  # where the text ends; it begins at BYTES_BEFORE, with an unfinished line
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
        return concat([self._split_lines(new[at : at + TEXT_BYTES]) for at in range(0, len(new), TEXT_BYTES)])

    def flush(self) -> FrameBlock:
        """The last line, if the log does not end with a newline."""
        end, self._filled = self._filled, BYTES_BEFORE
        if end == BYTES_BEFORE:
            return FrameBlock.empty(self.channels)
        self._text[end] = _NEWLINE
        return self._read_lines(np.array([BYTES_BEFORE]), np.array([end]), cut=True)

    def _split_lines(self, new: Bytes) -> FrameBlock:
        """Frames of the lines that the new bytes complete; what is left of a line moves to the front."""
        text, begin = self._text, self._filled
        end = begin + len(new)
        text[begin:end] = new
        ends = np.flatnonzero(text[begin:end] == _NEWLINE)
        block = FrameBlock.empty(self.channels)
        rest = BYTES_BEFORE
        if len(ends):
            ends += begin
            starts = np.concatenate(([BYTES_BEFORE], ends[:-1] + 1))
            block = self._read_lines(starts, ends)
            rest = int(ends[-1]) + 1
        kept = min(end - rest, LONGEST_LINE + 1)  # of a longer line no more is needed to refuse it
        text[BYTES_BEFORE : BYTES_BEFORE + kept] = text[rest : rest + kept].copy()
        self._filled = BYTES_BEFORE + kept
        return block

    def _read_lines(self, starts: Rows, ends: Rows, *, cut: bool = False) -> FrameBlock:
        """The lines as far as they are frames; `cut` when there is one and its end is missing."""
        columns = Columns.unread(len(starts))
        odd: OddLines = {}
        left = np.flatnonzero(self._has_text(starts, ends))
        self.report.skipped += len(starts) - len(left)
        fruitless = 0
        for _ in range(_MOST_PASSES):
            before = len(left)
            left = self._read_by_columns(left, starts, ends, columns)
            fruitless += len(left) == before
            if not len(left) or fruitless > _MOST_FRUITLESS:
                break
            # the first line left is odd, or brings a new interface: then the rest goes by columns
            odd |= self._read_one_by_one(left[:1], starts, ends)
            self._learn_region(odd[int(left[0])], starts[left[0]], ends[left[0]])
            left = left[1:]
        odd |= self._read_one_by_one(left, starts, ends)
        self._join_odd_frames(columns, odd)
        self._count_odd_lines(columns, odd, starts, ends, cut=cut)
        return self._finish_block(columns)

    def _has_text(self, starts: Rows, ends: Rows) -> Bools:
        """Which lines hold more than a carriage return: of blank ones there may be millions."""
        filled: Bools = ends > starts
        filled &= (ends > starts + 1) | (self._text[starts] != _RETURN)
        return filled

    def _read_by_columns(self, rows: Rows, starts: Rows, ends: Rows, columns: Columns) -> Rows:
        """Reads what has the stamp layout of the first line, or of the pass before; gives the rest."""
        if not len(rows):
            return rows
        first = self._text[starts[rows[0]] :][:BYTES_BEFORE].tobytes()
        self._layout = StampLayout.of(first) or self._layout
        if self._layout is None:
            return rows
        found = read_columns(self._text, starts[rows], ends[rows], self._layout, self._regions)
        columns.put(rows, found)
        return rows[~found.valid]

    def _read_one_by_one(self, rows: Rows, starts: Rows, ends: Rows) -> OddLines:
        """Reads these lines strictly; new interfaces get their numbers here, in the order of lines."""
        text = self._text.data
        odd: OddLines = {}
        for row, start, end in zip(rows.tolist(), starts[rows].tolist(), ends[rows].tolist(), strict=True):
            found = read_line(bytes(text[start:end]), first=self.report.lines + row == 0)
            if isinstance(found, FrameRow) and self._interfaces.number(found.interface) is None:
                found = Reason.INTERFACES
            odd[row] = found
        return odd

    def _learn_region(self, found: OddLine, start: int, end: int) -> None:
        """Remembers how the interface of this line is written."""
        if isinstance(found, FrameRow):
            self._regions.learn(self._text[start:end].tobytes(), self._interfaces[found.interface])

    def _join_odd_frames(self, columns: Columns, odd: OddLines) -> None:
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

    def _count_odd_lines(
        self, columns: Columns, odd: OddLines, starts: Rows, ends: Rows, *, cut: bool
    ) -> None:
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
                why = Reason.TRUNCATED if cut and found not in _REASONS_KEPT else found
                report.reject(line, why, text[starts[row] : ends[row]])

    def _finish_block(self, columns: Columns) -> FrameBlock:
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
