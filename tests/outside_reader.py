"""Reads simulated logs without any of the package's own readers: text and bits by hand.

Places and scalings are those of dbc/mixture_chain.dbc and dbc/engine_bus.dbc, typed off.
"""

from __future__ import annotations

import numpy as np

EPOCH_S = 1_700_000_000


class Log:
    """A candump text: bytes by channel and identifier; times in s from the simulation's zero."""

    def __init__(self, text):
        frames = {}
        for line in text.splitlines():
            stamp, channel, frame = line.split()
            identifier, data = frame.split(b"#")
            t = float(stamp[1:-1]) - EPOCH_S
            frames.setdefault((channel.decode(), int(identifier, 16)), []).append(
                (t, bytes.fromhex(data.decode()))
            )
        self.frames = frames

    def column(self, channel, identifier, start, length):
        """Times and raw values of one little-endian field."""
        rows = self.frames[channel, identifier]
        raw = [int.from_bytes(data, "little") >> start & (1 << length) - 1 for _, data in rows]
        return np.array([t for t, _ in rows]), np.array(raw)

    def node(self, position):
        """Time, lambda, oxygen balance and state of a node's fast frames; NaN for no value."""
        t, oxygen = self.column("can0", 0x2A0 + position - 1, 0, 16)
        _, lam = self.column("can0", 0x2A0 + position - 1, 16, 16)
        _, state = self.column("can0", 0x2A0 + position - 1, 32, 4)
        return t, _scaled(lam, 0.00025, 0.3), _scaled(oxygen, 0.002, -65.0), state

    def engine(self, name):
        """Time and value of one engine signal."""
        identifier, start, length, scale, offset = {
            "rpm": (0x1B3, 0, 16, 0.3, 0.0),
            "throttle": (0x1B3, 16, 12, 0.025, 0.0),
            "map_kpa": (0x1B3, 28, 12, 0.125, 0.0),
            "target": (0x1B5, 0, 16, 0.00025, 0.3),
            "pulse_ms": (0x1B5, 16, 16, 0.0008, 0.0),
            "fuel_cut": (0x1B5, 44, 2, 1.0, 0.0),
            "spark_cut": (0x1B5, 46, 2, 1.0, 0.0),
            "coolant": (0x3B9, 0, 10, 0.25, -60.0),
        }[name]
        t, raw = self.column("can1", identifier, start, length)
        return t, raw * scale + offset


def _scaled(raw, scale, offset):
    return np.where(raw >= 0xFFFE, np.nan, raw * scale + offset)


def window(t, values, begins, ends):
    """The values with begins <= t < ends."""
    return values[(t >= begins) & (t < ends)]
