"""English for the codes of notes: one sentence for each, and nothing else decides about words.

A sentence is a text with `{name}` for each value of the note, or a function of the values where the
words depend on them.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Final

from mixmon.findings.census.records import CensusCode
from mixmon.findings.census.wiring import WiringCode
from mixmon.note import Note, NoteCode

Sentence = str | Callable[[Mapping[str, Any]], str]

_CENSUS: Final[Mapping[NoteCode, Sentence]] = {
    CensusCode.RATE_OFF: "{rate_hz:.2f} Hz, {expected_hz:g} expected",
    CensusCode.ECHOED: "every frame comes twice: one bus through two interfaces, or a gateway",
    CensusCode.LONG_GAP: lambda values: f"longest gap {1000 * values['gap_max_s']:.0f} ms",
    CensusCode.RESETS: lambda values: (
        f"{values['resets']} {'reset' if values['resets'] == 1 else 'resets'}: check its supply and connector"
    ),
    CensusCode.ONE_ID_FILLS_BUS: (
        "one identifier fills the bus; a single node that nobody acknowledges repeats its frame without end. "
        'Let the adapter acknowledge on the sensor chain (role = "acknowledge")'
    ),
    WiringCode.ALL_SILENT: (
        "no node sends: the trunk, the adapter, the bit rate or the chain's supply, not the nodes"
    ),
    WiringCode.TAIL_SILENT: (
        "everything after node {before} is silent: a break between node {before} and node {first}"
    ),
    WiringCode.NODE_SILENT: "node {node} alone is silent: its own supply, connector or identifier",
    WiringCode.LAST_NODE_SILENT: (
        "node {node} alone is silent: its own supply, connector or identifier, or the last length of cable"
    ),
    WiringCode.CHECK_CHAIN: (
        "supply of the chain; bit rate and channel; 60 ohm between the bus wires with the power off"
    ),
    WiringCode.CHECK_CABLE: (
        "cable and connectors from node {before} to node {first}: both bus wires, supply and ground"
    ),
    WiringCode.CHECK_NODE: "supply at node {node}, its connector, its identifier",
    WiringCode.CHECK_LAST_NODE: (
        "supply at node {node}, its connector, its identifier, the cable from node {before}"
    ),
    WiringCode.DUPLICATE_MAY_BE_NODE: (
        "two controllers send as node {other}, so node {node} may carry its identifier"
    ),
    WiringCode.UNUSED_PLACE_MAY_BE_NODE: (
        "node {other} sends and is not in the session, so it may be node {node}"
    ),
}

SENTENCES: Final[dict[NoteCode, Sentence]] = {**_CENSUS}
"""One sentence for every code; a test looks for codes that have none."""


def sentence(told: Note) -> str:
    """The English of a note.

    Raises:
        KeyError: a code without a sentence.
    """
    words, values = SENTENCES[told.code], dict(told.values)
    return words.format_map(values) if isinstance(words, str) else words(values)


def note_object(told: Note) -> dict[str, Any]:
    """The note as JSON's object: code, text, and its values by name."""
    return {"code": told.code.value, "text": sentence(told), **dict(told.values)}
