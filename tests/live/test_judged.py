"""What the operator decides of pulls and cells acts at once, and again when the run is replayed."""

from pathlib import Path

import pytest
from laws import everything
from live_rig import keeper_in, until
from run_folders import list_runs

from mixmon.findings.balance.balance import Balance
from mixmon.findings.balance.notes import BalanceNote
from mixmon.findings.pulls.quality import PullNote, Suggestion
from mixmon.live.recording import RunRecording
from mixmon.live.replay import ReplaySource
from mixmon.live.worker import Worker
from mixmon.messages.bind import bind, load_databases
from mixmon.note import note
from mixmon.record.run_folder import RunFolder, open_run
from mixmon.session.load import load_session
from mixmon.watch.commands import JudgeCell, JudgePull

LOG, SESSION = "examples/alder8_short.log.gz", "examples/alder8.toml"


Judged = tuple[Worker, RunFolder, Balance]


def played(source: str | RunFolder, recording: RunRecording | None = None) -> Worker:
    session = load_session(SESSION)
    worker = Worker(bind(session, load_databases(session)), ReplaySource(source, speed=None), recording)
    worker.start()
    until(worker.ended.is_set, "the end of the log")
    return worker


def used(balance: Balance) -> set[tuple[float | None, float | None]]:
    return {(cell.rpm, cell.load) for cell in balance.cells if cell.used_for_trims}


def verdicts(worker: Worker) -> list[tuple[str, tuple[str, ...]]]:
    review = worker.snapshot.pulls
    assert review is not None
    return [
        (pull.verdict.suggestion, tuple(one.code for one in pull.verdict.reasons)) for pull in review.pulls
    ]


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Judged:
    """A log watched and recorded, its last pull rejected and one of its cells left out at the end.

    With the balance before.
    """
    folder: Path = tmp_path_factory.mktemp("runs")
    worker = played(LOG, keeper_in(folder, Path(SESSION)))
    review = worker.snapshot.pulls
    assert review is not None
    before = worker.observer.balance()
    worker.send(JudgePull(review.pulls[-1].begin, keep=False))
    worker.send(JudgeCell(*min(used(before)), keep=False))
    until(lambda: len(worker.snapshot.remarks) > 2, "both decisions")
    worker.close()
    return worker, open_run(list_runs(folder)[0]), before


def test_a_pull_that_was_rejected_is_rejected_and_says_by_whom(
    run: Judged,
) -> None:
    assert verdicts(run[0])[-1] == (Suggestion.REJECT, (PullNote.REJECTED_BY_OPERATOR,))
    assert any("pull rejected by the operator" in words for _, words in run[0].snapshot.remarks)


def test_a_cell_that_was_left_out_is_shown_and_not_trimmed_by(run: Judged) -> None:
    untouched, balance = run[2], run[0].observer.balance()
    (gone,) = used(untouched) - used(balance)
    assert gone in {(cell.rpm, cell.load) for cell in balance.cells}
    assert [(cell.rpm, cell.load) for cell in balance.excluded_cells] == [gone]
    excluded = note(BalanceNote.CELLS_EXCLUDED_BY_OPERATOR, rpm=(gone[0],), load=(gone[1],))
    assert excluded in balance.notes
    assert balance.cylinders != untouched.cylinders


def test_a_replay_of_the_run_decides_the_same(run: Judged) -> None:
    again = played(run[1])
    again.close()
    assert verdicts(again) == verdicts(run[0])
    assert everything(again.observer.balance()) == everything(run[0].observer.balance())


def test_a_decision_can_be_taken_back() -> None:
    worker = played(LOG)
    before, cells = verdicts(worker), used(worker.observer.balance())
    review = worker.snapshot.pulls
    assert review is not None
    begin, cell = review.pulls[0].begin, min(cells)
    for keep in (False, True):
        worker.send(JudgePull(begin, keep=keep))
        worker.send(JudgeCell(*cell, keep=keep))
    until(lambda: len(worker.snapshot.remarks) == 4, "four decisions")
    worker.close()
    assert verdicts(worker)[0] == (Suggestion.KEEP, ())
    assert verdicts(worker)[1:] == before[1:]
    assert used(worker.observer.balance()) == cells
