"""The reader of whole columns and pieces gives what reading line by line gives.

Lines are valid ones of every kind, the same with one character changed, and rubbish.
"""

from dataclasses import fields
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from strict_lines import line_by_line

from mixmon.frames.block import FrameBlock, FrameRow, concat
from mixmon.frames.candump import TEXT_BYTES, CandumpReader
from mixmon.frames.candump_fast import BYTES_BEFORE, BYTES_BEHIND, Columns, Regions, StampLayout, read_columns
from mixmon.frames.candump_line import FD_SIZES

HEX = "0123456789ABCDEFabcdef"


def digits(*lengths: int) -> st.SearchStrategy[str]:
    return st.sampled_from(lengths).flatmap(lambda n: st.text(HEX, min_size=n, max_size=n))


STAMP_STYLES = [
    st.integers(0, 10**16).map(lambda us: f"{us // 10**6:010d}.{us % 10**6:06d}"),
    st.integers(0, 10**19).map(lambda ns: f"{ns // 10**9:010d}.{ns % 10**9:09d}"),
    st.integers(0, 10**10).map(lambda us: f"{us // 10**6:03d}.{us % 10**6:06d}"),
    st.integers(0, 10**13).map(lambda ns: f"{ns // 10**9:08d}.{ns % 10**9:09d}"[:-1]),
    st.from_regex(r"[0-9]{1,12}(\.[0-9]{0,11})?", fullmatch=True),
]
REGIONS = st.sampled_from(
    [
        " can0 ",
        " can1 ",
        "    can0 ",
        " can0  ",
        "\tcan0 ",
        " vcan-of-the-engine ",
        " a-name-of-more-than-thirty-two-characters ",
        " 0 ",
    ]
)
IDENTIFIERS = st.one_of(
    st.integers(0, 0x8FF).map("{:03X}".format),
    st.integers(0, 0x3FFFFFFF).map("{:08X}".format),
    st.integers(0, 0xFFFFFFFF).map("{:08x}".format),
    digits(1, 2, 4, 5, 7, 9),
)
BODIES = st.one_of(
    digits(*range(0, 17, 2)),
    digits(*range(19)),
    st.builds("##{}{}".format, st.sampled_from(HEX), digits(*range(131))).map(lambda body: body[1:]),
    st.sampled_from(
        ["R", "R8", "r3", "R8_9", "R9", "1122334455667788_9", "1122334455667788_8", "11.22", "11..22"]
    ),
)
ENDS = st.sampled_from(["", "", "", " R", " T", "\r", " T\r", " ", " x"])
OTHERS = st.one_of(
    st.sampled_from(
        [
            "",
            "# note",
            "DROPCOUNT: dropped 2 CAN frames on 'can0' socket (total drops 5)",
            "  can0  123   [2]  11 22",
        ]
    ),
    st.text(st.characters(min_codepoint=1, max_codepoint=255, exclude_characters="\n"), max_size=60),
    st.text("(). #0123456789ABCDEFRT_\r\t", max_size=60),
)


def lines_with(stamps: st.SearchStrategy[str]) -> st.SearchStrategy[str]:
    return st.builds("({}){}{}#{}{}".format, stamps, REGIONS, IDENTIFIERS, BODIES, ENDS)


@st.composite
def mutated(draw: st.DrawFn, lines: st.SearchStrategy[str]) -> str:
    line = draw(lines)
    at = draw(st.integers(0, len(line)))
    new = draw(st.one_of(st.just(""), st.characters(max_codepoint=255, exclude_characters="\n")))
    return line[:at] + new + line[at + draw(st.integers(0, 1)) :]


def logs_with(stamps: st.SearchStrategy[str]) -> st.SearchStrategy[bytes]:
    lines = lines_with(stamps)
    several = st.lists(st.one_of(lines, lines, mutated(lines), OTHERS), max_size=40)
    return several.map(lambda lines: "\n".join(lines).encode("latin-1"))


LOGS = st.one_of(*map(logs_with, STAMP_STYLES), logs_with(st.one_of(STAMP_STYLES)))


def read(pieces: list[bytes]) -> tuple[FrameBlock, CandumpReader]:
    reader = CandumpReader()
    return concat([*map(reader.feed, pieces), reader.flush()]), reader


def rows_of(block: FrameBlock) -> list[FrameRow]:
    return [
        FrameRow(
            int(block.t[i]),
            int(block.can_id[i]),
            block.channels[block.bus[i]],
            int(block.dlc[i]),
            int(block.flags[i]),
            block.data[i, : block.size[i]].tobytes(),
        )
        for i in range(len(block))
    ]


@settings(max_examples=150)
@given(LOGS)
def test_columns_give_what_single_lines_give(text: bytes) -> None:
    rows, expected = line_by_line(text)
    block, reader = read([text])
    assert rows_of(block) == rows
    assert list(reader.channels) == list(dict.fromkeys(row.interface for row in rows))
    report = reader.report
    assert report.rejected == expected.rejected
    assert report.first_rejected == expected.first_rejected
    assert report.skipped == expected.skipped
    assert [
        (loss.line, loss.interface, loss.dropped, loss.total, loss.after_t) for loss in report.losses
    ] == expected.losses
    assert block.width == (64 if np.any(block.size > 8) else 8)
    assert not np.any(block.data[np.arange(block.width) >= block.size[:, None]])


@given(LOGS, st.lists(st.integers(0, 2000), max_size=8))
def test_any_pieces_give_the_same(text: bytes, cuts: list[int]) -> None:
    whole, reader = read([text])
    at = [0, *sorted(cut for cut in cuts if cut < len(text)), len(text)]
    pieced, by_piece = read([text[start:end] for start, end in pairwise(at)])
    assert_same(whole, reader, pieced, by_piece)


@settings(max_examples=20)
@given(LOGS)
def test_single_bytes_give_the_same(text: bytes) -> None:
    assert_same(*read([text]), *read([text[i : i + 1] for i in range(len(text))]))


def assert_same(
    block: FrameBlock, reader: CandumpReader, other: FrameBlock, other_reader: CandumpReader
) -> None:
    for field in fields(FrameBlock):
        one, two = getattr(block, field.name), getattr(other, field.name)
        assert one == two if field.name == "channels" else np.array_equal(one, two), field.name
    assert reader.report == other_reader.report


def test_a_log_of_many_batches_is_read_in_order() -> None:
    rng = np.random.default_rng(11)
    kinds = [
        "can{0} {1:03X}#{2:016X}",
        "can{0} {1:08X}#{2:08X}",
        "  x{0} {1:03X}##5{2:024X}",
        "can{0} {1:03X}#R{0}",
    ]
    lines = [
        f"({1700000000 + i // 1000}.{i % 1000 * 1000:06d}) {kinds[rng.integers(4)]}".format(
            i % 3, i % 2000, i
        )
        for i in range(25_000)
    ]
    lines[::1000] = ["rubbish"] * 25
    text = ("\n".join(lines) + "\n").encode()
    assert len(text) > TEXT_BYTES
    rows, expected = line_by_line(text)
    block, reader = read([text[:1], text[1 : TEXT_BYTES - 5], text[TEXT_BYTES - 5 :]])
    assert rows_of(block) == rows
    assert reader.report.rejected == {"layout": 25} == expected.rejected
    assert [reject.line for reject in reader.report.first_rejected] == list(range(1, 20_000, 1000))


@pytest.mark.parametrize("length", [8190, 8191, 8192, 8193, 8194, 2 * TEXT_BYTES])
def test_a_line_is_too_long_above_8_kib_in_whatever_pieces(length: int) -> None:
    line = b"(1.0) can0 123#11".ljust(length) + b"\n"
    for pieces in ([line], [line[i : i + 4000] for i in range(0, length + 1, 4000)]):
        block, reader = read([*pieces, b"(2.0) can0 123#22\n"])
        assert len(block) == (2 if length <= 8192 else 1)
        assert reader.report.rejected == ({} if length <= 8192 else {"too long": 1})
        assert reader.report.lines == 2


PLAIN = {
    "microseconds": "(1700000000.{0:06d}) can0 {0:03X}#{0:016X}",
    "nanoseconds": "(1700000000.{0:09d}) can0 {0:03X}#{0:016X}",
    "milliseconds": "(1700000000.{0:03d}) can0 {0:03X}#{0:016X}",
    "eight fraction digits": "(1700000000.{0:08d}) can0 {0:03X}#{0:016X}",
    "zero-based": "(00{0}.{0:06d}) can0 {0:03X}#{0:016X}",
    "29-bit identifiers": "(1700000000.{0:06d}) can0 1{0:07X}#{0:016X}",
    "error frames": "(1700000000.{0:06d}) can0 20000{0:03X}#{0:016X}",
    "lower case": "(1700000000.{0:06d}) can0 {0:03x}#abcdef{0:010x}",
    "no data": "(1700000000.{0:06d}) can0 {0:03X}#",
    "three bytes": "(1700000000.{0:06d}) can0 {0:03X}#A{0:05X}",
    "padded and long names": "(1700000000.{0:06d})    \ta-long-interface-name  {0:03X}#{0:016X}",
    "sent": "(1700000000.{0:06d}) can0 {0:03X}#{0:016X} T",
    "received, with carriage returns": "(1700000000.{0:06d}) can0 {0:03X}#{0:016X} R\r",
    "short CAN FD": "(1700000000.{0:06d}) can0 {0:03X}##1{0:016X}",
    "long CAN FD": "(1700000000.{0:06d}) can0 {0:08X}##f{0:0128X} R",
}


def by_columns(text: bytes) -> Columns:
    """Whole lines by columns, in the layout of the first and with its interface, which is number 3."""
    body = np.frombuffer(bytes(BYTES_BEFORE) + text + bytes(BYTES_BEHIND), np.uint8)
    ends = np.flatnonzero(body == ord("\n"))
    starts = np.concatenate(([BYTES_BEFORE], ends[:-1] + 1))
    regions = Regions()
    regions.learn(text[: ends[0] - BYTES_BEFORE], 3)
    layout = StampLayout.of(text)
    assert layout is not None
    return read_columns(body, starts, ends, layout, regions)


@pytest.mark.parametrize("line", PLAIN.values(), ids=PLAIN)
def test_plain_lines_are_read_by_columns(line: str) -> None:
    text = "".join(line.format(i) + "\n" for i in range(100, 900)).encode()
    columns = by_columns(text)
    assert columns.valid.all()
    assert set(columns.bus.tolist()) == {3}
    assert rows_of(read([text])[0]) == line_by_line(text)[0]


FIRST = "(1700000000.000000) can0 123#00"
FIRST_AND_LAST = [
    *("000#", "7FF#00", "00000000#00", "1FFFFFFF#00", "20000000#00", "3FFFFFFF#00"),
    *("123#" + "5A" * size for size in range(9)),
    *(f"123##{flags % 16:X}" + "a5" * size for flags, size in enumerate(FD_SIZES)),
    *("123##f", "123#00 R", "123#00 T", "123#00 R\r", "123#00\r", "123# T", "7FF##0 R"),
]
NEARLY = [
    *("800#00", "FFF#00", "40000000#00", "FFFFFFFF#00", "12#00", "1234#00", "12345678900#00", "12G#00"),
    *("123", "123##", "123##x", "123##G00", "123##0" + "00" * 9, "123##0" + "00" * 63, "123##0" + "0" * 129),
    *("123##0" + "00" * 65, "20000000##0", "123#0", "123#0G", "123#" + "0" * 17, "123#" + "00" * 9),
    *("123#R", "123#R8", "123#00R", "123#00 r", "123#00 X", "123#00\rR", "123 #00", " 123#00"),
]


@pytest.mark.parametrize("frame", FIRST_AND_LAST)
def test_the_first_and_last_of_everything_is_read_by_columns_as_by_line(frame: str) -> None:
    text = f"{FIRST}\n(1700000001.000001) can0 {frame}\n".encode()
    columns = by_columns(text)
    assert columns.valid.tolist() == [True, True]
    _, row = line_by_line(text)[0]
    size = int(columns.size[1])
    assert (int(columns.t[1]), int(columns.can_id[1])) == (row.t, row.can_id)
    assert (int(columns.dlc[1]), int(columns.flags[1])) == (row.dlc, row.flags)
    assert columns.data[1].tobytes() == row.data.ljust(columns.data.shape[1], b"\0")
    assert size == len(row.data)
    assert columns.data.shape[1] == (64 if size > 8 else 8)


@pytest.mark.parametrize("frame", NEARLY)
def test_what_is_nearly_a_plain_line_is_left_to_the_line_reader(frame: str) -> None:
    assert by_columns(f"{FIRST}\n(1700000001.000001) can0 {frame}\n".encode()).valid.tolist() == [True, False]
