"""The simulation in the project's own message layer: two buses, the nodes' and the engine's."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from mixmon.frames.block import CLASSIC_WIDTH, FrameBlock
from mixmon.messages.chain import engine_messages, node_messages
from mixmon.messages.encode import Encoder
from mixmon.simulate.ecu import EngineBlock, PollRows
from mixmon.simulate.node import NodeBlock

CHANNELS = ("can0", "can1")
CHAIN_BUS, ENGINE_BUS = 0, 1

_POLL_REQUEST, _POLL_ANSWER = 0x7DF, 0x7E8
_ANSWER_NS = 6_000_000
_VERSIONS = (2, 1, 4, 1)


class OwnLayer:
    """Turns what nodes and engine say into frames; keeps the rolling counters."""

    def __init__(self, positions: Iterable[int]) -> None:
        self._nodes = {p: [Encoder(plan) for plan in node_messages(p)] for p in positions}
        self._engine = [Encoder(plan) for plan in engine_messages()]

    def chain(self, node: NodeBlock) -> list[FrameBlock]:
        """The frames of one node, stamped with the moment at which it wants to send."""
        fast, state, identity = self._nodes[node.position]
        r, h = node.readings, node.health
        no = np.zeros(len(h.t), np.int64)
        health = {
            "ResetCount": h.resets,
            "Supply": h.supply,
            "ElementTemperature": h.element_c,
            "HeaterDuty": h.duty,
            "SupplyLow": h.low.astype(np.int64),
            **dict.fromkeys(
                ("HeaterOpen", "HeaterShort", "ElementOpen", "ElementShort", "OverTemperature"), no
            ),
        }
        hardware, major, minor, layer = (np.full(len(node.identity_t), v) for v in _VERSIONS)
        who = {
            "SerialNumber": np.full(len(node.identity_t), node.serial),
            "HardwareVersion": hardware,
            "FirmwareMajor": major,
            "FirmwareMinor": minor,
            "LayerVersion": layer,
        }
        reading = {"OxygenBalance": r.oxygen, "Lambda": r.lam, "State": r.state.astype(np.int64)}
        return [
            fast.encode(r.t, reading, CHAIN_BUS, CHANNELS),
            state.encode(h.t, health, CHAIN_BUS, CHANNELS),
            identity.encode(node.identity_t, who, CHAIN_BUS, CHANNELS),
        ]

    def engine(self, block: EngineBlock) -> list[FrameBlock]:
        """The frames of the engine bus, and of the scan tool that asks the engine on the same wire."""
        fast, fuel, slow = self._engine
        f, u, s = block.fast, block.fuel, block.slow
        speed = {
            "Speed": f.rpm,
            "Throttle": f.throttle,
            "ManifoldPressure": f.map_kpa,
            "SparkAdvance": f.spark,
        }
        fuelling = {
            "Target": u.target,
            "PulseWidth": u.pulse_ms,
            "Correction": np.zeros(len(u.t)),
            "FuelCut": u.fuel_cut.astype(np.int64),
            "SparkCut": u.spark_cut.astype(np.int64),
            "ClosedLoop": np.zeros(len(u.t), np.int64),
            "Transient": u.transient.astype(np.int64),
        }
        slowly = {
            "Coolant": s.coolant,
            "Intake": s.intake,
            "FuelPressure": s.fuel_pressure,
            "Barometer": s.barometer,
            "Battery": s.battery,
        }
        return [
            fast.encode(f.t, speed, ENGINE_BUS, CHANNELS),
            fuel.encode(u.t, fuelling, ENGINE_BUS, CHANNELS),
            slow.encode(s.t, slowly, ENGINE_BUS, CHANNELS),
            *polled_speed(block.poll),
        ]


def polled_speed(poll: PollRows) -> list[FrameBlock]:
    """Questions and answers of SAE J1979 service 01, PID 0C: engine speed in quarter turns a minute."""
    raw = np.rint(poll.rpm * 4).astype(np.int64)
    ask = np.tile(np.array([2, 0x01, 0x0C, 0, 0, 0, 0, 0], np.uint8), (len(raw), 1))
    answer = np.tile(np.array([4, 0x41, 0x0C, 0, 0, 0, 0, 0], np.uint8), (len(raw), 1))
    answer[:, 3], answer[:, 4] = raw >> 8, raw & 0xFF
    return [_frames(poll.t - _ANSWER_NS, _POLL_REQUEST, ask), _frames(poll.t, _POLL_ANSWER, answer)]


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
