"""What a result's bytes are where the terminal's encoding lacks a character."""

import io
import logging
import subprocess
import sys

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


def test_what_libraries_log_is_printable_and_short(capsys):
    handler = console.LibraryTalk()
    for _ in range(1000):
        handler.emit(logging.makeLogRecord({"name": "can.io.trc", "msg": "type '%s'", "args": ("\x1b[2J",)}))
    lines = capsys.readouterr().err.splitlines()
    assert set(lines) == {"mixmon: can: type '\\x1b[2J'"}
    assert len(lines) < 10


def test_lines_that_python_can_does_not_read_are_counted_not_shown(tmp_path):
    log = tmp_path / "run.trc"
    log.write_text(";$FILEVERSION=1.1\n;\x1b[2J\n1) 1.0 Rx 2A0 1 11\n\x1b[31m\n2) 2.0 \x1b[31m 2A0 1 11\n")
    answer = subprocess.run(
        [sys.executable, "-m", "mixmon", "census", log], capture_output=True, text=True, check=False
    )
    assert answer.returncode == 0
    assert "\x1b" not in answer.stderr + answer.stdout
    assert "TRCReader" not in answer.stderr
