"""--from chooses a part of a log and leaves its clock alone: moments count from its first frame."""

from __future__ import annotations

import gzip
from pathlib import Path

import numpy as np
import pytest
from command_line import read_json, run_command

import mixmon

EXAMPLES = Path(__file__).parents[2] / "examples"
SESSION = str(EXAMPLES / "alder8.toml")
FROM = 20.0


@pytest.fixture(scope="module")
def log(tmp_path_factory: pytest.TempPathFactory) -> str:
    """The short example, in which node 3 falls silent after 30 s."""
    lines = gzip.decompress((EXAMPLES / "alder8_short.log.gz").read_bytes()).splitlines(keepends=True)
    first = float(lines[0][1:18])
    path = tmp_path_factory.mktemp("window") / "silent.log"
    path.write_bytes(b"".join(x for x in lines if b" 2A2#" not in x or float(x[1:18]) - first < 30))
    return str(path)


def both(*words: str) -> list[dict[str, object]]:
    return [
        read_json(run_command(*words, "--json", "--quiet", *part)) for part in ((), ("--from", str(FROM)))
    ]


def test_census(log: str) -> None:
    whole, part = both("census", log, "-s", SESSION)
    (silent,), (also,) = whole["silent"], part["silent"]  # type: ignore[misc]
    assert silent["since_s"] == also["since_s"] == pytest.approx(30, abs=0.02)  # type: ignore[index]


def test_alarms_of_a_replay(log: str) -> None:
    whole, part = (
        {(a["rule"], a["position"]): a["t_s"] for a in found["alarms"] if a["announced"]}  # type: ignore[attr-defined]
        for found in both("replay", log, "-s", SESSION)
    )
    assert part["node silent", 3] == whole["node silent", 3] == pytest.approx(30.26, abs=0.02)


def test_rows_of_a_part_are_rows_of_the_whole(log: str) -> None:
    session = mixmon.load_session(SESSION)
    whole, part = (
        np.concatenate([rows.t for rows in mixmon.read_run(session, log, begin_s=begin)])
        for begin in (0.0, FROM + 0.0037)
    )
    assert 0 <= part[0] - whole[0] - (FROM + 0.0037 - 0.005) * 1e9 < 20e6
    assert np.isin(part, whole).all()
