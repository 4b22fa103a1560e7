"""What is fuzzed: all that comes from outside, as one check of bytes each, with seeds and words for edits.

A check returns where the bytes are taken, and where they are refused in the way that is promised. Anything
else (another exception, frames that differ, a line that is not counted) is raised.
"""

from __future__ import annotations

import atexit
import json
import shutil
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
from strict_lines import line_by_line

from mixmon.errors import DefinitionError, MixmonError, SourceError
from mixmon.frames.adapters.slcan import SlcanLines
from mixmon.frames.block import FrameBlock, FrameRow, Interfaces, block_of, concat
from mixmon.frames.candump import CandumpReader
from mixmon.frames.logs import FRAMES, MANIFEST, NOTES, WATCHED, open_log, watched_until
from mixmon.live.recording import JUDGED, is_readable
from mixmon.messages.database import load_database
from mixmon.messages.decode import Decoder
from mixmon.record.recorder import Recorder
from mixmon.record.run_check import SUMS
from mixmon.record.run_folder import SESSION_FILE, open_run
from mixmon.session.load import load_session, read_session
from mixmon.session.when import ConditionError, names, parse

ROOT = Path(__file__).resolve().parents[1]
EPOCH = 1_795_000_000_000_000_000


@dataclass(frozen=True, slots=True)
class Target:
    """check raises what must not be; seeds are taken as they are; words are what an edit puts in."""

    check: Callable[[bytes], None]
    seeds: Callable[[], list[bytes]]
    words: tuple[bytes, ...]


@cache
def place() -> Path:
    """A folder of this process."""
    folder = tempfile.TemporaryDirectory(prefix="mixmon-fuzz-")
    atexit.register(folder.cleanup)
    return Path(folder.name)


def same_frames(found: FrameBlock, expected: FrameBlock) -> None:
    width = max(found.width, expected.width)
    for name in ("t", "can_id", "size", "dlc", "flags"):
        assert np.array_equal(getattr(found, name), getattr(expected, name)), name
    assert found.channels == expected.channels
    assert np.array_equal(found.bus, expected.bus)
    wide = [np.pad(block.data, ((0, 0), (0, width - block.width))) for block in (found, expected)]
    assert np.array_equal(*wide), "data"


def candump(data: bytes) -> None:
    """Whole, and in pieces, the columns give what single lines give; every line is in the account."""
    rows, expected = line_by_line(data)
    cut = 1 + len(data) // 3
    for pieces in ([data], [data[at : at + cut] for at in range(0, len(data), cut)]):
        reader = CandumpReader()
        block = concat([*map(reader.feed, pieces), reader.flush()])
        same_frames(block, strict_block(rows))
        report = reader.report
        assert report.rejected == expected.rejected
        assert report.first_rejected == expected.first_rejected
        assert report.skipped == expected.skipped
        told = [(loss.line, loss.interface, loss.dropped, loss.total, loss.after_t) for loss in report.losses]
        assert told == expected.losses
        assert report.lines == data.count(b"\n") + (not data.endswith(b"\n") and data != b"")
        assert report.lines == report.frames + report.skipped + len(report.losses) + report.rejected_lines


def strict_block(rows: Sequence[FrameRow]) -> FrameBlock:
    """The rows as columns, their interfaces numbered as they first appear."""
    interfaces = Interfaces()
    for row in rows:
        interfaces.number(row.interface)
    return block_of(rows, interfaces)


def session(data: bytes) -> None:
    path = place() / "session.toml"
    path.write_bytes(data)
    try:
        found, mistakes = read_session(path)
    except SourceError:
        return
    assert mistakes or found is not None
    assert all(str(mistake).strip() for mistake in mistakes)
    try:
        load_session(path)
    except MixmonError:
        assert mistakes
    else:
        assert not mistakes


def dbc(data: bytes) -> None:
    path = place() / "definitions.dbc"
    path.write_bytes(data)
    try:
        messages = load_database(path).messages
    except DefinitionError as refusal:
        if not str(refusal).startswith(f"{path}:"):
            raise AssertionError("a refusal that does not say of which file") from refusal
        return
    ids = np.array([message.can_id for message in messages for _ in range(3)], np.uint32)
    n = len(ids)
    chance = np.random.default_rng(len(data))
    size = chance.choice(np.array([0, 3, 8, 64], np.uint8), n)
    payload = np.where(np.arange(64) < size[:, None], chance.integers(0, 256, (n, 64)), 0).astype(np.uint8)
    zeros = np.zeros(n, np.uint8)
    block = FrameBlock(np.arange(n), ids, zeros, size, zeros, zeros, payload, ("can0",))
    found = Decoder([(0, messages)]).decode(block, np.zeros(1, np.uint8))
    assert sum(map(len, found)) == 3 * sum(bool(message.signals) for message in messages)


def when(data: bytes) -> None:
    text = data.decode("utf-8", "replace")
    try:
        tree = parse(text)
    except ConditionError as error:
        if not 1 <= error.column <= len(text) + 1:
            raise AssertionError("a place outside the text") from error
        return
    assert all(name in text for name in names(tree) if name.isascii())


def slcan(data: bytes) -> None:
    """Every line is a frame, an answer or a reject, and the cuts between reads cannot be seen."""
    results = []
    cut = 1 + len(data) // 3
    for pieces in ([data], [data[at : at + cut] for at in range(0, len(data), cut)]):
        lines = SlcanLines()
        block = concat([lines.feed(piece) for piece in pieces] or [lines.feed(b"")])
        lines.flush()
        results.append((block, lines.answers, lines.rejected))
        counted = len(block) + len(lines.answers) + lines.rejected.total()
        ended = data.replace(b"\a", b"\a\r").count(b"\r")
        assert ended <= counted <= ended + data.count(b"\a") + 1
    same_frames(results[0][0], results[1][0])
    assert results[0][1:] == results[1][1:]


@cache
def whole_run() -> Path:
    """A small run, recorded once a process."""
    recorder = Recorder(place() / "runs", name="fuzzed", files={SESSION_FILE: _example()})
    recorder.start("engine speed above 500")
    recorder.write(CandumpReader().feed(_log()))
    recorder.note(EPOCH, "mark", text="spike, cylinder 7")
    recorder.close()
    (path,) = (place() / "runs").iterdir()
    return path


@cache
def spoilt_run(name: str) -> Path:
    """A copy of the run, for the target that spoils this file of it."""
    return Path(shutil.copytree(whole_run(), place() / f"spoilt-{name}"))


def run_file(name: str) -> Callable[[bytes], None]:
    """The check of a run in which one file holds the bytes."""

    def check(data: bytes) -> None:
        folder = spoilt_run(name)
        (folder / name).write_bytes(data)
        try:
            run = open_run(folder)
        except SourceError:
            return
        assert not run.verified or name == SUMS or data == (whole_run() / name).read_bytes()
        assert all(fault.strip() for fault in run.faults)
        for note in run.notes:
            is_readable(note)
        watched_until(folder)
        try:
            log = open_log(folder)
            sum(len(block) for block in log)
        except SourceError:
            return

    return check


@cache
def _log() -> bytes:
    lines = [f"({1436509052 + n / 100:.6f}) can{n % 2} {0x2A0 + n % 8:03X}#{n:016X}" for n in range(40)]
    odd = [
        "(1436509053.000001) can0 1ABCDEF0#R8",
        "(1436509053.000002) can0 123##1112233",
        "(1436509053.000003) can0 20000004#0004000000000000",
        "# note",
        "",
        "DROPCOUNT: dropped 2 CAN frames on 'can0' socket (total drops 5)",
        "  can0  123   [2]  11 22",
        "(1436509053.000004) can1 7FF#1122334455667788 R",
    ]
    return "\n".join([*lines, *odd, ""]).encode()


def _example() -> bytes:
    return (ROOT / "examples" / "alder8.toml").read_bytes()


def _written(name: str) -> bytes:
    return (whole_run() / name).read_bytes()


_JSON = (
    b"1e999",
    b"NaN",
    b"-1",
    b"[" * 500,
    b'"',
    b"{}",
    b"null",
    b"[]",
    b"\\ud800",
    b"9" * 5000,
    b"true",
    b"\xff",
)
_TEXT = (
    b"(",
    b")",
    b"#",
    b" ",
    b"\n",
    b"\r",
    b".",
    b"R",
    b"0",
    b"A",
    b"\0",
    b"\xff",
    b"9" * 20,
    b"can0",
    b"##",
)
_TOML = (
    b"=",
    b'"',
    b"[",
    b"]",
    b"[[",
    b"{",
    b"}",
    b"#",
    b"\n",
    b"nan",
    b"inf",
    b"1e999",
    b"-",
    b"9" * 5000,
    b"\xff",
)
_DBC = (
    b"BO_",
    b"SG_",
    b"VAL_",
    b" M ",
    b" m1 ",
    b":",
    b";",
    b'"',
    b"//",
    b"\n",
    b"0",
    b"64",
    b"|",
    b"@0-",
    b"1e999",
)
_WHEN = (
    b"and",
    b"or",
    b"not",
    b"(",
    b")",
    b"<",
    b">=",
    b"==",
    b"rpm",
    b"-",
    b"1e999",
    b".",
    b"\xce\xbb",
    b"(" * 300,
)
_SLCAN = (b"\r", b"\a", b"\n", b"t", b"T", b"r", b"d", b"b", b"z", b"F", b"\xff", b"8", b"0" * 210)

TARGETS: dict[str, Target] = {
    "candump": Target(candump, lambda: [_log()], _TEXT),
    "session": Target(
        session, lambda: [_example(), (ROOT / "examples" / "foreign.toml").read_bytes()], _TOML
    ),
    "dbc": Target(dbc, lambda: [(ROOT / "dbc" / "engine_bus.dbc").read_bytes(), _DEFINITIONS], _DBC),
    "when": Target(when, lambda: [b"rpm > 2500 and not (map_kpa <= 80 or tip_in)"], _WHEN),
    "slcan": Target(
        slcan, lambda: [b"t1232AABBEA5F\rT1FFFFFFF1FF\rr1238\rF2A\r\az\rd1239" + b"5A" * 12 + b"\r"], _SLCAN
    ),
    "manifest": Target(run_file(MANIFEST), lambda: [_written(MANIFEST)], _JSON),
    "notes": Target(run_file(NOTES), lambda: [_written(NOTES), _notes()], _JSON),
    "sums": Target(run_file(SUMS), lambda: [_written(SUMS)], _TEXT),
    "frames": Target(run_file(FRAMES), lambda: [_written(FRAMES)], _TEXT),
}
"""By name, in the order in which they are fuzzed."""


_DEFINITIONS = b"""VERSION ""
BU_: A
BO_ 291 Mixture: 8 A
 SG_ Which M : 0|2@1+ (1,0) [0|3] "" A
 SG_ Lambda m0 : 8|16@1+ (0.001,0) [0|4] "" A
 SG_ Oxygen m1 : 15|12@0- (0.1,-5) [-5|25] "%" A
BO_ 2566834709 Wide: 64 A
 SG_ Value : 64|32@1- (1,0) [0|0] "V" A
CM_ SG_ 291 Lambda "what is burnt";
BA_DEF_ BO_ "GenMsgCycleTime" INT 0 1000;
BA_ "GenMsgCycleTime" BO_ 291 10;
VAL_ 291 Which 0 "lambda" 1 "oxygen" ;
SIG_VALTYPE_ 2566834709 Value : 1;
"""


def _notes() -> bytes:
    action = {
        "verb": "shelve",
        "rule": "lean",
        "position": 1,
        "duration_ns": None,
        "reason": "x",
        "stretch": 0,
    }
    lines = [
        {"t": EPOCH, "kind": WATCHED},
        {"t": EPOCH, "kind": "action", **action},
        {"t": EPOCH, "kind": JUDGED, "pull": EPOCH, "keep": True},
    ]
    return "".join(json.dumps(line) + "\n" for line in lines).encode()
