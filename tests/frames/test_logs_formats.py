"""Formats other than candump text: against python-can's own readers and writers, and packed in every way."""

from __future__ import annotations

import bz2
import io
import lzma
import random
import struct
import sys
import tracemalloc
import zipfile
import zlib
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

import can
import numpy as np
import pytest
import zstandard

from mixmon.errors import SourceError
from mixmon.frames.account import ReadReport
from mixmon.frames.block import FrameBlock, FrameFlag, FrameRow, Interfaces, block_of, concat
from mixmon.frames.library import message_blocks, message_row
from mixmon.frames.log_bytes import PIECE_BYTES, LogBytes
from mixmon.frames.logs import LogSource, open_log

EPOCH = 1_700_000_000


def read(path: Path) -> tuple[FrameBlock, LogSource]:
    source = open_log(path)
    return concat(list(source)), source


def messages(count: int, *, fd: bool = False) -> list[can.Message]:
    chance = random.Random(count)
    sizes = (12, 24, 64) if fd else (0, 3, 8)
    return [
        can.Message(
            timestamp=EPOCH + 0.25 * i,
            arbitration_id=chance.randrange(0x800),
            is_extended_id=chance.random() < 0.3,
            channel=chance.randrange(2),
            is_rx=chance.random() < 0.7,
            data=chance.randbytes(chance.choice(sizes)),
            is_fd=fd,
        )
        for i in range(count)
    ]


def written(path: Path, given: list[can.Message]) -> Path:
    with can.Logger(str(path)) as writer:
        for message in given:
            writer(message)
    return path


def one_by_one(given: list[can.Message], *, marks_fd: bool = True) -> tuple[FrameBlock, dict[str, int]]:
    """The same messages, each by itself."""
    interfaces, rows, rejected = Interfaces(), [], {}
    for message in given:
        row = message_row(message, str(message.channel), marks_fd=marks_fd)
        if isinstance(row, FrameRow):
            interfaces.number(row.interface)
            rows.append(row)
        else:
            rejected[row.value] = rejected.get(row.value, 0) + 1
    return block_of(rows, interfaces), rejected


def assert_same(one: FrameBlock, other: FrameBlock) -> None:
    assert one.channels == other.channels
    for name in ("t", "can_id", "bus", "size", "dlc", "flags"):
        np.testing.assert_array_equal(getattr(one, name), getattr(other, name), name)
    width = max(one.width, other.width)
    np.testing.assert_array_equal(one.widened(width).data, other.widened(width).data)


def any_message(chance: random.Random) -> can.Message:
    """A message that may be impossible in every way."""
    size = chance.choice((0, 1, 7, 8, 9, 12, 64, 65))
    return can.Message(
        timestamp=chance.choice((1.5, 1.7e9 + chance.random(), -1.0, float("nan"), 9.3e9)),
        arbitration_id=chance.choice((0, 0x7FF, 0x800, 0x1FFFFFFF, 0x20000000, -1)),
        is_extended_id=chance.random() < 0.5,
        is_remote_frame=chance.random() < 0.2,
        is_error_frame=chance.random() < 0.1,
        is_fd=chance.random() < 0.3,
        is_rx=chance.random() < 0.5,
        bitrate_switch=chance.random() < 0.5,
        channel=chance.randrange(3),
        dlc=chance.choice((size, size, size, 8, 9, 15, 16)),
        data=chance.randbytes(size),
    )


@pytest.mark.parametrize("marks_fd", [True, False])
def test_columns_of_messages_are_what_each_message_is(marks_fd: bool) -> None:
    chance = random.Random(3)
    given = [any_message(chance) for _ in range(3000)]
    report = ReadReport()
    block = concat(list(message_blocks(iter(given), report, marks_fd=marks_fd)))
    expected, rejected = one_by_one(given, marks_fd=marks_fd)
    assert_same(block, expected)
    assert (report.rejected, report.lines, report.frames) == (rejected, 3000, len(expected))


def test_a_message_that_is_not_made_of_numbers_is_refused_alone() -> None:
    given = messages(600)
    given[300].arbitration_id = 1 << 70
    given[400].dlc = None  # type: ignore[assignment]
    given[500].timestamp = "late"  # type: ignore[assignment]
    report = ReadReport()
    block = concat(list(message_blocks(iter(given), report, marks_fd=True)))
    kept = [m for i, m in enumerate(given) if i not in {300, 400, 500}]
    assert_same(block, one_by_one(kept)[0])
    assert [(r.line, r.why) for r in report.first_rejected] == [
        (301, "identifier"),
        (401, "layout"),
        (501, "layout"),
    ]


def test_absolute_times_of_asc_are_those_that_were_written(tmp_path: Path) -> None:
    given = messages(50)
    path = written(tmp_path / "run.asc", given)
    assert_same(read(path)[0], one_by_one(list(can.ASCReader(path, relative_timestamp=False)))[0])
    np.testing.assert_allclose(read(path)[0].t, [m.timestamp * 1e9 for m in given], atol=1e6, rtol=0)


def test_relative_stamps_of_asc_are_summed_over_all_lines(tmp_path: Path) -> None:
    path = written(tmp_path / "run.asc", messages(50))
    absolute = read(path)[0]
    lines, before = [], 0.0
    for i, line in enumerate(path.read_text().splitlines()):
        stamp, _, rest = line.strip().partition(" ")
        if not stamp[:1].isdigit():
            lines.append(line.replace("timestamps absolute", "timestamps relative"))
            continue
        half = (float(stamp) - before) / 2
        lines.append(f"{half if i % 3 == 0 else 2 * half:.6f} {rest}")
        if i % 3 == 0:
            lines[-1:] = [f"{half:.6f} 1 Statistic: D 0 R 0", lines[-1]]
        before = float(stamp)
    path.write_text("\n".join(lines) + "\n")
    np.testing.assert_allclose(read(path)[0].t, absolute.t, atol=50_000, rtol=0)


def asc(*lines: str) -> str:
    return "\n".join(["base hex  timestamps absolute", "no internal events logged", *lines, ""])


def test_a_date_that_is_not_understood_is_named(tmp_path: Path) -> None:
    path = tmp_path / "run.asc"
    path.write_text("date lun. 10 juil. 2015\n" + asc("1.5 1 123 Rx d 1 11", "2.5 1 123 Rx d 1 12"))
    block, source = read(path)
    assert block.t.tolist() == [1_500_000_000, 2_500_000_000]
    assert "date of the log is not understood" in source.report.faults[0]


def test_a_trigger_block_that_goes_on_counting_does_not_move_its_stamps(tmp_path: Path) -> None:
    path = tmp_path / "run.asc"
    path.write_text(
        "date Fri Jul 10 06:00:00.000 2015\n"
        + asc(
            "Begin Triggerblock Fri Jul 10 06:00:00.000 2015",
            "0.5 1 123 Rx d 1 11",
            "End TriggerBlock",
            "Begin Triggerblock Fri Jul 10 06:01:40.000 2015",
            "100.5 1 123 Rx d 1 12",
            "End TriggerBlock",
            "Begin Triggerblock Fri Jul 10 06:05:00.000 2015",
            "0.5 1 123 Rx d 1 13",
        )
    )
    since = np.diff(read(path)[0].t) / 1e9
    assert since.tolist() == [100.0, 199.5 + 0.5]


def test_the_first_line_behind_a_short_header_is_read(tmp_path: Path) -> None:
    """python-can's reader drops it."""
    path = tmp_path / "run.asc"
    path.write_text("date Fri Jul 10 06:00:00.000 2015\nbase hex timestamps absolute\n1.0 1 123 Rx d 1 11\n")
    assert read(path)[0].data[:, 0].tolist() == [0x11]


def test_flexible_frames_survive_tables_that_do_not_name_them(tmp_path: Path) -> None:
    given = messages(40, fd=True)
    for suffix in (".csv", ".db"):
        block = read(written(tmp_path / f"run{suffix}", given))[0]
        assert (block.flags & FrameFlag.FD != 0).all()
        assert block.size.tolist() == [len(m.data) for m in given]
        assert [bytes(d[:n]) for d, n in zip(block.data, block.size, strict=True)] == [m.data for m in given]


def test_trc_1_2_is_1_3_without_the_reserved_column(tmp_path: Path) -> None:
    """Columns of the format from memory; what 1.3 means is python-can's reader."""
    new = """\
;$FILEVERSION=1.3
;$STARTTIME=45244.9259259259
;   Message   Time    Bus  Type   ID    Reserved
     1)      1059.900 1  Rx        0300 -  7    00 00 00 00 04 00 00
     2)      1283.231 2  Tx    18EFC034 -  4    08 00 1A 01
     3)      1300.500 1  Rx        0301 -  2    RTR
     4)      1400.500 1  Rx        0302 -  0
"""
    path = tmp_path / "new.trc"
    path.write_text(new)
    expected = one_by_one(list(can.TRCReader(path)))[0]
    assert_same(read(path)[0], expected)
    old = tmp_path / "old.trc"
    old.write_text(new.replace("=1.3", "=1.2").replace(" -  ", "  "))
    assert len(expected) == 4
    assert_same(read(old)[0], expected)


def test_a_line_without_end_is_refused_and_costs_no_memory(tmp_path: Path) -> None:
    path = tmp_path / "run.asc"
    path.write_text(asc("1.0 1 123 Rx d 1 11", "9" * 3_000_000, "2.0 1 123 Rx d 1 12"))
    block, source = read(path)
    assert (len(block), source.report.rejected) == (2, {"too long": 1})
    report = source.report
    assert (report.lines, report.skipped) == (5, 2)  # two of the header


@pytest.mark.parametrize("suffix", [".asc", ".csv", ".trc"])
def test_every_line_of_a_text_is_counted_once(tmp_path: Path, suffix: str) -> None:
    path = written(tmp_path / f"run{suffix}", messages(40))
    path.write_bytes(path.read_bytes() + b"\n \n\r\n" + path.read_bytes().splitlines(keepends=True)[-2])
    block, source = read(path)
    report = source.report
    assert (report.faults, report.lines) == ([], len(path.read_bytes().splitlines()))
    assert len(block) == report.frames == report.lines - report.skipped - report.rejected_lines >= 40


@pytest.mark.parametrize("suffix", [".log", ".asc", ".csv", ".trc"])
def test_millions_of_blank_lines_are_counted_at_once(tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"run{suffix}"
    path.write_bytes(b"\n\r\n" * 100_000)
    with pytest.raises(SourceError, match="200000 lines that are blank"):
        read(path)


# BLF.


def blf(*objects: bytes) -> bytes:
    """A file of these objects, each without its signature and the size of its header."""
    return b"LOGG" + struct.pack("<L", 144) + bytes(136) + b"".join(b"LOBJ" + each for each in objects)


def container(data: bytes, *, size: int | None = None, method: int = 2) -> bytes:
    """An object that holds other objects, and the size that it claims."""
    packed = zlib.compress(data) if method == 2 else data
    claimed = 32 + len(packed) if size is None else size
    head = struct.pack("<HHLL", 16, 1, claimed, 10) + struct.pack("<H6xL4x", method, len(data))
    return head + packed + bytes((32 + len(packed)) % 4)


def test_what_a_blf_file_claims_and_unpacks_to_is_bounded(tmp_path: Path) -> None:
    zeros = bytes(30 << 20)
    unending = b"LOBJ" + struct.pack("<HHLL", 32, 1, 0xFFFF_FFF0, 1) + zeros
    hostile = {
        "claims four gigabytes": blf(container(b"", size=0xFFFF_FFF0)) + zeros,
        "unpacks to more": blf(container(unending)),
        "packed otherwise": blf(container(b"", method=7)),
    }
    for name, data in hostile.items():
        path = tmp_path / "run.blf"
        path.write_bytes(data)
        tracemalloc.start()
        with pytest.raises(SourceError, match="ValueError"):
            read(path)
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        assert peak < 26 << 20, name


# MDF 4.


def test_mdf_is_what_python_can_reads_of_it(tmp_path: Path) -> None:
    given = messages(300) + messages(200, fd=True)
    given += [
        can.Message(timestamp=EPOCH + 7.1, arbitration_id=0x12, is_remote_frame=True, dlc=5, channel=1),
        can.Message(timestamp=EPOCH + 7.2, is_error_frame=True, channel=0),
    ]
    given.sort(key=lambda message: message.timestamp)
    path = written(tmp_path / "run.mf4", given)
    with can.MF4Reader(path) as reader:
        expected = one_by_one(list(reader))[0]
    block, source = read(path)
    assert (source.report.reader, len(block)) == ("asammdf", len(given))
    assert np.abs(block.t - expected.t).max() <= 240  # the reader's stamps are float64 seconds
    order = [expected.channels.index(name) for name in block.channels]
    assert [order[bus] for bus in block.bus] == expected.bus.tolist()
    for name in ("can_id", "size", "dlc", "flags", "data"):
        np.testing.assert_array_equal(getattr(block, name), getattr(expected, name), name)


def test_without_asammdf_the_complaint_says_what_to_install(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = written(tmp_path / "run.mf4", messages(3))
    monkeypatch.setitem(sys.modules, "asammdf", None)
    with pytest.raises(SourceError, match=r"asammdf.*pip install 'mixmon\[mdf\]'"):
        read(path)


# Packed logs.


def as_zip(data: bytes, name: str = "run.log", **options: int) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as packed:
        packed.writestr(name, data)
        for other in options:
            packed.writestr(other, b"")
    return out.getvalue()


Packer = Callable[[bytes], bytes]
PACKERS: dict[str, Packer] = {
    ".bz2": bz2.compress,
    ".xz": lambda data: lzma.compress(data, preset=0),
    ".zst": zstandard.ZstdCompressor(write_checksum=True).compress,
    ".zip": as_zip,
}
TEXT = b"".join(b"(%d.%06d) can0 123#%08X\n" % (EPOCH, i, i) for i in range(40_000))


@pytest.mark.parametrize("suffix", PACKERS)
def test_packed_logs_are_read(tmp_path: Path, suffix: str) -> None:
    (tmp_path / "plain.log").write_bytes(TEXT)
    packed = tmp_path / f"run.log{suffix}"
    packed.write_bytes(PACKERS[suffix](TEXT))
    assert_same(read(packed)[0], read(tmp_path / "plain.log")[0])


@pytest.mark.parametrize("suffix", [".bz2", ".xz", ".zst"])
def test_packed_parts_follow_each_other_in_any_pieces(suffix: str) -> None:
    data = PACKERS[suffix](TEXT) + PACKERS[suffix](TEXT[:999])
    for step in (1, 4096):
        pieces = (data[i : i + step] for i in range(0, len(data), step))
        stream = type("Stream", (), {"read": lambda _self, _size, pieces=pieces: next(pieces, b"")})()
        contents = LogBytes(stream)
        assert b"".join(contents) == TEXT + TEXT[:999]
        assert contents.fault is None


@pytest.mark.parametrize("suffix", [".bz2", ".xz", ".zst"])
def test_a_cut_is_named_and_what_comes_before_is_read(tmp_path: Path, suffix: str) -> None:
    data = PACKERS[suffix](random.Random(2).randbytes(40).hex().encode() + b"\n" + TEXT)
    path = tmp_path / f"run.log{suffix}"
    path.write_bytes(data[: len(data) * 2 // 3])
    block, source = read(path)
    assert 1000 < len(block) < 40_000
    assert "data end too early" in source.report.faults[0]


@pytest.mark.parametrize("suffix", PACKERS)
def test_what_unpacks_to_much_comes_in_pieces(suffix: str) -> None:
    bomb = PACKERS[suffix](bytes(24 << 20))
    sizes = [len(piece) for piece in LogBytes(io.BytesIO(bomb))]
    assert sum(sizes) == 24 << 20
    assert max(sizes) <= PIECE_BYTES + (8 << 20)  # one step of zstd: 64 blocks of 128 KiB


@pytest.mark.parametrize("suffix", PACKERS)
def test_broken_data_are_named(tmp_path: Path, suffix: str) -> None:
    data = bytearray(PACKERS[suffix](TEXT))
    data[len(data) // 2] ^= 0xFF
    path = tmp_path / f"run.log{suffix}"
    path.write_bytes(data)
    source = open_log(path)
    with suppress(SourceError):  # where nothing comes before the break
        list(source)
    assert "data broken" in source.report.faults[0]


@pytest.mark.parametrize("suffix", PACKERS)
@pytest.mark.parametrize("kind", [".asc", ".blf", ".db", ".mf4"])
def test_other_formats_packed(tmp_path: Path, kind: str, suffix: str) -> None:
    plain = written(tmp_path / f"run{kind}", messages(20))
    packed = tmp_path / (f"any{suffix}" if suffix == ".zip" else f"run{kind}{suffix}")
    data = plain.read_bytes()
    packed.write_bytes(as_zip(data, plain.name) if suffix == ".zip" else PACKERS[suffix](data))
    assert_same(read(packed)[0], read(plain)[0])


def test_a_zip_of_several_files_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "both.zip"
    path.write_bytes(as_zip(TEXT, "one.log", other=1))
    with pytest.raises(SourceError, match=r"a zip of 2 files \(one.log, other\)"):
        open_log(path)


def test_without_zstandard_the_complaint_says_what_to_do(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "run.log.zst"
    path.write_bytes(zstandard.compress(TEXT))
    monkeypatch.setitem(sys.modules, "zstandard", None)
    with pytest.raises(SourceError, match=r"pip install 'mixmon\[zstd\]', or unpack it with zstd -d"):
        read(path)
