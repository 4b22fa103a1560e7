"""Lays a table beside a run: by absolute stamps where both have them, else by the engine's speed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final, NoReturn

import numpy as np

from mixmon.arrays import SECOND_NS, Bools, Floats, Ints
from mixmon.beside.beside import Beside, lines_between
from mixmon.beside.match import (
    LEAST_CORRELATION,
    LEAST_PAIRS,
    LEAST_SECONDS,
    MOST_HALF_S,
    MOST_MISFIT_PERCENT,
    MOST_OFF_PERCENT,
    ClockMatch,
    MatchFault,
    SpeedRecord,
    fits_at_stamps,
    match_clocks,
)
from mixmon.beside.notes import MergeNote
from mixmon.beside.source import RPM_OF, SPEED_NAMES, SourceColumn, SourceTable, split_unit
from mixmon.errors import SourceError, UsageError
from mixmon.note import Note, note
from mixmon.run import Run

_LONGEST_HELD_NS = SECOND_NS // 2
"""Gap in the run's speed over which it is not known; our choice: its rows hold it for less."""

_ABSOLUTE_NS = 10**18
"""Stamps from here on count from 1970: in 2001; device clocks count from their start."""

STAMPS_AGREE_S = 0.2
"""By which two clocks that were set may differ and still be believed. Our choice: 120 rpm of a usual pull."""


_TOLD_OFF_PERCENT = 0.5
"""From here on a note says by how much the table's speed reads off. Our choice."""

_TOLD_AVERAGE_S = 0.2
"""From here on a note says that the instrument averages. Our choice: half of it is 60 rpm."""

_SAYS_NOTHING = {MatchFault.STEADY, MatchFault.ALIKE, MatchFault.VAGUE, MatchFault.NO_OVERLAP}
"""Faults of a match after which clocks may still be believed: the speeds do not contradict them."""


@dataclass(frozen=True, slots=True)
class MergeChoice:
    """What the user says of a table.

    columns  `NEW=NAME:UNIT` each, of which `NEW=` and `:UNIT` may be missing; none: all
    speed    the column of the engine's speed, as `NAME:UNIT`; None: by its name
    by       "stamps" or "speed"; None: stamps where both have them, checked by speed
    """

    columns: Sequence[str] = ()
    speed: str | None = None
    by: str | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Merged:
    """A table beside a run, and what is to be known of it.

    match  by speed; None where it was not compared
    """

    beside: Beside
    match: ClockMatch | None
    notes: tuple[Note, ...] = field(default=())


def merge_table(run: Run, source: SourceTable, choice: MergeChoice) -> Merged:
    """The table on the run's clock; reads the run.

    Raises:
        SourceError: the table does not fit the run, or nothing tells how the clocks differ.
        UsageError: a column or a unit that is not there.
    """
    columns = _choose_columns(source, choice.columns, choice.speed)
    speed = _speed_of(source, choice.speed)
    t, rpm = _speed_of_run(run)
    first = run.log.first_ns or 0
    absolute = source.absolute and first >= _ABSOLUTE_NS
    own = source.t - first / SECOND_NS if absolute else source.t
    match, contradicted = None, False
    if speed is not None and np.isfinite(rpm).any():
        speeds = SpeedRecord((t - first) / SECOND_NS, rpm), SpeedRecord(own, speed.values)
        match = match_clocks(*speeds)
        rough = match.fault in {MatchFault.ALIKE, MatchFault.VAGUE}
        contradicted = absolute and rough and not fits_at_stamps(*speeds, match, STAMPS_AGREE_S)
    if match is not None and contradicted and choice.by is None:
        _refuse_stamps(source, match)
    used, by, notes = _decide(source, run, match, absolute=absolute, by=choice.by)
    moments = np.rint(used.to_run(own) * SECOND_NS).astype(np.int64) + first
    inside = _inside(source, moments, t)
    notes += _notes_on_table(source, columns, int((~inside).sum()))
    notes += _notes_on_speed(match)
    beside = Beside(
        name=source.name,
        names=tuple(column.name for column in columns),
        units=tuple(column.unit for column in columns),
        t=moments[inside],
        rpm=lines_between(t, rpm, moments[inside], _LONGEST_HELD_NS),
        values=np.stack([column.values[inside] for column in columns], axis=1),
        lag_s=used.lag_s,
        half_s=used.half_s,
        lag_at=first + round((used.middle_s + used.lag_s) * SECOND_NS),
        drift=used.drift,
        drift_half=used.drift_half,
        by=by,
        correlation=np.nan if match is None else match.correlation,
        facts=_facts_of(source, speed),
    )
    return Merged(beside, match, tuple(notes))


def _inside(source: SourceTable, moments: Ints, t: Ints) -> Bools:
    """Which rows of the table lie in the run.

    Raises:
        SourceError: none does.
    """
    inside: Bools = (moments >= t[0]) & (moments <= t[-1])
    if not inside.any():
        raise SourceError(
            f"{source.name}: none of its {len(moments)} rows lies in the run by "
            f"its stamps; expected a table of "
            "the same time; give that of this run, or --by speed"
        )
    return inside


def _facts_of(source: SourceTable, speed: SourceColumn | None) -> Mapping[str, Any]:
    """What is kept of where a table came from."""
    return {
        "sha256": source.sha256,
        "time": source.time,
        "rows": len(source.t),
        "speed": None if speed is None else speed.name,
    }


def _notes_on_speed(match: ClockMatch | None) -> list[Note]:
    if match is None or match.fault is not None:
        return []
    off = abs(match.off_percent) >= _TOLD_OFF_PERCENT
    notes = [note(MergeNote.SPEED_READS_OFF, percent=match.off_percent)] if off else []
    shortest, longest = match.averaged_s
    if shortest >= _TOLD_AVERAGE_S:
        notes.append(note(MergeNote.SPEED_AVERAGED, from_s=shortest, to_s=longest))
    return notes


def _choose_columns(source: SourceTable, words: Sequence[str], speed: str | None) -> list[SourceColumn]:
    """The columns to keep, under their new names; without words all but that of the speed."""
    names = [column.name for column in source.columns]
    if not words:
        known = _speed_of(source, speed)
        chosen = [c for c in source.columns if known is None or c.name != known.name]
    else:
        chosen = [_choose_column(source, one, names) for one in words]
    twice = {c.name for c in chosen if sum(o.name == c.name for o in chosen) > 1}
    if twice:
        raise UsageError(f'--columns: "{min(twice)}" twice; expected different names; give one as NEW=NAME')
    if not chosen:
        raise SourceError(
            f"{source.name}: no column of numbers but time and speed; expected what was measured"
        )
    return chosen


def _choose_column(source: SourceTable, words: str, names: Sequence[str]) -> SourceColumn:
    new, told = "", words
    if words not in names and "=" in words:
        new, _, told = words.partition("=")
    name, unit = split_unit(told, [*names, *(f"{n}#1" for n in names)])
    found = source.column(name, "a column of numbers")
    shown = new.strip() or found.name
    if shown == "t_ns" or not shown.isprintable():
        raise UsageError(f'--columns: "{shown}" cannot be a name; expected another; give one as NEW=NAME')
    told_unit = found.unit if unit is None else unit.strip()
    if not told_unit.isprintable():
        raise UsageError(f'--columns: a unit of "{shown}" that cannot be printed; expected one in a line')
    return SourceColumn(shown, told_unit, found.values)


def _speed_of(source: SourceTable, told: str | None) -> SourceColumn | None:
    """The engine's speed in rpm; None where no column is named so."""
    names = [column.name for column in source.columns]
    if told is None:
        likely = [c for c in source.columns if c.name.strip().lower() in SPEED_NAMES]
        if len(likely) != 1:
            return None
        [column], unit = likely, None
    else:
        name, unit = split_unit(told, [*names, *(f"{n}#1" for n in names)])
        column = source.column(name, "the engine's speed")
    said = (column.unit if unit is None else unit).strip().lower()
    if said not in RPM_OF:
        raise SourceError(
            f'{source.name}: "{column.name}" in "{said}", no unit of an engine\'s '
            f"speed; expected rpm, krpm, Hz or "
            f'rad/s; give --speed "{column.name}:rpm"'
        )
    return SourceColumn(column.name, "rpm", column.values * RPM_OF[said])


def _speed_of_run(run: Run) -> tuple[Ints, Floats]:
    """Times and speeds of all rows.

    Raises:
        SourceError: the run's stamps jump back.
    """
    times, speeds = [], []
    for block in run:
        times.append(block.t)
        speeds.append(block.now.get("rpm", np.full(len(block), np.nan)))
    t = np.concatenate(times) if times else np.zeros(0, np.int64)
    if not len(t):
        raise SourceError("the run has no rows; expected some; see mixmon census")
    if (np.diff(t) < 0).any():
        raise SourceError(
            "the run's stamps jump back, so that it has no clock to lay a table "
            "on; expected one stretch of time; "
            "record anew, or take the part by --from and --to"
        )
    return t, np.concatenate(speeds)


def _decide(
    source: SourceTable, run: Run, match: ClockMatch | None, *, absolute: bool, by: str | None
) -> tuple[ClockMatch, str, list[Note]]:
    """The lag to be used, how it is known, and notes."""
    if by == "stamps" and not absolute:
        raise SourceError(
            f"{source.name}: times that do not count from 1970, or a run whose "
            f"stamps do not; expected both for "
            "--by stamps: calendar times with a zone, seconds since 1970, or MDF; give --by speed"
        )
    if not absolute or by == "speed":
        return _by_speed(source, run, match), "speed", []
    return _by_stamps(source, match, believed=by == "stamps")


def _by_stamps(
    source: SourceTable, match: ClockMatch | None, *, believed: bool
) -> tuple[ClockMatch, str, list[Note]]:
    """The same where both clocks count from 1970, as far as the speeds agree; or believed in any case."""
    as_stamped = ClockMatch(lag_s=0.0, half_s=np.nan, drift_half=np.nan)
    if match is not None and match.fault is None and abs(match.lag_s) <= STAMPS_AGREE_S + match.half_s:
        half, drift = abs(match.lag_s) + match.half_s, abs(match.drift) + match.drift_half
        checked = replace(as_stamped, half_s=half, middle_s=match.middle_s, drift_half=drift)
        told = note(MergeNote.STAMPS_CHECKED, lag_s=match.lag_s, half_s=match.half_s)
        return checked, "stamps", [told]
    if match is None or match.fault in _SAYS_NOTHING or believed:
        return as_stamped, "stamps", [note(MergeNote.STAMPS_NOT_CHECKED)]
    if match.fault is not None:
        _refuse(source, match)
    return _refuse_stamps(source, match)


def _as_zone(lag_s: float) -> str:
    """What a lag of whole quarters of an hour may be."""
    quarters = round(lag_s / _QUARTER_S)
    near = quarters != 0 and abs(lag_s - quarters * _QUARTER_S) < _NEAR_ZONE_S
    return ", as of another time zone or of daylight saving" if near else ""


_QUARTER_S, _NEAR_ZONE_S = 900.0, 10.0
"""Zones differ by quarters of an hour; clocks that were set by hand by seconds. Our choice."""


def _refuse_stamps(source: SourceTable, match: ClockMatch) -> NoReturn:
    """Raises that the speeds contradict the stamps."""
    raise SourceError(
        f"{source.name}: by its stamps the speeds do not match; they do with {match.lag_s:+.2f} s added "
        f"(± {match.half_s:.2f}){_as_zone(match.lag_s)}; expected clocks within {STAMPS_AGREE_S:g} s; "
        "give --by speed, or --by stamps to believe them"
    )


def _by_speed(source: SourceTable, run: Run, match: ClockMatch | None) -> ClockMatch:
    if match is None:
        lacks = "the run has no speed" if "rpm" not in run.binding.engine else "no column is its speed"
        remedy = (
            "map [engine_signals] rpm" if "rpm" not in run.binding.engine else "name it by --speed NAME:UNIT"
        )
        names = ", ".join(f'"{column.name}"' for column in source.columns[:12])
        raise SourceError(
            f"{source.name}: {lacks}, and no stamps of both; expected the engine's speed in both; {remedy} "
            f"(columns: {names})"
        )
    if match.fault is not None:
        _refuse(source, match)
    return match


_FAULT_WORDS: Final[Mapping[MatchFault, str]] = {
    MatchFault.NO_OVERLAP: (
        "too little of its speed lies within the run at any lag; expected "
        "{seconds:g} s, {samples} samples and "
        "half of the shorter one in common; check the unit of --time, or give more of it"
    ),
    MatchFault.STEADY: (
        "the speed does not change enough to tell the lag ({seen}); expected "
        "a sweep or a change of speed; give "
        "stamps that count from 1970 in both, or a table with one"
    ),
    MatchFault.UNLIKE: (
        "its speed is not that of the run at any lag ({seen}); expected the "
        "same engine at the same time; check "
        "the columns of --time and --speed and their units"
    ),
    MatchFault.OFF: (
        "its speed is {times:.4g} times the run's ({seen}); expected within "
        "{percent:g} %; give its unit, such as "
        '--speed "NAME:krpm"'
    ),
    MatchFault.ALIKE: (
        "several lags fit alike, {match.lag_s:+.2f} s and "
        "{match.other_lag_s:+.2f} s ({seen}); expected speeds "
        "that do not repeat; give more of the run, or stamps that count from 1970 in both"
    ),
    MatchFault.VAGUE: (
        "the speeds tell the lag to ± {match.half_s:.2g} s only ({seen}); "
        "expected {most_s:g} s; its "
        "instrument may average over {averaged:.2g} s; give a part with a sweep, quicker averages, or "
        "stamps that count from 1970 in both"
    ),
}
"""What each fault of a match means, and what to do."""


def _refuse(source: SourceTable, match: ClockMatch) -> NoReturn:
    """Raises what a fault of the match means."""
    told = _FAULT_WORDS[match.fault or MatchFault.UNLIKE].format(
        match=match,
        seen=_seen(match),
        times=1 + match.off_percent / 100,
        percent=MOST_OFF_PERCENT,
        seconds=LEAST_SECONDS,
        samples=LEAST_PAIRS,
        most_s=MOST_HALF_S,
        averaged=match.averaged_s[1],
    )
    raise SourceError(f"{source.name}: {told}")


def _seen(match: ClockMatch) -> str:
    """What the speeds have in common, and what is needed."""
    told = f"correlation {match.correlation:.3f}, needed {LEAST_CORRELATION:g}"
    if not np.isfinite(match.misfit_rpm):
        return told
    misfit = f"misfit {match.slow_misfit_rpm:.0f} rpm in means over a second"
    return f"{told}; {misfit}, at most {MOST_MISFIT_PERCENT:g} % of the speed"


def _notes_on_table(source: SourceTable, columns: Sequence[SourceColumn], outside: int) -> list[Note]:
    notes = [
        note(MergeNote.CELLS_UNREAD, column=name, count=count)
        for name, count in source.unread.items()
        if any(column.name == name for column in columns)
    ]
    notes += [note(MergeNote.ROWS_BEHIND, count=source.behind)] if source.behind else []
    notes += [note(MergeNote.ROWS_REPEAT, count=source.again)] if source.again else []
    notes += [note(MergeNote.ROWS_OUTSIDE, count=outside)] if outside else []
    bare = tuple(column.name for column in columns if not column.unit)
    return notes + ([note(MergeNote.UNIT_NOT_TOLD, columns=bare)] if bare else [])
