"""Whatever the stamps of a log are, every stage comes to its end; rows are made for time that passed."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from hypothesis import example, given, settings
from hypothesis import strategies as st

from mixmon.findings.balance.balance import BalanceStage
from mixmon.findings.census.census import Census
from mixmon.findings.census.nodes import from_binding
from mixmon.findings.events.events import EventStage
from mixmon.frames.candump import CandumpReader
from mixmon.frames.candump_line import LAST_SECOND
from mixmon.frames.clock import FORWARD_JUMP_NS
from mixmon.live.replay import PlaybackAxis
from mixmon.messages.bind import bind, load_databases
from mixmon.mixture.align import GRID_NS
from mixmon.pipeline import Pipeline
from mixmon.session.load import load_session
from mixmon.watch.observer import Observer

BINDING = bind(
    session := load_session(Path(__file__).parents[1] / "examples" / "alder8.toml"), load_databases(session)
)
INT64_SECONDS = 9_223_372_036
SHORT = st.floats(0, 3, allow_nan=False).map(lambda seconds: f"{seconds:.6f}")
ANY = st.tuples(st.integers(0, 2 * INT64_SECONDS), st.integers(0, 999_999)).map(
    lambda two: f"{two[0]}.{two[1]:06d}"
)
EDGE = st.sampled_from(
    [
        f"{second}.{fraction}"
        for second in (0, LAST_SECOND, LAST_SECOND + 1, INT64_SECONDS - 1, INT64_SECONDS)
        for fraction in ("000000", "999999", "999999999")
    ]
)


@given(st.lists(st.one_of(SHORT, EDGE, ANY), min_size=1, max_size=5))
@example(["1700000000.000000", "1700000000.010000", "9223372035.999999"])
@example(["4499999999.999999", "4499999999.999999"])
@settings(max_examples=20, deadline=None)
def test_no_stamp_makes_a_stage_run_on(stamps: list[str]) -> None:
    text = "".join(f"({stamp}) can0 {0x2A0 + 4 * (i % 8):X}#00\n" for i, stamp in enumerate(stamps))
    reader = CandumpReader()
    frames = reader.feed(text.encode())
    assert len(frames) + reader.report.rejected_lines == len(stamps)
    if not len(frames):
        return
    pipeline, census = Pipeline(BINDING), Census(from_binding(BINDING))
    stages = Observer(BINDING), BalanceStage(session), EventStage(session, BINDING.fuel)
    rows = 0
    for block in (*pipeline.feed(frames), *pipeline.flush()):
        rows += len(block)
        for stage in stages:
            stage.feed(block)
    stages[0].snapshot()
    stages[1].result()
    stages[2].flush()
    census.feed(frames)
    census.result()
    places, _ = PlaybackAxis(FORWARD_JUMP_NS).feed(frames.t)
    assert (np.diff(places) >= 0).all()
    assert rows <= len(frames) * (FORWARD_JUMP_NS // GRID_NS + 1)
    assert places[-1] <= len(frames) * FORWARD_JUMP_NS
