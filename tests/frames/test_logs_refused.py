"""Logs that are refused: what was found, what was expected, and what to do, in one line that is true."""

from __future__ import annotations

import io
import subprocess
import sys
import tarfile
import zipfile
from pathlib import Path

import can
import pytest

from mixmon.errors import SourceError
from mixmon.frames.logs import open_log

TEXT = b"(1700000000.000000) can0 123#1122\n" * 400


def refused(path: Path) -> str:
    with pytest.raises(SourceError) as caught:
        list(open_log(path))
    return str(caught.value).removeprefix(f"{path}: ")


def tarred(mode: str) -> bytes:
    packed = io.BytesIO()
    with tarfile.open(fileobj=packed, mode=mode) as archive:  # type: ignore[call-overload]
        member = tarfile.TarInfo("run.log")
        member.size = len(TEXT)
        archive.addfile(member, io.BytesIO(TEXT))
    return packed.getvalue()


def zipped(members: dict[str, bytes]) -> bytes:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in members.items():
            archive.writestr(name, data)
    return packed.getvalue()


@pytest.mark.parametrize("mode", ["w:", "w:gz", "w:bz2", "w:xz"])
def test_a_tar_archive_is_no_log(tmp_path: Path, mode: str) -> None:
    path = tmp_path / "run.log"
    path.write_bytes(tarred(mode))
    kind = "tar" if mode == "w:" else "packed tar"
    assert refused(path) == f"a {kind} archive; expected one log; unpack it with tar -xf {path}"


def test_a_tar_archive_in_a_zip_is_no_log(tmp_path: Path) -> None:
    path = tmp_path / "run.zip"
    path.write_bytes(zipped({"run.tar": tarred("w:")}))
    assert "unpack it with unzip, and run.tar with tar -xf" in refused(path)


def test_zips_that_cannot_be_read_say_why(tmp_path: Path) -> None:
    path = tmp_path / "run.zip"
    whole = zipped({"run.log": TEXT})
    path.write_bytes(whole[: len(whole) // 2])
    assert refused(path).startswith(
        "a zip without its list of files, which stands at its end: it was cut off"
    )
    path.write_bytes(zipped({"a.log": TEXT, "b.log": TEXT}))
    assert refused(path).startswith("a zip of 2 files (a.log, b.log); expected one log in it")
    locked = bytearray(whole)
    for signature, flags in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):  # section 4.3.7 and 4.3.12
        locked[locked.index(signature) + flags] |= 1
    path.write_bytes(locked)
    assert refused(path).startswith("an encrypted zip; expected one without a password")


def test_a_binary_log_without_its_suffix_is_named(tmp_path: Path) -> None:
    blf, other = tmp_path / "run.blf", tmp_path / "run.log"
    with can.Logger(str(blf)) as writer:
        writer(can.Message(timestamp=1.0, data=b"\x11"))
    other.write_bytes(blf.read_bytes())
    assert refused(other).startswith("a BLF log; expected the suffix by which it is read")
    with blf.open("rb") as given:
        answer = subprocess.run(
            [sys.executable, "-m", "mixmon", "census", "-"], stdin=given, capture_output=True, check=False
        )
    told = b"a BLF log; expected candump text, or a file; write it to one that ends in .blf"
    assert (answer.returncode, answer.stderr.splitlines()) == (2, [b"mixmon: standard input: " + told])
