"""The biases that a session asks for, looked up in the ledger."""

from __future__ import annotations

from dataclasses import replace

from mixmon.ledger.ledger import Ledger
from mixmon.ledger.standing import records
from mixmon.session.model import FROM_LEDGER, Session


def with_known_biases(session: Session, ledger: Ledger | None = None) -> Session:
    """The session with the newest bias of each of its sensors, where it asks for those of the ledger.

    A session in the folder of a run asks in vain: nothing outside that folder is read for it.

    Args:
        session: any.
        ledger: in which they are looked up; None: the one at `default_ledger_path()`.

    Raises:
        SourceError: the ledger cannot be read.
    """
    sensors = session.sensors
    if sensors is None or sensors.known_bias != FROM_LEDGER or session.of_run:
        return session
    if ledger is None:
        with Ledger() as usual:
            return with_known_biases(session, usual)
    serials = {node.sensor for node in session.chain.nodes}
    known = {
        one.serial: (one.bias.percent, one.bias.half_percent)
        for one in records(ledger.entries())
        if one.bias is not None and one.serial in serials
    }
    return replace(session, sensors=replace(sensors, known_bias=known))
