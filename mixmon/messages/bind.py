"""The session's signals found in the message definitions; what is wrong, and what is lacking."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from pathlib import Path

from mixmon.errors import Mistake, SessionError
from mixmon.gas import fuel as fuels
from mixmon.messages.binding import Binding, Bound
from mixmon.messages.database import Database
from mixmon.messages.declared_fuel import declared_curve, declared_fuel
from mixmon.messages.find import find_databases
from mixmon.messages.gaps import gaps, missing
from mixmon.messages.units import misread
from mixmon.session.load import placed, read_session, read_text
from mixmon.session.model import Fuel, Session, SignalChoice
from mixmon.session.schema import near
from mixmon.session.signals import CHAIN, ENGINE, Quantity

Databases = Mapping[str, Database]

_SHOWN = 8


def bind(session: Session, databases: Databases) -> Binding:
    """Every chosen signal, found in the definitions of its bus (by bus name).

    >>> from mixmon.messages.find import load_databases
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


def verify(path: Path | str) -> list[Mistake]:
    """Every mistake in a session file and in what it says of its message definitions, in file order.

    >>> verify("examples/alder8.toml")
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

    Signals on a bus without definitions are left out without a word: that was reported where the
    definitions were looked for.
    """
    search = _Search(session, databases)
    nodes = search.nodes()
    engine = search.engine()
    fuel = declared_fuel(session.fuel, search.mistakes)
    every_node = set.intersection(*map(set, nodes)) if nodes else set()
    binding = Binding(
        session=session,
        buses=tuple(bus.name for bus in session.buses),
        plans=tuple(databases[bus.name].messages if bus.name in databases else () for bus in session.buses),
        nodes=nodes,
        engine=engine,
        fuel=fuel or fuels.fuel_named("gasoline"),
        curve=declared_curve(session.sensors, search.mistakes),
        stoich_afr=_stoich_afr(session.fuel, fuel),
        missing=missing(every_node, engine),
        gaps=gaps(session, every_node, engine),
    )
    return binding, search.mistakes


class _Search:
    """Looks choices up, and reports each written signal at most once."""

    def __init__(self, session: Session, databases: Databases) -> None:
        self._session = session
        self._databases = databases
        self._bus = {bus.name: i for i, bus in enumerate(session.buses)}
        self.mistakes: list[Mistake] = []

    def nodes(self) -> tuple[Mapping[str, Bound], ...]:
        """For each node, quantity to signal; the node's own signals before the chain's patterns."""
        chain = self._session.chain
        found: list[dict[str, Bound]] = [{} for _ in chain.nodes]
        for name, quantity in CHAIN.items():
            pattern = chain.signals.get(name)
            shared = [i for i, node in enumerate(chain.nodes) if name not in node.signals]
            if pattern is not None:
                choices = [pattern.at(chain.nodes[i].position) for i in shared]
                bound = self._each(choices, quantity, f"chain.signals.{name}")
                for i, one in zip(shared, bound, strict=True):
                    found[i] |= {name: one} if one else {}
            for i, node in enumerate(chain.nodes):
                if name in node.signals:
                    where = f"chain.node[{i + 1}].signals.{name}"
                    [one] = self._each([node.signals[name].at(node.position)], quantity, where)
                    found[i] |= {name: one} if one else {}
        return tuple(found)

    def engine(self) -> Mapping[str, Bound]:
        """Engine quantity to signal."""
        found = {}
        for name, choice in self._session.engine_signals.items():
            [bound] = self._each([choice], ENGINE[name], f"engine_signals.{name}")
            if bound is not None:
                found[name] = bound
        return found

    def _each(self, choices: Iterable[SignalChoice], quantity: Quantity, where: str) -> list[Bound | None]:
        """What is found of choices that were written as one; the first that fails is reported."""
        found, first, failed = [], None, 0
        for choice in choices:
            bound, mistake = self._one(choice, quantity, where)
            found.append(bound)
            first, failed = first or mistake, failed + (mistake is not None)
        if first is not None:
            others = f", and the same of {failed - 1} other nodes" if failed > 1 else ""
            self.mistakes.append(replace(first, found=first.found + others))
        return found

    def _one(
        self, choice: SignalChoice, quantity: Quantity, where: str
    ) -> tuple[Bound | None, Mistake | None]:
        database = self._databases.get(choice.bus)
        if database is None:
            return None, None
        message = next((m for m in database.messages if m.name == choice.message), None)
        if message is None:
            names = [m.name for m in database.messages]
            return None, _unknown("message", choice.message, names, database.name, where)
        signal = next((s for s in message.signals if s.name == choice.signal), None)
        if signal is None:
            names = [s.name for s in message.signals]
            return None, _unknown("signal", choice.signal, names, message.name, where)
        wrong = misread(choice, signal, quantity)
        bound = Bound(choice, self._bus[choice.bus], message, signal)
        return bound, Mistake(where, *wrong) if wrong else None


def _unknown(what: str, name: str, known: list[str], holder: str, where: str) -> Mistake:
    likely = near(name, known) or tuple(known[:_SHOWN])
    others = 0 if near(name, known) else len(known) - len(likely)
    more = f" or one of {others} others" if others > 0 else ""
    return Mistake(where, f'no {what} "{name}" in {holder}', " or ".join(likely) + more)


def _stoich_afr(declared: Fuel | None, fuel: fuels.Fuel | None) -> float | None:
    """What the user declared stands as he wrote it; otherwise it follows from the fuel."""
    if declared is not None and declared.stoich_afr is not None:
        return declared.stoich_afr
    return None if fuel is None else fuel.stoich_afr
