"""Decoded values as CSV (RFC 4180, line feeds, UTF-8): floats read back to the last bit."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from mixmon.messages.plan import Quality
from mixmon.report.decoded import WORDS, Decoded, Values, in_order

_S = 1_000_000_000
_GOOD = int(Quality.GOOD)


def long_header(*, raw: bool) -> str:
    """The first line: one value a line follows."""
    return f"t_s,channel,message,signal,value,{'raw,' if raw else ''}unit,quality\n"


def long_lines(t: NDArray[np.int64], columns: Sequence[Values], *, raw: bool) -> str:
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
        lines += _lines(stamps[column.rows].tolist(), column, raw=raw)
    return "".join(np.array(lines, object)[in_order(list(columns))].tolist())


def _lines(stamps: list[str], column: Values, *, raw: bool) -> list[str]:
    middle = "," + ",".join(map(quoted, (column.channel, column.message, column.signal))) + ","
    unit = f",{quoted(column.unit)},"
    raws = [f",{r}" for r in column.raw.tolist()] if raw else None
    if raws is None and (column.quality == _GOOD).all():
        end = f"{unit}{WORDS[_GOOD]}\n"
        return [f"{s}{middle}{v!r}{end}" for s, v in zip(stamps, column.values.tolist(), strict=True)]
    ends = {q: f"{unit}{word}\n" for q, word in WORDS.items()}
    values = cells(column.values, column.quality)
    rows = zip(stamps, values, raws or [""] * len(values), column.quality.tolist(), strict=True)
    return [f"{s}{middle}{v}{r}{ends[q]}" for s, v, r, q in rows]


def wide_header(decoded: Decoded, names: Sequence[str]) -> str:
    """The first line of one message's own file: a column a signal, with its unit in brackets."""
    units = [decoded.block.message.signal(name).unit for name in names]
    heads = [f"{name} [{unit}]" if unit else name for name, unit in zip(names, units, strict=True)]
    return ",".join(["t_s", *map(quoted, heads), "quality"]) + "\n"


def wide_lines(t: NDArray[np.int64], decoded: Decoded, names: Sequence[str]) -> str:
    """One line a frame: time, the signals, and which of them are not good and why.

    The last field is `good`, or `Signal=reason` for each that is not, by blanks.
    """
    block = decoded.block
    at = [block.names.index(name) for name in names]
    texts = [cells(block.values[k], block.quality[k]) for k in at]
    verdicts = _verdicts(block.quality[at], names)
    rows = zip(seconds(t[decoded.rows]), *texts, verdicts, strict=True)
    return "".join([",".join(row) + "\n" for row in rows])


def _verdicts(quality: NDArray[np.uint8], names: Sequence[str]) -> list[str]:
    verdicts = [WORDS[_GOOD]] * quality.shape[1]
    for row in np.flatnonzero((quality != _GOOD).any(axis=0)).tolist():
        bad = [(n, WORDS[q]) for n, q in zip(names, quality[:, row].tolist(), strict=True) if q != _GOOD]
        verdicts[row] = quoted(" ".join(f"{n}={w.replace(' ', '-')}" for n, w in bad))
    return verdicts


def cells(values: NDArray[np.float64], quality: NDArray[np.uint8]) -> list[str]:
    """Values as shortest text that reads back to the same float; empty where not good."""
    pairs = zip(values.tolist(), quality.tolist(), strict=True)
    return [repr(v) if q == _GOOD else "" for v, q in pairs]


def seconds(t: NDArray[np.int64]) -> list[str]:
    """Nanoseconds as seconds with nine decimals, exact.

    >>> seconds(np.array([1_500_000_000, -1]))
    ['1.500000000', '-0.000000001']
    """
    whole, part = np.divmod(np.abs(t), _S)
    signs = np.where(t < 0, "-", "").tolist()
    return [f"{s}{w}.{p:09d}" for s, w, p in zip(signs, whole.tolist(), part.tolist(), strict=True)]


def quoted(text: str) -> str:
    """The text as one CSV field, in quotes where it needs them."""
    if not text:
        return ""
    line = io.StringIO()
    csv.writer(line).writerow([text])  # quotes line breaks only if its own line end holds them
    return line.getvalue().removesuffix("\r\n")
