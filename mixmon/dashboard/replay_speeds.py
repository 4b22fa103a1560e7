"""The speeds at which a recording can be played, from key to key."""

from __future__ import annotations

import math
from typing import Final

SPEEDS: Final = (0.1, 0.25, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, math.inf)
"""Multiples of the recording's own speed; the last one is as fast as it can be worked."""


def next_speed(now: float | None, step: int) -> float | None:
    """The next faster or slower speed; None is as fast as it can be worked.

    >>> next_speed(3.0, 1), next_speed(None, -1), next_speed(20.0, 1)
    (5.0, 20.0, None)
    """
    here = math.inf if now is None else now
    if step > 0:
        found = min((speed for speed in SPEEDS if speed > here), default=here)
    else:
        found = max((speed for speed in SPEEDS if speed < here), default=here)
    return None if math.isinf(found) else found


def speed_words(speed: float | None) -> str:
    """The speed as it is said.

    >>> speed_words(0.5), speed_words(None)
    ('0.5 times its own speed', 'as fast as it can be worked')
    """
    return "as fast as it can be worked" if speed is None else f"{speed:g} times its own speed"
