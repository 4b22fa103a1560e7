"""A simulation: scenario and seed in, frames out, in time order and as long as they are asked for.

Time is played in stretches. Every sender keeps its own place, so the frames do not depend on how
long the stretches are, and memory does not grow with the duration.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

from mixmon.errors import UsageError
from mixmon.frames.block import FrameBlock
from mixmon.simulate.ecu import EcuSimulation
from mixmon.simulate.health import NS
from mixmon.simulate.layer import OwnLayer
from mixmon.simulate.node import NodeSimulation
from mixmon.simulate.scenario import Scenario
from mixmon.simulate.wire import Wire, merged, shifted
from mixmon.simulate.world import World

EPOCH_NS = 1_700_000_000 * NS
"""Stamp of the scenario's zero. Fixed, so that the same seed gives the same bytes."""

STRETCH_S = 5.0
BITRATE = 500_000


class Simulation:
    """Frames of one scenario played with one seed; iterating plays it from the start."""

    def __init__(self, world: World, stretch_s: float = STRETCH_S) -> None:
        self._world, self._stretch = world, stretch_s

    @property
    def scenario(self) -> Scenario:
        """What is played."""
        return self._world.scenario

    @property
    def duration_s(self) -> float:
        """Length in seconds of data time."""
        return self._world.timeline.duration_s

    def __iter__(self) -> Iterator[FrameBlock]:
        """Blocks of frames, stamps rising from EPOCH_NS on."""
        world = self._world
        positions = range(1, world.scenario.size + 1)
        nodes = [NodeSimulation(world, position) for position in positions]
        ecu, layer = EcuSimulation(world), OwnLayer(positions)
        chain, engine = (Wire(bus.bitrate or BITRATE) for bus in world.scenario.session.buses)
        for from_ns, to_ns in self._stretches():
            said = [frames for node in nodes for frames in layer.chain(node.run(from_ns, to_ns))]
            on_chain = chain.send(said, to_ns)
            on_engine = engine.send(layer.engine(ecu.run(to_ns)), to_ns)
            yield shifted(merged(on_chain, on_engine), EPOCH_NS)

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
) -> Simulation:
    """A simulation of the scenario.

    Args:
        scenario: what to play.
        seed: of all that is random; the same seed gives the same frames.
        duration: seconds; shorter cuts the profile, longer repeats it where the scenario allows.
        trims: what the fuel control holds, percent, one a cylinder; None: as in the scenario.

    Raises:
        UsageError: trims of another number than the cylinders, a negative seed, or no time to play.
    """
    if trims is not None and len(trims) != scenario.size:
        raise UsageError(
            f"trims: {len(trims)} values; expected {scenario.size}; give one a cylinder, in cylinder order"
        )
    if seed < 0 or (duration is not None and not duration > 0):
        raise UsageError(
            f"simulate: seed {seed}, duration {duration}; expected a seed from 0 on and some time; change one"
        )
    return Simulation(World(scenario, seed, duration, trims))
