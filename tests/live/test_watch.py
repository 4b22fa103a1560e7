"""Watching from Python: a replay gives the rows and alarms that reading the log gives."""

from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest
from live_rig import Player, glimpse

import mixmon
from mixmon.frames.adapters.interfaces import BusOptions
from mixmon.record.run_folder import load_kept_session, open_run

LOG, SESSION = "examples/alder8_short.log.gz", "examples/alder8.toml"


@pytest.fixture(autouse=True)
def at_the_root(monkeypatch):
    monkeypatch.chdir(Path(__file__).parents[2])


def watched(session, **options):
    with mixmon.watch(session, LOG, end_s=6.0, **options) as watching:
        return list(watching)


def leaner(session, limit=1.02, **more):
    return mixmon.with_alarm(session, "own", lambda rows: rows.lam / rows.target, limit, **more)


def test_a_replay_gives_every_row_and_alarm_once():
    session = leaner(mixmon.load_session(SESSION), when="rpm < 1400", on_delay_s=0.5)
    turns = watched(session)
    read = list(mixmon.read_run(session, LOG, end_s=6.0))
    rows = [block for turn in turns for block in turn.rows]
    for name in ("t", "lam", "state"):
        one, other = (np.concatenate([getattr(block, name) for block in some]) for some in (rows, read))
        np.testing.assert_array_equal(one, other)
    told = [(a.t, a.rule, a.what, a.cylinders) for turn in turns for a in turn.alarms]
    found = mixmon.alarms(mixmon.read_run(session, LOG, end_s=6.0))
    assert told == [(a.t, a.rule, a.what, a.cylinders) for a in found]
    assert "own" in {rule for _, rule, _, _ in told}
    last = turns[-1]
    assert last.t_ns == int(read[-1].t[-1])
    assert last.snapshot.t == last.t_ns


def test_lateness_is_how_long_rows_wait():
    session = mixmon.load_session(SESSION)
    with mixmon.watch(session, LOG, lateness_s=2.0, end_s=6.0) as patient:
        first = next(iter(patient))
    with mixmon.watch(session, LOG, lateness_s=0.0, end_s=6.0) as hasty:
        other = next(iter(hasty))
    waits = [sum(map(len, turn.rows)) for turn in (other, first)]
    assert waits[0] - waits[1] == pytest.approx(200, abs=2)


def test_rows_are_arrow_tables_as_export_writes_them():
    session = mixmon.load_session(SESSION)
    turns = watched(session)
    tables = [table for turn in turns if (table := turn.to_arrow()) is not None]
    assert turns[0].to_arrow() is None or turns[0].rows
    whole = pa.concat_tables(tables, promote_options="none").to_pydict()
    rows = np.concatenate([block.lam for turn in turns for block in turn.rows])
    states = np.concatenate([block.state for turn in turns for block in turn.rows])
    labels = [node.cylinders[0] for node in session.chain.nodes]
    for i, cylinder in enumerate(labels):
        shown = np.array([np.nan if v is None else v for v in whole[f"lambda_{cylinder}"]])
        np.testing.assert_array_equal(shown, rows[:, i])
        assert whole[f"state_{cylinder}"] == [mixmon.SampleState(s).word for s in states[:, i].tolist()]
    first = turns[-1].first_ns
    np.testing.assert_allclose(whole["t_s"], (np.array(whole["t_ns"]) - first) / 1e9, rtol=0, atol=1e-9)
    assert turns[-1].t_s == pytest.approx(whole["t_s"][-1])
    run = mixmon.read_run(session, LOG, end_s=1.0)
    block = next(iter(run))
    alone = block.to_arrow(run, first)
    assert alone.column_names == tables[0].column_names
    assert alone.column("t_ns").to_pylist() == block.t.tolist()
    with pytest.raises(mixmon.UsageError, match="no row"):
        block.take(slice(0, 0)).to_arrow(run)


def test_what_is_watched_from_python_is_recorded_as_by_the_command(tmp_path):
    session = mixmon.load_session(SESSION)
    names = ("record-in-python-chain", "record-in-python-engine")
    buses = [
        BusOptions(bus.log_channel, "virtual", name, bus.bitrate)
        for bus, name in zip(session.buses, names, strict=True)
    ]
    with pytest.raises(mixmon.UsageError, match="recorded already"):
        mixmon.watch(session, LOG, record=True)
    with Player(glimpse(2.0, 2.3), names) as player:
        with mixmon.watch(session, buses=buses, record=tmp_path / "runs", for_s=20.0) as watching:
            for turn in watching:
                if player.done.is_set() and turn.snapshot.frames >= player.sent:
                    break
            (folder,) = watching.recorded
        assert watching.recorded == (folder,)
    run = open_run(folder)
    assert run.verified
    assert sum(len(block) for block in mixmon.read_frames(folder)) == player.sent
    assert load_kept_session(folder).name == session.name


def test_what_cannot_be_watched_is_refused():
    session = mixmon.load_session(SESSION)
    with pytest.raises(mixmon.UsageError, match="expected 0 to 10 s"):
        mixmon.watch(session, LOG, lateness_s=-1.0)
    with pytest.raises(mixmon.UsageError, match="omit one"):
        mixmon.watch(session, LOG, buses=[])
    with pytest.raises(mixmon.UsageError, match="in a with block"):
        list(mixmon.watch(session, LOG))
    with pytest.raises(mixmon.UsageError, match="name one"):
        mixmon.watch(mixmon.load_session("examples/foreign.toml"))
    with pytest.raises(mixmon.SourceError):
        mixmon.watch(session, "no_such.log")


def test_an_own_rule_that_cannot_be_watched_is_refused():
    session = mixmon.load_session(SESSION)
    with pytest.raises(mixmon.UsageError, match="taken"):
        leaner(leaner(session))
    for wrong in (
        {"limit": float("nan")},
        {"limit": "1"},
        {"priority": 4},
        {"when": "rpm >"},
        {"when": "boost > 3"},
        {"when": "oil_c > 130"},  # a quantity that the session has no signal for: it would never be in force
        {"on_delay_s": -1.0},
        {"re_alarm_s": float("nan")},
        {"latching": "yes"},
        {"colour": "red"},
    ):
        with pytest.raises(mixmon.UsageError, match="alarm 'own'"):
            leaner(session, **wrong)
    odd = mixmon.with_alarm(session, "own", lambda rows: rows.lam[:, :3], 1.0)
    with pytest.raises(mixmon.UsageError, match="correct the function"):
        mixmon.alarms(mixmon.read_run(odd, LOG, end_s=1.0))
    with pytest.raises(mixmon.UsageError, match="expected a function"):
        mixmon.with_alarm(session, "own", None, 1.0)


def fail(rows):
    raise ValueError("first\nsecond")


def give_text(rows):
    return "x" * len(rows.lam)


@pytest.mark.parametrize(
    ("value", "told"),
    [
        (fail, r"failed with ValueError: first \(test_watch.py, line \d+\)"),
        (give_text, "failed with ValueError: could not convert"),
        (lambda rows: rows.lam * 1j, "complex numbers"),
        (lambda rows: rows.node("suply"), r"suply: no signal of \[chain.signals\].*did you mean supply"),
        (lambda rows: rows.node("lambda"), "rows.lam is what counts of it"),
        (lambda rows: rows.engine("oil_c"), r"oil_c: no signal of \[engine_signals\]"),
        (lambda rows: rows.target.__imul__(0.0), "read-only"),
        (lambda rows: rows.engine("rpm").__imul__(0.0), "read-only"),
    ],
)
def test_the_function_of_an_own_rule_that_cannot_be_asked_is_told_in_one_line(value, told):
    session = mixmon.with_alarm(mixmon.load_session(SESSION), "own", value, 1.0)
    with pytest.raises(mixmon.UsageError, match=told) as refusal:
        mixmon.alarms(mixmon.read_run(session, LOG, end_s=0.5))
    assert "alarm 'own'" in str(refusal.value)
    assert "\n" not in str(refusal.value)


def test_a_recording_without_frames_of_the_session_is_refused_when_it_has_been_played():
    session = mixmon.load_session(SESSION)
    with (
        pytest.raises(mixmon.SourceError, match="none of the session's"),
        mixmon.watch(session, "examples/foreign.log.gz", end_s=1.0) as watching,
    ):
        list(watching)


def test_a_watch_is_opened_once():
    with mixmon.watch(mixmon.load_session(SESSION), LOG, end_s=0.2) as watching:
        assert list(watching)
        with pytest.raises(mixmon.UsageError, match="opened before"), watching:
            pass
    with pytest.raises(mixmon.UsageError, match="opened before"), watching:
        pass


def test_an_own_rule_sees_valid_samples_alone_and_one_value_for_the_engine():
    session = mixmon.load_session(SESSION)
    seen = []

    def least(rows):
        seen.append(rows.lam)
        return rows.spread

    own = mixmon.with_alarm(session, "uneven", least, 1.0, per_node=False, unit="%")
    run = mixmon.read_run(own, LOG, end_s=6.0)
    found = [record for record in mixmon.alarms(run) if record.rule == "uneven"]
    assert found
    assert all(record.position is None for record in found)
    valid = np.concatenate([block.state == mixmon.SampleState.VALID for block in run])
    assert not np.isfinite(np.concatenate(seen)[~valid]).any()


def test_functions_stay_functions_once_their_rooms_are_loaded():
    import mixmon.simulate.load
    import mixmon.watch.observer

    assert callable(mixmon.watch)
    assert callable(mixmon.simulate)
    simulation = mixmon.simulate("plain", duration=0.5)
    assert b"".join(simulation.candump()).count(b"\n") == sum(map(len, simulation))
