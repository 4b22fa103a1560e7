"""What passes on each bus: identifiers, rates, gaps, load, error frames. No meaning yet."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mixmon.findings.gaps import Gaps, Groups, Rhythm, rhythm
from mixmon.findings.timeline import Break
from mixmon.frames.bits import phase_bits
from mixmon.frames.block import NOT_DATA, FrameBlock, FrameFlag

PEAK_WINDOW_NS = 100_000_000
"""The load's peak is that of the busiest window of this length, on a fixed grid of time."""

_LEAST_COMB = 0.2
"""Gaps that differ from their neighbours by less than this share are one sender's timer grid."""

_BUS_SHIFT = 32

ERROR_CLASSES: Mapping[int, str] = {
    0x001: "transmit timeout",
    0x002: "lost arbitration",
    0x004: "controller",
    0x008: "protocol violation",
    0x010: "transceiver",
    0x020: "no acknowledgement",
    0x040: "bus off",
    0x080: "bus error",
    0x100: "controller restarted",
}
"""Class bits of an error frame's identifier (Linux, include/uapi/linux/can/error.h)."""


@dataclass(frozen=True, slots=True)
class Beat:
    """One identifier on one channel, and how regularly it comes.

    channel   the interface's name in the log
    can_id    identifier, bit 31 set for 29-bit ones
    frames    data frames
    combed    how much more a gap resembles the last but one than the last: near 1 for two senders
              that take turns at uneven distances, near 0 for one
    """

    channel: str
    can_id: int
    frames: int
    rhythm: Rhythm
    combed: float


@dataclass(frozen=True, slots=True)
class ChannelTraffic:
    """One channel: frames of each kind, and bits on the wire.

    bits          length of all frames, stuffing and intermission included; exact for data and
                  remote frames, error frames at their shortest
    switched_bits those of them that were sent at a faster rate (CAN FD)
    peak_bits     bits in the busiest window of PEAK_WINDOW_NS
    error_frames  as logged, by class in `error_classes` (a frame can be of several)
    """

    channel: str
    frames: int
    remote_frames: int
    error_frames: int
    error_classes: Mapping[str, int]
    bits: int
    switched_bits: int
    peak_bits: int


@dataclass(slots=True)
class _Channel:
    """Running sums of one channel; the last window of time is open."""

    frames: int = 0
    remote: int = 0
    errors: int = 0
    bits: int = 0
    switched: int = 0
    window: int | None = None
    window_bits: int = 0
    peak: int = 0


class Traffic:
    """A stage: unbroken parts of blocks in; beats and channels at any time."""

    def __init__(self) -> None:
        self._keys = np.zeros(0, np.int64)  # sorted: channel, then identifier
        self._slot_of_key = np.zeros(0, np.int64)
        self._frames = np.zeros(0, np.int64)
        self._gaps = Gaps()
        self._channels: list[_Channel] = []
        self._names: tuple[str, ...] = ()
        self._classes: Counter[tuple[int, str]] = Counter()

    def feed(self, part: FrameBlock) -> None:
        """Takes the frames, in the order of their arrival; time does not break among them."""
        if len(part.channels) > len(self._names):
            self._channels += [_Channel() for _ in part.channels[len(self._names) :]]
            self._names = part.channels
        self._take_load(part)
        errors = part.flags & FrameFlag.ERROR != 0
        if errors.any():
            self._take_errors(part.take(errors))
        data = part.flags & NOT_DATA == 0
        self._take_beats(part if data.all() else part.take(data))

    def pause(self, broken: Break) -> None:
        """Time breaks; no gap spans the break."""
        self._gaps.pause(broken.end, broken.begin)

    def beats(self, end: int) -> tuple[Beat, ...]:
        """Every identifier, by channel and number, as of time `end`, ns."""
        self._gaps.close(end)
        keyed = zip(self._keys.tolist(), self._slot_of_key.tolist(), strict=True)
        return tuple(self._beat(key, slot, end) for key, slot in keyed)

    def channels(self) -> tuple[ChannelTraffic, ...]:
        """Every channel, in the order of their appearance."""
        return tuple(
            ChannelTraffic(
                channel=name,
                frames=c.frames,
                remote_frames=c.remote,
                error_frames=c.errors,
                error_classes={w: n for (b, w), n in sorted(self._classes.items()) if b == bus},
                bits=c.bits,
                switched_bits=c.switched,
                peak_bits=max(c.peak, c.window_bits),
            )
            for bus, (name, c) in enumerate(zip(self._names, self._channels, strict=True))
        )

    def _take_errors(self, errors: FrameBlock) -> None:
        for bus, can_id in zip(errors.bus.tolist(), errors.can_id.tolist(), strict=True):
            self._channels[bus].errors += 1
            self._classes.update((bus, word) for bit, word in ERROR_CLASSES.items() if can_id & bit)

    def _take_load(self, block: FrameBlock) -> None:
        nominal, fast = phase_bits(block)
        bits = nominal + fast
        remote = block.flags & FrameFlag.REMOTE != 0
        for bus in np.unique(block.bus).tolist():
            mine, channel = block.bus == bus, self._channels[bus]
            channel.frames += int(np.count_nonzero(mine))
            channel.remote += int(np.count_nonzero(mine & remote))
            channel.bits += int(bits[mine].sum())
            channel.switched += int(fast[mine].sum())
            _take_windows(channel, block.t[mine] // PEAK_WINDOW_NS, bits[mine])

    def _take_beats(self, block: FrameBlock) -> None:
        if not len(block):
            return
        keys = block.bus.astype(np.int64) << _BUS_SHIFT | block.can_id
        slots = self._slots(keys)
        groups = Groups.of(slots)
        self._frames[groups.slots] += groups.ends - groups.starts + 1
        self._gaps.push(block.t, groups)

    def _slots(self, keys: NDArray[np.int64]) -> NDArray[np.int64]:
        """The slot of each key; new keys get the next ones."""
        place = np.searchsorted(self._keys, keys)
        known = np.append(self._keys, -1)[place] == keys
        if not known.all():
            self._enter(np.unique(keys[~known]))
            place = np.searchsorted(self._keys, keys)
        return self._slot_of_key[place]

    def _enter(self, keys: NDArray[np.int64]) -> None:
        old = len(self._keys)
        all_keys = np.concatenate([self._keys, keys])
        order = np.argsort(all_keys)
        slots = np.concatenate([self._slot_of_key, np.arange(old, old + len(keys))])
        self._keys, self._slot_of_key = all_keys[order], slots[order]
        self._frames = np.concatenate([self._frames, np.zeros(len(keys), np.int64)])
        self._gaps.grow(old + len(keys))

    def _beat(self, key: int, slot: int, end: int) -> Beat:
        swing, swing2 = int(self._gaps.swing[slot]), int(self._gaps.swing2[slot])
        return Beat(
            channel=self._names[key >> _BUS_SHIFT],
            can_id=key & 0xFFFF_FFFF,
            frames=int(self._frames[slot]),
            rhythm=rhythm(self._gaps, slot, end),
            combed=1 - swing2 / swing if swing > _LEAST_COMB * self._gaps.total[slot] else 0.0,
        )


def _take_windows(channel: _Channel, window: NDArray[np.int64], bits: NDArray[np.int64]) -> None:
    """Adds bits to the open window; each change of window closes one."""
    starts = np.flatnonzero(np.concatenate([[True], window[1:] != window[:-1]]))
    sums = np.add.reduceat(bits, starts)
    if channel.window == window[0]:
        sums[0] += channel.window_bits
    else:
        channel.peak = max(channel.peak, channel.window_bits)
    channel.peak = max(channel.peak, int(sums[:-1].max(initial=0)))
    channel.window, channel.window_bits = int(window[-1]), int(sums[-1])
