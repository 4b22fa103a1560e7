"""Logs as they lie on disks: packed, cut, of other formats, or no logs at all.

python-can's own writers make the files of its formats: an independent source of both the file
and the expected frames.
"""

import gzip
import io
import math
import os
import socket
from fractions import Fraction
from pathlib import Path

import can
import numpy as np
import pytest

from mixmon.errors import SourceError
from mixmon.frames.block import EXTENDED, FrameBlock, FrameFlag, concat
from mixmon.frames.logs import LogSource, open_log, watched_until

LINES = [f"(1436509052.{i:06d}) can{i % 2} {i % 2048:03X}#{i:016X}\n" for i in range(3000)]
TEXT = "".join(LINES).encode()
MESSAGES = [
    can.Message(
        timestamp=1700000000.25, arbitration_id=0x123, is_extended_id=False, data=b"\x11\x22", channel=0
    ),
    can.Message(timestamp=1700000000.5, arbitration_id=0x18FEF100, data=bytes(8), channel=1, is_rx=False),
    can.Message(timestamp=1700000001.0, arbitration_id=0x7FF, is_extended_id=False, data=b"", channel=0),
]


def write(path: Path, data: bytes) -> Path:
    path.write_bytes(data)
    return path


def read(path: Path) -> tuple[FrameBlock, LogSource]:
    source = open_log(path)
    return concat(list(source)), source


def refused(path: Path) -> str:
    with pytest.raises(SourceError) as caught:
        list(open_log(path))
    assert str(caught.value).startswith(f"{path}: ")
    return str(caught.value)


def test_a_candump_log_gives_its_frames_and_its_progress(tmp_path: Path) -> None:
    block, source = read(write(tmp_path / "run.log", TEXT))
    np.testing.assert_array_equal(block.t, 1436509052_000000000 + 1000 * np.arange(3000))
    assert (source.channels, source.report.frames) == (("can0", "can1"), 3000)
    assert (source.position, source.total) == (len(TEXT), len(TEXT))
    assert source.report.reader == "candump text"


def test_a_file_can_be_read_again(tmp_path: Path) -> None:
    source = open_log(str(write(tmp_path / "run.log", TEXT)))
    for _ in range(2):
        assert len(concat(list(source))) == 3000
        assert source.report.lines == 3000


@pytest.mark.parametrize("name", ["run.log", "run.asc", "run.csv", "run"])
def test_contents_decide_over_the_suffix(tmp_path: Path, name: str) -> None:
    block, source = read(write(tmp_path / name, TEXT))
    assert (len(block), source.report.reader) == (3000, "candump text")


def test_a_packed_log_is_unpacked_whatever_its_name(tmp_path: Path) -> None:
    packed = gzip.compress(TEXT)
    block, source = read(write(tmp_path / "run.log", packed))
    assert len(block) == 3000
    assert (source.position, source.total) == (len(packed), len(packed))
    assert source.report.faults == []


def test_packed_logs_joined_end_to_end_are_one_log(tmp_path: Path) -> None:
    packed = gzip.compress(TEXT) + gzip.compress(b"") + gzip.compress(TEXT) + bytes(512)
    block, source = read(write(tmp_path / "run.log.gz", packed))
    assert (len(block), source.report.faults) == (6000, [])


def test_a_packed_log_that_expands_much_is_read_whole(tmp_path: Path) -> None:
    text = LINES[0].encode() * 100_000
    block, source = read(write(tmp_path / "run.log.gz", gzip.compress(text)))
    assert (len(block), source.report.faults) == (100_000, [])


def test_a_cut_packed_log_gives_what_it_holds_and_says_so(tmp_path: Path) -> None:
    packed = gzip.compress(TEXT)
    block, source = read(write(tmp_path / "run.log.gz", packed[: len(packed) // 2]))
    assert 500 < len(block) < 2500
    np.testing.assert_array_equal(block.t, 1436509052_000000000 + 1000 * np.arange(len(block)))
    assert source.report.faults == [f"gzip data end too early, after {len(packed) // 2} bytes"]


def test_a_broken_packed_log_gives_what_comes_before(tmp_path: Path) -> None:
    packed = bytearray(gzip.compress(TEXT))
    packed[-8] ^= 1  # its checksum (RFC 1952, section 2.3.1)
    block, source = read(write(tmp_path / "run.log.gz", bytes(packed)))
    assert len(block) == 3000
    assert "gzip data broken" in source.report.faults[0]


def test_a_packed_log_without_a_frame_before_the_cut_is_refused(tmp_path: Path) -> None:
    assert "gzip data end too early" in refused(write(tmp_path / "run.log.gz", gzip.compress(TEXT)[:12]))


def test_a_pipe_is_read_once_without_a_total(tmp_path: Path) -> None:
    reading, writing = os.pipe()
    os.write(writing, TEXT[:50_000])
    os.close(writing)
    try:
        block, source = read(Path(f"/dev/fd/{reading}"))
    finally:
        os.close(reading)
    assert (len(block), source.total) == (TEXT[:50_000].count(b"\n"), None)


def test_a_place_that_cannot_be_opened(tmp_path: Path) -> None:
    path = tmp_path / "socket"
    with socket.socket(socket.AF_UNIX) as server:
        server.bind(str(path))
        assert "no such device or address" in refused(path)


def test_a_missing_file(tmp_path: Path) -> None:
    assert "no such file" in refused(tmp_path / "none.log")


def test_a_folder(tmp_path: Path) -> None:
    assert "a folder" in refused(tmp_path)


@pytest.mark.parametrize("name", ["run.log", "run.asc"])
def test_an_empty_file(tmp_path: Path, name: str) -> None:
    assert "the file is empty" in refused(write(tmp_path / name, b""))


def test_a_name_that_cannot_be_one() -> None:
    assert "file name too long" in refused(Path("x" * 5000))
    assert "embedded null" in refused(Path("a\0b"))


def test_binary_data(tmp_path: Path) -> None:
    data = np.random.default_rng(5).integers(0, 256, 100_000).astype(np.uint8).tobytes()
    assert "binary data of no known kind" in refused(write(tmp_path / "run.bin", b"\x7f\n" + data))


def test_text_without_a_frame_names_the_first_reasons(tmp_path: Path) -> None:
    text = refused(write(tmp_path / "notes.txt", b"second pull\n(1.0) can0 12#11\nthird\nfourth\n"))
    assert "no frame in 4 lines" in text
    assert "line 1: layout: 'second pull'; line 2: identifier" in text
    assert "fourth" not in text


def test_screen_format_is_recognised(tmp_path: Path) -> None:
    text = refused(write(tmp_path / "screen.log", b"  can0  123   [2]  11 22\n" * 3))
    assert "candump -l" in text


def test_comments_alone(tmp_path: Path) -> None:
    assert "no frame in it (2 lines that are blank" in refused(write(tmp_path / "run.log", b"# one\n\n"))


def write_with_library(path: Path, messages: list[can.Message]) -> Path:
    with can.Logger(str(path)) as writer:
        for message in messages:
            writer(message)
    return path


@pytest.mark.parametrize("suffix", [".asc", ".blf", ".csv", ".trc", ".asc.gz"])
def test_other_formats_come_through_python_can(tmp_path: Path, suffix: str) -> None:
    path = write_with_library(tmp_path / f"run{suffix}", MESSAGES)
    if ".asc" in suffix:
        text = gzip.decompress(path.read_bytes()) if suffix.endswith(".gz") else path.read_bytes()
        expected = list(can.ASCReader(io.StringIO(text.decode()), relative_timestamp=False))
    else:
        expected = list(can.LogReader(str(path)))
    block, source = read(path)
    assert (source.report.reader, source.report.frames, source.total) == ("python-can", 3, None)
    assert [int(size) for size in block.size] == [2, 8, 0]
    assert [int(can_id) for can_id in block.can_id] == [0x123, 0x18FEF100 | EXTENDED, 0x7FF]
    assert block.data[0, :2].tobytes() == b"\x11\x22"
    for t, message in zip(block.t, expected, strict=True):
        assert abs(Fraction(int(t), 10**9) - Fraction(message.timestamp)) <= Fraction(1, 2 * 10**9)


def test_database_logs_come_through_python_can(tmp_path: Path) -> None:
    path = write_with_library(tmp_path / "run.db", MESSAGES)
    block, source = read(path)
    assert source.channels == ("unnamed",)
    np.testing.assert_array_equal(block.t, [1700000000_250000000, 1700000000_500000000, 1700000001_000000000])


def test_channel_direction_and_kind_survive(tmp_path: Path) -> None:
    messages = [
        *MESSAGES,
        can.Message(timestamp=1700000002, arbitration_id=0x55, is_remote_frame=True, dlc=4, channel=1),
        can.Message(timestamp=1700000003, is_error_frame=True, channel=1),
        can.Message(
            timestamp=1700000004,
            arbitration_id=9,
            is_fd=True,
            bitrate_switch=True,
            data=bytes(range(12)),
            channel=0,
        ),
    ]
    block, source = read(write_with_library(tmp_path / "run.blf", messages))
    assert source.channels == ("0", "1")
    assert [block.channels[bus] for bus in block.bus] == ["0", "1", "0", "1", "1", "0"]
    assert int(block.flags[1]) == FrameFlag.SENT
    assert int(block.flags[3]) & FrameFlag.REMOTE
    assert (int(block.dlc[3]), int(block.size[3])) == (4, 0)
    assert int(block.flags[4]) & FrameFlag.ERROR
    assert int(block.flags[5]) == FrameFlag.FD | FrameFlag.BIT_RATE_SWITCH | FrameFlag.RECEIVED
    assert (int(block.dlc[5]), block.data[5, :12].tobytes()) == (9, bytes(range(12)))
    assert (source.report.remote, source.report.error) == (1, 1)


def test_impossible_messages_are_counted(tmp_path: Path) -> None:
    messages = [
        MESSAGES[0],
        can.Message(timestamp=1.0, arbitration_id=0x800, is_extended_id=False),
        can.Message(timestamp=1.0, arbitration_id=0x20000000),
        can.Message(timestamp=-1.0, arbitration_id=1),
        can.Message(timestamp=math.nan, arbitration_id=1),
        can.Message(timestamp=1.0, arbitration_id=1, dlc=5, data=b"\x11"),
        can.Message(timestamp=1.0, arbitration_id=1, data=bytes(9)),
    ]
    block, source = read(write_with_library(tmp_path / "run.csv", messages))
    assert len(block) == 1
    assert source.report.rejected == {"identifier": 2, "time": 2, "length": 2}
    assert (source.report.lines, source.report.skipped) == (8, 1)  # the header is no message


def test_more_interfaces_than_a_block_can_number_are_counted(tmp_path: Path) -> None:
    messages = [can.Message(timestamp=float(i), arbitration_id=1, channel=i) for i in range(300)]
    block, source = read(write_with_library(tmp_path / "run.blf", messages))
    assert len(block) == 256
    assert source.report.rejected == {"too many interfaces": 44}


def test_what_the_library_read_before_it_failed_is_kept(tmp_path: Path) -> None:
    path = write_with_library(tmp_path / "run.blf", MESSAGES)
    path.write_bytes(path.read_bytes() + b"no object of such a log")
    block, source = read(path)
    assert len(block) == 3
    assert source.report.faults[0].startswith("python-can stopped after message 3 (")


def test_a_line_that_is_no_row_is_counted(tmp_path: Path) -> None:
    path = write_with_library(tmp_path / "run.csv", MESSAGES)
    path.write_bytes(path.read_bytes() + b"1.0,0x12,oops\n" + path.read_bytes().split(b"\n")[1] + b"\n")
    block, source = read(path)
    assert (len(block), source.report.rejected, source.report.lines) == (4, {"layout": 1}, 6)


@pytest.mark.parametrize("name", ["run.blf", "run.db", "run.mf4", "run.csv"])
def test_a_file_that_the_library_cannot_read(tmp_path: Path, name: str) -> None:
    text = refused(write(tmp_path / name, b"no such thing\nat all\n" * 20))
    assert "stopped after message 0" in text or "line 1: layout" in text


def test_a_file_in_which_the_library_finds_nothing(tmp_path: Path) -> None:
    text = refused(write(tmp_path / "run.asc", b"// today\nnothing else\n"))
    assert "no frame in it (2 lines" in text


@pytest.mark.parametrize(
    "note",
    [
        '{"t": 1e999, "kind": "watched until"}',
        '{"t": NaN, "kind": "watched until"}',
        '{"t": "x", "kind": "watched until"}',
        '{"t": 1' + "0" * 40 + ', "kind": "watched until"}',
        '{"t": -1, "kind": "watched until"}',
        '{"a":' * 100_000 + '"watched until"',
        '["watched until"]',
        "\0watched until",
    ],
    ids=["infinite", "no number", "text", "huge", "negative", "deep", "a list", "NUL"],
)
def test_a_damaged_note_says_nothing_of_how_far_a_run_was_watched(tmp_path: Path, note: str) -> None:
    (tmp_path / "frames.log").write_text("(1.000000) can0 123#11\n")
    notes = tmp_path / "notes.jsonl"
    notes.write_text(note + "\n")
    assert watched_until(tmp_path) is None
    notes.write_text(note + '\n{"t": 7, "kind": "watched until"}\n')
    assert open_log(tmp_path).watched == 7


def test_a_pipe_can_be_read_once_only(tmp_path: Path) -> None:
    log, pipe = tmp_path / "a.log", tmp_path / "pipe"
    log.write_text("(1436509052.249713) can0 123#1122\n")
    os.mkfifo(pipe)
    assert (open_log(log).once, open_log(pipe).once, open_log("-").once) == (False, True, True)
