"""What a census finds: plain records, and the codes of their notes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from mixmon.findings.census.duplicates import DuplicateSigns
from mixmon.findings.census.traffic import Beat, Rhythm
from mixmon.findings.wiring import Diagnosis
from mixmon.note import Note, NoteCode
from mixmon.result import Result


class CensusNote(NoteCode):
    """What is odd about a node that sends, or about a bus."""

    RATE_OFF = "rate_off"
    ECHOED = "every_frame_twice"
    LONG_GAP = "long_gap"
    RESETS = "resets"
    ONE_ID_FILLS_BUS = "one_identifier_fills_the_bus"


@dataclass(frozen=True, slots=True)
class CensusNode:
    """One node: what was expected and what came.

    ids, ids_missing   identifiers of its messages that were seen, and that were not
    rhythm             of its reading; `expected_hz` from the definitions, NaN if they do not say
    share_ready        of its state frames; NaN where none says
    resets             None where no signal counts them
    checksum_errors, counter_jumps, lost, repeats   of all its messages
    echoed             each frame of its reading comes twice
    silent             it never sent, or had stopped when the log ended
    since_s            silent since then, from the log's first frame; None if not, or if it never sent
    notes              what is odd about a node that sends
    """

    position: int
    cylinders: tuple[int, ...]
    sensor: str | None
    bus: str
    ids: tuple[int, ...]
    ids_missing: tuple[int, ...]
    rhythm: Rhythm
    expected_hz: float
    samples: int
    share_ready: float
    resets: int | None
    checksum_errors: int
    counter_jumps: int
    lost: int
    repeats: int
    echoed: bool
    silent: bool
    since_s: float | None
    notes: tuple[Note, ...] = ()


@dataclass(frozen=True, slots=True)
class CensusId:
    """One identifier on one channel.

    message      its name in the bus's definitions, None if it is not in them
    node         position of the node that sends it, None if it is no node's
    expected_hz  rate by the definitions, NaN if they do not say
    unknown      in no definitions, or of a place in the chain that is not in the session
    """

    beat: Beat
    bus: str
    message: str | None
    node: int | None
    expected_hz: float
    unknown: bool


@dataclass(frozen=True, slots=True)
class DuplicateNode:
    """Two senders of one identifier.

    position  of the node whose identifier it is; None where the identifier is unknown
    since_s   both send since then, from the log's first frame; None where the identifier is unknown
    signs     what the finding rests on; None where the identifier is unknown
    """

    channel: str
    can_id: int
    position: int | None
    rate_hz: float
    expected_hz: float
    since_s: float | None
    signs: DuplicateSigns | None


@dataclass(frozen=True, slots=True)
class CensusBus:
    """One bus on one channel; NaN where there is no bit rate or no time.

    load_percent        a lower bound, as frames that were destroyed and repeated are not in a log; with
                        `switched`, CAN FD frames at a faster rate are counted at the nominal one
    load_peak_percent   the busiest tenth of a second
    notes               what is odd about the bus
    """

    name: str
    channel: str | None
    bitrate: int | None
    frames: int
    remote_frames: int
    error_frames: int
    error_classes: Mapping[str, int]
    load_percent: float
    load_peak_percent: float
    switched: bool
    notes: tuple[Note, ...] = ()


@dataclass(frozen=True, slots=True)
class MissingMessage:
    """A message that carries a signal of the session and never came."""

    bus: str
    message: str
    can_id: int


@dataclass(frozen=True, slots=True, repr=False)
class CensusReport(Result):
    """What was found on all buses.

    declared    there was a session to compare with; False: only the project's own layer
    duration_s  time that ran, jumps of the stamps left out
    breaks      jumps of the stamps
    backward    frames stamped before the frame before them
    """

    declared: bool
    frames: int
    duration_s: float
    breaks: int
    backward: int
    nodes: tuple[CensusNode, ...]
    diagnoses: tuple[Diagnosis, ...]
    ids: tuple[CensusId, ...]
    duplicates: tuple[DuplicateNode, ...]
    buses: tuple[CensusBus, ...]
    missing: tuple[MissingMessage, ...]

    @property
    def silent(self) -> tuple[CensusNode, ...]:
        """The nodes that never sent, or had stopped when the log ended."""
        return tuple(node for node in self.nodes if node.silent)

    @property
    def unknown_ids(self) -> tuple[CensusId, ...]:
        """The identifiers that the session does not expect."""
        return tuple(i for i in self.ids if i.unknown)
