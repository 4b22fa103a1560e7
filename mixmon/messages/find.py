"""The message definitions that a session's buses name, wherever they lie."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from pathlib import Path

from mixmon.errors import DefinitionError, Mistake, SessionError
from mixmon.frames.block import EXTENDED
from mixmon.messages.chain import CHAIN_FILE, ENGINE_FILE, shipped_database
from mixmon.messages.database import Database, load_database
from mixmon.session.model import Bus, Session


def load_databases(session: Session) -> dict[str, Database]:
    """The definitions of each bus that has any, by bus name.

    A database is a path from the session file's folder, or else the name of one that comes with
    mixmon. Several on one bus become one, in the order of the file.

    Raises:
        SessionError: some cannot be found or read, or do not go together; all of them are in it.
    """
    databases, mistakes = find_databases(session)
    if mistakes:
        raise SessionError(str(session.path or "session"), mistakes)
    return databases


def find_databases(session: Session) -> tuple[dict[str, Database], list[Mistake]]:
    """The definitions that could be read, by bus name, and what is wrong with the others."""
    databases: dict[str, Database] = {}
    mistakes: list[Mistake] = []
    for i, bus in enumerate(session.buses, 1):
        loaded = _load(bus, _folder(session), f"bus[{i}].database", mistakes)
        if loaded:
            databases[bus.name] = _joined(loaded, f"bus[{i}].database", mistakes)
    return databases, mistakes


def _folder(session: Session) -> Path:
    return session.path.parent if session.path is not None else Path()


def _load(bus: Bus, folder: Path, where: str, mistakes: list[Mistake]) -> list[Database]:
    """All databases of the bus, or none of them if one is missing."""
    loaded = []
    for written in bus.databases:
        path = database_path(written, folder)
        if path is None:
            found = f'no file "{written}" in {folder.resolve()}'
            mistakes.append(Mistake(where, found, f"a DBC file there, or {CHAIN_FILE} or {ENGINE_FILE}"))
            continue
        try:
            loaded.append(load_database(path))
        except DefinitionError as error:
            mistakes.append(Mistake(where, str(error), "a message definition file that can be used"))
    return loaded if len(loaded) == len(bus.databases) else []


def database_path(written: str, folder: Path) -> Path | None:
    """Where a database lies that a session file in `folder` names; None: nowhere.

    A file of that name beside the session file will do as well: so it lies in the folder of a run.
    """
    try:
        for path in (folder / written, folder / Path(written).name):
            if path.is_file():
                return path
        return shipped_database(written)
    except OSError:  # a name that no file can have
        return None


def _joined(databases: list[Database], where: str, mistakes: list[Mistake]) -> Database:
    """One database of several; what more than one of them defines is reported."""
    first, *others = databases
    if not others:
        return first
    messages = tuple(message for database in databases for message in database.messages)
    names = ", ".join(database.name for database in databases)
    ids, words = Counter(m.can_id for m in messages), Counter(m.name for m in messages)
    twice = [m for m in messages if ids[m.can_id] > 1 or words[m.name] > 1]
    if twice:
        listed = ", ".join(dict.fromkeys(f"{m.name} ({_identifier(m.can_id)})" for m in twice))
        found = f"names or identifiers that more than one of {names} defines: {listed}"
        mistakes.append(Mistake(where, found, "each message defined once on one bus"))
    notices = tuple(notice for database in databases for notice in database.notices)
    return replace(first, name=names, messages=messages, notices=notices)


def _identifier(can_id: int) -> str:
    """As in a log: three hex digits, or eight for 29-bit identifiers."""
    return f"{can_id & ~EXTENDED:08X}" if can_id & EXTENDED else f"{can_id:03X}"
