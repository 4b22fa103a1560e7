"""Speed held at its limit: what tells sparks left out from misfires where the engine control says nothing.

A limiter leaves out sparks of the cylinders in turn, so several cylinders miss within a moment,
and speed stops rising, or saws. A worn plug does neither (common practice, no source).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from mixmon.findings.spikes import Spike

_TOP_SHARE = 0.985
_STILL_SHARE = 0.3
_RISING_RPM_S, _SAW_RPM, _SAW_RATIO = 100.0, 10.0, 3.0
_FEWEST_ROWS = 15
_SEEN_LATE_ROWS = 20  # by so much the readings are behind the speed
_OTHERS_SHARE, _COMMON_RISE = 0.25, 1.0

Floats = NDArray[np.float64]


def at_limit(spike: Spike) -> bool:
    """Speed is the highest so far, and has just stopped rising or begun to saw."""
    begins = max(spike.speed_at - _SEEN_LATE_ROWS, 0)
    before, during = spike.speed[:begins], spike.speed[begins:]
    if min(len(before), len(during)) < _FEWEST_ROWS or not np.isfinite(spike.speed).all():
        return False
    (rise, rough), (rise_now, rough_now) = _line(before), _line(during)
    top = spike.speed.max() >= _TOP_SHARE * spike.top_rpm
    stopped = rise > _RISING_RPM_S and rise_now < _STILL_SHARE * rise
    saws = rough_now > max(_SAW_RPM, _SAW_RATIO * rough) and rise_now < _RISING_RPM_S
    return bool(top and (stopped or saws))


def sparks_left_out(spike: Spike) -> bool:
    """Other cylinders miss too, one by one or all a little, at the limit of speed."""
    others = spike.others >= max(2, _OTHERS_SHARE * spike.measuring)
    return (others or spike.common_rise > _COMMON_RISE) and at_limit(spike)


def _line(rpm: Floats) -> tuple[float, float]:
    """Slope in rpm a second, and standard deviation about the straight line."""
    t = np.arange(len(rpm)) / 100.0
    slope, level = np.polyfit(t, rpm, 1)
    return float(slope), float(np.std(rpm - slope * t - level))
