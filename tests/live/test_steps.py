"""Fuel steps marked while watching: recorded, replayed alike, and kept as the proof that lifts the lock."""

from dataclasses import replace
from pathlib import Path

import pytest
from command_line import run_command
from laws import everything
from live_rig import keeper_in, until
from run_folders import list_runs

from mixmon.cli.output import evidence_keeper
from mixmon.findings.balance.notes import BalanceNote
from mixmon.findings.identity.guide import StepAction, StepVerb
from mixmon.live.recording import step_data, step_of, step_words
from mixmon.live.replay import ReplaySource
from mixmon.live.worker import Worker
from mixmon.messages.bind import bind, load_databases
from mixmon.record.run_folder import RunFolder, RunNote, open_run
from mixmon.session.evidence import evidence_path, load_evidence
from mixmon.session.fuel_steps import load_fuel_steps
from mixmon.session.load import load_session
from mixmon.session.model import IdentifiedNode, IdentityEvidence
from mixmon.watch.commands import BeginStep, EndStep, KeepIdentity, Pause, PlanSteps, Resume, Speed, Step

LOG, SESSION = "examples/alder8_short.log.gz", "examples/alder8.toml"


@pytest.fixture(scope="module")
def stepped(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path, Path]:
    """The demo engine to the end of its steps: log, session that must be proved, and the steps."""
    folder = tmp_path_factory.mktemp("steps")
    log, session, steps = (folder / name for name in ("steps.log", "session.toml", "steps.toml"))
    words = ["simulate", "--scenario", "alder8-short", "--seed", "3", "--duration", "39", "--quiet"]
    assert run_command(*words, "--out", str(log), "--write-session", str(session)).status == 0
    lines = (line for line in session.read_text().splitlines() if not line.startswith("trim = "))
    session.write_text("\n".join(lines) + "\n")
    signs = ((-1, 1) * 4, (-1, -1, 1, 1) * 2, (-1,) * 4 + (1,) * 4, (-1, 1, 1, -1, 1, -1, -1, 1))
    listed = []
    for k, row in enumerate(signs):  # as the scenario has them: 2.5 s after 1.5 s of ramp, 3 s, 1 s pause
        begin = 18.0 + 4.0 + 4.0 * k
        fuel = ", ".join(f'"{c}" = {3.0 * sign}' for c, sign in enumerate(row, 1))
        listed += ["[[step]]", f"from_s = {begin}", f"to_s = {begin + 3.0}", f"fuel_percent = {{ {fuel} }}"]
    steps.write_text("\n".join(listed) + "\n")
    return log, session, steps


def test_the_proof_is_the_file_that_the_command_keeps_and_lifts_the_lock_at_once(
    stepped: tuple[Path, Path, Path],
) -> None:
    log, path, steps = stepped
    command = ["identify", str(log), "-s", str(path), "--steps", str(steps), "--keep", "--quiet"]
    assert run_command(*command).status == 0
    session = load_session(path)
    by_command = session.identity
    evidence_path(path).unlink()
    session = replace(session, identity=None)
    source = ReplaySource(str(log), speed=None)
    worker = Worker(bind(session, load_databases(session)), source, keep=evidence_keeper(session))
    first = 0
    for block in ReplaySource(str(log), speed=None).log:
        first = int(block.t[0])
        break
    for step in load_fuel_steps(steps, 8):
        for second, verb in ((step.from_s, StepVerb.BEGIN), (step.to_s, StepVerb.END)):
            worker.observer.act_on_steps(StepAction(first + round(second * 1e9), verb, fuel=step.percent))
    worker.start()
    until(worker.ended.is_set, "the end of the log")
    before = worker.observer.balance()
    worker.send(KeepIdentity())
    until(lambda: any("is in" in words for _, words in worker.snapshot.remarks), "the proof")
    worker.close()
    kept = load_evidence(path)
    assert by_command is not None
    assert kept is not None
    assert kept.log == by_command.log == "steps.log"
    assert [(n.position, n.sensor, n.address, n.cylinders) for n in kept.nodes] == [
        (n.position, n.sensor, n.address, n.cylinders) for n in by_command.nodes
    ]
    assert min(node.confidence for node in kept.nodes) > 0.99
    assert BalanceNote.IDENTITY_NOT_PROVED in [note.code for note in before.withheld]


def played(source: str | RunFolder, folder: Path | None = None, *acts: object, seconds: int = 30) -> Worker:
    """A log or run watched to its end; each act after the seconds that stand before it."""
    session = load_session(SESSION)
    recording = None if folder is None else keeper_in(folder, Path(SESSION))
    worker = Worker(
        bind(session, load_databases(session)), ReplaySource(source, end_ns=seconds * 10**9), recording
    )
    worker.send(Pause())
    worker.start()
    for act in acts:
        place = worker.snapshot.elapsed_s
        if isinstance(act, float):
            worker.send(Step(act))
            until(lambda p=place + act - 1.0: worker.snapshot.elapsed_s >= p, "the next seconds")
        else:
            told = len(worker.snapshot.remarks)
            worker.send(act)
            until(lambda n=told: len(worker.snapshot.remarks) > n, "the act")
    worker.send(Speed(None))
    worker.send(Resume())
    until(worker.ended.is_set, "the end of the log")
    worker.close()
    return worker


def test_a_replay_of_the_run_goes_through_the_same_steps(tmp_path: Path) -> None:
    acts = (
        PlanSteps(True, 4.0),
        20.0,
        BeginStep(),
        2.0,
        EndStep(),
        1.0,
        BeginStep(),
        3.0,
        EndStep(),
        BeginStep(),
    )
    live = played(LOG, tmp_path, *acts)
    test = live.snapshot.steps
    assert test is not None
    assert [step.end is None for step in test.steps] == [False, False, True]
    assert test.steps[0].fuel == ((1, 4.0),)
    run = open_run(list_runs(tmp_path)[0])
    verbs = [note.data["verb"] for note in run.notes if note.kind == "fuel step"]
    assert verbs == ["plan", "begin", "end", "begin", "end", "begin"]
    again = played(run)
    assert everything(again.snapshot.steps) == everything(test)
    assert [w for _, w in again.snapshot.remarks if "step" in w] == [
        w for _, w in live.snapshot.remarks if "step" in w
    ]


def test_what_cannot_be_kept_is_refused_with_what_to_do() -> None:
    worker = played(LOG, None, 2.0, KeepIdentity(), EndStep(), seconds=4)
    words = [words for _, words in worker.snapshot.remarks]
    assert any("no session file of its own" in one for one in words)
    assert any("none is held" in one for one in words)


def test_an_act_is_the_same_after_it_was_written_as_json() -> None:
    nodes = (IdentifiedNode(1, "S-1", "chain/Mix01.Lambda", (1,), 0.999),)
    evidence = IdentityEvidence("run 7", 5, 9, nodes)
    for action in (
        StepAction(5, StepVerb.PLAN, 3, single=True, percent=4.0),
        StepAction(5, StepVerb.BEGIN, 3, fuel=((1, 3.0), (2, -3.0))),
        StepAction(5, StepVerb.END, 3),
        StepAction(5, StepVerb.KEEP, 3, evidence=evidence),
    ):
        note = RunNote(5, "fuel step", step_data(action))
        assert step_of(note, 0) == action
        assert step_of(note, 2) == replace(action, stretch=1)
        assert step_words(action)
