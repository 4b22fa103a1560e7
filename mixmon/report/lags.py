"""The sensors' lags that a report rests on, as JSON and in words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from mixmon.findings.lags import KnownLag, LagSource

_ODD_SHARE = 0.25
_WORDS = {
    LagSource.GIVEN: "as given",
    LagSource.MEASURED: "measured in this log",
    LagSource.ASSUMED: "assumed",
}


def lags_json(known: Sequence[KnownLag]) -> list[Mapping[str, Any]]:
    """One a node: position, cylinders, lean_s and rich_s (T63 of readings that rise and fall), source.

    source  "given", "measured" (in this log) or "assumed"
    """
    return [
        {
            "position": lag.position,
            "cylinders": lag.cylinders,
            "lean_s": lag.lean_s,
            "rich_s": lag.rich_s,
            "source": str(lag.source),
        }
        for lag in known
    ]


def lags_words(known: Sequence[KnownLag]) -> str:
    """The same in words: the middle lag of each source, and by name those that are far from it.

    >>> usual = [KnownLag(i, (i,), 0.106, 0.106, LagSource.MEASURED) for i in (1, 2, 3)]
    >>> lags_words([*usual, KnownLag(4, (4,), 0.32, 0.24, LagSource.MEASURED)])
    'sensor lag (T63) 0.106 s measured in this log, cylinder 4 0.320 s lean-going and 0.240 s rich-going'
    >>> lags_words([*usual, KnownLag(4, (4,), 0.105, 0.105, LagSource.ASSUMED)])
    'sensor lag (T63) 0.106 s measured in this log; 0.105 s assumed for cylinder 4'
    """
    by_source = [[lag for lag in known if lag.source is source] for source in LagSource]
    most, *others = sorted(filter(None, by_source), key=len, reverse=True)
    parts = [_source(most), *(f"{_source(lags)} for {_cylinders(lags)}" for lags in others)]
    return f"sensor lag (T63) {'; '.join(parts)}"


def _source(lags: Sequence[KnownLag]) -> str:
    word = _WORDS[lags[0].source]
    if len(lags) == 1:
        return f"{_own(lags[0])} {word}"
    middle = sorted(lag.lean_s for lag in lags)[(len(lags) - 1) // 2]
    odd = (f", {_cylinders([lag])} {_own(lag)}" for lag in lags if _is_odd(lag, middle))
    return f"{middle:.3f} s {word}{''.join(odd)}"


def _is_odd(lag: KnownLag, middle: float) -> bool:
    return max(abs(s / middle - 1.0) for s in (lag.lean_s, lag.rich_s)) > _ODD_SHARE if middle else False


def _own(lag: KnownLag) -> str:
    if f"{lag.lean_s:.3f}" == f"{lag.rich_s:.3f}":
        return f"{lag.lean_s:.3f} s"
    return f"{lag.lean_s:.3f} s lean-going and {lag.rich_s:.3f} s rich-going"


def _cylinders(lags: Sequence[KnownLag]) -> str:
    numbers = [str(cylinder) for lag in lags for cylinder in lag.cylinders]
    return f"cylinder{'s' if len(numbers) > 1 else ''} {', '.join(numbers)}"
