"""A run that was watched with an operator at the keys, replayed: the same records, the same book."""

from __future__ import annotations

import functools
import json
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from laws import everything
from run_folders import list_runs

import mixmon
from mixmon.cli.main import DONE, main
from mixmon.findings.alarms.records import (
    SILENCING,
    Alarm,
    AlarmEvent,
    AlarmList,
    Happening,
    OperatorAction,
    Verb,
)
from mixmon.findings.alarms.states import AlarmState
from mixmon.frames.block import FrameBlock, concat
from mixmon.frames.logs import open_log
from mixmon.live.recording import RunRecording
from mixmon.live.replay import ReplaySource
from mixmon.messages.bind import bind, load_databases
from mixmon.pipeline import Pipeline
from mixmon.record.recorder import Recorder
from mixmon.record.run_folder import RunFolder, open_run
from mixmon.session.load import load_session
from mixmon.simulate.load import load_scenario
from mixmon.simulate.simulation import simulate
from mixmon.watch.observer import Observer

S = 1_000_000_000
MOMENT_NS = 200_000_000


def session_in(folder: Path) -> Path:
    """The demo engine's session; a silent node stays latched, a lean cylinder is announced every second."""
    text = Path("examples/alder8.toml").read_text()
    for name, more in (("node silent", "latching = true"), ("lean under load", "re_alarm_s = 1.0")):
        text = text.replace(f'name = "{name}"\n', f'name = "{name}"\n{more}\n')
    path = folder / "session.toml"
    path.write_text(text)
    return path


@functools.cache
def glimpse() -> FrameBlock:
    """The demo engine's forty seconds from the last of its idle on."""
    frames = concat([b for b in simulate(load_scenario("alder8-glimpse"), seed=1) if len(b)])
    return frames.take(frames.t >= frames.t[0] + 14 * S)


def moments() -> Iterator[FrameBlock]:
    """Those seconds as they come from a bus."""
    frames = glimpse()
    borders = np.flatnonzero(np.diff(frames.t // MOMENT_NS)) + 1
    for rows in np.split(np.arange(len(frames)), borders):
        yield frames.take(slice(int(rows[0]), int(rows[-1]) + 1))


def keys(standing: tuple[Alarm, ...], number: int) -> tuple[Alarm, Verb, int | None]:
    """What the operator does: acknowledges and resets a silent node, tries all on one lean cylinder."""
    silent = [alarm for alarm in standing if alarm.rule.name == "node silent"]
    if silent:
        return (
            silent[0],
            Verb.RESET if silent[0].state is AlarmState.LATCHED_ACKNOWLEDGED else Verb.ACKNOWLEDGE,
            None,
        )
    verb, duration = (
        (Verb.ACKNOWLEDGE, None),
        (Verb.SHELVE, S // 2),
        (Verb.UNSHELVE, None),
        (Verb.SHELVE, None),
        (Verb.OUT_OF_SERVICE, None),
        (Verb.UNSHELVE, None),
        (Verb.IN_SERVICE, None),
        (Verb.ACKNOWLEDGE, None),
        (Verb.SHELVE, 20 * S),
    )[number % 9]
    return min(standing, key=lambda alarm: alarm.position or 0), verb, duration


def watched(session: Path, runs: Path) -> tuple[list[AlarmEvent], AlarmList]:
    """Frames recorded before they are worked; every two fifths of a second a key."""
    loaded = load_session(session)
    binding = bind(loaded, load_databases(loaded))
    pipeline, observer = Pipeline(binding), Observer(binding)
    recording = RunRecording(Recorder(runs, name="test", files={"session.toml": session.read_bytes()}))
    records: list[AlarmEvent] = []

    def keep(events: tuple[AlarmEvent, ...]) -> None:
        records.extend(events)
        for event in events:
            recording.alarm(event)

    for number, frames in enumerate(moments()):
        if number == 0:
            recording.open(int(frames.t[0]))
        recording.write(frames)
        for rows in pipeline.feed(frames):
            keep(observer.feed(rows))
        standing = observer.snapshot().alarms.alarms if number % 2 == 0 else ()
        if standing:
            alarm, verb, duration = keys(standing, number // 2)
            reason = "seen to" if verb in SILENCING else ""
            key = OperatorAction(
                observer.t or 0, verb, alarm.rule.name, alarm.position, duration, reason, observer.stretch
            )
            recording.action(observer.act(key))
    for rows in pipeline.flush():
        keep(observer.feed(rows))
    keep(observer.flush())
    recording.close(observer.t)
    return records, observer.snapshot().alarms


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> tuple[list[AlarmEvent], AlarmList, RunFolder]:
    folder = tmp_path_factory.mktemp("watched")
    records, standing = watched(session_in(folder), folder / "runs")
    return records, standing, open_run(list_runs(folder / "runs")[0])


def test_the_operator_has_tried_everything(run):
    records, standing, folder = run
    of_itself = {what for what in Happening if "misfire" in what.value} | {Happening.EXPLAINED}
    assert {record.what for record in records} | of_itself == set(Happening)
    assert {record.state for record in records} >= {
        AlarmState.ACKNOWLEDGED,
        AlarmState.RETURNED_UNACKNOWLEDGED,
        AlarmState.LATCHED_ACKNOWLEDGED,
    }
    assert standing.alarms
    assert folder.verified


def test_the_command_gives_a_script_the_same_records_and_what_stands(run, capsys):
    records, standing, folder = run
    assert main(["replay", str(folder.path), "--json", "--quiet"]) == DONE
    found = json.loads(capsys.readouterr().out)
    first = int(next(iter(open_log(folder.path))).t[0])
    assert [
        (
            a["t_s"],
            a["rule"],
            a["position"],
            a["what"],
            a["state"],
            a["silenced"],
            a["announced"],
            a["reason"],
        )
        for a in found["alarms"]
    ] == [
        (
            (r.t - first) / 1e9,
            r.rule,
            r.position,
            r.what.value,
            None if r.state is None else r.state.word,
            r.flags.word,
            r.announced,
            r.reason,
        )
        for r in records
    ]
    assert [(a["rule"], a["position"], a["state"], a["silenced"]) for a in found["alarms_standing"]] == [
        (a.rule.name, a.position, a.state.word, a.flags.word) for a in standing.alarms
    ]
    assert found["alarm_limits"]["placeholders"] is True
    assert {r["rule"] for r in found["alarm_limits"]["rules"]} >= {"lean under load", "node silent"}
    assert all(r["cause"] and r["consequence"] and r["response"] for r in found["alarm_limits"]["rules"])


def test_a_script_in_python_gets_the_same_records(run):
    records, _, folder = run
    session = mixmon.load_session(folder.session)
    actions = ReplaySource(folder).actions()
    read = mixmon.read_run(session, folder.path)
    again = mixmon.alarms(read, actions)
    assert list(map(everything, again)) == list(map(everything, records))
    without = mixmon.alarms(read)
    assert not {r.what for r in without} & {
        Happening.ACKNOWLEDGED,
        Happening.SHELVED,
        Happening.OUT_OF_SERVICE,
    }


def test_as_text_the_placeholders_are_called_so(run, capsys):
    assert main(["replay", str(run[2].path), "--text", "--quiet"]) == DONE
    text = capsys.readouterr().out
    assert "lean under load misfire?: raised, unacknowledged" in text
    assert "placeholder limits: common practice, not from this engine's builder" in text


def test_a_run_begun_later_knows_what_had_been_silenced_before(tmp_path):
    session = session_in(tmp_path)
    loaded = load_session(session)
    binding = bind(loaded, load_databases(loaded))
    pipeline, observer = Pipeline(binding), Observer(binding)
    recorder = Recorder(tmp_path / "runs", files={"session.toml": session.read_bytes()}, pre_trigger_s=1.0)
    recording = RunRecording(recorder, idle=True)
    recording.silences = observer.silences
    for frames in moments():
        if observer.t is None:
            recording.open(int(frames.t[0]))
        elif not recording.running and observer.rows > 100 and not observer.silences():
            for rule, verb, position, duration in (
                ("lean under load", Verb.SHELVE, 4, 12 * S),
                ("lean under load", Verb.OUT_OF_SERVICE, 7, None),
                ("node silent", Verb.SHELVE, 5, None),
            ):
                key = OperatorAction(observer.t, verb, rule, position, duration, "known", 0)
                recording.action(observer.act(key))
        if not recording.running and observer.rows > 400:
            recording.start(observer.t or 0, observer.stretch)
        recording.write(frames)
        for rows in pipeline.feed(frames):
            for event in observer.feed(rows):
                recording.alarm(event)
    recording.close(observer.t)
    run = open_run(list_runs(tmp_path / "runs")[0])
    found = mixmon.alarms(
        mixmon.read_run(mixmon.load_session(run.session), run.path), ReplaySource(run).actions()
    )
    set_, ended = Happening.SHELVED, Happening.SHELF_ENDED
    silenced = [(r.what, r.position) for r in found if r.what in {set_, ended, Happening.OUT_OF_SERVICE}]
    assert sorted(silenced, key=repr) == sorted(
        [(set_, 4), (set_, 5), (Happening.OUT_OF_SERVICE, 7), (ended, 4)], key=repr
    )
