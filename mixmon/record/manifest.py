"""run.json: what a run is, who made it, and how it ended."""

from __future__ import annotations

import json
import platform
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime
from importlib.metadata import PackageNotFoundError, version
from typing import Any, Self

FORMAT = 1

RECORDING = "recording"
COMPLETE = "complete"
STOPPED = "stopped"


@dataclass(frozen=True, slots=True)
class Manifest:
    """A run's facts, as they stand in run.json.

    state       "recording", "complete", or "stopped" when it could not go on; a run that was cut
                off still says "recording"
    why         why it was begun; and why it was stopped, if it was
    started_ns  system clock at the start, ns since the epoch; `started` is the same in UTC
    buses       name, interface, channel, bit rate, and whether frames were acknowledged
    versions    of mixmon and what it stands on
    files       kept beside the frames, as they were used
    frames      in frames.log
    size        bytes of frames.log and notes.jsonl
    lost        frames that the sources owned up to have lost
    """

    name: str = ""
    started_ns: int = 0
    buses: tuple[Mapping[str, Any], ...] = ()
    files: tuple[str, ...] = ()
    versions: Mapping[str, str] | None = None
    pre_trigger_s: float = 0.0
    why: str = ""
    state: str = RECORDING
    stopped: str | None = None
    ended_ns: int | None = None
    frames: int = 0
    size: int = 0
    lost: int = 0
    format: int = FORMAT

    @property
    def started(self) -> str:
        """The start, in UTC."""
        return utc(self.started_ns)

    def ended(self, ended_ns: int, frames: int, size: int, lost: int, stopped: str | None) -> Manifest:
        """The manifest of the run when it has ended, by itself or because it could not go on."""
        state = COMPLETE if stopped is None else STOPPED
        return replace(
            self, state=state, stopped=stopped, ended_ns=ended_ns, frames=frames, size=size, lost=lost
        )

    def to_json(self) -> bytes:
        """The text of run.json."""
        fields = {"format": self.format, "name": self.name, "state": self.state, "started": self.started}
        if self.ended_ns is not None:
            fields["ended"] = utc(self.ended_ns)
        return json.dumps(fields | asdict(self), indent=1, ensure_ascii=False).encode() + b"\n"

    @classmethod
    def from_json(cls, text: bytes) -> Self:
        """The manifest in the text of run.json; what it does not know is left out.

        Raises:
            ValueError: it is none.
        """
        fields = json.loads(text)
        if not isinstance(fields, dict) or not isinstance(fields.get("format"), int):
            raise ValueError("no run manifest")  # noqa: TRY004 - as json's own errors
        known = {key: value for key, value in fields.items() if key in cls.__slots__}
        for key in ("buses", "files"):
            known[key] = tuple(known[key]) if isinstance(known.get(key), list) else ()
        return cls(**known)


def versions() -> dict[str, str]:
    """What made the record."""
    found = {"python": platform.python_version(), "system": platform.platform(terse=True)}
    for package in ("mixmon", "numpy", "python-can", "pyserial"):
        try:
            found[package] = version(package)
        except PackageNotFoundError:
            found[package] = "unknown"
    return found


def utc(ns: int) -> str:
    """A moment as ISO 8601, to the microsecond."""
    return datetime.fromtimestamp(ns // 1000 / 1e6, UTC).isoformat(timespec="microseconds")


def folder_names(started_ns: int, name: str, most: int = 1000) -> Sequence[str]:
    """Names for a run's folder, of which the first that is free is taken; they sort by start."""
    stem = datetime.fromtimestamp(started_ns // 1_000_000_000, UTC).strftime("%Y-%m-%dT%H-%M-%SZ")
    words = "".join(c if c.isascii() and c.isalnum() else " " for c in name.lower()).split()
    stem = "-".join([stem, *words])[:80]
    return [stem, *(f"{stem}-{n}" for n in range(2, most))]
