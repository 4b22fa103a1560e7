"""What the demo leaves: a run that can be replayed as its last line says."""

from pathlib import Path

import pytest

from mixmon.cli.demo import demo_worker
from mixmon.record.run_folder import load_kept_session, open_run
from mixmon.simulate.simulation import EPOCH_NS


def test_a_run_of_the_demo_holds_its_session(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    recording = demo_worker(1).recording
    assert recording is not None
    recording.open(EPOCH_NS)
    recording.start(EPOCH_NS, 0)
    recording.close(EPOCH_NS + 1)
    (folder,) = (tmp_path / "runs").iterdir()
    assert open_run(folder).verified
    session = load_kept_session(folder)
    assert (session.name, session.engine.cylinders) == ("Alder 8 short", 8)
    assert session.trims.identity == "required"
