"""A simulation: scenario and seed in, frames out, in time order and as long as they are asked for.

Time is played in stretches. Every sender keeps its own place, so the frames do not depend on how
long the stretches are, and memory does not grow with the duration.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import numpy as np

from mixmon.errors import UsageError
from mixmon.frames.block import FrameBlock, concat
from mixmon.messages.binding import Binding
from mixmon.session.model import Session
from mixmon.simulate.foreign import BoundLayer
from mixmon.simulate.health import NS
from mixmon.simulate.layer import Layer, OwnLayer
from mixmon.simulate.make import BITRATE
from mixmon.simulate.scenario import Scenario
from mixmon.simulate.session_file import scenario_session
from mixmon.simulate.wire import Wire, merged, shifted
from mixmon.simulate.world import World

EPOCH_NS = 1_700_000_000 * NS
"""Stamp of the scenario's zero. Fixed, so that the same seed gives the same bytes."""

STRETCH_S = 5.0


class Simulation:
    """Frames of one scenario played with one seed; iterating plays it, each time from the start."""

    def __init__(self, world: World, binding: Binding | None = None, stretch_s: float = STRETCH_S) -> None:
        self.world = world
        self._binding, self._stretch = binding, stretch_s

    @property
    def session(self) -> Session:
        """What the user of the simulated engine declares."""
        if self._binding is not None:
            return self._binding.session
        return scenario_session(self.world.scenario, self.world.trims)

    @property
    def duration_s(self) -> float:
        """Length in seconds of data time."""
        return self.world.timeline.duration_s

    def __iter__(self) -> Iterator[FrameBlock]:
        """Blocks of frames, stamps rising from EPOCH_NS on."""
        layer = self._layer()
        wires = [Wire(bus.bitrate or BITRATE) for bus in self.session.buses]
        for from_ns, to_ns in self._stretches():
            asked = concat(layer.run(from_ns, to_ns))
            sent = [wire.send(asked.take(asked.bus == i), to_ns) for i, wire in enumerate(wires)]
            yield shifted(merged(sent), EPOCH_NS)

    def _layer(self) -> Layer:
        return OwnLayer(self.world) if self._binding is None else BoundLayer(self.world, self._binding)

    def _stretches(self) -> Iterator[tuple[int, int]]:
        end = round(self.duration_s * NS)
        edges = [*range(0, end, round(self._stretch * NS)), end]
        yield from pairwise(edges)


def simulate(
    scenario: Scenario,
    *,
    seed: int,
    duration: float | None = None,
    trims: tuple[float, ...] | None = None,
    binding: Binding | None = None,
) -> Simulation:
    """A simulation of the scenario.

    Args:
        scenario: what to play.
        seed: of all that is random; the same seed gives the same frames.
        duration: seconds; shorter cuts the profile, longer repeats it where the scenario allows.
        trims: what the fuel control holds, percent, one a cylinder; None: as in the scenario.
        binding: a session with its message definitions, to be spoken instead of mixmon's own layer.

    Raises:
        UsageError: trims of another number than the cylinders, a negative seed, no time to play, or
            a session for an engine of another size.
    """
    n = scenario.size
    if trims is not None and (len(trims) != n or not np.isfinite(trims).all()):
        raise UsageError(f"trims: {len(trims)} values; expected {n} numbers; give one a cylinder, in order")
    if seed < 0 or (duration is not None and not duration > 0):
        raise UsageError(
            f"simulate: seed {seed}, duration {duration}; expected a seed from 0 on and some time; change one"
        )
    if binding is not None and binding.session.engine.cylinders != n:
        raise UsageError(
            f"simulate: a session for {binding.session.engine.cylinders} cylinders and a scenario for {n}; "
            "expected the same number; choose another scenario"
        )
    return Simulation(World(scenario, seed, duration, trims), binding)
