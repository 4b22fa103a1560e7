"""How quickly every sensor follows its gas, from fuel cuts: all of them see air at once, and fuel again.

How it works: the rows of a cut are kept from a second before most sensors are in air
(`air_edges`) until a good second after they have left it; then the cut is measured
(`response_events`). A cut that lasts is measured when ten seconds of it have passed.

Kept: the rows of the last second or of the cut under way.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from mixmon.findings.air_edges import AirEdges
from mixmon.findings.recent import Recent
from mixmon.findings.response_events import AFTER_ROWS, BEFORE_ROWS, Clock, Cut, Span, measure_cut
from mixmon.findings.step_fit import USUAL_FILTER, Prior
from mixmon.mixture.block import CylinderBlock

LONGEST_ROWS = 1000
_USUAL_PERIOD_S = 0.020
_NEXT_ROWS = 30  # from the first movement of a next cut until most sensors are in air


class ResponseStage:
    """A stage: CylinderBlocks in, measured cuts out. `flush` at the end of the data.

    unclear   cuts that could not be measured: the engine stopped in them, or they were too short

    Args:
        filter_s: the controllers' filter, s, where it is known; else drawn towards what is usual.
        period_s: time between samples of the engine's claim of a cut.
        traces: keep the readings of every cut beside its measures.
    """

    def __init__(
        self, filter_s: float | None = None, period_s: float | None = None, *, traces: bool = False
    ) -> None:
        self._traces = traces
        self._filter = USUAL_FILTER if filter_s is None else Prior(filter_s, 1e-3)
        self._clock = Clock(_USUAL_PERIOD_S if period_s is None else period_s)
        self.unclear = 0
        self._restart(None)

    def _restart(self, stretch: int | None) -> None:
        self._stretch = stretch
        self._recent = Recent()
        self._edges = AirEdges()
        self._turns: list[tuple[int, bool]] = []

    def feed(self, block: CylinderBlock) -> list[Cut]:
        """The cuts that are complete with the block, which lies within one stretch of time."""
        if not len(block):
            return []
        done = [] if block.stretch[0] == self._stretch else self.flush()
        if block.stretch[0] != self._stretch:
            self._restart(int(block.stretch[0]))
        first = self._recent.end
        self._recent.add(_columns(block), len(block))
        self._turns += [(first + row, entered) for row, entered in self._edges.feed(block)]
        done += self._complete(self._recent.end)
        oldest = self._turns[0][0] if self._turns else self._recent.end
        self._recent.forget(oldest - BEFORE_ROWS)
        return done

    def flush(self) -> list[Cut]:
        """The cut under way, as far as its rows go; nothing follows it."""
        done = self._complete(None)
        self._turns = []
        return done

    def _complete(self, known: int | None) -> list[Cut]:
        """Measures the cuts of which all rows before `known` are there (None: all that come)."""
        done = []
        while self._turns:
            if not self._turns[0][1]:
                del self._turns[0]
                continue
            span = self._span(known)
            if span is None:
                break
            del self._turns[0]
            cut = measure_cut(self._recent, span, self._clock, self._filter, traces=self._traces)
            self.unclear += cut is None
            done += [] if cut is None else [cut]
        return done

    def _span(self, known: int | None) -> Span | None:
        """The rows of the first cut; None while some of them may yet come."""
        rise, longest = self._turns[0][0], self._turns[0][0] + LONGEST_ROWS
        back = len(self._turns) > 1 and self._turns[1][0] <= longest
        fall = self._turns[1][0] if back else longest
        last = fall + AFTER_ROWS + BEFORE_ROWS if back else longest
        if known is not None and known < last:
            return None
        limit = self._recent.end if known is None else last
        end = min(limit, fall + AFTER_ROWS if back else longest)
        if len(self._turns) > 2:
            end = max(min(end, self._turns[2][0] - _NEXT_ROWS), min(fall, end))
        return Span(rise, min(fall, end), end, back)


def _columns(block: CylinderBlock) -> Mapping[str, NDArray[Any]]:
    unknown = np.full(len(block), np.nan)
    now = block.now
    cut = now.get("fuel_cut")
    if cut is None:
        pulse = now.get("pulse_ms", unknown)
        cut = np.where(pulse <= 0.0, 1.0, 0.0)
    return {
        "t": block.t,
        "oxygen": block.oxygen,
        "age": block.age,
        "fresh": block.fresh,
        "state": block.state,
        "rpm": now.get("rpm", unknown),
        "load": now.get("load", unknown),
        "fuel_cut": cut,
        "spark_cut": now.get("spark_cut", unknown),
    }
