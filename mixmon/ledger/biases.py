"""The biases that a session asks for, looked up in the ledger."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from mixmon.session.model import FROM_LEDGER, Session

if TYPE_CHECKING:
    from mixmon.ledger.ledger import Ledger


def with_known_biases(session: Session, ledger: Ledger | None = None) -> Session:
    """The session with the newest bias of each of its sensors, where it asks for those of the ledger.

    That of a run too: else what was watched with the biases in it would be reported without. The ledger is
    that of this machine, whatever the folder of the run says. Without the question it is not even imported.

    Args:
        session: any.
        ledger: in which they are looked up; None: the one at `default_ledger_path()`.

    Raises:
        SourceError: the ledger cannot be read.
    """
    sensors = session.sensors
    if sensors is None or sensors.known_bias != FROM_LEDGER:
        return session
    from mixmon.ledger.ledger import Ledger
    from mixmon.ledger.standing import records

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
