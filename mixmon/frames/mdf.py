"""Frames of an MDF 4 file (ASAM MDF, bus logging) -> FrameBlocks, as columns by asammdf.

Bus logging keeps frames in channel groups, by kind and often by bus, each in order of time; here they are
merged.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import closing
from functools import partial
from pathlib import Path
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray

from mixmon.arrays import Bytes, Ints
from mixmon.errors import SourceError
from mixmon.frames.account import ReadReport
from mixmon.frames.block import FrameBlock, FrameFlag, Interfaces, concat
from mixmon.frames.candump_line import LAST_EXTENDED, LAST_STAMP
from mixmon.frames.columns import IMPOSSIBLE, UNNAMED, Unchecked, check, in_ns

_FRAME_CHANNELS = {
    "CAN_DataFrame": FrameFlag(0),
    "CAN_RemoteFrame": FrameFlag.REMOTE,
    "CAN_ErrorFrame": FrameFlag.ERROR,
}
"""Channels that hold whole frames, and what frames they hold (ASAM MDF, bus logging)."""

_BUS_EVENT = 1 << 1  # flag of a channel group (ASAM MDF 4.1, cg_flags)
_LEAST = np.iinfo(np.int64).min
_RECORDS = 16_384  # our choice: records that are read at a time from each group


def mdf_blocks(path: str, report: ReadReport) -> Iterator[FrameBlock]:
    """Blocks of the frames of an MDF 4 file.

    Raises:
        SourceError: asammdf is not installed.
        Exception: what asammdf raises where the file is none.
    """
    try:
        from asammdf import MDF
    except ImportError as error:
        raise SourceError(
            f"{path}: MDF 4, and the package asammdf is missing; expected that for this format; "
            "pip install 'mixmon[mdf]'"
        ) from error

    interfaces = Interfaces()
    with closing(cast("Any", MDF(Path(path)))) as mdf:
        groups = [
            _FrameGroup(mdf, index, kind).blocks(interfaces, report)
            for index, group in enumerate(mdf.groups)
            for kind in _FRAME_CHANNELS
            if group.channel_group.flags & _BUS_EVENT and kind in {channel.name for channel in group.channels}
        ]
        yield from merge_by_time(groups)


def merge_by_time(sources: Sequence[Iterator[FrameBlock]]) -> Iterator[FrameBlock]:
    """The frames of all sources in one order of time, each of which gives its own in that order.

    The order within a source is never touched: a frame stamped before its predecessor goes right behind it.
    """
    left = list(sources)
    held = [FrameBlock.empty() for _ in left]
    newest = [_LEAST] * len(left)
    while True:
        for i in range(len(left) - 1, -1, -1):
            while not len(held[i]) and (block := next(left[i], None)) is not None:
                held[i] = block
            if not len(held[i]):
                del left[i], held[i], newest[i]
        if not left:
            return
        keys = [np.maximum.accumulate(np.maximum(b.t, n)) for b, n in zip(held, newest, strict=True)]
        through = min(int(key[-1]) for key in keys)
        counts = [int(np.searchsorted(key, through, side="right")) for key in keys]
        order = np.argsort(np.concatenate([k[:n] for k, n in zip(keys, counts, strict=True)]), kind="stable")
        yield concat([b.take(slice(0, n)) for b, n in zip(held, counts, strict=True)]).take(order)
        held = [b.take(slice(n, None)) for b, n in zip(held, counts, strict=True)]
        newest = [max(old, through) if n else old for old, n in zip(newest, counts, strict=True)]


class _FrameGroup:
    """The frames of one channel group."""

    def __init__(self, mdf: Any, index: int, kind: str) -> None:
        self._mdf, self._index, self._kind = mdf, index, kind
        self._channels = {channel.name for channel in mdf.groups[index].channels}
        self._start = round(mdf.header.start_time.timestamp() * 1e6) * 1000

    def blocks(self, interfaces: Interfaces, report: ReadReport) -> Iterator[FrameBlock]:
        """The frames, some thousand at a time; those that cannot have been on a bus are counted."""
        total = int(self._mdf.groups[self._index].channel_group.cycles_nr)
        for offset in range(0, total, _RECORDS):
            yield check(self._unchecked(offset, min(_RECORDS, total - offset)), interfaces, report)

    def _unchecked(self, offset: int, count: int) -> Unchecked:
        """So many records from one on."""
        field = partial(self._field, offset=offset, count=count)
        size = field("DataLength").astype(np.int64)
        data = field("DataBytes")
        if data.ndim == 2:
            size = np.minimum(size, data.shape[1])
            data = data[np.arange(data.shape[1]) < size[:, None]].astype(np.uint8)
        else:
            size, data = np.zeros(count, np.int64), np.zeros(0, np.uint8)
        remote = self._kind == "CAN_RemoteFrame"
        buses, name = np.unique(field("BusChannel"), return_inverse=True)
        return Unchecked(
            self._stamps(offset, count),
            field("ID").astype(np.int64) & LAST_EXTENDED,
            field("IDE") != 0,
            self._flags(field),
            field("DLC").astype(np.int64) if remote else size,
            np.zeros(count, np.int64) if remote else size,
            [str(bus) for bus in buses.tolist()] if self._has("BusChannel") else [UNNAMED],
            name,
            data,
        )

    def _stamps(self, offset: int, count: int) -> Ints:
        """Stamps in ns; IMPOSSIBLE where they do not fit. They count from the start that the file names."""
        seconds = self._mdf.get_master(self._index, record_offset=offset, record_count=count)
        since = in_ns(np.abs(seconds))
        if not 0 <= self._start <= LAST_STAMP:
            return np.full(count, IMPOSSIBLE)
        t = np.where(seconds < 0, -since, since) + self._start
        possible = (since != IMPOSSIBLE) & (t >= 0) & (t <= LAST_STAMP)
        return np.where(possible, t, IMPOSSIBLE)

    def _flags(self, field: Callable[[str], NDArray[Any]]) -> Bytes:
        """FrameFlag bits; CAN FD is called extended data length there."""
        sent = field("Dir")
        sent = sent == b"Tx" if sent.dtype.kind == "S" else sent != 0
        flags = np.where(sent, np.uint8(FrameFlag.SENT), np.uint8(FrameFlag.RECEIVED))
        flags |= np.uint8(_FRAME_CHANNELS[self._kind])
        fd = field("EDL") != 0
        flags[fd] |= np.uint8(FrameFlag.FD)
        flags[fd & (field("BRS") != 0)] |= np.uint8(FrameFlag.BIT_RATE_SWITCH)
        flags[fd & (field("ESI") != 0)] |= np.uint8(FrameFlag.ERROR_STATE)
        return flags

    def _has(self, name: str) -> bool:
        return f"{self._kind}.{name}" in self._channels

    def _field(self, name: str, *, offset: int, count: int) -> NDArray[Any]:
        """A part of the frames; zeros where the file does not have it."""
        if not self._has(name):
            return np.zeros(count, np.uint8)
        found = self._mdf.get(
            f"{self._kind}.{name}",
            group=self._index,
            record_offset=offset,
            record_count=count,
            samples_only=True,
            raw=False,
        )
        samples: NDArray[Any] = found[0]
        return samples
