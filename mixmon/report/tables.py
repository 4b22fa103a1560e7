"""Decoded values as CSV and as a table.

Values of all signals go out in the order in which
their frames came. CSV is that of RFC 4180 with line feeds and UTF-8; its floats read back to the last bit.
Text that a spreadsheet may take for a formula gets an apostrophe before it; numbers are never text.
"""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from mixmon.arrays import SECOND_NS, Bytes, Floats, Ints
from mixmon.log import Decoded, DecodedFrames, Decoding, SignalValues
from mixmon.messages.plan import Quality
from mixmon.report.balance import log_json
from mixmon.report.export.fields import ColumnKind, Columns, TableField, TableForm, Words
from mixmon.report.text import counted

QUALITY_WORDS = {q.value: q.name.lower().replace("_", " ") for q in Quality}
"""Quality in words, as written to files."""

_GOOD = int(Quality.GOOD)
_QUALITIES = max(Quality) + 1


def in_order(columns_of_block: list[SignalValues]) -> Ints:
    """The order, int64[v], that puts the values of all columns, laid end to end, as they came.

    By frame, and within a frame by the order of the columns.
    """
    rows = np.concatenate([c.rows for c in columns_of_block])
    return np.argsort(rows, kind="stable")


# What decoding counted, in words.


def decoding_remarks(decoding: Decoding) -> list[str]:
    """What was written, and what was not."""
    numbers = (
        (decoding.values, f"{counted(decoding.values, 'value')} of {counted(decoding.frames, 'frame')}"),
        (
            decoding.missing,
            f"{counted(decoding.missing, 'value')} not in their frames (cut short, or another branch)",
        ),
        (decoding.unknown, f"{counted(decoding.unknown, 'frame')} of identifiers without a definition"),
    )
    return [text for number, text in numbers if number] + [
        f"{message} on {channel}: from {len(sources)} source addresses taken together: "
        + ", ".join(f"{source:02X}" for source in sorted(sources))
        for (channel, message), sources in decoding.sources.items()
        if len(sources) > 1
    ]


def corrupt_remarks(decoding: Decoding) -> list[str]:
    """How many frames are corrupt; empty for none."""
    frames = counted(decoding.corrupt, "frame")
    words = f"{frames} with a wrong checksum or a repeated counter, marked corrupt"
    return [words] if decoding.corrupt else []


# What was decoded, signal by signal.


@dataclass(slots=True)
class _Counted:
    """Of one signal: values by quality, lowest and highest good value, first and last stamp."""

    unit: str
    by_quality: Ints
    lowest: float = math.nan
    highest: float = math.nan
    first: int | None = None
    last: int | None = None

    def add(self, column: SignalValues) -> None:
        """Counts the values of a piece of the log."""
        self.by_quality += np.bincount(column.quality, minlength=len(self.by_quality))
        good = column.values[np.isfinite(column.values)]
        if len(good):
            self.lowest = float(np.fmin(self.lowest, good.min()))
            self.highest = float(np.fmax(self.highest, good.max()))
        if len(column.t):
            self.first = int(column.t[0]) if self.first is None else self.first
            self.last = int(column.t[-1])


class SignalTally:
    """Counts decoded values by channel, message and signal; memory does not grow with the log."""

    def __init__(self) -> None:
        self._signals: dict[tuple[str, str, str], _Counted] = {}

    def add(self, columns: Sequence[SignalValues]) -> None:
        """Counts the values of a piece of the log."""
        for column in columns:
            name = (column.channel, column.message, column.signal)
            counted = self._signals.get(name)
            if counted is None:
                counted = self._signals[name] = _Counted(column.unit, np.zeros(_QUALITIES, np.int64))
            counted.add(column)

    def to_json(self, first: int) -> list[Mapping[str, Any]]:
        """The fields of each signal; `first` is the stamp of the log's first frame, ns."""
        return [
            {
                "channel": channel,
                "message": message,
                "signal": signal,
                "unit": one.unit,
                "values": int(one.by_quality.sum()),
                "quality": {
                    QUALITY_WORDS[code]: int(count)
                    for code, count in enumerate(one.by_quality.tolist())
                    if count
                },
                "lowest": one.lowest,
                "highest": one.highest,
                "first_s": None if one.first is None else (one.first - first) / SECOND_NS,
                "last_s": None if one.last is None else (one.last - first) / SECOND_NS,
            }
            for (channel, message, signal), one in sorted(self._signals.items())
        ]


def decoded_json(decoded: Decoded, tally: SignalTally, out: Path | None) -> Mapping[str, Any]:
    """What was decoded.

    log       as in every command
    out       the file with the values; null: none was asked for
    frames, values  that were decoded
    not_in_their_frames  values of frames that were cut short, or of another branch
    unknown_frames       of identifiers without a definition
    corrupt_frames       with a wrong checksum or a repeated counter
    signals   of each: values, how many of which quality, and the range of those that are good
    """
    counts = decoded.decoding
    return {
        "log": log_json(decoded.frames.log),
        "out": out,
        "frames": counts.frames,
        "values": counts.values,
        "not_in_their_frames": counts.missing,
        "unknown_frames": counts.unknown,
        "corrupt_frames": counts.corrupt,
        "signals": tally.to_json(decoded.frames.first or 0),
    }


# One value a line, or one frame a line, as CSV.


def long_header(*, raw: bool) -> str:
    """The first line: one value a line follows."""
    return f"t_s,channel,message,signal,value,{'raw,' if raw else ''}unit,quality\n"


def long_lines(t: Ints, columns: Sequence[SignalValues], *, raw: bool) -> str:
    """One line a value, in the order of the frames.

    t   int64[n]  the block's stamps, ns, from whatever is zero

    Where there is no good value the field is empty and the last one says why. `raw` adds the
    integer that was sent, exact where float64 is not (above 2**53).
    """
    columns = [c for c in columns if len(c.rows)]
    if not columns:
        return ""
    stamps = np.array(seconds(t), object)
    lines: list[str] = []
    for column in columns:
        lines += _column_lines(stamps[column.rows].tolist(), column, raw=raw)
    return "".join(np.array(lines, object)[in_order(list(columns))].tolist())


def _column_lines(stamps: list[str], column: SignalValues, *, raw: bool) -> list[str]:
    middle = "," + ",".join(map(quoted, (column.channel, column.message, column.signal))) + ","
    unit = f",{quoted(column.unit)},"
    raws = [f",{r}" for r in column.raw.tolist()] if raw else None
    if raws is None and (column.quality == _GOOD).all():
        end = f"{unit}{QUALITY_WORDS[_GOOD]}\n"
        return [f"{s}{middle}{v!r}{end}" for s, v in zip(stamps, column.values.tolist(), strict=True)]
    ends = {q: f"{unit}{word}\n" for q, word in QUALITY_WORDS.items()}
    values = cells(column.values, column.quality)
    rows = zip(stamps, values, raws or [""] * len(values), column.quality.tolist(), strict=True)
    return [f"{s}{middle}{v}{r}{ends[q]}" for s, v, r, q in rows]


def wide_header(decoded: DecodedFrames, names: Sequence[str]) -> str:
    """The first line of one message's own file: a column a signal, with its unit in brackets."""
    units = [decoded.block.message.signal(name).unit for name in names]
    heads = [f"{name} [{unit}]" if unit else name for name, unit in zip(names, units, strict=True)]
    return ",".join(["t_s", *map(quoted, heads), "quality"]) + "\n"


def wide_lines(t: Ints, decoded: DecodedFrames, names: Sequence[str]) -> str:
    """One line a frame: time, the signals, and which of them are not good and why.

    The last field is `good`, or `Signal=reason` for each that is not, by blanks.
    """
    block = decoded.block
    at = [block.names.index(name) for name in names]
    texts = [cells(block.values[k], block.quality[k]) for k in at]
    verdicts = _quality_fields(block.quality[at], names)
    rows = zip(seconds(t[decoded.rows]), *texts, verdicts, strict=True)
    return "".join([",".join(row) + "\n" for row in rows])


def _quality_fields(quality: Bytes, names: Sequence[str]) -> list[str]:
    verdicts = [QUALITY_WORDS[_GOOD]] * quality.shape[1]
    for row in np.flatnonzero((quality != _GOOD).any(axis=0)).tolist():
        bad = [
            (n, QUALITY_WORDS[q]) for n, q in zip(names, quality[:, row].tolist(), strict=True) if q != _GOOD
        ]
        verdicts[row] = quoted(" ".join(f"{n}={w.replace(' ', '-')}" for n, w in bad))
    return verdicts


def cells(values: Floats, quality: Bytes) -> list[str]:
    """Values as shortest text that reads back to the same float; empty where not good."""
    pairs = zip(values.tolist(), quality.tolist(), strict=True)
    return [repr(v) if q == _GOOD else "" for v, q in pairs]


def seconds(t: Ints) -> list[str]:
    """Nanoseconds as seconds with nine decimals, exact.

    >>> seconds(np.array([1_500_000_000, -1]))
    ['1.500000000', '-0.000000001']
    """
    whole, part = np.divmod(np.abs(t), SECOND_NS)
    signs = np.where(t < 0, "-", "").tolist()
    return [f"{s}{w}.{p:09d}" for s, w, p in zip(signs, whole.tolist(), part.tolist(), strict=True)]


_FORMULA = re.compile(r"[=+\-@\t\r\n].", re.DOTALL)
"""The start of a text that may be taken for a formula (OWASP, "CSV Injection"); a sign alone is none."""


def quoted(text: str) -> str:
    """The text as one CSV field, in quotes where it needs them; an apostrophe is put before a formula.

    >>> quoted("=1+1"), quoted("-"), quoted("a,b")
    ("'=1+1", '-', '"a,b"')
    """
    if not text:
        return ""
    if _FORMULA.match(text):
        text = f"'{text}"
    line = io.StringIO()
    csv.writer(line).writerow([text])  # quotes line breaks only if its own line end holds them
    return line.getvalue().removesuffix("\r\n")


# One value a row, as a table.

DECODED = TableForm(
    "decoded",
    (
        TableField("t_s", unit="s", about="from the log's first frame"),
        TableField("t_ns", ColumnKind.WHOLE, unit="ns", about="the stamp as logged"),
        *(TableField(name, ColumnKind.WORD) for name in ("channel", "message", "signal")),
        TableField("value", about="as the definition scales it; none where there is no good one"),
        TableField("unit", ColumnKind.WORD),
        TableField(
            "quality", ColumnKind.WORD, about="why there is no value", words=tuple(QUALITY_WORDS.values())
        ),
    ),
    "decoded signals, one value a row",
    of_time=True,
)
"""What a table of decoded values holds."""


def decoded_columns(t: Ints, first: int, columns: Sequence[SignalValues]) -> Columns:
    """The values of one block in the order of its frames; `t` int64[n] ns, `first` the zero of t_s."""
    order = in_order(list(columns))
    stamps = t[np.concatenate([c.rows for c in columns])[order]]
    quality = np.concatenate([c.quality for c in columns])[order]
    values = np.concatenate([c.values for c in columns])[order]
    which = np.repeat(np.arange(len(columns)), [len(c.rows) for c in columns])[order]
    return {
        "t_s": (stamps - first) / SECOND_NS,
        "t_ns": stamps,
        **{
            name: Words(which, [getattr(c, name) for c in columns])
            for name in ("channel", "message", "signal")
        },
        "value": np.where(quality == Quality.GOOD, values, np.nan),
        "unit": Words(which, [c.unit for c in columns]),
        "quality": Words(quality, list(QUALITY_WORDS.values())),
    }
