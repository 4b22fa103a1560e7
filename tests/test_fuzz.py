"""Whatever comes from outside is taken, or refused as promised: each target of the fuzzer for a moment.

For as long as wanted, and guided by coverage: tools/fuzz.py.
"""

from __future__ import annotations

import json
import random

import pytest
from fuzz import Lines, edited
from fuzz_targets import TARGETS, candump
from hypothesis import given, settings
from hypothesis import strategies as st

from mixmon.frames.logs import watched_until
from mixmon.live.recording import JUDGED, is_readable
from mixmon.record.run_folder import RunNote, open_run

EXAMPLES = {"when": 60, "slcan": 40}


@pytest.mark.parametrize("name", TARGETS)
def test_any_edit_of_what_comes_from_outside_is_taken_or_refused(name: str) -> None:
    target = TARGETS[name]
    seeds = target.seeds()
    for data in seeds:
        target.check(data)

    @settings(max_examples=EXAMPLES.get(name, 12))
    @given(st.integers(0, 2**32))
    def any_edit(seed: int) -> None:
        target.check(edited(random.Random(seed), target, seeds))

    any_edit()


@settings(max_examples=10)
@given(st.integers(0, 2**32))
def test_any_lines_are_frames_or_counted_and_the_same_by_columns(seed: int) -> None:
    candump(Lines(seed).text(60))


def test_a_line_without_an_interface_and_blanks_is_no_frame():
    candump(b"(1436509052.010000)2A0#0000000000000000\n")
    candump(b"(1436509052.000000) can0 2A0#00\n(1436509052.010000)2A0#00\n")


@pytest.mark.parametrize("time", ["1e999", "NaN", '"never"', "[" * 20_000, "-1", "9" * 30, "null"])
def test_a_run_was_watched_until_a_time_that_stamps_can_have(tmp_path, time: str) -> None:
    line = '{{"t": {}, "kind": "watched until"}}\n'
    (tmp_path / "notes.jsonl").write_text(line.format(time) + line.format(7))
    assert watched_until(tmp_path) == 7


def test_a_name_that_no_file_can_have_is_no_file_of_a_run(tmp_path) -> None:
    (tmp_path / "frames.log").touch()
    (tmp_path / "SHA256SUMS").touch()
    (tmp_path / "run.json").write_text(json.dumps({"format": 1, "name": "", "files": ["half \ud800"]}))
    assert any("is no file of this folder" in fault for fault in open_run(tmp_path).faults)


def test_a_judgement_of_no_pull_is_not_readable() -> None:
    assert not is_readable(RunNote(0, JUDGED, {"pull": float("inf"), "keep": True}))
