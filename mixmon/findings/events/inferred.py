"""Cuts that the engine control does not report, inferred from the gas of a bump and from the engine's speed.

    bump, verdict -> infer_cut -> spark cut or fuel cut, with the evidence for it

A charge whose spark was cut holds its fuel, and the vapour takes up part of the oxygen: gas below air, 8 to
13 percent. A charge without fuel is air. So gas that reads higher than unburnt charges can is air; gas that
follows the one better than the other, by the lag of its sensors, is that one. A cut much shorter than the lag
may follow both, and so may one at the end of the sensors' range: then the opening of the throttle decides the
kind, because an open throttle goes with cut sparks, and the evidence names the other kind.

A limiter leaves out charges of the cylinders in turn while speed is held: the readings are a mean of burnt
and other gas, which does not tell sparks from fuel. Nothing is kept between bumps.
"""

from __future__ import annotations

from enum import StrEnum

import numpy as np

from mixmon.findings.events.bumps import Bump
from mixmon.findings.events.event import Kind, Value
from mixmon.findings.events.misfire import BumpClassifier, Verdict
from mixmon.gas.lag import SensorLag

SHUT_PERCENT = 5.0
"""Opening below which the throttle counts as shut. Our choice: it leaves room for a stop that reads high."""

_CLEARLY = 0.5
"""Part of the other gas's misfit that the better gas leaves at most to be told from it. Our choice: of
cuts shorter than the lag either may be the smaller one by a third (computed)."""

_BEYOND_UNBURNT = 1.1
"""Reading in parts of the highest that unburnt charges give from which gas is air. Our choice: ten percent
for the sensor's gain."""


class CutPattern(StrEnum):
    """How the charges of a cut that nobody reports follow each other: evidence `pattern`."""

    AT_ONCE = "all at once"
    IN_TURN = "in turn"


def infer_cut(
    classifier: BumpClassifier, bump: Bump, lag: SensorLag, verdict: Verdict
) -> tuple[Kind, dict[str, Value]]:
    """Gives the kind of a cut whose charges did not burn, and its evidence.

    Args:
        classifier: that gave the verdict.
        bump: lean; of one cylinder, or of all.
        lag: of its sensor.
        verdict: that its charges did not burn.
    """
    assert verdict.unburnt is not None
    as_unburnt = verdict.unburnt.cost
    as_air = min(classifier.fit_air(bump, one) for one in (lag, verdict.unburnt.lag))
    highest = float(np.nanmax(bump.oxygen[bump.begin : bump.end]))
    beyond = highest > _BEYOND_UNBURNT * classifier.highest_unburnt(bump)
    clipped = bool(verdict.evidence["at_limit_s"])
    clear = min(as_air, as_unburnt) < _CLEARLY * max(as_air, as_unburnt)
    sure = beyond or (clear and not clipped)
    shut = bool(bump.load[bump.begin] < SHUT_PERCENT)
    fuel = beyond or (as_air < as_unburnt if sure else shut)
    kinds = (Kind.FUEL_CUT, Kind.SPARK_CUT) if fuel else (Kind.SPARK_CUT, Kind.FUEL_CUT)
    return kinds[0], {
        "could_be": None if sure else kinds[1].value,
        "highest_oxygen_percent": round(highest, 2),
        "unburnt_at_most_percent": round(classifier.highest_unburnt(bump), 2),
        "misfit_as_unburnt": round(as_unburnt),
        "misfit_as_air": round(as_air),
    }
