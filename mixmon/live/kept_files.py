"""Where the runs of a session are kept, and what is kept in each of them beside the frames."""

from __future__ import annotations

from pathlib import Path

from mixmon.errors import SourceError, reason_of
from mixmon.messages.bind import database_path
from mixmon.messages.chain import shipped_database
from mixmon.record.run_folder import SESSION_FILE
from mixmon.session.entered import entered_path
from mixmon.session.evidence import evidence_path
from mixmon.session.model import Session


def run_files(session: Session) -> dict[str, bytes]:
    """What is kept in every run beside the frames: the session file and its own message definitions.

    Raises:
        SourceError: one of them cannot be read.
    """
    if session.path is None:
        return {}
    files = {SESSION_FILE: read_kept(session.path)}
    if session.identity is not None:
        files[evidence_path(Path(SESSION_FILE)).name] = read_kept(evidence_path(session.path))
    if session.entries:
        files[entered_path(Path(SESSION_FILE)).name] = read_kept(entered_path(session.path))
    for bus in session.buses:
        for written in bus.databases:
            path = database_path(written, session.path.parent)
            if path is not None and path != shipped_database(written):
                files.setdefault(path.name, read_kept(path))
    return files


def own_runs_folder(session: Session) -> Path:
    """The session's folder for runs, from where its file lies."""
    return (session.path.parent if session.path is not None else Path()) / session.recording.folder


def read_kept(path: Path) -> bytes:
    """The bytes of a file.

    Raises:
        SourceError: it cannot be read.
    """
    try:
        return path.read_bytes()
    except OSError as error:
        why = reason_of(error).lower()
        raise SourceError(f"{path}: {why}; expected a file that can be read; check its name") from error
