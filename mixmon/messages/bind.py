"""The session's signals, found in the message definitions: binding a session to its databases.

A session file names quantities (lambda, ready, rpm, ...) and for each a signal as "Message.Signal"; a
database says where a signal lies in a frame. On the way from one to the other: the databases that the
buses name are found and read (`find_databases`), every chosen signal is looked up and its unit and range
are compared with what it was chosen for (`_Search`, `misread`), and what stays without a signal is listed
(`missing` and `gaps` of `messages.gaps`).

Nothing stops at the first mistake. Each step adds to a list of mistakes, so that one run of
`mixmon verify` shows all of them, in the order of the file.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from pathlib import Path

from mixmon.errors import DefinitionError, Mistake, MixmonError, SessionError
from mixmon.frames.block import identifier_text
from mixmon.gas import fuel as fuels
from mixmon.messages.binding import Binding, BoundSignal
from mixmon.messages.cautions import Caution
from mixmon.messages.chain import CHAIN_FILE, ENGINE_FILE, shipped_database
from mixmon.messages.database import Database, load_database
from mixmon.messages.gaps import Gap, gaps, missing
from mixmon.messages.misread import misread, misread_channel
from mixmon.note import Note, note
from mixmon.session.keys import (
    CHAIN_QUANTITIES,
    CYLINDER_QUANTITIES,
    ENGINE_QUANTITIES,
    Quantity,
    trim_quantity,
)
from mixmon.session.load import placed, read_session, read_text
from mixmon.session.model import Bus, DeclaredFuel, Sensors, Session, SignalChoice
from mixmon.session.schema import near

Databases = Mapping[str, Database]
"""Message definitions by bus name."""

_SHOWN_NAMES = 8
"""Names listed where nothing similar is known. Our choice: about one line of a terminal."""


def bind(session: Session, databases: Databases) -> Binding:
    """Every chosen signal, found in the definitions of its bus (by bus name).

    >>> from mixmon.messages.bind import load_databases
    >>> from mixmon.session.load import load_session
    >>> session = load_session("examples/alder8.toml")
    >>> binding = bind(session, load_databases(session))
    >>> binding.nodes[2]["lambda"].message.name
    'Mix03_Fast'

    Raises:
        SessionError: a message or signal is not there, cannot be what it was chosen for, or the
            fuel is unknown; all such mistakes are in it.
    """
    binding, mistakes = read_binding(session, databases)
    if mistakes:
        raise SessionError(str(session.path or "session"), mistakes)
    return binding


def find_mistakes(path: Path | str) -> list[Mistake]:
    """Every mistake in a session file and in what it says of its message definitions, in file order.

    >>> find_mistakes("examples/alder8.toml")
    []

    Raises:
        SourceError: the file cannot be read.
    """
    session, mistakes = read_session(path)
    if session is None:
        return mistakes
    databases, of_files = find_databases(session)
    _, of_signals = read_binding(session, databases)
    return placed([*mistakes, *of_files, *of_signals], read_text(Path(path)))


def read_binding(session: Session, databases: Databases) -> tuple[Binding, list[Mistake]]:
    """What could be bound, and every mistake.

    A signal on a bus without definitions is omitted without a mistake of its own: the missing
    definitions are reported by `find_databases`.
    """
    search = _Search(session, databases)
    nodes = search.nodes()
    engine = search.engine()
    channels = search.channels()
    fuel = declared_fuel(session.fuel, search.mistakes)
    every_node = set.intersection(*map(set, nodes)) if nodes else set()
    binding = Binding(
        session=session,
        buses=tuple(bus.name for bus in session.buses),
        plans=tuple(databases[bus.name].messages if bus.name in databases else () for bus in session.buses),
        nodes=nodes,
        engine=engine,
        channels=channels,
        fuel=fuel or fuels.fuel_named("gasoline"),
        curve=declared_curve(session.sensors, search.mistakes),
        stoich_afr=_declared_stoich_afr(session.fuel, fuel),
        missing=missing(every_node, engine),
        gaps=(*gaps(session, every_node, engine), *_notes_on_definitions(databases)),
    )
    return binding, search.mistakes


def _notes_on_definitions(databases: Databases) -> Iterator[Note]:
    """One note for each file that has odd entries: how many, and the first."""
    for database in databases.values():
        if database.notices:
            first = str(database.notices[0])
            yield note(Gap.DEFINITIONS_ODD, database=database.name, count=len(database.notices), first=first)


def definition_cautions(session: Session) -> tuple[Note, ...]:
    """A caution for each odd entry of the message definitions that the session's buses name."""
    databases, _ = find_databases(session)
    return tuple(
        note(Caution.DEFINITION, database=database.name, line=notice.line, told=str(notice))
        for database in databases.values()
        for notice in database.notices
    )


class _Search:
    """Looks signals up in the definitions and reports each entry of the session file at most once."""

    def __init__(self, session: Session, databases: Databases) -> None:
        self._session = session
        self._databases = databases
        self._bus = {bus.name: i for i, bus in enumerate(session.buses)}
        self.mistakes: list[Mistake] = []

    def nodes(self) -> tuple[Mapping[str, BoundSignal], ...]:
        """For each node, quantity to signal; the node's own signals before the chain's patterns."""
        chain = self._session.chain
        found: list[dict[str, BoundSignal]] = [{} for _ in chain.nodes]
        for name, quantity in CHAIN_QUANTITIES.items():
            pattern = chain.signals.get(name)
            shared = [i for i, node in enumerate(chain.nodes) if name not in node.signals]
            if pattern is not None:
                choices = [pattern.at(chain.nodes[i].position) for i in shared]
                bound = self._bind_choices(choices, quantity, f"chain.signals.{name}")
                for i, one in zip(shared, bound, strict=True):
                    found[i] |= {name: one} if one else {}
            for i, node in enumerate(chain.nodes):
                if name in node.signals:
                    where = f"chain.node[{i + 1}].signals.{name}"
                    [one] = self._bind_choices([node.signals[name].at(node.position)], quantity, where)
                    found[i] |= {name: one} if one else {}
        return tuple(found)

    def engine(self) -> Mapping[str, BoundSignal]:
        """Engine quantity to signal; of a quantity of each cylinder, one for each."""
        found: dict[str, BoundSignal] = {}
        for name, choice in self._session.engine_signals.items():
            where = f"engine_signals.{name}"
            if name in CYLINDER_QUANTITIES:
                cylinders = range(1, self._session.engine.cylinders + 1)
                choices = [choice.of_cylinder(c) for c in cylinders]
                of_each = self._bind_choices(choices, CYLINDER_QUANTITIES[name], where, "cylinders")
                named = {trim_quantity(c): one for c, one in zip(cylinders, of_each, strict=True)}
            else:
                named = {name: self._bind_choices([choice], ENGINE_QUANTITIES[name], where)[0]}
            found |= {each: bound for each, bound in named.items() if bound is not None}
        return found

    def channels(self) -> Mapping[str, BoundSignal]:
        """Name of each own channel to its signal."""
        found: dict[str, BoundSignal] = {}
        for name, channel in self._session.channels.items():
            choice, where = channel.choice, f"channels.{name}"
            bound, mistake = self._find_signal(choice, where)
            wrong = None if bound is None else misread_channel(choice, bound.signal)
            if wrong is not None:
                mistake = Mistake(where, *wrong)
            if mistake is not None:
                self.mistakes.append(mistake)
            if bound is not None:
                found[name] = bound
        return found

    def _bind_choices(
        self, choices: Iterable[SignalChoice], quantity: Quantity, where: str, of: str = "nodes"
    ) -> list[BoundSignal | None]:
        """What is found for each choice of one entry of the session file, None where nothing is.

        Of several that fail, the first is reported and the others are counted.
        """
        found, first, failed = [], None, 0
        for choice in choices:
            bound, mistake = self._bind_choice(choice, quantity, where)
            found.append(bound)
            first, failed = first or mistake, failed + (mistake is not None)
        if first is not None:
            others = f", and the same of {failed - 1} other {of}" if failed > 1 else ""
            self.mistakes.append(replace(first, found=first.found + others))
        return found

    def _bind_choice(
        self, choice: SignalChoice, quantity: Quantity, where: str
    ) -> tuple[BoundSignal | None, Mistake | None]:
        """The signal of one choice and what is wrong with it; (None, None) on a bus without definitions."""
        bound, mistake = self._find_signal(choice, where)
        if bound is None:
            return None, mistake
        wrong = misread(choice, bound.signal, quantity)
        return bound, Mistake(where, *wrong) if wrong else None

    def _find_signal(self, choice: SignalChoice, where: str) -> tuple[BoundSignal | None, Mistake | None]:
        """Where the signal of a choice lies; the mistake where it lies nowhere."""
        database = self._databases.get(choice.bus)
        if database is None:
            return None, None
        message = next((m for m in database.messages if m.name == choice.message), None)
        if message is None:
            names = [m.name for m in database.messages]
            return None, _unknown_name(choice.message, names, database, where)
        signal = next((s for s in message.signals if s.name == choice.signal), None)
        if signal is None:
            names = [s.name for s in message.signals]
            return None, _unknown_name(choice.signal, names, database, where, message.name)
        return BoundSignal(choice, self._bus[choice.bus], message, signal), None


def _unknown_name(name: str, known: list[str], database: Database, where: str, message: str = "") -> Mistake:
    """The mistake of a message's or signal's name that is not among those known, with similar ones.

    What the file says of a line that holds the name, and is not as expected, is told with it.
    """
    about = re.compile(rf"\b{re.escape(f'{message}.{name}' if message else name)}\b")
    notice = next((f" ({database.name} {n})" for n in database.notices if about.search(n.text)), "")
    likely = near(name, known) or tuple(known[:_SHOWN_NAMES])
    others = 0 if near(name, known) else len(known) - len(likely)
    more = f" or one of {others} others" if others > 0 else ""
    what = "signal" if message else "message"
    found = f'no {what} "{name}" in {message or database.name}{notice}'
    return Mistake(where, found, " or ".join(likely) + more)


def _declared_stoich_afr(declared: DeclaredFuel | None, fuel: fuels.Fuel | None) -> float | None:
    """The ratio as declared, else that of the fuel; None without a fuel."""
    if declared is not None and declared.stoich_afr is not None:
        return declared.stoich_afr
    return None if fuel is None else fuel.stoich_afr


# --- The message definitions that the buses name. ---


def load_databases(session: Session) -> dict[str, Database]:
    """The definitions of each bus that has any, by bus name.

    A database is a path from the session file's folder, or else the name of one that is shipped with
    mixmon. Several on one bus are joined, in the order of the file.

    Raises:
        SessionError: some cannot be found or read, or define the same message; all of them are in it.
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
        loaded = _load_bus_databases(session, bus, f"bus[{i}].database", mistakes)
        if loaded:
            databases[bus.name] = _join_databases(loaded, f"bus[{i}].database", mistakes)
    return databases, mistakes


def _session_folder(session: Session) -> Path:
    return session.path.parent if session.path is not None else Path()


def _load_bus_databases(session: Session, bus: Bus, where: str, mistakes: list[Mistake]) -> list[Database]:
    """All databases of the bus, or none of them if one is missing."""
    folder = _session_folder(session)
    loaded = []
    for written in bus.databases:
        path = database_path(written, folder, inside=session.of_run)
        if path is None:
            found = f'no file "{Path(written).name if session.of_run else written}" in {folder.resolve()}'
            expected = f"a DBC file there, or {CHAIN_FILE} or {ENGINE_FILE}"
            if session.of_run:
                expected += "; for a run nothing else is read; copy it there, or give --session"
            mistakes.append(Mistake(where, found, expected))
            continue
        try:
            by_pgn = bus.match == "pgn"
            loaded.append(load_database(path, j1939_codes=bus.j1939_codes, by_pgn=by_pgn))
        except DefinitionError as error:
            mistakes.append(Mistake(where, str(error), "a message definition file that can be used"))
    return loaded if len(loaded) == len(bus.databases) else []


def database_path(written: str, folder: Path, *, inside: bool = False) -> Path | None:
    """The path of a database that a session file in `folder` names; None if there is none.

    A file of that name beside the session file is taken too: in the folder of a run, databases are
    stored there whatever folder they came from. With `inside` only that one is, or a shipped one.
    """
    beside = folder / Path(written).name
    try:
        for path in (beside,) if inside else (folder / written, beside):
            if path.is_file():
                return path
        return shipped_database(written)
    except OSError:  # a name that no file can have
        return None


def _join_databases(databases: list[Database], where: str, mistakes: list[Mistake]) -> Database:
    """The databases of one bus as one; messages that more than one of them defines are a mistake."""
    first, *others = databases
    if not others:
        return first
    messages = tuple(message for database in databases for message in database.messages)
    names = ", ".join(database.name for database in databases)
    ids, words = Counter(m.can_id for m in messages), Counter(m.name for m in messages)
    twice = [m for m in messages if ids[m.can_id] > 1 or words[m.name] > 1]
    if twice:
        listed = ", ".join(dict.fromkeys(f"{m.name} ({identifier_text(m.can_id)})" for m in twice))
        found = f"names or identifiers that more than one of {names} defines: {listed}"
        mistakes.append(Mistake(where, found, "each message defined once on one bus"))
    notices = tuple(notice for database in databases for notice in database.notices)
    return replace(first, name=names, messages=messages, notices=notices)


# --- The declared fuel as the room `gas` knows it. ---


def declared_fuel(declared: DeclaredFuel | None, mistakes: list[Mistake]) -> fuels.Fuel | None:
    """The declared fuel; None where none is declared. One that is no fuel gives None and a mistake."""
    if declared is None:
        return None
    way = "name"
    try:
        if declared.name is not None:
            return fuels.fuel_named(declared.name)
        if declared.parts:
            way = "parts"
            return fuels.blend(declared.parts)
        if declared.atoms:
            way = "atoms"
            c, h, o, n = (declared.atoms.get(atom, 0.0) for atom in "chon")
            return fuels.from_atoms(c, h, o, n)
        if declared.stoich_afr is not None:
            way = "stoich_afr"
            return fuels.from_stoich_afr(declared.stoich_afr)
    except MixmonError as error:
        mistakes.append(_mistake_of_error(f"fuel.{way}", error))
    return None


def declared_curve(sensors: Sensors | None, mistakes: list[Mistake]) -> fuels.Fuel | None:
    """The fuel for which the controllers compute lambda; None where none is declared.

    A name that is no fuel gives None and a mistake.
    """
    if sensors is None or sensors.curve is None:
        return None
    try:
        return fuels.fuel_named(sensors.curve)
    except MixmonError as error:
        mistakes.append(_mistake_of_error("sensors.curve", error))
        return None


def _mistake_of_error(where: str, error: MixmonError) -> Mistake:
    """The error as a mistake at a key: its text is "where: found; expected ...; do ..."."""
    _, _, said = str(error).partition(": ")
    found, _, expected = said.partition("; expected ")
    return Mistake(where, found, expected)
