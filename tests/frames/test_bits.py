"""Frame lengths against published figures, and against a sender that writes bit after bit."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from mixmon.frames.bits import Load, frame_bits, load, phase_bits, worst_case_bits
from mixmon.frames.block import EXTENDED, FrameBlock, FrameFlag
from mixmon.frames.candump import CandumpReader

FD_SIZES = (0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64)

# Bits with intermission and CRC-15, by a reference that sends bit after bit; the data frames agree
# with the exact mode of can-utils' canbusload. Remote frames do not: it counts data for their length.
KNOWN = {
    "123#": (48, 0x6858),
    "123#00": (58, 0x6067),
    "000#1D": (60, 0x00E0),
    "000#0000000000000000": (127, 0x145B),
    "7FF#FFFFFFFFFFFFFFFF": (126, 0x4C89),
    "123#0000000000000000": (125, 0x044E),
    "123#5555555555555555": (112, 0x657F),
    "123#1122334455667788": (112, 0x4237),
    "078#3C3C3C3C3C3C3C3C": (131, 0x1921),
    "00000000#0000000000000000": (150, 0x3DAF),
    "12345678#FFFFFFFFFFFFFFFF": (144, 0x2471),
    "18FEF100#FFFFFFFFFFFFFFFF": (146, 0x177A),
    "1FFFFFFF#": (74, 0x1C88),
    "123#R": (48, 0x1B9D),
    "123#R8": (48, 0x6F9A),
    "12345678#R4": (67, 0x479D),
}


def block_of(*frames: str) -> FrameBlock:
    reader = CandumpReader()
    block = reader.feed("".join(f"(1.0) can0 {frame}\n" for frame in frames).encode())
    assert reader.report.rejected == {}
    return block


def binary(value: int, width: int) -> list[int]:
    return [int(bit) for bit in f"{value:0{width}b}"]


def crc15(bits: list[int]) -> int:
    """CRC-15 as in ISO 11898-1, one bit at a time."""
    register = 0
    for bit in bits:
        register, top = (register << 1) & 0x7FFF, register >> 14
        if bit ^ top:
            register ^= 0x4599
    return register


def stuffed(bits: list[int]) -> list[bool]:
    """Of each bit, whether a stuff bit follows it."""
    marks, last, run = [], None, 0
    for bit in bits:
        run = run + 1 if bit == last else 1
        last = bit
        marks.append(run == 5)
        if run == 5:
            last, run = 1 - bit, 1
    return marks


def sent(block: FrameBlock, row: int) -> list[int]:
    """Bits from the start of the frame to the end of the data."""
    number = int(block.can_id[row]) & 0x1FFFFFFF
    flags, dlc = int(block.flags[row]), int(block.dlc[row])
    remote, fd = int(bool(flags & FrameFlag.REMOTE)), bool(flags & FrameFlag.FD)
    bits = [0]
    if block.can_id[row] & EXTENDED:
        bits += (
            binary(number >> 18, 11) + [1, 1] + binary(number & 0x3FFFF, 18) + ([0] if fd else [remote, 0, 0])
        )
    else:
        bits += binary(number, 11) + [remote, 0] + ([] if fd else [0])
    if fd:
        switch, passive = (
            int(bool(flags & flag)) for flag in (FrameFlag.BIT_RATE_SWITCH, FrameFlag.ERROR_STATE)
        )
        bits += [1, 0, switch, passive]
    bits += binary(dlc, 4)
    for byte in block.data[row, : block.size[row]].tolist():
        bits += binary(byte, 8)
    return bits


@pytest.mark.parametrize(
    ("frame", "length"), [(frame, bits) for frame, (bits, _) in KNOWN.items()], ids=KNOWN
)
def test_known_frames_have_their_length(frame: str, length: int) -> None:
    assert frame_bits(block_of(frame)).tolist() == [length]


@pytest.mark.parametrize(("frame", "crc"), [(frame, crc) for frame, (_, crc) in KNOWN.items()], ids=KNOWN)
def test_the_reference_of_these_tests_has_the_right_checksum(frame: str, crc: int) -> None:
    assert crc15(sent(block_of(frame), 0)) == crc


def test_lengths_are_those_of_can_utils() -> None:
    # canbusload -e of can-utils 2020.11 for these three frames: 381 bits in all
    assert frame_bits(block_of("123#" + "00" * 8, "123#" + "55" * 8, "12345678#" + "FF" * 8)).sum() == 381


IDENTIFIERS = st.one_of(
    st.integers(0, 0x7FF).map("{:03X}".format), st.integers(0, 0x1FFFFFFF).map("{:08X}".format)
)
DATA = st.one_of(
    st.binary(max_size=8), st.lists(st.sampled_from(b"\0\xff\x1f\xf8\x07"), max_size=8).map(bytes)
)
CLASSIC = st.one_of(
    st.builds(lambda number, data: f"{number}#{data.hex()}", IDENTIFIERS, DATA),
    st.builds("{}#R{}".format, IDENTIFIERS, st.integers(0, 8)),
    st.builds("{}#R8_{:X}".format, IDENTIFIERS, st.integers(9, 15)),
    st.builds(
        lambda number, data, dlc: f"{number}#{data.hex()}_{dlc:X}",
        IDENTIFIERS,
        st.binary(min_size=8, max_size=8),
        st.integers(9, 15),
    ),
)
FD_DATA = st.sampled_from(FD_SIZES).flatmap(
    lambda n: st.one_of(st.binary(min_size=n, max_size=n), st.sampled_from([bytes(n), b"\xff" * n]))
)
FLEXIBLE = st.builds(
    lambda number, flags, data: f"{number}##{flags}{data.hex()}", IDENTIFIERS, st.integers(0, 3), FD_DATA
)


@given(st.lists(CLASSIC, min_size=1, max_size=30))
def test_classic_frames_are_as_long_as_the_bits_that_are_sent(frames: list[str]) -> None:
    block = block_of(*frames)
    lengths = []
    for row in range(len(block)):
        bits = sent(block, row)
        bits += binary(crc15(bits), 15)
        lengths.append(len(bits) + sum(stuffed(bits)) + 1 + 2 + 7 + 3)
    assert frame_bits(block).tolist() == lengths
    for row, length in enumerate(lengths):
        extended = bool(block.can_id[row] & EXTENDED)
        assert length <= worst_case_bits(int(block.size[row]), extended=extended)


@given(st.lists(st.one_of(FLEXIBLE, CLASSIC), min_size=1, max_size=20))
def test_fd_frames_are_as_long_as_the_bits_that_are_sent(frames: list[str]) -> None:
    block = block_of(*frames)
    nominal, fast = phase_bits(block)
    np.testing.assert_array_equal(nominal + fast, frame_bits(block))
    for row in np.flatnonzero(block.flags & int(FrameFlag.FD)):
        bits, size = sent(block, row), int(block.size[row])
        marks = stuffed(bits)
        switch = len(bits) - 8 * size - 6  # place of the bit-rate switch
        before, behind = switch + 1 + sum(marks[:switch]), len(bits) - switch - 1 + sum(marks[switch:])
        behind += 28 if size <= 16 else 33
        if block.flags[row] & FrameFlag.BIT_RATE_SWITCH:
            assert (nominal[row], fast[row]) == (before + 9 + 3, behind)
        else:
            assert (nominal[row], fast[row]) == (before + 9 + 3 + behind, 0)
        extended = bool(block.can_id[row] & EXTENDED)
        assert nominal[row] + fast[row] <= worst_case_bits(size, extended=extended, fd=True)


@pytest.mark.parametrize(
    ("size", "extended", "fd", "bits"),
    # classic: Davis et al. 2007, 55 + 10 n and 80 + 10 n; FD: include/linux/can/length.h
    [
        (0, False, False, 55),
        (8, False, False, 135),
        (0, True, False, 80),
        (4, True, False, 120),
        (8, True, False, 160),
        (0, False, True, 67),
        (8, False, True, 147),
        (16, False, True, 227),
        (20, False, True, 272),
        (64, False, True, 712),
        (0, True, True, 91),
        (8, True, True, 171),
        (64, True, True, 736),
    ],
)
def test_worst_cases(size: int, extended: bool, fd: bool, bits: int) -> None:
    assert worst_case_bits(size, extended=extended, fd=fd) == bits


def test_random_payloads_have_the_known_mean() -> None:
    # mean over random 8-byte payloads: 114.2 bits with 11-bit, 135.1 with 29-bit identifiers
    rng = np.random.default_rng(4)
    data = rng.integers(0, 256, (40_000, 8)).astype(np.uint8)
    for mean, ids in (
        (114.2, rng.integers(0, 0x800, 40_000)),
        (135.1, rng.integers(0, 1 << 29, 40_000) | EXTENDED),
    ):
        eight, none = np.full(40_000, 8, np.uint8), np.zeros(40_000, np.uint8)
        block = FrameBlock(
            np.arange(40_000), ids.astype(np.uint32), none, eight, eight, none, data, ("can0",)
        )
        assert np.mean(frame_bits(block)) == pytest.approx(mean, abs=0.1)


def test_error_frames_count_if_they_went_over_the_wire() -> None:
    # linux/can/error.h: 0x80 bus error, 0x08 protocol violation, 0x04 controller; 6 + 8 + 3 bits
    block = block_of("20000080#0000000000000000", "20000008#", "20000004#0004000000000000")
    assert frame_bits(block).tolist() == [17, 17, 0]


def test_load_of_a_full_chain() -> None:
    # sixteen nodes, 100 Hz, worst case of 135 bits at 500 kbit/s: 43.2 % (16 x 100 x 135 / 500000)
    t = np.arange(16 * 100 * 10) * (10**9 // 1600)
    result = load(np.full(len(t), 135), t, 500_000, 100_000_000)
    assert result.mean == pytest.approx(0.432, rel=1e-3)
    assert result.peak == pytest.approx(0.432, rel=0.01)


def test_the_fullest_window_is_found() -> None:
    t = np.array([0, 10, 210, 220, 230, 500]) * 1_000_000
    result = load(np.full(6, 100), t, 10_000, 100_000_000)
    assert result == Load(600 / 5000, 300 / 1000)
    assert load(np.zeros(0), np.zeros(0, np.int64), 10_000, 100_000_000) == Load(0.0, 0.0)
