"""The bytes of a log file or of standard input, unpacked if they are gzip data.

A stream that breaks off is read up to there; `fault` then says where and how.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterator
from contextlib import suppress
from typing import Protocol

PIECE = 1 << 20
"""Bytes asked for, and the most that unpacking gives, at a time."""

GZIP_MAGIC = b"\x1f\x8b"
_GZIP = 16 + zlib.MAX_WBITS


class ByteSource(Protocol):
    """What can be read piece by piece."""

    def read(self, size: int, /) -> bytes | None:
        """At most `size` bytes; none at the end."""


class LogBytes:
    """One pass over a stream: pieces of unpacked bytes.

    position  bytes of the stream that are behind what was given; packed ones that wait do not count
    fault     None, or why the stream ended before its end
    """

    def __init__(self, stream: ByteSource) -> None:
        self._stream = stream
        self._taken = 0
        self.position = 0
        self.fault: str | None = None

    def __iter__(self) -> Iterator[bytes]:
        pieces = self._pieces()
        head = b""
        for piece in pieces:
            head += piece
            if len(head) >= len(GZIP_MAGIC):
                break
        if head.startswith(GZIP_MAGIC):
            yield from self._unpacked(head, pieces)
        elif head:
            yield head
            yield from pieces

    def _pieces(self) -> Iterator[bytes]:
        try:
            while piece := self._stream.read(PIECE):
                self._taken += len(piece)
                self.position = self._taken
                yield piece
        except OSError as error:
            self.fault = f"reading failed after {self._taken} bytes: {error.strerror or error}"

    def _unpacked(self, head: bytes, pieces: Iterator[bytes]) -> Iterator[bytes]:
        """The contents of one gzip member after another (RFC 1952, section 2.2)."""
        member = zlib.decompressobj(_GZIP)
        packed = head
        try:
            while packed or (packed := next(pieces, b"")):
                if member.eof:
                    packed = packed.lstrip(b"\0")  # padding of tapes and blocks
                    if not packed:
                        continue
                    member = zlib.decompressobj(_GZIP)
                for data in _inflated(member, packed):
                    self.position = self._taken - len(member.unconsumed_tail) - len(member.unused_data)
                    yield data
                packed = member.unused_data
        except zlib.error as error:
            self.fault = f"gzip data broken within the first {self._taken} bytes ({error})"
            return
        if not member.eof and self.fault is None:
            self.fault = f"gzip data end too early, after {self._taken} bytes"


def _inflated(member: zlib._Decompress, packed: bytes) -> Iterator[bytes]:
    """What `packed` holds, all of it, also when it breaks somewhere.

    Raises:
        zlib.error: it breaks; what comes before that was given.
    """
    while True:
        before = member.copy()
        try:
            data = member.decompress(packed, PIECE)
        except zlib.error:
            yield _up_to_the_fault(before, packed)
            raise
        if not data:
            return
        yield data
        packed = member.unconsumed_tail


def _up_to_the_fault(member: zlib._Decompress, packed: bytes) -> bytes:
    """What a byte at a time gives, where a call for all of them gives nothing but its failure."""
    data = bytearray()
    with suppress(zlib.error):
        for at in range(len(packed)):
            data += member.decompress(packed[at : at + 1])
    return bytes(data)
