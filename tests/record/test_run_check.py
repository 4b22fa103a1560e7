"""Whether a run is as it was recorded: what its folder may hold instead, by mistake or with intent."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import tracemalloc
from collections.abc import Callable
from pathlib import Path

import pytest
from run_folders import EPOCH, block, list_runs, recorded

from mixmon.cli.main import BAD_INPUT, LIMIT_NOT_MET, main
from mixmon.frames.adapters.receiver import SourceEvent, SourceEventKind
from mixmon.frames.logs import MOST_NOTES
from mixmon.record.recorder import Recorder
from mixmon.record.run_folder import RunFolder, open_run


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


# What is small on the disk and large when it is read.


def open_within(path: Path, mebibytes: int) -> RunFolder:
    """The run, opened with no more memory than that."""
    tracemalloc.start()
    try:
        run = open_run(path)
        assert tracemalloc.get_traced_memory()[1] < mebibytes << 20
    finally:
        tracemalloc.stop()
    return run


def change_manifest(path: Path, **fields: object) -> None:
    manifest = json.loads((path / "run.json").read_text()) | fields
    (path / "run.json").write_text(json.dumps(manifest))


def test_notes_are_counted_and_not_kept(root: Path) -> None:
    path = recorded(root)
    with (path / "notes.jsonl").open("ab") as notes:
        notes.write(b'{"t":1,"kind":"a"}\n' * 20_000 + b"no note\n" * 3)
    run = open_within(path, 4)
    assert run.faults[0] == "notes.jsonl: 3 lines are no notes"
    assert len(run.notes) == 20_001


def test_the_notes_of_a_long_run_are_all_read(root: Path) -> None:
    path = recorded(root)
    with (path / "notes.jsonl").open("ab") as notes:
        notes.write(b'{"t":1,"kind":"a"}\n' * 260_000 + b"no note\n")
    faults = open_run(path).faults
    assert "notes.jsonl: 1 lines are no notes" in faults
    assert not [fault for fault in faults if "were read" in fault]


def test_of_very_many_notes_the_first_are_read(root: Path) -> None:
    path = recorded(root)
    notes = path / "notes.jsonl"
    told = "notes.jsonl: only the first 3000000 lines were read"
    notes.write_bytes(b"\n" * MOST_NOTES)
    assert told not in open_run(path).faults
    notes.write_bytes(b"\n" * (MOST_NOTES + 1))
    assert told in open_run(path).faults


def test_a_note_of_many_mebibytes_is_none(root: Path) -> None:
    path = recorded(root)
    (path / "notes.jsonl").write_bytes(b'{"t":1,"kind":"a","x":[' + b"[]," * 1_000_000 + b"[]]}\n")
    assert open_within(path, 40).faults[0] == "notes.jsonl: 3 lines are no notes"


@pytest.mark.parametrize(
    ("count", "fault"),
    [
        (5000, "run.json: names 5000 files; expected at most 1000"),
        (200_000, "run.json: cannot be read (more than 1048576 bytes); only the frames are known"),
    ],
)
def test_files_of_a_manifest_are_bounded(root: Path, count: int, fault: str) -> None:
    path = recorded(root)
    change_manifest(path, files=[f"{i:06x}" for i in range(count)])
    sign_again(path)
    assert open_within(path, 16).faults == (fault,)


@pytest.mark.parametrize(
    ("count", "fault"),
    [(5000, "5004 lines; expected at most 1000"), (100_000, "cannot be read (more than 1048576 bytes)")],
)
def test_checksums_are_bounded(root: Path, count: int, fault: str) -> None:
    path = recorded(root)
    change_sums(path, lambda lines: [*lines, *(f"{'0' * 64}  {i}" for i in range(count))])
    run = open_within(path, 16)
    assert not run.verified
    assert run.faults[0] == f"SHA256SUMS: {fault}"


def test_the_first_faults_are_told_and_the_others_counted(root: Path) -> None:
    path = recorded(root)
    change_sums(path, lambda lines: [*lines, *(f"{'0' * 64}  {i}" for i in range(500))])
    faults = open_run(path).faults
    assert len(faults) == 21
    assert faults[-1] == "and 480 more faults"


# Links out of the folder, in what reads a run.


@pytest.mark.parametrize("name", ["session.toml", "other.dbc"])
def test_no_session_is_read_from_a_folder_with_a_link(root: Path, tmp_path: Path, capfd, name: str) -> None:
    path = recorded(root)
    (tmp_path / "outside").write_text("a secret of the machine")
    (path / name).unlink(missing_ok=True)
    (path / name).symlink_to(tmp_path / "outside")
    for command in (["balance"], ["replay", "--text"]):
        assert main([*command, str(path)]) == BAD_INPUT
        shown = "".join(capfd.readouterr())
        assert f"{name} is a link, which is not followed" in shown
        assert "secret" not in shown


def test_definitions_outside_the_folder_are_not_read(root: Path, tmp_path: Path, capfd) -> None:
    """A session from elsewhere may name any file of the machine."""
    path = recorded(root)
    for name in ("mixture_chain.dbc", "engine_bus.dbc"):
        shutil.copy(f"dbc/{name}", tmp_path / f"my_{name}")
    text = Path("examples/alder8.toml").read_text().replace('database = "', f'database = "{tmp_path}/my_')
    (path / "session.toml").write_text(text)
    for command in (["balance"], ["replay", "--text"]):
        assert main([*command, str(path)]) == BAD_INPUT
        told = capfd.readouterr().err.splitlines()[-1]
        assert f'no file "my_mixture_chain.dbc" in {path}' in told
        assert "for a run nothing else is read; copy it there, or give --session" in told
    for name in ("mixture_chain.dbc", "engine_bus.dbc"):
        shutil.copy(f"dbc/{name}", path / f"my_{name}")
    assert main(["balance", str(path)]) == BAD_INPUT
    assert "none of the session's" in capfd.readouterr().err


def test_frames_behind_a_link_are_not_read(root: Path, tmp_path: Path, capfd) -> None:
    path = recorded(root)
    (path / "frames.log").rename(tmp_path / "outside.log")
    (path / "frames.log").symlink_to(tmp_path / "outside.log")
    assert main(["census", str(path)]) == BAD_INPUT
    out, err = capfd.readouterr()
    assert (out, "frames.log is a link, which is not followed" in err) == ("", True)


# What is said of files.


def test_untouched_files_are_not_accused_where_the_manifest_is_unreadable(root: Path) -> None:
    path = recorded(root)
    (path / "run.json").write_text("[")
    run = open_run(path)
    assert not run.verified
    assert [fault.partition(" (")[0] for fault in run.faults] == [
        "run.json: cannot be read",
        "run.json: differs from its checksum; it was changed after the run ended",
    ]
    with (path / "frames.log").open("ab") as frames:
        frames.write(b"more")
    assert (
        "frames.log: differs from its checksum; it was changed after the run ended" in open_run(path).faults
    )


def test_untouched_files_are_not_accused_where_the_manifest_gives_a_smaller_size(root: Path) -> None:
    path = recorded(root)
    change_manifest(path, size=5)
    size = (path / "frames.log").stat().st_size
    faults = open_run(path).faults
    assert f"frames.log: {size} bytes, more than run.json says; not read, and not verified" in faults


def test_a_file_that_is_not_of_the_run_is_told(root: Path, capfd) -> None:
    path = recorded(root)
    (path / "extra.dbc").touch()
    run = open_run(path)
    assert (run.verified, run.faults, run.extra) == (True, (), ("extra.dbc",))
    assert main(["verify", str(path)]) == LIMIT_NOT_MET
    assert capfd.readouterr().out.endswith(f"{path}: not part of the run: extra.dbc\n")


@pytest.mark.parametrize(
    "fields",
    [
        {"lost": -5},
        {"started_ns": 10**30},
        {"files": [1, None, {}]},
        {"files": "session.toml"},
        {"versions": []},
        {"frames": 10**400},
        {"pre_trigger_s": "nan"},
        {"stopped": {"a": 1}},
    ],
    ids=str,
)
def test_a_manifest_of_odd_fields_is_none(root: Path, fields: dict[str, object]) -> None:
    path = recorded(root)
    change_manifest(path, **fields)
    sign_again(path)
    run = open_run(path)
    assert not run.verified
    (fault,) = run.faults
    (name,) = fields
    assert fault.startswith(f"run.json: cannot be read ({name} is ")
    assert len(fault) < 200
