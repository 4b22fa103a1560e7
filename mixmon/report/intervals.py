"""What intervals hold, in words: beside what repeats, the sensors' own errors."""

from __future__ import annotations

import math
from collections.abc import Sequence

from mixmon.findings.balance.balance import Balance, Spread
from mixmon.findings.balance.notes import BalanceNote
from mixmon.session.model import Session


def total_sentence(balance: Balance, session: Session) -> str:
    """What the intervals hold, and what the sensors' own errors add; empty where no need is known."""
    errors, needs = _known_errors(balance), _half_widths(balance)
    if not errors or not needs:
        return ""
    whose = "as given" if is_error_given(session) else "usual; bias_percent under [sensors] replaces it"
    if any(n.code is BalanceNote.BIASES_CORRECTED for n in balance.notes):
        whose = f"that of its bias where this is known, else {whose.partition(';')[0]}"
    after = "" if balance.withheld else _range_words(", after the trims", balance.predicted_spread)
    return (
        "intervals above: how well the readings repeat. With each sensor's own error "
        f"({_plus_minus(errors)} of lambda, {whose}) needs are known to {_plus_minus(needs)}"
        f"{_range_words(', the spread is', balance.spread)}{after}"
    )


def total_words(balance: Balance, plus_minus: str) -> str:
    """The same for a line of a screen, with its character for plus or minus."""
    errors, needs = _known_errors(balance), _half_widths(balance)
    if not errors or not needs:
        return ""
    error, need = (_plus_minus(halves, plus_minus) for halves in (errors, needs))
    need = need.removesuffix(" %") if math.isfinite(balance.spread.value) else need
    return f"with each sensor's own error, {error}: needs {need}{_range_words(', spread', balance.spread)}"


def is_error_given(session: Session) -> bool:
    """Whether the session says how good the sensors are."""
    return session.sensors is not None and session.sensors.bias_percent is not None


def _known_errors(balance: Balance) -> list[float]:
    errors = (one.sensor_error_percent for one in balance.cylinders)
    return [error for error in errors if math.isfinite(error)]


def _half_widths(balance: Balance) -> list[float]:
    ends = (one.total_interval95_percent for one in balance.cylinders)
    return [(high - low) / 2 for low, high in ends if math.isfinite(high - low)]


def _plus_minus(halves: Sequence[float], sign: str = "±") -> str:
    """Half-widths of intervals, from the least to the largest."""
    least, largest = f"{min(halves):.1f}", f"{max(halves):.1f}"
    return f"{sign}{least} %" if least == largest else f"{sign}{least} to {largest} %"


def _range_words(what: str, spread: Spread) -> str:
    low, high = spread.total_interval95
    return f"{what} {low:.1f} to {high:.1f} %" if math.isfinite(low) else ""
