"""The bytes of a log, unpacked if they are packed: gzip, bzip2, xz, zstd, zip.

What packs a log is seen by its first bytes. Everything is unpacked piece by piece, so that memory does not
grow with what a small file unpacks to; data that break off give all that comes before the break.
"""

from __future__ import annotations

import bz2
import io
import lzma
import struct
import zipfile
import zlib
from collections.abc import Callable, Iterator
from contextlib import suppress
from typing import IO, Any, Protocol, cast

from mixmon.errors import reason_of

PIECE_BYTES = 1 << 20
"""Bytes asked for, and the most that unpacking gives, at a time; our choice: one text of CandumpReader."""

PACKED_SUFFIXES = frozenset({".gz", ".bz2", ".xz", ".zst", ".zip"})
"""Suffixes that say how a log is packed, and nothing of what it holds."""

GZIP_MAGIC = b"\x1f\x8b"  # RFC 1952, section 2.3.1
BZIP2_MAGIC = b"BZh"  # bzip2's manual, section 1
XZ_MAGIC = b"\xfd7zXZ\x00"  # the .xz file format, section 2.1.1.1
ZSTD_MAGIC = b"\x28\xb5\x2f\xfd"  # RFC 8878, section 3.1.1
ZIP_MAGIC = b"PK\x03\x04"  # ISO/IEC 21320-1 and its source, section 4.3.7
LZMA_PROPERTIES = b"\x5d"  # lzma-file-format.txt of XZ Utils, section 1.1.1: the usual properties
_LZMA_HEAD = struct.Struct("<xIQ")  # the same, sections 1.1.2 and 1.1.3: size of the dictionary, of the data
_LZMA_UNKNOWN = (1 << 64) - 1  # size of data that end with a marker
_LZMA_LARGEST = 1 << 38  # XZ Utils takes nothing larger for a .lzma file
_ENCRYPTED = 1  # bit of a member's flags (source of ISO/IEC 21320-1, section 4.4.4)
_SHOWN_MEMBERS = 4  # our choice: names in an error message

_TAR_AT, TAR_MAGIC = 257, b"ustar"  # POSIX.1-1988, header block of ustar
_MAGIC_BYTES = _TAR_AT + len(TAR_MAGIC)
"""By so many bytes at the start it is known what a log is."""

_GZIP_WINDOW = 16 + zlib.MAX_WBITS  # zlib's manual, inflateInit2: gzip data, largest window
_XZ_BYTES = 200 << 20  # our choice: the largest preset of xz needs 65 MiB; more is refused
_ZSTD_WINDOW = 1 << 27  # zstd's manual: the largest window that is read without being asked for
_ZSTD_STEP = 256  # our choice: a block of 4 bytes can hold 128 KiB (RFC 8878, section 3.1.1.2), these 8 MiB


class ByteSource(Protocol):
    """What can be read piece by piece."""

    def read(self, size: int, /) -> bytes | None:
        """At most `size` bytes; none at the end."""


class Decompressor(Protocol):
    """One member of packed data: `bz2.BZ2Decompressor`, `lzma.LZMADecompressor`."""

    @property
    def eof(self) -> bool:
        """The end of the member has come."""

    @property
    def needs_input(self) -> bool:
        """Nothing is left to be given without more packed data."""

    @property
    def unused_data(self) -> bytes:
        """What stands behind its end."""

    def decompress(self, data: bytes, max_length: int = -1) -> bytes:
        """At most so many bytes; raises OSError, EOFError or LZMAError where the data break."""


class BrokenError(Exception):
    """Packed data that break off; why."""


class UnpackError(Exception):
    """Packed data that cannot be unpacked at all; what was found, what was expected, what to do."""


class LogBytes:
    """One pass over a stream: pieces of unpacked bytes.

    position  bytes of the stream of which the contents have been given; packed ones that wait do not count
    fault     None, or where and why the stream broke off; it is read up to there
    packed    whether it is packed, once the first piece has been given
    member    name of the file within a zip; empty for any other stream

    Iterating raises:
        UnpackError: it is packed in a way that cannot be unpacked here.
    """

    def __init__(self, stream: ByteSource) -> None:
        self._stream = stream
        self._taken = 0
        self.position = 0
        self.fault: str | None = None
        self.member = ""
        self.packed = False

    def __iter__(self) -> Iterator[bytes]:
        contents = self._unpack()
        if head := _take_head(contents):
            if head[_TAR_AT:].startswith(TAR_MAGIC):
                kind = "packed tar" if self.packed else "tar"
                raise UnpackError(f"a {kind} archive; expected one log; unpack it with {self._tar_command()}")
            yield head
        yield from contents

    def _tar_command(self) -> str:
        if self.member:
            return f"unzip, and {self.member} with tar -xf"
        return self._command("tar -xf") if isinstance(self._name, str) else "tar -x"

    @property
    def _name(self) -> object:
        """Name of the file that is read; something else, or None, where it has none."""
        return getattr(self._stream, "name", None)

    def _command(self, words: str) -> str:
        """The command, with the name of the file where it has one."""
        return f"{words} {self._name}" if isinstance(self._name, str) else words

    def _unpack(self) -> Iterator[bytes]:
        """The bytes of the stream, unpacked if they are packed."""
        pieces = self._read_pieces()
        head = _take_head(pieces)
        packed = next((one for one in self._PACKINGS if head.startswith(one[0])), None)
        if packed is None:
            if _is_old_lzma(head):
                raise UnpackError(
                    "old .lzma data; expected another way of packing (gzip, bzip2, xz, zstd, zip), or none; "
                    f"unpack it with {self._command('xz --format=lzma -dc')}"
                )
            if head:
                yield head
            yield from pieces
            return
        self.packed = True
        _, kind, unpack = packed
        try:
            yield from unpack(self, head, pieces)
        except BrokenError as error:
            self.fault = f"{kind} data broken within the first {self._taken} bytes ({error})"
        except EOFError:
            if self.fault is None:
                self.fault = f"{kind} data end too early, after {self._taken} bytes"

    def _read_pieces(self) -> Iterator[bytes]:
        """The bytes as they stand in the stream."""
        try:
            while piece := self._stream.read(PIECE_BYTES):
                self._taken += len(piece)
                self.position = self._taken
                yield piece
        except OSError as error:
            self.fault = f"reading failed after {self._taken} bytes: {reason_of(error)}"

    # Each of these raises BrokenError where the data break, and EOFError where they end too early.

    def _unpack_gzip(self, head: bytes, pieces: Iterator[bytes]) -> Iterator[bytes]:
        """The contents of one gzip member after another (RFC 1952, section 2.2)."""
        member = zlib.decompressobj(_GZIP_WINDOW)
        packed = head
        try:
            while packed or (packed := next(pieces, b"")):
                if member.eof:
                    packed = packed.lstrip(b"\0")  # padding of tapes and blocks
                    if not packed:
                        continue
                    member = zlib.decompressobj(_GZIP_WINDOW)
                for data in _inflate_all(member, packed):
                    self.position = self._taken - len(member.unconsumed_tail) - len(member.unused_data)
                    yield data
                packed = member.unused_data
        except zlib.error as error:
            raise BrokenError(error) from error
        if not member.eof:
            raise EOFError

    def _unpack_bzip2(self, head: bytes, pieces: Iterator[bytes]) -> Iterator[bytes]:
        """The contents of one bzip2 stream after another."""
        return self._unpack_streams(bz2.BZ2Decompressor, head, pieces)

    def _unpack_xz(self, head: bytes, pieces: Iterator[bytes]) -> Iterator[bytes]:
        """The contents of one xz stream after another, with padding between them."""
        return self._unpack_streams(lambda: lzma.LZMADecompressor(lzma.FORMAT_XZ, _XZ_BYTES), head, pieces)

    def _unpack_streams(
        self, begin: Callable[[], Decompressor], head: bytes, pieces: Iterator[bytes]
    ) -> Iterator[bytes]:
        stream = begin()
        packed = head
        try:
            while packed or (packed := next(pieces, b"")):
                if stream.eof:
                    packed = packed.lstrip(b"\0")
                    if not packed:
                        continue
                    stream = begin()
                while True:
                    if data := stream.decompress(packed, PIECE_BYTES):
                        yield data
                    packed = b""
                    if stream.eof or stream.needs_input:
                        break
                packed = stream.unused_data
        except (OSError, lzma.LZMAError) as error:
            raise BrokenError(error) from error
        if not stream.eof:
            raise EOFError

    def _unpack_zstd(self, head: bytes, pieces: Iterator[bytes]) -> Iterator[bytes]:
        """The contents of one zstd frame after another.

        Raises:
            UnpackError: the package zstandard is not installed.
        """
        try:
            import zstandard
        except ImportError as error:
            raise UnpackError(
                "zstd data, and the package zstandard is missing; expected one of them otherwise; "
                "pip install 'mixmon[zstd]', or unpack it with zstd -d"
            ) from error
        unpacker = zstandard.ZstdDecompressor(max_window_size=_ZSTD_WINDOW)
        return self._unpack_streams(lambda: _ZstdFrame(unpacker.decompressobj()), head, pieces)

    def _unpack_zip(self, _head: bytes, _pieces: Iterator[bytes]) -> Iterator[bytes]:
        """The contents of the only file in a zip, whose list of files stands at its end.

        Raises:
            UnpackError: it holds several files, or none, is encrypted or cut off, or cannot be wound back.
        """
        stream = self._stream
        if not (isinstance(stream, io.IOBase) and stream.seekable()):
            raise UnpackError("a zip that can be read once only; expected a file; unpack it with unzip -p")
        try:
            with _open_zip(stream) as packed:
                member = _only_member(packed)
                self.member = member.filename
                with packed.open(member) as contents:
                    while data := contents.read(PIECE_BYTES):
                        self.position = self._taken = stream.tell()
                        yield data
        except (zipfile.BadZipFile, zlib.error, lzma.LZMAError, OSError, ValueError, RuntimeError) as error:
            raise BrokenError(error) from error

    _PACKINGS = (
        (GZIP_MAGIC, "gzip", _unpack_gzip),
        (BZIP2_MAGIC, "bzip2", _unpack_bzip2),
        (XZ_MAGIC, "xz", _unpack_xz),
        (ZSTD_MAGIC, "zstd", _unpack_zstd),
        (ZIP_MAGIC, "zip", _unpack_zip),
    )
    """How each kind of packed data begins, its name, and what unpacks it."""


def _take_head(pieces: Iterator[bytes]) -> bytes:
    """The first pieces, joined, by which it is known what a log is."""
    head = b""
    for piece in pieces:
        head += piece
        if len(head) >= _MAGIC_BYTES:
            break
    return head


def _is_old_lzma(head: bytes) -> bool:
    """Whether it begins as an old .lzma file does. That has no magic number: what it says must make sense."""
    if not head.startswith(LZMA_PROPERTIES) or len(head) < _LZMA_HEAD.size:
        return False
    dictionary, size = _LZMA_HEAD.unpack_from(head)
    whole = dictionary & (dictionary - 1) == 0 or ((dictionary // 3).bit_count() == 1 and dictionary % 3 == 0)
    return bool(dictionary and whole) and (size == _LZMA_UNKNOWN or size < _LZMA_LARGEST)


def _open_zip(stream: io.IOBase) -> zipfile.ZipFile:
    """The zip by the list of files at its end.

    Raises:
        UnpackError: it has none.
    """
    try:
        return zipfile.ZipFile(cast("IO[bytes]", stream))
    except zipfile.BadZipFile as error:
        raise UnpackError(
            "a zip without its list of files, which stands at its end: it was cut off or damaged; "
            "expected a whole one; copy it again"
        ) from error


def _only_member(packed: zipfile.ZipFile) -> zipfile.ZipInfo:
    """The file in a zip.

    Raises:
        UnpackError: there are several, or none, or it is encrypted.
    """
    files = [
        one for one in packed.infolist() if not one.is_dir() and not one.filename.startswith("__MACOSX/")
    ]
    if len(files) != 1:
        names = ", ".join(one.filename for one in files[:_SHOWN_MEMBERS])
        raise UnpackError(
            f"a zip of {len(files)} files ({names}); expected one log in it; unpack it with unzip"
        )
    if files[0].flag_bits & _ENCRYPTED:
        raise UnpackError("an encrypted zip; expected one without a password; unpack it with its password")
    return files[0]


class _ZstdFrame:
    """A `Decompressor` of one zstd frame.

    zstandard's own gives all that it is given at once, and a few bytes can stand for a whole block: so it
    is given few.
    """

    def __init__(self, frame: Any) -> None:
        self._frame = frame
        self._packed, self._at = b"", 0
        self._failure: OSError | None = None

    @property
    def eof(self) -> bool:
        return bool(self._frame.eof)

    @property
    def needs_input(self) -> bool:
        return self._at >= len(self._packed)

    @property
    def unused_data(self) -> bytes:
        return bytes(self._frame.unused_data) + self._packed[self._at :]

    def decompress(self, data: bytes, max_length: int = -1) -> bytes:
        import zstandard

        if data:
            self._packed, self._at = self._packed[self._at :] + data, 0
        if self._failure is not None:
            raise self._failure
        given = bytearray()
        while not (self.eof or self.needs_input or 0 <= max_length <= len(given)):
            some = self._packed[self._at : self._at + _ZSTD_STEP]
            self._at += len(some)
            try:
                given += self._frame.decompress(some)
            except zstandard.ZstdError as error:
                self._failure = OSError(str(error))
                if not given:
                    raise self._failure from error
                self._packed, self._at = b"\0", 0  # something that needs no input: it is asked again
                break
        return bytes(given)


def _inflate_all(member: zlib._Decompress, packed: bytes) -> Iterator[bytes]:
    """What `packed` holds, all of it, also when it breaks somewhere.

    Raises:
        zlib.error: it breaks; what comes before that was given.
    """
    while True:
        before = member.copy()
        try:
            data = member.decompress(packed, PIECE_BYTES)
        except zlib.error:
            yield _inflate_bytewise(before, packed)
            raise
        if not data:
            return
        yield data
        packed = member.unconsumed_tail


def _inflate_bytewise(member: zlib._Decompress, packed: bytes) -> bytes:
    """What a byte at a time gives, where a call for all of them gives nothing but its failure."""
    data = bytearray()
    with suppress(zlib.error):
        for at in range(len(packed)):
            data += member.decompress(packed[at : at + 1])
    return bytes(data)


class UnpackedFile(io.RawIOBase):
    """The unpacked bytes of a log as a file that can be read once, from its start to its end."""

    def __init__(self, contents: LogBytes) -> None:
        self._pieces = iter(contents)
        self._rest = b""

    def readable(self) -> bool:
        """True."""
        return True

    def readinto(self, buffer: Any) -> int:
        """Fills the buffer as far as the next piece goes."""
        if not self._rest:
            self._rest = next(self._pieces, b"")
        count = min(len(buffer), len(self._rest))
        buffer[:count], self._rest = self._rest[:count], self._rest[count:]
        return count
