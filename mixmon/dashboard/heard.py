"""What shall be heard: patterns that differ in rhythm, each once for what has happened.

urgent   a new priority-1 alarm; it goes on until `clear`
clear    no priority-1 alarm waits to be accepted any more
notice   a new alarm of lower priority
done     a dwell is long enough, or a pull was kept

Keeps: what was urgent, whether the dwell was done, and how many pulls there were.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from mixmon.dashboard.view_limits import NOT_ACCEPTED
from mixmon.findings.alarm_records import AlarmEvent
from mixmon.findings.pull_quality import KEEP
from mixmon.snapshot import Snapshot
from mixmon.watching import Item

URGENT: Final = "urgent"
CLEAR: Final = "clear"
NOTICE: Final = "notice"
DONE: Final = "done"

Sign = tuple[str, str]
"""A pattern, and a few words that can be spoken: the cylinder first."""


class Heard:
    """A stage: what has happened and the moment in, what shall be heard out."""

    def __init__(self) -> None:
        self._urgent = False
        self._dwelt = False
        self._pulls: int | None = None

    def feed(self, items: Iterable[Item], snapshot: Snapshot) -> list[Sign]:
        """What shall be heard now, the most pressing first."""
        new = [item for item in items if isinstance(item, AlarmEvent) and item.announced]
        signs = [(URGENT if one.priority == 1 else NOTICE, _words(one)) for one in new]
        signs.sort(key=lambda sign: sign[0] != URGENT)
        waits = any(
            a.rule.priority == 1 and a.state in NOT_ACCEPTED and not a.flags for a in snapshot.alarms.alarms
        )
        raised = any(pattern == URGENT for pattern, _ in signs)
        if self._urgent and not waits and not raised:
            signs.append((CLEAR, ""))
        self._urgent = waits or raised
        return signs + self._done(snapshot)

    def _done(self, snapshot: Snapshot) -> list[Sign]:
        signs: list[Sign] = []
        held = snapshot.holding
        dwelt = held is not None and held.left_s is not None and held.left_s <= 0
        if dwelt and not self._dwelt:
            signs.append((DONE, "dwell done"))
        self._dwelt = dwelt
        pulls = () if snapshot.pulls is None else snapshot.pulls.pulls
        count = pulls[-1].begin if pulls else None
        if count is not None and count != self._pulls and pulls[-1].verdict.suggestion == KEEP:
            signs.append((DONE, "pull kept"))
        self._pulls = count
        return signs


def _words(event: AlarmEvent) -> str:
    who = f"{'+'.join(map(str, event.cylinders))} " if event.cylinders else ""
    return f"{who}{event.rule}"
