"""A log to which its recorder adds while it is read: what was there at the opening is read, and no more."""

from __future__ import annotations

import gzip
from pathlib import Path

import pytest

from mixmon.frames.logs import open_log

COUNT = 50_000
LINES = b"".join(b"(%d.%03d000) can0 2A0#%08X\n" % (1000 + i // 1000, i % 1000, i) for i in range(COUNT))


@pytest.mark.parametrize("pack", [bytes, gzip.compress], ids=["plain", "gzip"])
def test_a_log_that_grows_ends_where_it_ended(tmp_path: Path, pack: type[bytes]) -> None:
    """A recorder that is faster than the reader: each block that is read adds twice as much to the file."""
    path = tmp_path / "a.log"
    path.write_bytes(pack(LINES))
    source = open_log(path)
    frames = 0
    with path.open("ab") as recorder:
        for block in source:
            frames += len(block)
            recorder.write(pack(LINES))
            recorder.flush()
            assert frames <= COUNT, "it runs after the recorder"
    assert frames == COUNT
    assert source.report.rejected_lines == 0


def test_a_log_that_becomes_shorter_is_read_as_far_as_it_goes(tmp_path: Path) -> None:
    path = tmp_path / "a.log"
    path.write_bytes(LINES)
    blocks = iter(open_log(path))
    frames = len(next(blocks))
    path.write_bytes(b"")
    assert frames + sum(map(len, blocks)) <= COUNT
