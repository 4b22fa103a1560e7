"""What a census finds: plain records."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from mixmon.findings.census.traffic import Beat, Rhythm
from mixmon.findings.census.wiring import Diagnosis, TwinSigns


@dataclass(frozen=True, slots=True)
class CensusNode:
    """One node: what was expected and what came.

    ids, ids_missing   identifiers of its messages that were seen, and that were not
    rhythm             of its reading; `expected_hz` from the definitions, NaN if they do not say
    share_ready        of its state frames; NaN where none says
    resets             None where no signal counts them
    checksum_errors, counter_jumps, lost, repeats   of all its messages
    echoed             each frame of its reading comes twice
    since_s            silent since then, from the log's first frame; None if not, or if it never spoke
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


@dataclass(frozen=True, slots=True)
class CensusId:
    """One identifier on one channel.

    message    its name in the bus's definitions, None for a stranger to them
    node       position of the node that sends it, None if it is no node's
    stranger   in no definitions, or of a place in the chain that is not in the session
    """

    beat: Beat
    bus: str
    message: str | None
    node: int | None
    expected_hz: float
    stranger: bool


@dataclass(frozen=True, slots=True)
class Twin:
    """Two senders of one identifier. `position` and `signs` are None where the identifier is unknown."""

    channel: str
    can_id: int
    position: int | None
    rate_hz: float
    expected_hz: float
    since_s: float | None
    signs: TwinSigns | None


@dataclass(frozen=True, slots=True)
class CensusBus:
    """One bus on one channel; NaN where there is no bit rate or no time.

    load_percent        a lower bound, as frames that were destroyed and repeated are not in a log; with
                        `switched`, CAN FD frames at a faster rate are counted at the nominal one
    load_peak_percent   the busiest tenth of a second
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


@dataclass(frozen=True, slots=True)
class Unheard:
    """A message that carries a mapped signal and never came."""

    bus: str
    message: str
    can_id: int


@dataclass(frozen=True, slots=True)
class CensusReport:
    """Everything. `declared` is False where there was no session to compare with."""

    declared: bool
    frames: int
    duration_s: float
    breaks: int
    backward: int
    nodes: tuple[CensusNode, ...]
    diagnoses: tuple[Diagnosis, ...]
    ids: tuple[CensusId, ...]
    twins: tuple[Twin, ...]
    buses: tuple[CensusBus, ...]
    unheard: tuple[Unheard, ...]

    @property
    def silent(self) -> tuple[CensusNode, ...]:
        """The nodes that never spoke, or had stopped when the log ended."""
        return tuple(node for node in self.nodes if node.silent)

    @property
    def strangers(self) -> tuple[CensusId, ...]:
        """The identifiers that nobody expects."""
        return tuple(i for i in self.ids if i.stranger)
