"""The outer shape of a BLF log, read piece by piece, so that no size that a file claims fills the memory.

A BLF file is a header and objects; containers among them hold, packed or not, the objects that python-can
reads. What their sizes claim, and what they unpack to, is bounded here; the messages are python-can's.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterator
from struct import Struct
from typing import Any, cast

from can import BLFReader, Message

from mixmon.frames.log_bytes import PIECE_BYTES

# as python-can's reader takes them
_OBJECT = Struct("<4sHHLL")  # signature, size and version of its header, size, type
_METHOD = Struct("<H6xL4x")  # how a container is packed, and the size that it unpacks to
_CONTAINER, _PLAIN, _DEFLATED = 10, 0, 2

_LARGEST = 8 << 20
"""Bytes of one object. Our choice: writers of BLF close a container at 128 KiB (from memory)."""


class BoundedBlfReader(BLFReader):
    """python-can's reader, with every size bounded."""

    def __iter__(self) -> Iterator[Message]:  # type: ignore[override]
        """The messages.

        Raises:
            ValueError: no object where one should be, or one that is larger than any that means something.
            struct.error, zlib.error: the data break.
        """
        file = cast("Any", self.file)
        while head := file.read(_OBJECT.size):
            signature, _, _, size, kind = _OBJECT.unpack(head)
            if signature != b"LOBJ":
                raise ValueError("no object where one is expected")
            if size < _OBJECT.size or (kind == _CONTAINER and size > _LARGEST):
                raise ValueError(f"an object of {size} bytes")
            if kind == _CONTAINER:
                yield from self._container(file.read(size - _OBJECT.size))
            else:
                _skip(file, size - _OBJECT.size)
            _skip(file, size % 4)  # padding
        self.stop()

    def _container(self, packed: bytes) -> Iterator[Message]:
        method, _ = _METHOD.unpack_from(packed)
        contents = packed[_METHOD.size :]
        if method not in {_PLAIN, _DEFLATED}:
            raise ValueError(f"a container packed by method {method}")
        for data in [contents] if method == _PLAIN else _inflated(contents):
            yield from self._parse_container(data)
            if len(self._tail) > _LARGEST:
                raise ValueError(f"an object of more than {_LARGEST} bytes")


def _inflated(packed: bytes) -> Iterator[bytes]:
    """What a container holds, so much at a time."""
    unpacker = zlib.decompressobj()
    while data := unpacker.decompress(packed, PIECE_BYTES):
        yield data
        packed = unpacker.unconsumed_tail


def _skip(file: Any, size: int) -> None:
    """Reads so many bytes without keeping them."""
    while size > 0 and (data := file.read(min(size, PIECE_BYTES))):
        size -= len(data)
