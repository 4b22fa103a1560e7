"""Numbers as text, in few cells; what is not known is `--`."""

from __future__ import annotations

import numpy as np


def clock_text(seconds: float) -> str:
    """Minutes, seconds and tenths; hours where there are any.

    >>> clock_text(251.64), clock_text(3725.0)
    ('04:11.6', '1:02:05')
    """
    tenths = max(round(10 * seconds), 0) if np.isfinite(seconds) else 0
    minutes, tenths = divmod(tenths, 600)
    if minutes >= 60:
        return f"{minutes // 60}:{minutes % 60:02d}:{tenths // 10:02d}"
    return f"{minutes:02d}:{tenths // 10:02d}.{tenths % 10}"


def signed(percent: float, decimals: int = 1) -> str:
    """A need with its sign, `--` where not known.

    >>> signed(5.32), signed(-0.04), signed(float("nan"))
    ('+5.3', '0.0', '--')
    """
    if not np.isfinite(percent):
        return "--"
    text = f"{percent:+.{decimals}f}"
    return text[1:] if float(text) == 0.0 else text


def tall_need(percent: float) -> str:
    """A need in at most four characters.

    >>> tall_need(5.31), tall_need(-12.3), tall_need(250.0)
    ('+5.3', '-12', '+99')
    """
    if not np.isfinite(percent) or abs(percent) < 9.95:
        return signed(percent)
    return f"{min(max(percent, -99.0), 99.0):+.0f}"


def number(value: float, decimals: int = 1) -> str:
    """A number without a sign, `--` where not known."""
    return f"{value:.{decimals}f}" if np.isfinite(value) else "--"


def age_text(age_ns: int) -> str:
    """How old, in few cells: milliseconds below one second, then seconds, minutes, hours.

    >>> age_text(8_000_000), age_text(2_400_000_000), age_text(-1)
    ('8 ms', '2.4 s', 'never')
    """
    if age_ns < 0:
        return "never"
    if age_ns < 999_500_000:
        return f"{age_ns / 1e6:.0f} ms"
    seconds = age_ns / 1e9
    if seconds < 100:
        return f"{seconds:.1f} s"
    return f"{seconds / 60:.0f} min" if seconds < 6000 else f"{seconds / 3600:.0f} h"


def side(percent: float) -> str:
    """L for lean, R for rich, blank within what rounds to nothing."""
    if not np.isfinite(percent) or abs(percent) < 0.05:
        return " "
    return "L" if percent > 0 else "R"
