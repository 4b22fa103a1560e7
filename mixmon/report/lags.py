"""The sensors' lags that a report rests on, as JSON and in words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from mixmon.findings.lags import LagSource, NodeLag, is_far_lag, middle_lean_lag
from mixmon.report.words import LAG_SOURCES


def lags_json(known: Sequence[NodeLag]) -> list[Mapping[str, Any]]:
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


def lags_words(known: Sequence[NodeLag]) -> str:
    """The same in words: the middle lag of each source, and by name those that are far from it.

    >>> usual = [NodeLag(i, (i,), 0.106, 0.106, LagSource.MEASURED) for i in (1, 2, 3)]
    >>> lags_words([*usual, NodeLag(4, (4,), 0.32, 0.24, LagSource.MEASURED)])
    'sensor lag (T63) 0.106 s measured in this log, cylinder 4 0.320 s lean-going and 0.240 s rich-going'
    >>> lags_words([*usual, NodeLag(4, (4,), 0.105, 0.105, LagSource.ASSUMED)])
    'sensor lag (T63) 0.106 s measured in this log; 0.105 s assumed for cylinder 4'
    """
    by_source = [[lag for lag in known if lag.source is source] for source in LagSource]
    most, *others = sorted(filter(None, by_source), key=len, reverse=True)
    parts = [
        _describe_source(most),
        *(f"{_describe_source(lags)} for {_name_cylinders(lags)}" for lags in others),
    ]
    return f"sensor lag (T63) {'; '.join(parts)}"


def _describe_source(lags: Sequence[NodeLag]) -> str:
    word = LAG_SOURCES[lags[0].source]
    if len(lags) == 1:
        return f"{_describe_lag(lags[0])} {word}"
    middle = middle_lean_lag(lags)
    odd = (f", {_name_cylinders([lag])} {_describe_lag(lag)}" for lag in lags if is_far_lag(lag, middle))
    return f"{middle:.3f} s {word}{''.join(odd)}"


def _describe_lag(lag: NodeLag) -> str:
    if f"{lag.lean_s:.3f}" == f"{lag.rich_s:.3f}":
        return f"{lag.lean_s:.3f} s"
    return f"{lag.lean_s:.3f} s lean-going and {lag.rich_s:.3f} s rich-going"


def _name_cylinders(lags: Sequence[NodeLag]) -> str:
    numbers = [str(cylinder) for lag in lags for cylinder in lag.cylinders]
    return f"cylinder{'s' if len(numbers) > 1 else ''} {', '.join(numbers)}"
