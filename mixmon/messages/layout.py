"""One layout of signals, decoded for many frames at once.

Messages that differ in name and identifier only (the nodes of a chain) share a layout, and their frames are
decoded together: `FrameLayout.decode` takes the bits of each signal out of all frames as one column, turns
them into numbers, and marks what is not to be believed. Nothing is kept between calls.

The order of marks decides: a code ("not available", "error") is overwritten by CORRUPT, and both by MISSING,
because a signal that a frame does not carry has no value to be corrupt.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mixmon.arrays import Bools, Bytes, Floats, Ints
from mixmon.messages.integrity import checksum
from mixmon.messages.plan import (
    ByteRows,
    Field,
    MessagePlan,
    Quality,
    Raw,
    Selector,
    SignalPlan,
    natural_limits,
    raw_limits,
)

RawColumn = Ints | NDArray[np.uint64] | Floats
"""Raw values of m frames as sent: unsigned, signed or IEEE float."""

RawOf = Callable[[str], NDArray[np.uint64]]
"""Raw values uint64[m] of a signal of the message, by name."""

HeldBy = Callable[[str], Bools | None]
"""The frames that are long enough for a signal, by name, bool[m]; None if all are."""


class Frames:
    """m frames of one layout: their bytes, and how many bytes of each are real, uint8[m]."""

    def __init__(self, data: Bytes, size: Bytes) -> None:
        self.rows = ByteRows(data)
        self.size = size
        self._shortest = int(size.min(initial=255))

    def __len__(self) -> int:
        return len(self.size)

    def take(self, rows: Ints) -> Frames:
        """The frames of the given rows."""
        return Frames(self.rows.data[rows], self.size[rows])

    def holding(self, count: int) -> Bools | None:
        """The frames of at least `count` bytes, bool[m], or None if all are."""
        return None if count <= self._shortest else self.size >= count


@dataclass(frozen=True, slots=True, eq=False)
class DecodedSignals:
    """s signals of m frames: values float64[s, m], quality uint8[s, m], s raw columns [m].

    `outside` has the good values beyond their declared range, bool[m], of the signals with any.
    """

    values: Floats
    quality: Bytes
    raw: tuple[RawColumn, ...]
    outside: Mapping[str, Bools]


class FrameLayout:
    """Decodes the wanted signals of frames that are laid out alike. Keeps nothing between calls."""

    def __init__(self, message: MessagePlan, wanted: Collection[str]) -> None:
        self.message = message
        self.signals = tuple(signal for signal in message.signals if signal.name in wanted)
        self._fields = {signal.name: Field.of(signal) for signal in message.signals}
        self._limits = {signal.name: _declared_limits(signal) for signal in self.signals}

    def decode(self, frames: Frames, corrupt: Bools | None) -> DecodedSignals:
        """The signals of the frames. Values in frames of `corrupt` bool[m] are marked CORRUPT."""
        shape = (len(self.signals), len(frames))
        values, quality = np.empty(shape), np.zeros(shape, np.uint8)
        raw = tuple(
            self._decode_signal(signal, frames, corrupt, values[row], quality[row])
            for row, signal in enumerate(self.signals)
        )
        outside = {
            signal.name: beyond
            for signal, column, state in zip(self.signals, raw, quality, strict=True)
            if (beyond := self._beyond_range(signal, column, state)) is not None
        }
        return DecodedSignals(values, quality, raw, outside)

    def counter(self, frames: Frames) -> tuple[Raw, Bools | None]:
        """Raw counters uint64[m], and the frames that hold one, or None if all do."""
        name = self.message.protection.counter
        assert name is not None
        return self._take_bits(name, frames), self._frames_holding(name, frames)

    def checksum_wrong(self, frames: Frames) -> Bools:
        """The frames, bool[m], whose checksum does not fit their bytes. All must be whole frames."""
        protection = self.message.protection
        assert protection.checksum is not None
        at = self._fields[protection.checksum].first_byte
        others = [frames.rows.byte(k) for k in range(self.message.size) if k != at]
        expected = checksum(protection.algorithm, others, len(frames), protection.data_id)
        return np.not_equal(expected, frames.rows.byte(at))

    def _decode_signal(
        self,
        signal: SignalPlan,
        frames: Frames,
        corrupt: Bools | None,
        value: Floats,
        quality: Bytes,
    ) -> RawColumn:
        """Fill one row of values and one of quality; the raw column."""
        bits = self._take_bits(signal.name, frames)
        raw = _as_number(signal, bits)
        _scale_into(signal, raw, value)
        _mark_codes(signal, bits, quality)
        if corrupt is not None:
            quality[corrupt] = Quality.CORRUPT
        if (there := self._frames_with(signal, frames)) is not None:
            quality[~there] = Quality.MISSING
            raw = np.where(there, raw, raw.dtype.type(0))
        if quality.any():
            value[quality != Quality.GOOD] = np.nan
        return raw

    def _beyond_range(self, signal: SignalPlan, raw: RawColumn, quality: Bytes) -> Bools | None:
        """The good values beyond the declared range, or None if there are none."""
        limits = self._limits[signal.name]
        if limits is None or (raw.min() >= limits[0] and raw.max() <= limits[1]):
            return None
        beyond = ((raw < limits[0]) | (raw > limits[1])) & (quality == Quality.GOOD)
        return beyond if beyond.any() else None

    def _frames_with(self, signal: SignalPlan, frames: Frames) -> Bools | None:
        """The frames that carry the signal, or None if all do."""
        held = self._frames_holding(signal.name, frames)
        asked = present(
            signal,
            self.message,
            lambda name: self._take_bits(name, frames),
            lambda name: self._frames_holding(name, frames),
        )
        if held is None or asked is None:
            return asked if held is None else held
        return held & asked

    def _frames_holding(self, name: str, frames: Frames) -> Bools | None:
        """The frames that are long enough for the signal, or None if all are.

        Bits beyond the end of the message as defined are in no frame, however long it is.
        """
        end = self._fields[name].end_byte
        if end > self.message.size:
            return np.zeros(len(frames), np.bool_)
        return frames.holding(end)

    def _take_bits(self, name: str, frames: Frames) -> Raw:
        """The signal's bits, uint64[m]; zeros where no row is long enough."""
        field = self._fields[name]
        if field.end_byte > frames.rows.width:
            return np.zeros(len(frames), np.uint64)
        return frames.rows.take(field)


def _declared_limits(signal: SignalPlan) -> tuple[int, int] | None:
    """Raw limits of the declared range of an integer signal, or None if it excludes nothing."""
    if signal.is_float or raw_limits(signal) == natural_limits(signal):
        return None
    return raw_limits(signal)


def _as_number(signal: SignalPlan, bits: Raw) -> RawColumn:
    """The bits as numbers: uint64[m] unsigned, int64[m] two's complement, float64[m] IEEE 754."""
    if signal.is_float and signal.length == 32:
        with np.errstate(invalid="ignore"):  # signalling NaN
            return bits.astype(np.uint32).view(np.float32).astype(np.float64)
    if signal.is_float:
        return bits.view(np.float64)
    if signal.signed:
        sign = np.uint64(1 << (signal.length - 1))
        return ((bits ^ sign) - sign).view(np.int64)
    return bits


def _scale_into(signal: SignalPlan, raw: RawColumn, out: Floats) -> None:
    """Put raw * scale + offset into `out`, in this order, so that other readers of DBC files agree."""
    np.copyto(out, raw)
    if signal.scale != 1.0 or signal.offset != 0.0:
        with np.errstate(over="ignore", invalid="ignore"):  # floats as sent may be anything
            out *= signal.scale
            out += signal.offset


def _mark_codes(signal: SignalPlan, bits: Raw, quality: Bytes) -> None:
    """Mark "not available" and "error" codes. Columns that never reach the lowest code are left at once."""
    codes = signal.not_available + signal.error
    if not codes or not (bits >= np.uint64(min(low for low, _ in codes))).any():
        return
    quality[in_ranges(bits, signal.error)] = Quality.ERROR
    quality[in_ranges(bits, signal.not_available)] = Quality.NOT_AVAILABLE


# --- Which frames of a multiplexed message carry which signals. ---
#
# A signal with selectors is present where any of them holds: the parent's raw value, as sent and unsigned,
# lies in one of the ranges, and the parent itself is present. Raw values decide because message definitions
# state them; scaling or naming a selector changes nothing.


def nothing_cut(_name: str) -> Bools | None:
    """The `held` of frames that are as long as their definition."""
    return None


def present(
    signal: SignalPlan, message: MessagePlan, raw_of: RawOf, held: HeldBy = nothing_cut
) -> Bools | None:
    """The frames whose selectors ask for the signal, bool[n], or None if all do.

    `raw_of` gives the raw values uint64[n] of a signal of the message by name, `held` the frames
    that are long enough to hold it, or None if all are. Selectors must not form a circle
    (`messages.database` sees to that).
    """
    if not signal.selectors:
        return None
    asked, *others = (_is_selected(selector, message, raw_of, held) for selector in signal.selectors)
    for other in others:
        asked |= other
    return asked


def _is_selected(selector: Selector, message: MessagePlan, raw_of: RawOf, held: HeldBy) -> Bools:
    chosen = in_ranges(raw_of(selector.parent), selector.ranges)
    parent = message.signal(selector.parent)
    for condition in (held(selector.parent), present(parent, message, raw_of, held)):
        if condition is not None:
            chosen &= condition
    return chosen


def in_ranges(raw: NDArray[np.uint64], ranges: tuple[tuple[int, int], ...]) -> Bools:
    """Where the raw values lie in one of the inclusive ranges, bool[n].

    >>> in_ranges(np.array([1, 5, 9], np.uint64), ((0, 1), (8, 9))).tolist()
    [True, False, True]
    """
    inside = np.zeros(raw.shape, np.bool_)
    for low, high in ranges:
        inside |= (raw >= np.uint64(low)) & (raw <= np.uint64(high))
    return inside
