"""mixmon record: its words."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from live_rig import close_all, keeper_in, session_file, virtual_worker

from mixmon.cli.live import lost_words
from mixmon.cli.record import why_failed
from mixmon.watch.snapshot import BusNow

BUS = BusNow("chain", None, 0.0, 0, "active", 0, None)


@pytest.mark.parametrize(
    ("lost", "words"),
    [
        ((0, 0), "0 lost"),
        ((3, 4), "7 lost"),
        ((None, 0), "losses not counted on bus0"),
        ((None, None), "losses not counted on bus0, bus1"),
        ((None, 5), "at least 5 lost (bus0: not counted)"),
    ],
)
def test_losses_that_nobody_counts_are_not_said_to_be_none(lost: tuple[int | None, ...], words: str) -> None:
    buses = [replace(BUS, name=f"bus{i}", lost=count) for i, count in enumerate(lost)]
    assert lost_words(buses) == words


def test_who_gives_up_says_so_also_where_the_last_try_kept_all(tmp_path: Path) -> None:
    session = session_file(tmp_path)
    worker = virtual_worker(session, ("gave-up-a", "gave-up-b"), keeper_in(tmp_path / "runs", session))
    assert why_failed(worker, None) == ""
    assert why_failed(worker, 5.0).startswith("ended as nothing could be recorded for 5 s; ")
    close_all()
