"""The simulation in the project's own message layer: two buses, the nodes' and the engine's."""

from __future__ import annotations

from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from mixmon.frames.block import CLASSIC_WIDTH, FrameBlock
from mixmon.messages.chain import engine_messages, node_messages
from mixmon.messages.encode import Encoder
from mixmon.simulate.ecu import Ecu
from mixmon.simulate.health import NS
from mixmon.simulate.node import Node
from mixmon.simulate.ticks import Ticks
from mixmon.simulate.world import World

CHANNELS = ("can0", "can1")
CHAIN_BUS, ENGINE_BUS = 0, 1

_HEALTH_NS, _IDENTITY_NS, _ENGINE_NS, _SLOW_NS, _POLL_NS = 100e6, 2e9, 20e6, 200e6, 200e6
_ENGINE_PHASES_NS = (2_100_000, 2_800_000, 7_300_000)
_ENGINE_PERIODS_NS = (_ENGINE_NS, _ENGINE_NS, _SLOW_NS)

_POLL_REQUEST, _POLL_ANSWER = 0x7DF, 0x7E8
_POLL_PHASE_NS, _ANSWER_NS = 61_000_000, 6_000_000
_POLL_LATE_S = (0.02, 0.09)

_VERSIONS = {"HardwareVersion": 2, "FirmwareMajor": 1, "FirmwareMinor": 4, "LayerVersion": 1}
_NO_FAULT = ("HeaterOpen", "HeaterShort", "ElementOpen", "ElementShort", "OverTemperature")

_ENGINE_SIGNALS = (
    {"Speed": "rpm", "Throttle": "throttle", "ManifoldPressure": "map_kpa", "SparkAdvance": "spark_deg"},
    {
        "Target": "target",
        "PulseWidth": "pulse_ms",
        "Correction": "closed_loop",
        "FuelCut": "fuel_cut",
        "SparkCut": "spark_cut",
        "ClosedLoop": "closed_loop",
        "Transient": "transient",
    },
    {
        "Coolant": "coolant_c",
        "Intake": "intake_c",
        "FuelPressure": "fuel_pressure_kpa",
        "Barometer": "baro_kpa",
        "Battery": "battery_v",
    },
)


class Layer(Protocol):
    """Turns a world into frames, each stamped with the moment at which its sender wants to send."""

    def run(self, from_ns: int, to_ns: int) -> list[FrameBlock]:
        """The frames asked for in [from_ns, to_ns), in no order; calls follow one another."""


class OwnLayer:
    """The project's own messages: every node of the chain, the engine, and a scan tool beside it."""

    def __init__(self, world: World) -> None:
        self._senders: list[Layer] = [_NodeSender(world, p + 1) for p in range(world.scenario.size)]
        self._senders += [_EngineSender(world, k) for k in range(len(_ENGINE_SIGNALS))]
        self._senders.append(_ScanTool(world))

    def run(self, from_ns: int, to_ns: int) -> list[FrameBlock]:
        """The frames asked for in [from_ns, to_ns), in no order; calls follow one another."""
        return [frames for sender in self._senders for frames in sender.run(from_ns, to_ns)]


class _NodeSender:
    """One node: its three messages on the beat of its own clock."""

    def __init__(self, world: World, position: int) -> None:
        self._node = Node(world, position)
        self._encoders = [Encoder(plan) for plan in node_messages(position)]
        clock = world.rng("clock", position)
        slow = 1 + clock.standard_normal() * world.scenario.noise.clock_ppm * 1e-6
        periods = (NS / world.scenario.controllers.rate_hz, _HEALTH_NS, _IDENTITY_NS)
        self._ticks = [Ticks(period * slow, int(clock.uniform(0, period))) for period in periods]
        self._jitter, self._jitter_ns = world.rng("jitter", position), world.scenario.noise.jitter_s * NS

    def run(self, from_ns: int, to_ns: int) -> list[FrameBlock]:
        fast, slow, rare = (ticks.until(to_ns) for ticks in self._ticks)
        reading, health = self._node.readings(from_ns, to_ns, fast), self._node.health(slow)
        columns = (
            {"OxygenBalance": reading.oxygen, "Lambda": reading.lam, "State": reading.state.astype(np.int64)},
            {
                "ResetCount": health.resets,
                "Supply": health.supply,
                "ElementTemperature": health.element_c,
                "HeaterDuty": health.duty,
                "SupplyLow": health.low.astype(np.int64),
                **dict.fromkeys(_NO_FAULT, np.zeros(len(slow), np.int64)),
            },
            {name: np.full(len(rare), value) for name, value in self._identity().items()},
        )
        late = np.abs(self._jitter.standard_normal(len(fast))) * self._jitter_ns
        asked = (fast + late.astype(np.int64), slow, rare)
        return [
            encoder.encode(
                at[sent], {name: column[sent] for name, column in values.items()}, CHAIN_BUS, CHANNELS
            )
            for encoder, at, values, sent in zip(
                self._encoders,
                asked,
                columns,
                (~self._node.silent(t) for t in (fast, slow, rare)),
                strict=True,
            )
        ]

    def _identity(self) -> dict[str, int]:
        return {"SerialNumber": self._node.serial, **_VERSIONS}


class _EngineSender:
    """One message of the engine bus."""

    def __init__(self, world: World, k: int) -> None:
        self._ecu, self._encoder = Ecu(world, k), Encoder(engine_messages()[k])
        self._ticks, self._signals = Ticks(_ENGINE_PERIODS_NS[k], _ENGINE_PHASES_NS[k]), _ENGINE_SIGNALS[k]

    def run(self, _: int, to_ns: int) -> list[FrameBlock]:
        t = self._ticks.until(to_ns)
        values = self._ecu.values(t)
        columns = {signal: values[name] for signal, name in self._signals.items()}
        return [self._encoder.encode(t, columns, ENGINE_BUS, CHANNELS)]


class _ScanTool:
    """Questions and answers of SAE J1979 service 01, PID 0C: a slow and late copy of the speed.

    The answer holds quarter turns a minute (from memory: SAE J1979-DA, 2011), as they were some
    hundredths of a second before.
    """

    def __init__(self, world: World) -> None:
        self._crank, self._dice = world.timeline.crank, world.rng("poll")
        self._ticks = Ticks(_POLL_NS, _POLL_PHASE_NS)

    def run(self, _: int, to_ns: int) -> list[FrameBlock]:
        t = self._ticks.until(to_ns)
        late = self._dice.uniform(*_POLL_LATE_S, len(t))
        raw = np.rint(self._crank.rpm(t / NS - late) * 4).astype(np.int64)
        ask = np.tile(np.array([2, 0x01, 0x0C, 0, 0, 0, 0, 0], np.uint8), (len(t), 1))
        answer = np.tile(np.array([4, 0x41, 0x0C, 0, 0, 0, 0, 0], np.uint8), (len(t), 1))
        answer[:, 3], answer[:, 4] = raw >> 8, raw & 0xFF
        return [_frames(t, _POLL_REQUEST, ask), _frames(t + _ANSWER_NS, _POLL_ANSWER, answer)]


def _frames(t: NDArray[np.int64], can_id: int, data: NDArray[np.uint8]) -> FrameBlock:
    n = len(t)
    eight = np.full(n, CLASSIC_WIDTH, np.uint8)
    return FrameBlock(
        t,
        np.full(n, can_id, np.uint32),
        np.full(n, ENGINE_BUS, np.uint8),
        eight,
        eight,
        np.zeros(n, np.uint8),
        data,
        CHANNELS,
    )
