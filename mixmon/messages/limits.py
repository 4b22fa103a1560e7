"""Which raw values mean a number in the declared range of a signal."""

from __future__ import annotations

import math

from mixmon.messages.plan import SignalPlan


def natural_limits(signal: SignalPlan) -> tuple[int, int]:
    """Lowest and highest raw value that an integer signal can have and that is no code.

    >>> natural_limits(SignalPlan("Level", 0, 8, False, not_available=((255, 255),), error=((254, 254),)))
    (0, 253)
    """
    bits = signal.length - signal.signed
    low, high = (-(1 << bits) if signal.signed else 0), (1 << bits) - 1
    return low, min([high, *(first - 1 for first, _ in (*signal.not_available, *signal.error))])


def raw_limits(signal: SignalPlan) -> tuple[int, int]:
    """Lowest and highest raw value that mean a number in the declared range.

    A range that no raw value can meet is as good as none.

    >>> raw_limits(SignalPlan("Level", 0, 8, False, scale=0.5, minimum=0.0, maximum=100.0))
    (0, 200)
    """
    low, high = natural_limits(signal)
    ends = [_steps(signal, end) for end in (signal.minimum, signal.maximum)]
    if signal.scale < 0:
        ends.reverse()
    least, most = ends
    # a millionth of a step is forgiven: 0.3 / 0.1 is not 3
    within = (
        low if least is None else max(low, math.ceil(least - 1e-6)),
        high if most is None else min(high, math.floor(most + 1e-6)),
    )
    return within if within[0] <= within[1] else (low, high)


def _steps(signal: SignalPlan, end: float | None) -> float | None:
    if end is None or signal.scale == 0.0 or not math.isfinite(end):
        return None
    return (end - signal.offset) / signal.scale
