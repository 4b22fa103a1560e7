"""The proof that each label sees its cylinder, kept beside the session, and what it says of the session now.

`NAME.identity.json` lies beside `NAME.toml`. `mixmon identify --keep` writes it; whoever loads the session
reads it. It holds for these sensors at these addresses in this order: a serial, an address or a position
that has changed since voids it. The cylinders of a session may change: labels that were exchanged in it are
proved by the same evidence once they are put right.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from enum import StrEnum
from pathlib import Path
from typing import Any, Final

from mixmon.session.beside import KeptRecord
from mixmon.session.model import IdentifiedNode, IdentityEvidence, Node, Session

EVIDENCE_FORMAT: Final = 1
"""The version of the file that this program reads and writes."""

PROVED_CONFIDENCE: Final = 0.99
"""Confidence of a label from which it is told: our choice."""

_EVIDENCE: Final = KeptRecord(
    EVIDENCE_FORMAT,
    most_bytes=1_000_000,
    what="evidence of identity",
    advice="what mixmon identify --keep writes; write it anew, or remove it",
)
"""Bytes at most: our choice, a thousand times the evidence of a chain of sixteen."""


class IdentityState(StrEnum):
    """What is known of the labels; the values stand in JSON."""

    PROVED = "proved"
    DISPROVED = "disproved"
    UNPROVED = "unproved"
    STATED = "stated"


@dataclass(frozen=True, slots=True)
class IdentityStanding:
    """What the evidence beside a session, or fuel steps in a run itself, say of its labels.

    changed   positions whose serial or address is not that of the evidence, or that it does not have
    odd       position, labelled cylinder and the cylinder that was seen, where they differ
    open      positions of which the evidence tells nothing
    own       steps in the run itself say so
    by_cylinder   all labels are told, and the engine control itself reported the steps: each node goes by the
              cylinder that it sees, also where `odd` names some
    """

    state: IdentityState
    changed: tuple[int, ...] = ()
    odd: tuple[tuple[int, int, int], ...] = ()
    open: tuple[int, ...] = ()
    own: bool = False
    by_cylinder: bool = False


UNPROVED: Final = IdentityStanding(IdentityState.UNPROVED)
"""Nothing is known of the labels."""


def identity_standing(session: Session) -> IdentityStanding:
    """Whether the labels of a session are proved, stated, disproved or neither.

    Evidence that disproves a label counts before what somebody states.
    """
    evidence, stated = session.identity, session.trims.identity == "stated"
    without = IdentityState.STATED if stated else IdentityState.UNPROVED
    if evidence is None:
        return IdentityStanding(without)
    kept = {node.position: node for node in evidence.nodes}
    changed = tuple(n.position for n in session.chain.nodes if not _is_same_node(session, n, kept))
    if changed or len(kept) != len(session.chain.nodes):
        return IdentityStanding(without, changed=changed)
    told = [node for node in session.chain.nodes if _is_told(kept[node.position])]
    odd = tuple(
        (node.position, node.cylinders[0], kept[node.position].cylinders[0])
        for node in told
        if not set(node.cylinders) <= set(kept[node.position].cylinders)
    )
    if odd:
        return IdentityStanding(IdentityState.DISPROVED, odd=odd)
    unknown = tuple(node.position for node in session.chain.nodes if node not in told)
    if unknown:
        return IdentityStanding(without, open=unknown)
    return IdentityStanding(IdentityState.PROVED)


def by_cylinders_seen(session: Session, standing: IdentityStanding) -> Session:
    """The session with every node at the cylinder that it sees, where the run's own steps tell it of all."""
    if not standing.by_cylinder:
        return session
    seen = {position: (cylinder,) for position, _, cylinder in standing.odd}
    nodes = tuple(
        replace(node, cylinders=seen.get(node.position, node.cylinders)) for node in session.chain.nodes
    )
    return replace(session, chain=replace(session.chain, nodes=nodes))


def _is_told(node: IdentifiedNode) -> bool:
    return bool(node.cylinders) and node.confidence >= PROVED_CONFIDENCE


def _is_same_node(session: Session, node: Node, kept: Mapping[int, IdentifiedNode]) -> bool:
    """Whether the evidence has the node with its serial and address."""
    one = kept.get(node.position)
    return one is not None and (one.sensor, one.address) == (node.sensor, node_address(session, node))


def node_address(session: Session, node: Node) -> str:
    """Where a node's mixture comes from, as the session names it: bus, message and signal."""
    chosen = node.signals or session.chain.signals
    choice = chosen.get("lambda") or chosen.get("oxygen") or session.chain.signals.get("lambda")
    if choice is None:
        return session.chain.bus
    at = choice.at(node.position)
    return f"{at.bus}/{at.message}.{at.signal}"


# --- The file. ---


def evidence_path(session: Path) -> Path:
    """Where the evidence of a session file lies.

    >>> evidence_path(Path("cars/alder8.toml")).as_posix()
    'cars/alder8.identity.json'
    """
    return session.with_suffix(".identity.json")


def evidence_data(evidence: IdentityEvidence) -> dict[str, Any]:
    """The evidence as JSON."""
    return {"format": EVIDENCE_FORMAT, **asdict(evidence)}


def evidence_text(evidence: IdentityEvidence) -> str:
    """The evidence as the text of its file."""
    return json.dumps(evidence_data(evidence), indent=1) + "\n"


def load_evidence(session: Path) -> IdentityEvidence | None:
    """The evidence beside a session file; None where there is none.

    Raises:
        SourceError: there is a file that cannot be read as such, or of a newer format.
    """
    return _EVIDENCE.load(evidence_path(session), read_evidence)


def read_evidence(raw: Mapping[str, Any]) -> IdentityEvidence:
    """The evidence that stands in JSON.

    Raises:
        KeyError, TypeError, ValueError: it is none.
    """
    return IdentityEvidence(
        log=str(raw["log"]),
        first_ns=int(raw["first_ns"]),
        frames=int(raw["frames"]),
        nodes=tuple(
            IdentifiedNode(
                position=int(node["position"]),
                sensor=None if node["sensor"] is None else str(node["sensor"]),
                address=str(node["address"]),
                cylinders=tuple(map(int, node["cylinders"])),
                confidence=float(node["confidence"]),
            )
            for node in raw["nodes"]
        ),
    )
