"""What is written reads back as it was, here and in python-can (an independent reader)."""

import io

import can
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from mixmon.frames.block import EXTENDED, FrameBlock, FrameFlag, concat
from mixmon.frames.candump import CandumpReader
from mixmon.frames.candump_write import write_candump

CHANNELS = ("can0", "a-long-interface", "7")
FD_SIZES = (0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64)
DIRECTIONS = st.sampled_from([0, FrameFlag.RECEIVED, FrameFlag.SENT])
STANDARD = st.integers(0, 0x7FF)
EXTENDED_IDS = st.integers(0, 0x1FFFFFFF).map(lambda number: number | EXTENDED)
BODIES = st.one_of(
    st.binary(max_size=8).map(lambda data: (data, len(data), 0)),
    st.tuples(st.binary(min_size=8, max_size=8), st.integers(9, 15), st.just(0)),
    st.integers(0, 15).map(lambda dlc: (b"", dlc, FrameFlag.REMOTE)),
    st.tuples(st.sampled_from(range(16)), st.sampled_from([0, 2, 4, 6])).flatmap(
        lambda code: st.binary(min_size=FD_SIZES[code[0]], max_size=FD_SIZES[code[0]]).map(
            lambda data: (data, code[0], FrameFlag.FD | code[1])
        )
    ),
)
LAST_STAMP = 4499999999_999999999


def block_of(rows: list[tuple[int, int, int, tuple[bytes, int, int], int]], width: int = 64) -> FrameBlock:
    """Rows of (t, can_id, bus, (data, dlc, flags), direction)."""
    n = len(rows)
    bodies = [row[3] for row in rows]
    data = b"".join(body[0].ljust(width, b"\0") for body in bodies)
    return FrameBlock(
        np.array([row[0] for row in rows], np.int64),
        np.array([row[1] for row in rows], np.uint32),
        np.array([row[2] for row in rows], np.uint8),
        np.array([len(body[0]) for body in bodies], np.uint8),
        np.array([body[1] for body in bodies], np.uint8),
        np.array([body[2] | row[4] for body, row in zip(bodies, rows, strict=True)], np.uint8),
        np.frombuffer(data, np.uint8).reshape(n, width).copy(),
        CHANNELS,
    )


def read(text: bytes) -> FrameBlock:
    reader = CandumpReader()
    block = concat([reader.feed(text), reader.flush()])
    assert reader.report.rejected == {}
    return block


FRAMES = st.lists(
    st.one_of(
        st.tuples(
            st.integers(0, LAST_STAMP),
            st.one_of(STANDARD, EXTENDED_IDS),
            st.integers(0, 2),
            BODIES,
            DIRECTIONS,
        ),
        st.tuples(
            st.integers(0, LAST_STAMP),
            st.integers(0, 0x1FFFFFFF),
            st.integers(0, 2),
            st.binary(max_size=8).map(lambda data: (data, len(data), FrameFlag.ERROR)),
            DIRECTIONS,
        ),
    ),
    max_size=30,
)


@given(FRAMES)
def test_every_kind_of_frame_reads_back_as_it_was(rows: list) -> None:
    block = block_of(rows)
    again = read(write_candump(block, fraction_digits=9)).widened(64)
    for name in ("t", "can_id", "size", "dlc", "flags", "data"):
        np.testing.assert_array_equal(getattr(again, name), getattr(block, name), name)
    assert [again.channels[i] for i in again.bus] == [CHANNELS[i] for i in block.bus]


def test_lines_look_as_candump_writes_them() -> None:
    # formats printed by candump -l of can-utils 2020.11 on vcan, and by its lib.c
    rows = [
        (1436509052_249713999, 0x123, 0, (bytes.fromhex("11223344"), 4, 0), 0),
        (1, 0x123 | EXTENDED, 2, (b"", 0, 0), FrameFlag.SENT),
        (2_000_000, 0x18FEF100 | EXTENDED, 0, (b"", 0, FrameFlag.REMOTE), FrameFlag.RECEIVED),
        (2_000_000, 0x7FF, 0, (b"", 5, FrameFlag.REMOTE), 0),
        (2_000_000, 0x7FF, 0, (b"", 12, FrameFlag.REMOTE), 0),
        (2_000_000, 0x7FF, 0, (b"\xab" * 8, 14, 0), 0),
        (2_000_000, 0x80, 0, (b"\0" * 8, 8, FrameFlag.ERROR), 0),
        (2_000_000, 0x123, 0, (bytes.fromhex("112233"), 3, FrameFlag.FD | FrameFlag.BIT_RATE_SWITCH), 0),
    ]
    assert write_candump(block_of(rows)).decode().splitlines() == [
        "(1436509052.249713) can0 123#11223344",
        "(0000000000.000000) 7 00000123# T",
        "(0000000000.002000) can0 18FEF100#R R",
        "(0000000000.002000) can0 7FF#R5",
        "(0000000000.002000) can0 7FF#R8_C",
        "(0000000000.002000) can0 7FF#ABABABABABABABAB_E",
        "(0000000000.002000) can0 20000080#0000000000000000",
        "(0000000000.002000) can0 123##5112233",
    ]


def test_names_that_candump_text_cannot_hold_get_underscores() -> None:
    block = block_of([(1, 1, 0, (b"", 0, 0), 0), (2, 1, 1, (b"", 0, 0), 0)])
    named = FrameBlock(
        block.t, block.can_id, block.bus, block.size, block.dlc, block.flags, block.data, ("COM 3", "")
    )
    assert read(write_candump(named)).channels == ("COM_3", "_")


@pytest.mark.parametrize("digits", [0, 10])
def test_other_numbers_of_digits_are_refused(digits: int) -> None:
    with pytest.raises(ValueError, match="expected 1 to 9"):
        write_candump(block_of([]), fraction_digits=digits)


def test_stamps_before_the_epoch_are_refused() -> None:
    with pytest.raises(ValueError, match="before the epoch"):
        write_candump(block_of([(-1, 1, 0, (b"", 0, 0), 0)]))


PLAIN_FRAMES = st.lists(
    st.tuples(
        st.integers(0, 4_000_000_000_000_000),  # µs, where float64 seconds still resolve 1 µs
        st.one_of(STANDARD, EXTENDED_IDS),
        st.sampled_from([0, 1]),
        st.binary(max_size=8).map(lambda data: (data, len(data), 0)),
        st.sampled_from([FrameFlag.RECEIVED, FrameFlag.SENT]),
    ),
    max_size=20,
)


@given(PLAIN_FRAMES)
def test_python_can_reads_what_is_written(rows: list) -> None:
    rows = [(row[0] * 1000, *row[1:]) for row in rows]
    text = write_candump(block_of(rows)).decode()
    messages = list(can.CanutilsLogReader(io.StringIO(text)))
    assert len(messages) == len(rows)
    for message, (t, can_id, bus, (data, _, _), direction) in zip(messages, rows, strict=True):
        assert round(message.timestamp * 1e6) == t // 1000
        assert message.arbitration_id == can_id & 0x1FFFFFFF
        assert message.is_extended_id == bool(can_id & EXTENDED)
        assert (bytes(message.data), message.channel) == (data, CHANNELS[bus])
        assert message.is_rx == (direction == FrameFlag.RECEIVED)


@given(PLAIN_FRAMES)
def test_what_python_can_writes_is_read(rows: list) -> None:
    rows = sorted((row[0] * 1000, *row[1:]) for row in rows)
    file = io.StringIO()
    file.close = lambda: None  # the writer closes its file when it stops
    with can.CanutilsLogWriter(file) as writer:
        for t, can_id, bus, (data, _, _), direction in rows:
            writer.on_message_received(
                can.Message(
                    timestamp=t / 1e9,
                    arbitration_id=can_id & 0x1FFFFFFF,
                    is_extended_id=bool(can_id & EXTENDED),
                    data=data,
                    channel=CHANNELS[bus],
                    is_rx=direction == FrameFlag.RECEIVED,
                )
            )
    again, block = read(file.getvalue().encode()), block_of(rows, 8)
    for name in ("can_id", "size", "dlc", "flags", "data"):
        np.testing.assert_array_equal(getattr(again, name), getattr(block, name), name)
    assert np.all(np.abs(again.t - block.t) <= 1000)
