"""What a result's bytes are where the terminal's encoding lacks a character."""

import io

import pytest

from mixmon.cli import console


@pytest.mark.parametrize(
    ("encoding", "expected"),
    [
        ("utf-8", "need 5.3 ± 0.4 %".encode()),
        ("ascii", b"need 5.3 +- 0.4 %"),
        ("cp437", b"need 5.3 \xf1 0.4 %"),
    ],
)
def test_plus_minus_is_written_in_ascii_only_where_the_encoding_has_none(monkeypatch, encoding, expected):
    written = io.BytesIO()
    monkeypatch.setattr("sys.stdout", io.TextIOWrapper(written, encoding))
    console.result("need 5.3 ± 0.4 %")
    assert written.getvalue() == expected
