"""A table beside a run: its values on the run's clock, kept in the run's folder as a file of its own.

The recording is never touched. The file is CSV with its facts as JSON in the first line, and its checksum
joins those of the run, in one step, so that a cut leaves the old list or the new one.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from math import fsum
from pathlib import Path
from typing import Any, Final

import numpy as np

from mixmon.arrays import SECOND_NS, Floats, Ints
from mixmon.beside.match import JOINED_STEPS, between_near
from mixmon.errors import SourceError, UsageError, reason_of
from mixmon.frames.logs import is_run
from mixmon.frames.plain_file import is_plain_file
from mixmon.record.run_check import MOST_BYTES, read_small, read_sums
from mixmon.record.run_writer import SUMS, sync_folder, write_whole

BESIDE_FORMAT: Final = 1
_MARK: Final = "# mixmon table beside a run "
_PREFIX: Final = "beside-"
_NOT_PLAIN = re.compile(r"[^A-Za-z0-9_.-]+")


@dataclass(frozen=True, slots=True, eq=False)
class Beside:
    """A table of another instrument, on the clock of a run.

    name        of its file, as it was given
    names       of the columns
    units       of the columns; "" where none is known
    t           int64[k]       ns on the run's clock, rising
    rpm         float64[k]     the run's own speed then; NaN where not known
    values      float64[k, c]  NaN where not known
    lag_s       seconds that were added to the table's times, at `lag_at`; for absolute stamps, what the
                table's clock was behind
    half_s      half of the 95 % interval of the lag; NaN: not known (clocks that were believed)
    lag_at      ns on the run's clock at which the lag is best known
    drift, drift_half  seconds by which the table's clock loses a second, and half of the 95 % interval
    by          "speed": correlation of the engine's speed; "stamps": both clocks were believed
    correlation of the speeds; NaN where they were not compared
    facts       everything else that was found when it was merged, as kept
    """

    name: str
    names: tuple[str, ...]
    units: tuple[str, ...]
    t: Ints
    rpm: Floats
    values: Floats
    lag_s: float
    half_s: float
    lag_at: int
    drift: float
    drift_half: float
    by: str
    correlation: float
    facts: Mapping[str, Any]

    @property
    def lag_interval95_s(self) -> tuple[float, float]:
        """The 95 % interval of the lag; NaN where it is not known."""
        return self.lag_s - self.half_s, self.lag_s + self.half_s

    def column(self, name: str) -> Floats:
        """float64[k], the values of one column.

        Raises:
            KeyError: there is none of that name.
        """
        if name not in self.names:
            raise KeyError(name)
        return self.values[:, self.names.index(name)]

    @property
    def longest_ns(self) -> float:
        """From one sample to the next over which a line joins them; 0 with less than two samples."""
        return JOINED_STEPS * float(np.median(np.diff(self.t))) if len(self.t) > 1 else 0.0

    def at(self, column: int, t: Ints) -> Floats:
        """One column at times of the run, by lines between its samples; NaN over gaps and beyond the ends."""
        return lines_between(self.t, self.values[:, column], t, self.longest_ns)

    def half_at(self, t: Ints) -> Floats:
        """Half of the 95 % interval of times of the run, s; NaN where it is not known."""
        away = (np.asarray(t) - self.lag_at) / SECOND_NS
        return np.hypot(self.half_s, self.drift_half * away)


def lines_between(own: Floats | Ints, values: Floats, t: Floats | Ints, longest: float) -> Floats:
    """Values at times `t` by lines between neighbours at times `own`; NaN over gaps and beyond the ends.

    longest  from one sample to the next, in the unit of the times
    """
    known = np.isfinite(values)
    own, values = own[known], values[known]
    if len(own) < 2:
        return np.full(t.shape, np.nan)
    near = (t >= own[0]) & (t <= own[-1]) & between_near(own, t, longest)
    return np.where(near, np.interp(t, own, values), np.nan)


def kept_name(table: str) -> str:
    """The name of the file that keeps a table.

    >>> kept_name("Dyno sheet 4.csv")
    'beside-dyno-sheet-4.csv'
    """
    stem = _NOT_PLAIN.sub("-", Path(table).stem.lower()).strip("-.")[:60] or "table"
    return f"{_PREFIX}{stem}.csv"


def keep_beside(folder: Path, beside: Beside, *, force: bool = False) -> tuple[Path, bool]:
    """Writes the table into the folder of a run; the path, and whether a checksum could be kept.

    A run that was cut off has no list of checksums to join.

    Raises:
        UsageError: a table of that name is there, or it is too large.
        SourceError: the folder takes no file.
    """
    path, data = folder / kept_name(beside.name), _to_bytes(beside)
    if path.exists() and not force:
        raise UsageError(f"{path}: is there already; expected a new name; --force writes over it")
    _check_room(path, len(data))
    faults: list[str] = []
    sums = read_sums(folder, faults)
    if faults:
        raise SourceError(f"{folder}: {faults[0]}; expected the run as it was recorded; copy it anew")
    try:
        _write_with_sum(path, data, sums)
    except OSError as error:
        raise SourceError(
            f"{folder}: {reason_of(error)}; expected a folder that takes a file; copy the run to one"
        ) from None
    return path, sums is not None


def _check_room(path: Path, size: int) -> None:
    """Refuses a table with which those of the run are too large to be verified.

    Raises:
        UsageError: with their size.
    """
    others = path.parent.glob(f"{_PREFIX}*.csv")
    total = size + fsum(p.stat().st_size for p in others if p != path and is_plain_file(p))
    if total > MOST_BYTES // 2:
        raise UsageError(
            f"{path}: {total / 2**20:.0f} MiB of tables; expected {MOST_BYTES >> 21} at most; "
            "choose fewer --columns"
        )


def _write_with_sum(path: Path, data: bytes, sums: dict[str, str] | None) -> None:
    """The file, then the list of checksums with its own; None: there is no list."""
    write_whole(path, data)
    if sums is not None:
        sums[path.name] = hashlib.sha256(data).hexdigest()
        text = "".join(f"{sums[name]}  {name}\n" for name in sorted(sums))
        write_whole(path.parent / SUMS, text.encode())
    sync_folder(path.parent)


def tables_beside(folder: Path | str) -> tuple[Beside, ...]:
    """The tables that were merged with a run, by name; none where there are none or it is a plain log.

    Raises:
        SourceError: a kept table was changed, or cannot be read.
    """
    folder = Path(folder)
    if not is_run(folder):
        return ()
    paths = sorted(path for path in folder.glob(f"{_PREFIX}*.csv") if is_plain_file(path))
    sums = (read_sums(folder, []) or {}) if paths else {}
    return tuple(_read_beside(path, sums.get(path.name)) for path in paths)


_PLAIN_FACTS: Final = ("name", "by", "lag_s", "half_s", "lag_at", "drift", "drift_half", "correlation")


def _to_bytes(beside: Beside) -> bytes:
    facts = {name: _or_none(getattr(beside, name)) for name in _PLAIN_FACTS}
    facts |= {"format": BESIDE_FORMAT, "units": list(beside.units), "facts": dict(beside.facts)}
    out = io.StringIO()
    out.write(_MARK + json.dumps(facts, ensure_ascii=False, allow_nan=False) + "\n")
    lines = csv.writer(out, lineterminator="\n")
    lines.writerow(["t_ns", "rpm of the run", *beside.names])
    numbers = np.column_stack([beside.rpm, beside.values])
    for t, row in zip(beside.t.tolist(), numbers.tolist(), strict=True):
        lines.writerow([t, *("" if math.isnan(x) else repr(x) for x in row)])
    return out.getvalue().encode()


def _or_none(x: Any) -> Any:
    return None if isinstance(x, float) and math.isnan(x) else x


def _read_beside(path: Path, digest: str | None) -> Beside:
    """One kept table.

    Raises:
        SourceError: it was changed, or is none.
    """
    try:
        data = read_small(path, MOST_BYTES)
        if digest not in {None, hashlib.sha256(data).hexdigest()}:
            raise SourceError(
                f"{path}: was changed after it was merged; expected it as kept; merge the table anew"
            )
        return _parse_beside(data.decode())
    except (OSError, ValueError, KeyError, TypeError, IndexError, RecursionError) as error:
        raise SourceError(
            f"{path}: cannot be read ({error}); expected a table kept by mixmon merge; merge it anew"
        ) from None


def _parse_beside(text: str) -> Beside:
    first, _, rest = text.partition("\n")
    told = json.loads(first.removeprefix(_MARK))
    [_, _, *names], *rows = list(csv.reader(io.StringIO(rest)))
    numbers = np.array([[float(x) if x else np.nan for x in row[1:]] for row in rows], np.float64)
    numbers = numbers.reshape(len(rows), len(names) + 1)
    if told["format"] != BESIDE_FORMAT or len(told["units"]) != len(names):
        raise ValueError("another format")
    facts: dict[str, Any] = {name: np.nan if told[name] is None else told[name] for name in _PLAIN_FACTS}
    return Beside(
        names=tuple(names),
        units=tuple(map(str, told["units"])),
        t=np.array([int(row[0]) for row in rows], np.int64),
        rpm=numbers[:, 0],
        values=numbers[:, 1:],
        facts=told["facts"],
        **facts,
    )
