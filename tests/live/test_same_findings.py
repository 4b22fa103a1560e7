"""The same frames give the same findings: watched live, replayed in any way, and reported on."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from command_line import read_json, run_command
from laws import everything
from live_rig import Player, glimpse, keeper_in, session_file, until, virtual_worker
from run_folders import list_runs

import mixmon
from mixmon.findings.alarms.records import AlarmEvent, Happening
from mixmon.frames.logs import open_log
from mixmon.live.recording import alarm_data
from mixmon.live.replay import ReplaySource
from mixmon.live.worker import Worker
from mixmon.record.run_folder import open_run
from mixmon.report.text import to_json
from mixmon.run import notes_on_missing
from mixmon.watch.commands import AcknowledgeAll, Mark, Pause, ResetPeaks, Seek, Shelve, Speed, Step

NAMES = ("same-chain", "same-engine")
BEGIN_S, END_S = 21.0, 35.0
"""Steady at full load, a pull with a misfire and a node that drops out, and its overrun."""


def alarms_of(worker: Worker) -> list[AlarmEvent]:
    return [item for item in worker.drain() if isinstance(item, AlarmEvent)]


def findings(worker: Worker) -> dict[str, object]:
    """What a worker found; as text, so that values that are not known can be compared."""
    found = worker.observer.balance(missing=notes_on_missing(worker.binding, worker.pipeline))
    events = sorted(worker.snapshot.happened, key=lambda event: (event.t, everything(event)))
    return {
        "balance": everything(found),
        "events": list(map(everything, events)),
        "pulls": everything(worker.snapshot.pulls),
        "rows": worker.observer.rows,
    }


def watched(session: Path, runs: Path) -> tuple[Worker, list[AlarmEvent]]:
    """A pull watched live, with an operator who acknowledges, shelves, marks."""
    worker = virtual_worker(session, NAMES, keeper_in(runs, session))
    alarms: list[AlarmEvent] = []
    with Player(glimpse(BEGIN_S, END_S), NAMES) as player:
        worker.start()
        until(lambda: worker.snapshot.alarms.alarms, "an alarm")
        shown = worker.snapshot.alarms.alarms
        worker.send(AcknowledgeAll(tuple((one.rule.name, one.position) for one in shown)))
        worker.send(Shelve(shown[0].rule.name, shown[0].position, "seen to", 3.0))
        worker.send(Mark("here", back_s=0.5))
        until(player.done.is_set, "the end of the pull")
        until(lambda: worker.snapshot.frames == player.sent, "the last frame")
        until(lambda: worker.snapshot.cylinders.age_ns.min() > 50_000_000, "some silence")
        worker.close()
    alarms += alarms_of(worker)
    assert worker.pipeline.frames == player.sent
    assert not worker.snapshot.failure
    return worker, alarms


def played_out(worker: Worker) -> tuple[dict[str, object], list[AlarmEvent]]:
    """What a replay has found at its end."""
    until(worker.ended.is_set, "the end of the replay")
    return findings(worker), alarms_of(worker)


def wind_back(worker: Worker) -> None:
    """From its beginning; what was found before is forgotten, and it is played by steps of all lengths."""
    before = worker.observer
    worker.send(Pause())
    worker.send(ResetPeaks())
    worker.send(Seek(0.0))
    for seconds in (0.001, 0.1, 0.37, 1.0, 0.01, 2.5):
        worker.send(Step(seconds))
    worker.send(Speed(1000.0))
    worker.send(Step(60.0))
    until(lambda: worker.observer is not before, "a new beginning")


@pytest.mark.slow
def test_live_replay_and_report_find_the_same(tmp_path: Path) -> None:
    session = session_file(tmp_path, settle_s="1.0")
    live, alarms = watched(session, tmp_path / "runs")
    assert live.pipeline.late_by_clock == 0
    found = findings(live)
    kinds = {event.kind.value for event in live.snapshot.happened}
    assert {"misfire", "node silent", "fuel cut"} <= kinds
    assert {Happening.ACKNOWLEDGED, Happening.SHELVED} <= {event.what for event in alarms}
    assert live.snapshot.pulls is not None

    run = open_run(list_runs(tmp_path / "runs")[0])
    assert (run.verified, run.faults) == (True, ())
    assert [note.data["text"] for note in run.notes if note.kind == "mark"] == ["here"]
    again = Worker(virtual_worker(session, NAMES).binding, ReplaySource(run, speed=None))
    again.start()
    first_time = played_out(again)
    wind_back(again)
    for found_again, events in (first_time, played_out(again)):
        assert found_again == found
        assert list(map(everything, events)) == list(map(everything, alarms))
    again.close()

    read = mixmon.read_run(live.session, run.path)
    assert everything(mixmon.balance(read)) == found["balance"]
    assert list(map(everything, mixmon.events(read))) == found["events"]

    first = int(next(iter(open_log(run.path))).t[0])
    told = [{"t_s": (event.t - first) / 1e9, **alarm_data(event)} for event in alarms]
    by_command = read_json(run_command("replay", str(run.path), "--json", "--quiet"))
    assert by_command.pop("alarms") == json.loads(to_json({"alarms": told}))["alarms"]
    standing = by_command.pop("alarms_standing")
    assert [(a["rule"], a["state"]) for a in standing] == [
        (a.rule.name, a.state.word) for a in live.snapshot.alarms.alarms
    ]
    assert by_command.pop("alarm_limits")["placeholders"]
    assert by_command == read_json(run_command("balance", str(run.path), "--json", "--quiet"))
