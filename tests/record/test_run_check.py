"""Whether a run is as it was recorded: what its folder may hold instead, by mistake or with intent."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Callable
from pathlib import Path

import pytest
from run_folders import EPOCH, block, list_runs, recorded

from mixmon.frames.adapters.receiver import SourceEvent, SourceEventKind
from mixmon.record.recorder import Recorder
from mixmon.record.run_folder import open_run


@pytest.fixture
def root(tmp_path: Path) -> Path:
    return tmp_path / "runs"


def change_sums(path: Path, change: Callable[[list[str]], list[str]]) -> None:
    sums = path / "SHA256SUMS"
    sums.write_text("".join(f"{line}\n" for line in change(sums.read_text().splitlines())))


def sign_again(path: Path) -> None:
    """New checksums for whatever is in the folder, as anyone can make them."""
    names = [name.name for name in path.iterdir() if name.name != "SHA256SUMS"]
    digests = [f"{hashlib.sha256((path / name).read_bytes()).hexdigest()}  {name}" for name in sorted(names)]
    (path / "SHA256SUMS").write_text("\n".join(digests) + "\n")


def test_no_checksums_agree_with_nothing(root: Path) -> None:
    path = recorded(root)
    (path / "SHA256SUMS").write_text("")
    run = open_run(path)
    assert not run.verified
    names = ("frames.log", "notes.jsonl", "run.json", "session.toml")
    assert run.faults == tuple(
        f"{name}: SHA256SUMS has no checksum of it; it cannot be verified" for name in names
    )


@pytest.mark.parametrize("name", ["frames.log", "notes.jsonl", "run.json", "session.toml"])
def test_a_file_without_a_checksum_is_named(root: Path, name: str) -> None:
    path = recorded(root)
    change_sums(path, lambda lines: [line for line in lines if not line.endswith(name)])
    run = open_run(path)
    assert (run.verified, run.faults) == (
        False,
        (f"{name}: SHA256SUMS has no checksum of it; it cannot be verified",),
    )


def test_a_shorter_log_is_found_though_its_checksum_was_made_again(root: Path) -> None:
    path = recorded(root)
    lines = (path / "frames.log").read_bytes().splitlines(keepends=True)
    (path / "frames.log").write_bytes(b"".join(lines[:-10]))
    sign_again(path)
    run = open_run(path)
    assert not run.verified
    assert run.faults == ("frames.log: 990 frames; expected 1000 by run.json",)


def test_notes_that_were_added_are_found_though_their_checksum_was_made_again(root: Path) -> None:
    path = recorded(root)
    size = json.loads((path / "run.json").read_text())["size"]
    with (path / "notes.jsonl").open("ab") as notes:
        notes.write(b'{"t": 1, "kind": "mark"}\n')
    sign_again(path)
    assert open_run(path).faults == (
        f"frames.log and notes.jsonl: {size + 25} bytes; expected {size} by run.json",
    )


def test_lines_about_losses_are_no_frames(root: Path) -> None:
    recorder = Recorder(root)
    recorder.start()
    for part in range(3):
        recorder.note_event(SourceEvent(EPOCH, "can0", SourceEventKind.DROPPED, "7 frames lost", 7))
        recorder.write(block(10 * part, 10))
    recorder.close()
    assert open_run(list_runs(root)[0]).verified


@pytest.mark.parametrize("name", ["frames.log", "notes.jsonl", "run.json", "session.toml", "SHA256SUMS"])
def test_a_link_out_of_the_folder_is_not_followed(root: Path, tmp_path: Path, name: str) -> None:
    path = recorded(root)
    (path / name).rename(tmp_path / name)
    (path / name).symlink_to(tmp_path / name)
    run = open_run(path)
    assert not run.verified
    assert any("a link, which was not followed" in fault for fault in run.faults)


@pytest.mark.parametrize("name", ["../frames.log", "/dev/zero", "..", "a/b"])
def test_a_name_out_of_the_folder_is_not_read(root: Path, name: str) -> None:
    path = recorded(root)
    change_sums(path, lambda lines: [*lines, f"{'0' * 64}  {name}"])
    assert f"SHA256SUMS: '{'0' * 64}  {name}'"[:100] in open_run(path).faults[0]
    manifest = json.loads((path / "run.json").read_text())
    manifest["files"].append(name)
    (path / "run.json").write_text(json.dumps(manifest))
    assert f"run.json: {name!r} is no file of this folder" in open_run(path).faults


@pytest.mark.parametrize("name", ["notes.jsonl", "run.json", "session.toml", "SHA256SUMS"])
def test_a_pipe_in_the_folder_holds_nobody_up(root: Path, name: str) -> None:
    path = recorded(root)
    (path / name).unlink()
    os.mkfifo(path / name)
    run = open_run(path)
    assert not run.verified
    assert any("expected a plain file" in fault for fault in run.faults)


def test_no_more_is_read_than_the_run_says_it_has(root: Path) -> None:
    """A hole of a tebibyte takes no room and would take an hour to read."""
    path = recorded(root)
    for name in ("frames.log", "session.toml"):
        os.truncate(path / name, 1 << 40)
    faults = open_run(path).faults
    assert [fault.partition(":")[0] for fault in faults] == ["frames.log", "session.toml"]


HOSTILE = [
    "[" * 100_000,
    '{"format": 1, "frames": "x"}',
    '{"format": 1, "files": 3, "buses": [1]}',
    "\xff",
    "1" * 9000,
]


@pytest.mark.parametrize("text", HOSTILE, ids=["deep", "no number", "no lists", "no text", "long number"])
def test_whatever_stands_in_its_files_a_run_opens(root: Path, text: str) -> None:
    path = recorded(root)
    for name in ("run.json", "notes.jsonl", "SHA256SUMS"):
        (path / name).write_bytes(text.encode("latin-1"))
    assert not open_run(path).verified
