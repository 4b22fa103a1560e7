"""Readings corrected for what the session says bends them: pressure, and the fuel of the curve.

Pressure makes the pump current larger by a factor that belongs to the sensor's type, and
controllers that send lambda compute it from that current by the curve of some fuel. Both act on
the oxygen balance (`gas.reading`): nothing happens at lambda 1. Limits of the range, values that do
not move and the like are judged on readings as they were sent, so this comes after them. Nothing
is carried from row to row.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from mixmon.arrays import Bools, Floats
from mixmon.gas.exhaust import lambda_from_oxygen, oxygen_balance
from mixmon.gas.fuel import Fuel
from mixmon.gas.reading import pressure_gain
from mixmon.messages.binding import Binding
from mixmon.mixture.block import CylinderBlock, SampleState

_PRESSURE = "exhaust_kpa"
_KPA_PER_BAR = 100.0
_USUAL_BAR = 1.0
"""Pressure at which readings are right if the session does not say: our choice, about that of outside air."""


@dataclass(frozen=True, slots=True, eq=False)
class Correction:
    """A stage: rows in, the same rows with true readings out.

    fuel, curve    what burns, and what the controllers' lambda is computed for
    k_bar          how pressure acts on the sensors; None: it is not corrected for
    pressure_bar   absolute, where no signal gives it
    reference_bar  at which readings are right
    sends_lambda, sends_oxygen  bool[n], what each node sends
    """

    fuel: Fuel
    curve: Fuel
    k_bar: float | None
    pressure_bar: float | None
    reference_bar: float
    sends_lambda: Bools
    sends_oxygen: Bools

    def feed(self, block: CylinderBlock) -> CylinderBlock:
        """The block with true readings; where no pressure is known they stay as sent, and are suspect."""
        gain = self._gain_of_pressure(block)[:, None]
        known = np.isfinite(gain)
        by_curve = oxygen_balance(block.lam, self.curve)
        lam = lambda_from_oxygen(np.where(self.sends_lambda, by_curve, block.oxygen) / gain, self.fuel)
        oxygen = np.where(self.sends_oxygen, block.oxygen, by_curve) / gain
        valid = block.state == SampleState.VALID
        seen = known & np.isfinite(block.lam)  # air alone, without end, stays that at any pressure
        return replace(
            block,
            lam=np.where(seen, lam, block.lam),
            oxygen=np.where(known, oxygen, block.oxygen),
            state=np.where(valid & ~known, np.uint8(SampleState.SUSPECT), block.state),
        )

    def _gain_of_pressure(self, block: CylinderBlock) -> Floats:
        """Factor on the oxygen balance at every row, float64[k]; NaN where the pressure is not known."""
        bar = np.full(len(block), np.nan if self.pressure_bar is None else self.pressure_bar)
        sent = block.now.get(_PRESSURE)
        if sent is not None:
            bar = np.where(sent > 0, sent / _KPA_PER_BAR, bar)
        if self.k_bar is None:
            return np.ones(len(block))
        return pressure_gain(bar, self.k_bar, self.reference_bar)


def correction_of(binding: Binding) -> Correction | None:
    """What the session asks for; None if nothing is to be corrected."""
    asked = binding.session.sensors
    if asked is None or (binding.curve is None and asked.pressure_k_bar is None):
        return None
    return Correction(
        fuel=binding.fuel,
        curve=binding.curve or binding.fuel,
        k_bar=asked.pressure_k_bar,
        pressure_bar=asked.pressure_bar,
        reference_bar=asked.reference_bar or _USUAL_BAR,
        sends_lambda=np.array(["lambda" in node for node in binding.nodes]),
        sends_oxygen=np.array(["oxygen" in node for node in binding.nodes]),
    )
