"""Checksums against the check values of their standards, crccheck, and cantools' end-to-end code."""

import crccheck.crc
import numpy as np
import pytest
from cantools.autosar.end_to_end import compute_profile2_crc
from hypothesis import given
from hypothesis import strategies as st

from mixmon.messages.integrity import ALGORITHMS, CRC8_1D, CRC8_H2F, CRC8_J1850, checksum, crc8_table


def column_bytes(*texts):
    """Byte columns of equally long byte strings, one row each."""
    rows = np.array([list(text) for text in texts], np.uint8).reshape(len(texts), -1)
    return list(rows.T)


def crc(kind, text):
    return int(kind.over(column_bytes(text), 1)[0])


# AUTOSAR specification of the CRC library (SWS CRC), tables of 8-bit check values; quoted as in
# open source implementations of it
SWS_TEXTS = ("00000000", "F20183", "0FAA0055", "00FF5511", "332255AABBCCDDEEFF", "926B55", "FFFFFFFF")
SWS_J1850 = (0x59, 0x37, 0x79, 0xB8, 0xCB, 0x8C, 0x74)
SWS_H2F = (0x12, 0xC2, 0xC6, 0x77, 0x11, 0x33, 0x6C)


@pytest.mark.parametrize(("kind", "check"), [(CRC8_J1850, 0x4B), (CRC8_H2F, 0xDF), (CRC8_1D, 0x37)])
def test_check_value_of_the_digits_one_to_nine(kind, check):
    assert crc(kind, b"123456789") == check


@pytest.mark.parametrize(("kind", "expected"), [(CRC8_J1850, SWS_J1850), (CRC8_H2F, SWS_H2F)])
def test_check_values_of_the_autosar_library(kind, expected):
    assert tuple(crc(kind, bytes.fromhex(text)) for text in SWS_TEXTS) == expected


def test_seven_bytes_as_in_an_eight_byte_frame():
    # computed with a bit-by-bit register
    assert crc(CRC8_J1850, bytes(range(7))) == 0x0B
    assert crc(CRC8_J1850, bytes(7)) == 0x0A
    assert crc(CRC8_J1850, b"\xff" * 7) == 0x34


def test_the_table_is_that_of_the_polynomial():
    table = crc8_table(0x1D).tolist()
    assert table[:8] == [0x00, 0x1D, 0x3A, 0x27, 0x74, 0x69, 0x4E, 0x53]
    assert table[-1] == 0xC4
    assert sorted(table) == list(range(256))


@given(st.lists(st.binary(min_size=5, max_size=5), min_size=1, max_size=20))
def test_whole_columns_agree_with_crccheck(rows):
    columns = column_bytes(*rows)
    assert CRC8_J1850.over(columns, len(rows)).tolist() == [
        crccheck.crc.Crc8SaeJ1850().calc(row) for row in rows
    ]
    assert CRC8_H2F.over(columns, len(rows)).tolist() == [
        crccheck.crc.Crc8Autosar().calc(row) for row in rows
    ]


@pytest.mark.parametrize(("counter", "expected"), [(0, 0xCC), (1, 0x91)])
def test_end_to_end_profile_1_with_both_bytes_of_the_id(counter, expected):
    # AUTOSAR SWS_E2E profile 1, data id 0x0123, eight bytes, all zero but the counter; computed
    # by the rule of the specification
    columns = column_bytes(bytes([counter, 0, 0, 0, 0, 0, 0]))
    assert checksum("CRC8_1D", columns, 1, data_id=0x0123).tolist() == [expected]


@pytest.mark.parametrize(("counter", "expected"), [(0, 0x0E), (1, 0x1B)])
def test_end_to_end_profile_2(counter, expected):
    # AUTOSAR SWS_E2E profile 2, ids 1 to 16; and cantools' own computation
    protected = bytes([counter, 0, 0, 0, 0, 0, 0, counter + 1])
    assert crc(CRC8_H2F, protected) == expected
    assert compute_profile2_crc(bytes([0, *protected[:-1]]), counter + 1) == expected


def test_exclusive_or():
    assert checksum("XOR8", column_bytes(b"\x0f\xf0\x01", b"\x01\x02\x03"), 2).tolist() == [0xFE, 0x00]
    assert checksum("XOR8", [], 3).tolist() == [0, 0, 0]


@pytest.mark.parametrize("algorithm", ALGORITHMS)
def test_every_algorithm_notices_every_single_wrong_bit(algorithm):
    right = np.arange(6, dtype=np.uint8)
    wrong = np.tile(right, (48, 1))
    wrong[np.arange(48), np.arange(48) // 8] ^= np.uint8(1) << (np.arange(48) % 8).astype(np.uint8)
    expected = checksum(algorithm, list(right[:, None]), 1)[0]
    assert (checksum(algorithm, list(wrong.T), 48) != expected).all()


def test_an_unknown_algorithm_is_refused():
    with pytest.raises(ValueError, match="expected one of CRC8_J1850"):
        checksum("CRC8_XYZ", [], 1)
