"""Bytes of streams that come in odd pieces, or break off."""

import errno
import gzip
import random

import pytest

from mixmon.frames.log_bytes import PIECE_BYTES, LogBytes


class Stream:
    """Gives these pieces one by one; then ends, or fails."""

    def __init__(self, pieces: list[bytes], failure: OSError | None = None) -> None:
        self._pieces = list(pieces)
        self._failure = failure

    def read(self, size: int) -> bytes:
        if self._pieces:
            assert len(self._pieces[0]) <= size
            return self._pieces.pop(0)
        if self._failure:
            raise self._failure
        return b""


TEXT = b"(1.0) can0 123#11\n" * 2000


@pytest.mark.parametrize(
    "data", [TEXT, gzip.compress(TEXT), b"", b"\x1f"], ids=["plain", "packed", "empty", "one byte"]
)
def test_single_bytes_are_the_same_stream(data: bytes) -> None:
    whole, single = (
        LogBytes(Stream([data] if data else [])),
        LogBytes(Stream([data[i : i + 1] for i in range(len(data))])),
    )
    assert b"".join(whole) == b"".join(single) == (TEXT if len(data) > 1 else data)
    assert whole.position == single.position == len(data)
    assert (whole.fault, single.fault) == (None, None)


def test_packed_bytes_that_wait_do_not_count() -> None:
    """A megabyte of packed data holds many pieces: how far it has been read follows what was given."""
    unlike = random.Random(1).randbytes(300_000).hex().encode() * 8  # packs alike all along: two to one
    packed = gzip.compress(unlike, 1)
    stream, given = (
        LogBytes(Stream([packed[i : i + PIECE_BYTES] for i in range(0, len(packed), PIECE_BYTES)])),
        0,
    )
    for piece in stream:
        given += len(piece)
        assert stream.position / len(packed) == pytest.approx(given / len(unlike), abs=0.02)
    assert given == len(unlike) > 4 * PIECE_BYTES


@pytest.mark.parametrize("packed", [False, True], ids=["plain", "packed"])
def test_a_stream_that_fails_gives_what_came_before(packed: bool) -> None:
    start = gzip.compress(TEXT)[:100] if packed else TEXT[:100]
    stream = LogBytes(Stream([start], OSError(errno.EIO, "Input/output error")))
    data = b"".join(stream)
    assert data
    assert TEXT.startswith(data)
    assert stream.fault == "reading failed after 100 bytes: Input/output error"


def test_rubbish_behind_packed_data_is_a_fault() -> None:
    stream = LogBytes(Stream([gzip.compress(TEXT) + b"rubbish"]))
    assert b"".join(stream) == TEXT
    assert stream.fault is not None
    assert stream.fault.startswith("gzip data broken")


def test_data_broken_in_the_middle_are_given_up_to_there() -> None:
    packed = bytearray(gzip.compress(bytes(range(256)) * 2 + TEXT, compresslevel=0))
    packed[-5] ^= 0xFF  # the length at the end (RFC 1952, section 2.3.1)
    stream = LogBytes(Stream([bytes(packed)]))
    assert b"".join(stream) == bytes(range(256)) * 2 + TEXT
    assert stream.fault is not None
