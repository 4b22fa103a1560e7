"""Sensors whose own error is known: their readings are corrected, and the error of that takes its place.

`[sensors] known_bias` gives, by serial, the percent of lambda by which a sensor reads lean and half of the 95
% interval of that, or asks for those of the ledger, which whoever opens the session looks up. A reading is
divided by one plus the bias. That is right where the bias was measured: an error of gain is another share of
lambda elsewhere.

Biases usually come from exchanged sensors, which tell how these differ and not what they all have in common.
So the error of the mean of the corrected sensors stays as it was (see `total`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from mixmon.findings.balance.notes import BalanceNote
from mixmon.mixture.block import CylinderBlock
from mixmon.note import Note, note
from mixmon.session.model import Session


class KnownBiases:
    """What is known of the sensors of a session, in the order of its nodes.

    percent, half   float64[n], percent of lambda; NaN where not known
    """

    def __init__(self, session: Session) -> None:
        asked = None if session.sensors is None else session.sensors.known_bias
        table = asked if isinstance(asked, Mapping) else {}
        self._nodes = session.chain.nodes
        self._asked, self._looked_up = asked is not None, not isinstance(asked, str)
        pairs = [table.get(node.sensor or "", (np.nan, np.nan)) for node in self._nodes]
        self.percent, self.half = np.array(pairs).reshape(-1, 2).T
        self._factor = 1.0 + np.nan_to_num(self.percent) / 100.0

    def correct(self, block: CylinderBlock) -> CylinderBlock:
        """The rows with lambda as sensors without these errors would show it."""
        return replace(block, lam=block.lam / self._factor) if np.isfinite(self.percent).any() else block

    def notes(self) -> list[Note]:
        """What was corrected, and which sensors were not although it was asked for."""
        if not self._asked:
            return []
        if not self._looked_up:
            return [note(BalanceNote.BIASES_NOT_LOOKED_UP)]
        known = np.isfinite(self.percent)
        names = [node.sensor or f"position {node.position}" for node in self._nodes]
        found = []
        if known.any():
            found.append(
                note(
                    BalanceNote.BIASES_CORRECTED,
                    sensors=tuple(n for n, is_known in zip(names, known, strict=True) if is_known),
                    percent=tuple(self.percent[known].tolist()),
                    half_percent=tuple(self.half[known].tolist()),
                )
            )
        if not known.all():
            unknown = tuple(n for n, is_known in zip(names, known, strict=True) if not is_known)
            found.append(note(BalanceNote.BIASES_NOT_KNOWN, sensors=unknown))
        return found
