"""A bus that falls silent is one alarm, by a worker that plays a log, and in the lines that it prints."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from command_line import run_command
from live_rig import EXAMPLE, glimpse

import mixmon
from mixmon.frames.candump_write import write_candump

NODE_3_FAST = 0x2A0 + 2


def test_a_silent_bus_is_one_line_and_a_silent_node_is_its_own(tmp_path: Path) -> None:
    frames = glimpse(18.0, 26.0)
    since = (frames.t - frames.t[0]) / 1e9
    chain = frames.bus == frames.channels.index("can0")
    gaps = chain & ((since > 2.0) & (since < 3.0) | (since > 5.0) & (since < 6.0))
    dead = chain & (frames.can_id == NODE_3_FAST) & (since > 4.0)
    path = tmp_path / "a.log"
    path.write_bytes(write_candump(frames.take(np.flatnonzero(~(gaps | dead)))))
    status, out, err = run_command("replay", str(path), "-s", str(EXAMPLE), "--text")
    assert status == 0
    raised = [line.split(maxsplit=1)[1] for line in out.splitlines() if ": raised, unacknowledged" in line]
    told = [line.partition(": raised")[0].split() for line in raised if "lean" not in line]
    chain = ["P1", "all", "cyl", "no", "data", "from", "the", "chain"]
    assert told == [chain, ["P2", "cyl", "3", "node", "silent"], chain]
    by_design = [line for line in out.splitlines() if "node silent: suppressed by design" in line]
    assert [line.split("(")[1] for line in by_design] == ["no data from the chain)"] * 2
    heard = [line for line in err.splitlines() if "node silent" in line]
    who = [line.removeprefix("mixmon: ").partition(" node silent for ")[0] for line in heard]
    assert sorted(who) == ["all cylinders", "cyl 1+2+4+5+6+7+8", "cyl 3"]


def test_a_silent_engine_bus_is_one_line_and_none_where_both_are_silent_or_it_is_slow(tmp_path: Path) -> None:
    """A replay: the engine is lost, then both buses at once, then the engine comes back with 10 Hz."""
    frames = glimpse(18.0, 26.0)
    since = (frames.t - frames.t[0]) / 1e9
    engine = frames.bus == frames.channels.index("can1")
    both = (since > 5.0) & (since < 6.5)
    slow = np.zeros(len(since), bool)
    for number in np.unique(frames.can_id[engine]):
        late = np.flatnonzero(engine & (frames.can_id == number) & (since > 6.5))
        slow[late[np.diff(since[late] // 0.1, prepend=-1.0) == 0]] = True
    path = tmp_path / "a.log"
    lost = engine & (since > 2.0) & (since < 3.9)
    path.write_bytes(write_candump(frames.take(np.flatnonzero(~(lost | both | slow)))))
    session = mixmon.load_session(EXAMPLE)
    run = mixmon.read_run(session, path)
    told = [
        (one.rule, round((one.t - int(frames.t[0])) / 1e9, 1)) for one in mixmon.alarms(run) if one.announced
    ]
    assert [one for one in told if "lean" not in one[0]] == [
        ("no data from the engine", 3.2),
        ("no data from the chain", 5.3),
    ]
    path.write_bytes(write_candump(frames.take(np.flatnonzero(~engine & (since < 3.0)))))
    assert not [one for one in mixmon.alarms(mixmon.read_run(session, path)) if one.announced]
