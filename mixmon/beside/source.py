"""Tables of other instruments, as they write them: CSV of any habit, and MDF.

CSV is a habit, not a format: separators, decimal commas, lines before the names, a line of units below them,
times as seconds, milliseconds, clock times or calendar times. What is found is told; what cannot be read is
counted, never guessed: a cell that is no number is not known, and a table without a line of names is refused.
"""

from __future__ import annotations

import csv
import hashlib
import re
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any, Final, cast

import numpy as np

from mixmon.arrays import Floats
from mixmon.errors import SourceError, reason_of

MOST_TABLE_BYTES: Final = 256 << 20
"""Our choice: an hour of twenty columns a hundred times a second has a quarter of that."""

_SEPARATORS: Final = (";", "\t", ",")
_EMPTY_CELLS: Final = frozenset(
    {
        "",
        *("-" * n for n in range(1, 7)),
        "nan",
        "n/a",
        "na",
        "#n/a",
        "#value!",
        "#div/0!",
        "null",
        "none",
        "*",
    }
)
_COMMENT = re.compile(r"\s*(#(?!N/A|VALUE!|DIV/0!)|//|%)\s*", re.IGNORECASE)
_NUMBER_CELL = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?")
_COMMA_NUMBER = re.compile(r"[+-]?\d*,\d+([eE][+-]?\d+)?")
_THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2}([ \u00a0\u202f'\u2019.,])\d{3}(?:\1\d{3})*(?:([.,])\d+)?")
"""A number in groups of three digits: the sign between them, and the decimal sign."""

_CLOCK_TIME = re.compile(r"(?:.*[ T])?(?:(\d{1,3}):)?(\d{1,2}):(\d{1,2}(?:[.,]\d+)?)")
_UNIT_IN_NAME = re.compile(r"(.*\S)\s*[\[(]([^\[\]()]*)[\])]")
_LINE_END = re.compile(r"\r\n|\n|\r")
_LOOKED_AT = 60
"""Lines by which separator, names and decimal sign are found; our choice: more than any heading has."""

TIME_NAMES: Final = frozenset(
    {"time", "t", "t_s", "time_s", "t_ms", "time_ms", "timestamp", "time stamp", "timestamps", "date/time"}
    | {"datetime", "date time", "seconds", "elapsed", "elapsed time", "log time", "clock"}
)
SPEED_NAMES: Final = frozenset(
    {"rpm", "speed", "engine speed", "enginespeed", "engine rpm", "engine_speed", "n"}
)
"""Names by which columns of time and of the engine's speed are known, in lower case."""

SECONDS_OF: Final = {
    **dict.fromkeys(("s", "sec", "secs", "seconds"), 1.0),
    **dict.fromkeys(("ms", "msec", "milliseconds"), 1e-3),
    **dict.fromkeys(("us", "µs", "μs", "usec"), 1e-6),
    "ns": 1e-9,
    **dict.fromkeys(("min", "minutes"), 60.0),
    **dict.fromkeys(("h", "hours"), 3600.0),
}
RPM_OF: Final = {
    **dict.fromkeys(("", "rpm", "1/min", "min-1", "r/min", "rev/min", "u/min", "/min", "upm"), 1.0),
    **dict.fromkeys(("krpm", "rpm*1000", "rpm x1000", "x1000 rpm", "x1000", "1000/min", "1000 rpm"), 1000.0),
    **dict.fromkeys(("hz", "1/s", "rps"), 60.0),
    "rad/s": 9.549297,  # 30 / pi
}
"""Factors to seconds and to rpm by units, in lower case."""

_EPOCH_S, _EPOCH_MS = 1e9, 1e12
"""Numbers from which a time counts from 1970: in seconds and in milliseconds since 2001."""

_HALF_DAY_S = 43_200.0
_MOST_BEHIND = 0.2
"""Share of rows that may lie behind earlier ones; our choice: more is no table in the order of time."""


@dataclass(frozen=True, slots=True, eq=False)
class SourceColumn:
    """One column: its name, its unit ("" where none is told), float64[k], NaN where not known."""

    name: str
    unit: str
    values: Floats


@dataclass(frozen=True, slots=True, eq=False)
class SourceTable:
    """A table as it was read.

    name, sha256  of its file
    t             float64[k]  seconds on its own clock, rising
    absolute      the clock counts from 1970, UTC
    time          name of the column of time, and how it was read
    columns       all columns but that of time, in their order; of two with one name the second is `NAME#2`
    unread        cells that are neither numbers nor empty, by column
    behind        rows that were left out as they lie behind earlier ones, or have no time
    again         rows that were left out as they repeat the time of the one before
    """

    name: str
    sha256: str
    t: Floats
    absolute: bool
    time: str
    columns: tuple[SourceColumn, ...]
    unread: dict[str, int] = field(default_factory=dict)
    behind: int = 0
    again: int = 0

    def column(self, name: str, why: str) -> SourceColumn:
        """The column of that name.

        Raises:
            SourceError: there is none, or there are two.
        """
        names = [column.name for column in self.columns]
        if f"{name}#2" in names:
            raise SourceError(
                f'{self.name}: two columns "{name}"; expected one {why}; name "{name}#1" or "{name}#2"'
            )
        wanted = name.removesuffix("#1") if f"{name.removesuffix('#1')}#2" in names else name
        for column in self.columns:
            if column.name == wanted:
                return column
        raise SourceError(f'{self.name}: no column "{name}"; expected {why}; found {_listed_names(names)}')


def read_source(path: Path, time: str | None = None) -> SourceTable:
    """A table of a file.

    Args:
        path: CSV text, or MDF by its suffix.
        time: the column of time, with `:UNIT` behind it where its unit is not told; None: by its name.

    Raises:
        SourceError: it cannot be read, or has no column of time, or its times do not rise.
    """
    if path.suffix.lower() in {".mf4", ".mdf"}:
        if time is not None:
            raise SourceError(f"{path}: MDF has times of its own; expected no --time; leave it out")
        return _read_mdf(path)
    return _read_csv(path, time)


def split_unit(words: str, names: Sequence[str]) -> tuple[str, str | None]:
    """A column's name and the unit behind its last colon; a name that has a colon itself stays whole.

    >>> split_unit("Torque:Nm", ["Torque"]), split_unit("a:b", ["a:b"])
    (('Torque', 'Nm'), ('a:b', None))
    """
    name, colon, unit = words.rpartition(":")
    return (words, None) if words in names or not colon or not name else (name, unit)


def _listed_names(names: Sequence[str], most: int = 12) -> str:
    more = f" and {len(names) - most} more" if len(names) > most else ""
    return ", ".join(f'"{name}"' for name in names[:most]) + more


# --- CSV ---


def _read_csv(path: Path, time: str | None) -> SourceTable:
    data = _read_bytes(path)
    lines = [line for line in _LINE_END.split(_to_text(data, path)) if line.strip()]
    separator = _find_separator(lines[:_LOOKED_AT])
    if separator is None:
        raise SourceError(
            f"{path}: no columns; expected a table with ; or , or tabs between them; export it as CSV"
        )
    comments = [_COMMENT.match(line) for line in lines]
    marked = [comment is not None for comment in comments]
    bare = [line[comment.end() :] if comment else line for line, comment in zip(lines, comments, strict=True)]
    rows = _split_lines(bare, separator)
    head, units, body = _find_names(rows, marked, path)
    names, told = _name_columns(rows[head], units)
    rows = [row for row, comment in zip(rows[body:], marked[body:], strict=True) if not comment]
    signs = _find_signs(rows[:: max(len(rows) // _SIGNS_LOOKED_AT, 1)], separator)
    cells = [row + [""] * (len(names) - len(row)) for row in rows]
    chosen, unit = _choose_time(names, told, time, path)
    clock = _read_times([row[chosen] for row in cells], unit, signs, path, names[chosen])
    good, behind, again = _rising(clock.t, path, names[chosen])
    columns: list[SourceColumn] = []
    unread: dict[str, int] = {}
    for i in (i for i in range(len(names)) if i != chosen):
        values, bad = _read_numbers([row[i] for row in cells], signs)
        if np.isfinite(values).any():  # else words, or nothing at all
            columns.append(SourceColumn(names[i], told[i], values[good]))
            unread |= {names[i]: bad} if bad else {}
    digest = hashlib.sha256(data).hexdigest()
    return SourceTable(
        path.name, digest, clock.t[good], clock.absolute, clock.said, tuple(columns), unread, behind, again
    )


def _read_bytes(path: Path) -> bytes:
    try:
        if path.exists() and not path.is_file() and not path.is_dir():
            raise SourceError(f"{path}: a device or a pipe; expected a file, CSV or MDF; export it to one")
        if path.stat().st_size > MOST_TABLE_BYTES:
            raise SourceError(
                f"{path}: larger than {MOST_TABLE_BYTES >> 20} MiB; expected less; export a part of it"
            )
        return path.read_bytes()
    except (OSError, ValueError) as error:
        raise SourceError(
            f"{path}: {reason_of(error)}; expected a table, CSV or MDF; check the path"
        ) from None


def _to_text(data: bytes, path: Path) -> str:
    """The text, by its byte order mark, else as UTF-8, else as Windows writes it."""
    if data[:2] in {b"\xff\xfe", b"\xfe\xff"}:
        return data.decode("utf-16", "replace")
    if b"\0" in data:
        raise SourceError(
            f"{path}: not text; expected a table as CSV, or MDF with the suffix .mf4; export it so"
        )
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return data.decode("cp1252", "replace")


def _find_separator(lines: Sequence[str]) -> str | None:
    """What stands between cells: of several, the one that is no decimal comma."""
    for separator in _SEPARATORS:
        counts = Counter(len(_split_line(line, separator)) for line in lines)
        fields, often = max(counts.items(), key=lambda one: (one[1], one[0]), default=(0, 0))
        if fields >= 2 and 2 * often >= len(lines):
            return separator
    return None


def _split_lines(lines: Sequence[str], separator: str) -> list[list[str]]:
    """The cells of every line; a quote that is not closed ends with its line, and takes no other with it."""
    try:
        rows = list(csv.reader(lines, delimiter=separator, skipinitialspace=True))
    except csv.Error:  # a cell of more than 128 KiB: not closed
        rows = []
    if len(rows) == len(lines):
        return rows
    return [_split_line(line, separator) for line in lines]


def _split_line(line: str, separator: str) -> list[str]:
    try:
        return next(csv.reader([line], delimiter=separator, skipinitialspace=True))
    except csv.Error:
        return []


def _find_names(
    rows: Sequence[Sequence[str]], marked: Sequence[bool], path: Path
) -> tuple[int, list[str], int]:
    """The index of the line of names, the units below it, and the index of the first line of numbers.

    marked  lines that are comments: names may stand in one, numbers may not
    """
    body = next((i for i, row in enumerate(rows) if not marked[i] and _is_of_numbers(row)), None)
    if body is None:
        raise SourceError(f"{path}: no line of numbers; expected names, then numbers; export it as CSV")
    width = len(rows[body])
    above = [i for i in range(body) if sum(bool(cell.strip()) for cell in rows[i]) * 2 > width]
    if not above:
        raise SourceError(
            f"{path}: no line of names above the numbers; expected one name a column; export it with names"
        )
    timed = [i for i in above if any(name.lower() in TIME_NAMES for name in _name_columns(rows[i], [])[0])]
    if timed and timed[-1] != above[-1]:
        return timed[-1], list(rows[above[above.index(timed[-1]) + 1]]), body
    if len(above) > 1 and _are_units(rows[above[-1]]):
        return above[-2], list(rows[above[-1]]), body
    return above[-1], [], body


_COMMON_UNITS: Final = frozenset(
    {
        "nm",
        "kw",
        "hp",
        "ps",
        "w",
        "%",
        "kpa",
        "bar",
        "mbar",
        "hpa",
        "psi",
        "pa",
        "°c",
        "c",
        "degc",
        "°f",
        "degf",
        "k",
    }
    | {
        "v",
        "mv",
        "a",
        "g/s",
        "kg/h",
        "g/kwh",
        "lambda",
        "λ",
        "afr",
        "deg",
        "°",
        "l/h",
        "n",
        "km/h",
        "mph",
        "lbft",
    }
    | {"lb-ft", "ft-lb", "mg", "mm", "l", "-", "1", "count", "m/s", "hh:mm:ss", "db", "ppm"}
)


def _are_units(row: Sequence[str]) -> bool:
    """Whether most of a line's cells are units, or stand in brackets."""
    told = [cell.strip() for cell in row if cell.strip()]
    known = sum(
        cell[0] + cell[-1] in {"[]", "()"}
        or cell.lower() in _COMMON_UNITS
        or cell.lower() in SECONDS_OF
        or cell.lower() in RPM_OF
        for cell in told
    )
    return 2 * known > len(told)


def _is_of_numbers(row: Sequence[str]) -> bool:
    """Whether most of a line's cells are numbers or times."""
    told = [cell.strip() for cell in row if cell.strip().lower() not in _EMPTY_CELLS]
    if len(row) < 2 or not told:
        return False
    patterns = (_NUMBER_CELL, _COMMA_NUMBER, _THOUSANDS, _CLOCK_TIME)
    hits = sum(any(pattern.fullmatch(x) for pattern in patterns) or _calendar(x) is not None for x in told)
    return 2 * hits > len(told)


def _name_columns(names: Sequence[str], units: Sequence[str]) -> tuple[list[str], list[str]]:
    """Names, made different where two are alike, and units."""
    found, told = [], []
    seen: Counter[str] = Counter()
    for i, written in enumerate(names):
        match = _UNIT_IN_NAME.fullmatch(written.strip())
        name, unit = (match[1], match[2].strip()) if match else (written.strip() or f"column {i + 1}", "")
        below = units[i].strip().strip("[]()").strip() if i < len(units) else ""
        seen[name] += 1
        found.append(name if seen[name] == 1 else f"{name}#{seen[name]}")
        told.append(unit or below)
    return found, told


@dataclass(frozen=True, slots=True)
class _Signs:
    """How numbers are written: the decimal sign, and whether commas and points may part thousands."""

    decimal: str
    grouped: bool


_SIGNS_LOOKED_AT = 2000
"""Lines by which the signs are found, of the whole table; our choice."""


def _find_signs(rows: Sequence[Sequence[str]], separator: str) -> _Signs:
    """The decimal sign, by numbers that can be read in one way: not 1,234 nor 1.234.

    Beside numbers with points a comma is no decimal sign. Where every comma has three digits behind it, and
    nothing else says what it is, these numbers are not known. Lines that lack cells may have a stray quote.
    """
    points = commas = False
    width = max(map(len, rows), default=0)
    for cell in (cell.strip() for row in rows if len(row) == width for cell in row):
        groups = _THOUSANDS.fullmatch(cell)
        points |= groups[2] == "." if groups else "." in cell and _NUMBER_CELL.fullmatch(cell) is not None
        commas |= groups[2] == "," if groups else _COMMA_NUMBER.fullmatch(cell) is not None
    if commas and not points:
        return _Signs(",", grouped=True)
    return _Signs(".", grouped=points or separator == ",")


def _read_numbers(cells: Sequence[str], signs: _Signs) -> tuple[Floats, int]:
    """The numbers, NaN where there is none, and how many cells are neither a number nor empty."""
    plain = _read_plain(cells, signs)
    if plain is not None:
        return plain, 0
    values, bad = np.full(len(cells), np.nan), 0
    for i, written in enumerate(cells):
        text = _plain_number(written, signs)
        if text is not None:
            values[i] = float(text)
        elif written.strip().lower() not in _EMPTY_CELLS:
            bad += 1
    values[~np.isfinite(values)] = np.nan
    return values, bad


_PLAIN_SIGNS: Final = frozenset("0123456789+-eE")


def _read_plain(cells: Sequence[str], signs: _Signs) -> Floats | None:
    """The numbers of a column that has digits, one decimal sign and empty cells alone; else None.

    A long table is read ten times as fast.
    """
    if not frozenset("".join(cells)) <= _PLAIN_SIGNS | {signs.decimal}:
        return None
    written = cells if signs.decimal == "." else [cell.replace(",", ".") for cell in cells]
    try:
        values = np.array([float(cell) if cell else np.nan for cell in written])
    except ValueError:
        return None
    values[~np.isfinite(values)] = np.nan
    return values


def _plain_number(written: str, signs: _Signs) -> str | None:
    """The number of a cell as Python writes it; None where it is none."""
    cell = written.strip().replace("\u2212", "-")
    groups = _THOUSANDS.fullmatch(cell)
    if groups and groups[1] != signs.decimal and groups[2] in {None, signs.decimal}:
        if groups[1] in ".," and not signs.grouped:
            return cell if groups[1] == "." else None
        return cell.replace(groups[1], "").replace(",", ".")
    if signs.decimal == ",":
        return cell.replace(",", ".") if "." not in cell and _is_number(cell.replace(",", ".")) else None
    return cell if _is_number(cell) else None


def _is_number(cell: str) -> bool:
    return _NUMBER_CELL.fullmatch(cell) is not None


# --- Times ---


@dataclass(frozen=True, slots=True, eq=False)
class _TableTimes:
    """Times in s, whether they count from 1970, and how they were read."""

    t: Floats
    absolute: bool
    said: str


def _choose_time(names: Sequence[str], units: Sequence[str], told: str | None, path: Path) -> tuple[int, str]:
    """The index of the column of time, and its unit as told."""
    if told is not None:
        name, unit = split_unit(told, names)
        if name not in names:
            raise SourceError(
                f'{path}: no column "{name}"; expected the column of time; found {_listed_names(names)}'
            )
        index = names.index(name)
        return index, units[index] if unit is None else unit
    likely = [i for i, name in enumerate(names) if name.strip().lower() in TIME_NAMES]
    if len(likely) != 1:
        found = "several columns may be the time" if likely else "no column is named as a time"
        raise SourceError(f"{path}: {found}; expected one; name it with --time; found {_listed_names(names)}")
    [index] = likely
    suffix = names[index].lower().rpartition("_")[2]
    return index, units[index] or (suffix if suffix in SECONDS_OF else "")


def _read_times(cells: Sequence[str], unit: str, signs: _Signs, path: Path, name: str) -> _TableTimes:
    """The times of a column: calendar times, clock times, or numbers."""
    first = next((cell.strip() for cell in cells if cell.strip()), "")
    if _CLOCK_TIME.fullmatch(first) or _calendar(first) is not None:
        return _read_clock_times(cells, name)
    values, _ = _read_numbers(cells, signs)
    known = values[np.isfinite(values)]
    if not len(known):
        raise SourceError(
            f'{path}: "{name}" starts with "{first}", no time; expected seconds or clock times; '
            "name another with --time"
        )
    plain = unit.strip().lower()
    if plain not in {"", *SECONDS_OF}:
        raise SourceError(
            f'{path}: "{name}" in "{unit}", no unit of time; expected one of s, ms, '
            f'us, min, h; give --time "{name}:s"'
        )
    thousands = sum(known[0] > _EPOCH_MS * 10.0 ** (3 * n) for n in range(3))
    factor = SECONDS_OF.get(plain) or 10.0 ** (-3 * thousands)
    t = values * factor
    said = f"{name} in {plain or ('s, as no unit is told', 'ms', 'us', 'ns')[thousands]}"
    return _TableTimes(t, bool(known[0] * factor > _EPOCH_S), said)


def _calendar(cell: str) -> datetime | None:
    """A time of ISO 8601 with a date."""
    try:
        return datetime.fromisoformat(cell.replace(",", ".")) if "-" in cell and ":" in cell else None
    except ValueError:
        return None


def _read_clock_times(cells: Sequence[str], name: str) -> _TableTimes:
    """Calendar times with a zone count from 1970; others from the first midnight, and go on past the next."""
    moments = [_calendar(cell.strip()) for cell in cells]
    if moments and all(m is None or m.tzinfo is not None for m in moments) and any(moments):
        t = np.array([np.nan if m is None else m.timestamp() for m in moments])
        return _TableTimes(t, True, f"{name} as calendar times with their zone")
    dated = [m for m in moments if m is not None]
    if dated and all(m.tzinfo is None for m in dated):
        first = dated[0].replace(hour=0, minute=0, second=0, microsecond=0)
        t = np.array([np.nan if m is None else (m - first).total_seconds() for m in moments])
        return _TableTimes(t, False, f"{name} as calendar times, of which no zone is told")
    t = np.array([_since_midnight(cell.strip()) for cell in cells])
    known = np.flatnonzero(np.isfinite(t))
    days = np.cumsum(np.diff(t[known], prepend=t[known[:1]]) < -_HALF_DAY_S)
    t[known] += 2 * _HALF_DAY_S * days
    return _TableTimes(t, False, f"{name} as clock times, of which no zone is told")


def _since_midnight(cell: str) -> float:
    match = _CLOCK_TIME.fullmatch(cell)
    if match is None:
        return np.nan
    return 3600.0 * int(match[1] or 0) + 60.0 * int(match[2]) + float(match[3].replace(",", "."))


def _rising(t: Floats, path: Path, name: str) -> tuple[Any, int, int]:
    """Which rows have a time beyond all earlier ones, how many are behind or have none, how many repeat one.

    Of rows with one time, as of a clock that is written in whole seconds, the first is nearest to it.
    """
    known = np.where(np.isfinite(t), t, -np.inf)
    highest = np.concatenate([[-np.inf], np.maximum.accumulate(known)[:-1]]) if len(t) else t
    good, again = known > highest, int((np.isfinite(t) & (t == highest)).sum())
    behind = len(t) - int(good.sum()) - again
    if behind > _MOST_BEHIND * len(t) or good.sum() < 2:
        raise SourceError(
            f'{path}: {behind} of {len(t)} rows have no time or lie behind earlier ones by "{name}"; '
            f"{again} repeat one; "
            "expected times that rise; name another column with --time, or export it anew"
        )
    return good, behind, again


# --- MDF ---


def _read_mdf(path: Path) -> SourceTable:
    """The numeric channels of a measurement, on the times of the group that has the engine's speed."""
    data = _read_bytes(path)
    start, signals = _open_mdf_table(path)
    speeds = [s for s in signals if s.name.strip().lower() in SPEED_NAMES]
    t = np.asarray((speeds or sorted(signals, key=lambda s: -len(s.timestamps)))[0].timestamps, np.float64)
    good, behind, again = _rising(t, path, "its times")
    names, _ = _name_columns([signal.name for signal in signals], [])
    columns = tuple(
        SourceColumn(name, (signal.unit or "").strip(), _held_at(t, signal)[good])
        for name, signal in zip(names, signals, strict=True)
    )
    absolute = start > _EPOCH_S
    t = t[good] + (start if absolute else 0.0)
    digest = hashlib.sha256(data).hexdigest()
    return SourceTable(path.name, digest, t, absolute, "times of MDF", columns, {}, behind, again)


def _open_mdf_table(path: Path) -> tuple[float, list[Any]]:
    """The start of a measurement, s since 1970, and its numeric channels.

    Raises:
        SourceError: asammdf is missing, or the file is none, or has no channels of numbers.
    """
    try:
        from asammdf import MDF
    except ImportError:
        raise SourceError(
            f"{path}: MDF, and the package asammdf is missing; expected that for this format; "
            "pip install 'mixmon[mdf]'"
        ) from None
    try:
        with closing(cast("Any", MDF(path))) as mdf:
            start, signals = mdf.header.start_time.timestamp(), list(_numeric_signals(mdf))
    except Exception as error:
        raise SourceError(f"{path}: cannot be read ({error}); expected MDF; export it anew") from error
    if not signals:
        raise SourceError(
            f"{path}: no channel of numbers; expected some; export the measurement, not bus traffic"
        )
    return start, signals


def _numeric_signals(mdf: Any) -> Iterator[Any]:
    for signal in mdf.iter_channels(skip_master=True):
        if signal.samples.ndim == 1 and signal.samples.dtype.kind in "iufb" and len(signal.timestamps):
            yield signal


def _known_values(signal: Any) -> Floats:
    """The samples of a channel, NaN where the measurement marks them as not valid (ASAM MDF 4.1)."""
    values = np.array(signal.samples, np.float64)
    marks = signal.invalidation_bits
    if marks is not None:
        values[np.asarray(marks, bool)] = np.nan
    values[~np.isfinite(values)] = np.nan
    return values


def _held_at(t: Floats, signal: Any) -> Floats:
    """A channel at the times of another: its newest sample, for two and a half of its own steps at most."""
    own, values = np.asarray(signal.timestamps, np.float64), _known_values(signal)
    if len(own) == len(t) and np.array_equal(own, t, equal_nan=True):
        return values
    known = np.where(np.isfinite(own), own, -np.inf)
    rising = known > np.concatenate([[-np.inf], np.maximum.accumulate(known)[:-1]])
    own, values = own[rising], values[rising]
    if not len(own):
        return np.full(len(t), np.nan)
    step = float(np.median(np.diff(own))) if len(own) > 1 else np.inf
    index = np.searchsorted(own, t, side="right") - 1
    age = t - own[np.maximum(index, 0)]
    return np.where((index >= 0) & (age <= 2.5 * step), values[np.maximum(index, 0)], np.nan)
