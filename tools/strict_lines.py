"""A candump log read line by line, without any columns: what the fast reader is compared with."""

from __future__ import annotations

from mixmon.frames.account import ReadReport, Reason
from mixmon.frames.block import FrameRow, Interfaces
from mixmon.frames.candump_line import LineLoss, read_line


def line_by_line(text: bytes) -> tuple[list[FrameRow], ReadReport]:
    """Frames and counts of a log."""
    rows: list[FrameRow]
    *lines, tail = text.split(b"\n")
    report, rows, interfaces = ReadReport(), [], Interfaces()
    for number, line in enumerate([*lines, tail] if tail else lines, start=1):
        found = read_line(line, first=number == 1)
        if isinstance(found, FrameRow) and interfaces.number(found.interface) is None:
            found = Reason.INTERFACES
        if isinstance(found, FrameRow):
            rows.append(found)
        elif isinstance(found, LineLoss):
            report.losses.append((number, *found, rows[-1].t if rows else None))  # type: ignore[arg-type]
        elif found is None:
            report.skipped += 1
        else:
            keeps = found in (Reason.NOT_TEXT, Reason.SCREEN_FORMAT, Reason.TOO_LONG)
            report.reject(number, found if number <= len(lines) or keeps else Reason.TRUNCATED, line)
    return rows, report
