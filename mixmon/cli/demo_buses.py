"""The demo's buses: virtual ones of this process, with nobody else on them."""

from __future__ import annotations

from typing import Final

from mixmon.frames.source_event import SourceEvent, SourceEventKind
from mixmon.live.buses import BusSource

_OF_HARDWARE: Final = frozenset({SourceEventKind.OPENED, SourceEventKind.REMARK})
"""What a device can and cannot do: there is no device, and no wire that it could disturb."""


class DemoBuses(BusSource):
    """Tells what happens on the buses, and not what they are made of."""

    def events(self) -> list[SourceEvent]:
        """What has happened to the buses."""
        return [event for event in super().events() if event.kind not in _OF_HARDWARE]
