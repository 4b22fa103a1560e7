"""mixmon record: its words."""

from __future__ import annotations

from dataclasses import replace

import pytest

from mixmon.cli.record import lost_words
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
