"""Logs that are refused: what was found, what was expected, and what to do, in one line that is true."""

from __future__ import annotations

import gzip
import io
import lzma
import subprocess
import sys
import tarfile
import zipfile
from pathlib import Path

import can
import pytest

from mixmon.cli.main import BAD_INPUT
from mixmon.errors import SourceError
from mixmon.frames.log_bytes import UnpackError
from mixmon.frames.logs import MOST_UNPACKED_BYTES, check_room, open_log

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


@pytest.mark.parametrize("preset", [0, 6, 9])
def test_an_old_lzma_file_is_refused_with_what_unpacks_it(tmp_path: Path, preset: int) -> None:
    """As liblzma, the library of XZ Utils, writes it."""
    path = tmp_path / "run.log.lzma"
    path.write_bytes(lzma.compress(TEXT, lzma.FORMAT_ALONE, preset=preset))
    assert refused(path) == (
        "old .lzma data; expected another way of packing (gzip, bzip2, xz, zstd, zip), or none; "
        f"unpack it with xz --format=lzma -dc {path}"
    )


def test_text_that_begins_with_the_same_sign_is_text(tmp_path: Path) -> None:
    path = tmp_path / "run.log"
    path.write_bytes(b"] nothing\n" + TEXT)
    assert [len(block) for block in open_log(path)] == [400]


def test_what_a_small_file_unpacks_to_on_the_disk_is_bounded(tmp_path: Path) -> None:
    check_room(MOST_UNPACKED_BYTES, tmp_path)
    with pytest.raises(UnpackError, match="unpacks to more than 4 GiB; expected room for it"):
        check_room(MOST_UNPACKED_BYTES + 1, tmp_path)


WITHIN_A_MEGABYTE = """
import resource, signal, sys
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (1 << 20, resource.RLIM_INFINITY))
from mixmon.__main__ import start
sys.exit(start())
"""


def test_a_log_that_finds_no_room_to_be_unpacked_to_says_so(tmp_path: Path) -> None:
    path = tmp_path / "run.db.gz"
    path.write_bytes(gzip.compress(b"SQLite format 3\0" + bytes(2 << 20)))
    words = [sys.executable, "-c", WITHIN_A_MEGABYTE, "census", str(path)]
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    assert done.returncode == BAD_INPUT
    assert "cannot be unpacked to" in done.stderr
    assert "File too large; expected room for it; unpack it where there is room" in done.stderr


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
