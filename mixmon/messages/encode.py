"""Columns of values to FrameBlock, for the simulator: the inverse of `messages.decode`.

Values become raw bits (`to_raw`), raw bits are written into the rows of a frame, then the rolling counter
and the checksum are filled in. The encoder of a message keeps nothing but the next counter.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from mixmon.arrays import Bytes, Floats, Ints
from mixmon.frames.block import CLASSIC_WIDTH, FD_WIDTH, FrameBlock, FrameFlag
from mixmon.frames.candump_line import FD_SIZES
from mixmon.messages.integrity import checksum, counter_modulus
from mixmon.messages.layout import present
from mixmon.messages.plan import Field, MessagePlan, Raw, SignalPlan, put, raw_limits


class Encoder:
    """Frames of one message. Holds the rolling counter, which goes on from call to call.

    Values are rounded to the nearest raw value and held within the declared range; NaN becomes
    "not available" where the signal has such a code, else raw 0. Multiplexed signals are
    written only into frames whose selector asks for them.
    """

    def __init__(self, plan: MessagePlan, counter: int = 0) -> None:
        """`counter` is the raw counter of the first frame."""
        self.plan = plan
        self._next = counter
        self._fields = {signal.name: Field.of(signal) for signal in plan.signals}

    def encode(
        self,
        t: Ints,
        columns: Mapping[str, NDArray[Any]],
        bus: int,
        channels: tuple[str, ...],
        raw: Mapping[str, NDArray[Any]] | None = None,
    ) -> FrameBlock:
        """The n frames sent at `t` int64[n] ns on `channels[bus]`.

        `columns` holds physical values (floats or integers, [n]) by signal name; `raw` holds raw
        integers that are sent as they are, without rounding or limits, and wins. Signals in
        neither have their start value, else say "not available". Counter and checksum are
        filled in unless `raw` has them.

        Raises:
            KeyError: a column belongs to no signal.

        >>> from mixmon.messages.chain import node_messages
        >>> encoder = Encoder(node_messages(1)[0])
        >>> block = encoder.encode(np.array([0]), {"Lambda": np.array([0.9])}, 0, ("can0",))
        >>> block.data[0, :6].tobytes().hex()
        'ffff60090fa4'
        """
        given = raw or {}
        raws = self._raw_columns(len(t), columns, given)
        size = _frame_size(self.plan.size)
        data = np.zeros((len(t), CLASSIC_WIDTH if size <= CLASSIC_WIDTH else FD_WIDTH), np.uint8)
        for signal in self.plan.signals:
            self._write_signal(data, signal, raws)
        name = self.plan.protection.checksum
        if name is not None and name not in given:
            self._write_checksum(data, name)
        return _frame_block(self.plan.can_id, t, data, size=size, bus=bus, channels=channels)

    def _raw_columns(
        self, n: int, columns: Mapping[str, NDArray[Any]], given: Mapping[str, NDArray[Any]]
    ) -> dict[str, Raw]:
        for name in (*columns, *given):
            self.plan.signal(name)
        raws = {
            s.name: to_raw(s, columns[s.name]) if s.name in columns else _start_value(s, n)
            for s in self.plan.signals
        }
        if (counter := self.plan.protection.counter) is not None:
            modulus = counter_modulus(self.plan.signal(counter))
            raws[counter] = ((self._next + np.arange(n)) % modulus).astype(np.uint64)
            self._next = (self._next + n) % modulus
        raws.update({name: np.asarray(column).astype(np.uint64) for name, column in given.items()})
        return raws

    def _write_signal(self, data: Bytes, signal: SignalPlan, raws: Mapping[str, Raw]) -> None:
        rows = present(signal, self.plan, raws.__getitem__)
        raw, field = raws[signal.name], self._fields[signal.name]
        if rows is None:
            put(data, field, raw)
        else:
            put(data, field, raw[rows], np.flatnonzero(rows))

    def _write_checksum(self, data: Bytes, name: str) -> None:
        protection, field = self.plan.protection, self._fields[name]
        others = [data[:, k] for k in range(self.plan.size) if k != field.first_byte]
        check = checksum(protection.algorithm, others, len(data), protection.data_id)
        data[:, field.first_byte] = check


def to_raw(signal: SignalPlan, values: NDArray[Any]) -> Raw:
    """The raw bits uint64[n] that stand for physical values [n], rounded and limited.

    >>> speed = SignalPlan("Speed", 0, 8, False, scale=0.5, minimum=0, maximum=100)
    >>> to_raw(speed, np.array([1.26, -3.0, 400.0, np.nan])).tolist()
    [3, 0, 200, 0]
    """
    if signal.scale == 0.0:
        return np.zeros(len(values), np.uint64)
    if signal.is_float:
        return _float_bits(signal, (np.asarray(values, np.float64) - signal.offset) / signal.scale)
    low, high = raw_limits(signal)
    whole = np.issubdtype(np.asarray(values).dtype, np.integer)
    if whole and signal.scale == 1.0 and signal.offset == 0.0:
        return _clip_integers(np.asarray(values), low, high)
    steps = np.rint((np.asarray(values, np.float64) - signal.offset) / signal.scale)
    unknown = np.isnan(steps)
    raw = _round_to_limits(np.where(unknown, 0.0, steps), low, high)
    raw[unknown] = signal.not_available[-1][1] if signal.not_available else 0
    return raw


def _clip_integers(values: NDArray[Any], low: int, high: int) -> Raw:
    if low < 0:
        return np.clip(values.astype(np.int64), low, high).view(np.uint64)
    positive = values if values.dtype == np.uint64 else np.maximum(values, 0)
    return np.clip(positive.astype(np.uint64), np.uint64(low), np.uint64(high))


def _round_to_limits(steps: Floats, low: int, high: int) -> Raw:
    """Float steps as integers between the limits; limits that float64 cannot hold are kept exact."""
    above, below = steps >= high, steps <= low
    inner = np.where(above | below, 0.0, steps)
    raw = inner.astype(np.int64).view(np.uint64) if low < 0 else inner.astype(np.uint64)
    raw[above] = np.uint64(high)
    raw[below] = np.uint64(low & 0xFFFF_FFFF_FFFF_FFFF)
    return raw


def _start_value(signal: SignalPlan, n: int) -> Raw:
    """Raw bits uint64[n] of a signal that no column is given for: its start value, else "not available"."""
    if signal.initial is None:
        return to_raw(signal, np.full(n, np.nan))
    if signal.is_float:
        return _float_bits(signal, np.full(n, signal.initial, np.float64))
    return np.full(n, int(signal.initial) & 0xFFFF_FFFF_FFFF_FFFF, np.uint64)


def _float_bits(signal: SignalPlan, steps: Floats) -> Raw:
    if signal.length == 32:
        with np.errstate(over="ignore"):  # beyond float32 is infinite
            return steps.astype(np.float32).view(np.uint32).astype(np.uint64)
    return steps.view(np.uint64)


def _frame_size(size: int) -> int:
    """The least data size of a frame that carries `size` bytes: CAN FD has only some sizes above eight."""
    return next(s for s in FD_SIZES if s >= size)


def _frame_block(
    can_id: int,
    t: Ints,
    data: Bytes,
    *,
    size: int,
    bus: int,
    channels: tuple[str, ...],
) -> FrameBlock:
    n = len(t)
    fd = size > CLASSIC_WIDTH
    return FrameBlock(
        t=np.asarray(t, np.int64),
        can_id=np.full(n, can_id, np.uint32),
        bus=np.full(n, bus, np.uint8),
        size=np.full(n, size, np.uint8),
        dlc=np.full(n, FD_SIZES.index(size), np.uint8),
        flags=np.full(n, FrameFlag.FD if fd else 0, np.uint8),
        data=data,
        channels=channels,
    )
