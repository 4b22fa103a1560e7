"""Where bits lie: values worked out by hand, and writing as the inverse of reading."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from mixmon.messages.decode import Decoder
from mixmon.messages.encode import Encoder
from mixmon.messages.plan import ByteRows, Field, MessagePlan, SignalPlan, put


def any_signal(start, length, *, big_endian, signed):
    return SignalPlan("Any", start, length, big_endian, signed=signed)


# signal, bytes, raw value: worked out by hand from the bit numbering
# of DBC files; cantools gives the same
WORKED = [
    pytest.param(any_signal(7, 16, big_endian=True, signed=False), "1234", 4660, id="big-endian word"),
    pytest.param(
        any_signal(0, 10, big_endian=True, signed=False),
        "01FE80",
        1021,
        id="big-endian field over three bytes",
    ),
    pytest.param(any_signal(3, 12, big_endian=True, signed=True), "0800", -2048, id="big-endian negative"),
    pytest.param(any_signal(4, 12, big_endian=False, signed=True), "F0FF", -1, id="little-endian minus one"),
    pytest.param(
        any_signal(3, 1, big_endian=False, signed=True), "08", -1, id="one signed bit set is minus one"
    ),
    pytest.param(any_signal(3, 1, big_endian=False, signed=True), "F7", 0, id="one signed bit clear is zero"),
    pytest.param(
        any_signal(7, 64, big_endian=True, signed=True),
        "8000000000000000",
        -(2**63),
        id="lowest of 64 signed bits",
    ),
    pytest.param(
        any_signal(0, 64, big_endian=False, signed=False),
        "FFFFFFFFFFFFFFFF",
        2**64 - 1,
        id="highest of 64 unsigned bits",
    ),
    pytest.param(
        any_signal(15, 64, big_endian=True, signed=False),
        "AA0102030405060708",
        0x0102030405060708,
        id="all eight bytes after one",
    ),
    pytest.param(
        any_signal(4, 64, big_endian=False, signed=False),
        "7060504030201000F8",
        0x8001020304050607,
        id="64 bits in nine bytes",
    ),
]


@pytest.mark.parametrize(("signal", "text", "expected"), WORKED)
def test_worked_values(signal, text, expected):
    sent = bytes.fromhex(text)
    width = 8 if len(sent) <= 8 else 64
    data = np.zeros((1, width), np.uint8)
    data[0, : len(sent)] = list(sent)
    raw = ByteRows(data).take(Field.of(signal))
    assert raw[0] == expected % 2**signal.length
    block = Encoder(MessagePlan("Any", 1, len(sent), (signal,))).encode(
        np.zeros(1, np.int64), {}, 0, ("can0",), raw={"Any": np.array([expected])}
    )
    [found] = Decoder([(0, [MessagePlan("Any", 1, len(sent), (signal,))])]).decode(
        block, np.zeros(1, np.uint8)
    )
    assert found.raw[0].tolist() == [expected]


@given(
    first=st.integers(0, 60 * 8),
    length=st.integers(1, 64),
    big_endian=st.booleans(),
    rows=st.lists(st.tuples(st.binary(min_size=64, max_size=64), st.integers(0, 2**64 - 1)), min_size=1),
)
def test_what_is_written_is_read_and_nothing_else_changes(first, length, big_endian, rows):
    field = Field(min(first, 512 - length), length, big_endian)
    before = np.frombuffer(b"".join(content for content, _ in rows), np.uint8).reshape(-1, 64)
    raw = np.array([value for _, value in rows], np.uint64)
    data = before.copy()
    put(data, field, raw)
    assert ByteRows(data).take(field).tolist() == [value % 2**length for _, value in rows]
    put(data, field, ByteRows(before).take(field))
    assert (data == before).all()
