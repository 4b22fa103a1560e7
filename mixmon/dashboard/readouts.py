"""What a person reads and hears from snapshots that change many times a second: held numbers, and sounds.

A digit that flickers cannot be read, and a peak that lasts a tenth of a second cannot be seen. So
numbers change at most every quarter second, all at once, so that large digits and rows say the same; beside
them the worst of the last second and a half stands as numbers of its own. A value that is no longer
known goes at once. A sound is given once for each thing that has happened.
"""

from __future__ import annotations

from collections.abc import Iterable
from enum import StrEnum
from typing import Final

import numpy as np

from mixmon.arrays import Floats
from mixmon.dashboard.scene import Digits
from mixmon.findings.alarms.records import AlarmEvent
from mixmon.findings.pulls.quality import Suggestion
from mixmon.mixture.block import SampleState
from mixmon.watch.commands import Item
from mixmon.watch.snapshot import Snapshot

# ----------------------------------------------------------------------------------------------------
# Sounds: each pattern has a rhythm of its own.
# ----------------------------------------------------------------------------------------------------


class SoundPattern(StrEnum):
    """The patterns; the value is what the sound program gets.

    URGENT  a new priority-1 alarm; it goes on until CLEAR
    CLEAR   no priority-1 alarm waits to be acknowledged any more
    NOTICE  a new alarm of lower priority
    DONE    a dwell is long enough, or a pull was kept
    """

    URGENT = "urgent"
    CLEAR = "clear"
    NOTICE = "notice"
    DONE = "done"


Sign = tuple[SoundPattern, str]
"""A pattern, and a few words that can be spoken: the cylinder first."""


class SoundCues:
    """A stage: takes what has happened and the newest snapshot, gives the sounds to make.

    Keeps whether a priority-1 alarm was urgent, whether the dwell was done, and the newest pull's begin.
    """

    def __init__(self) -> None:
        self._urgent = False
        self._dwelt = False
        self._pulls: int | None = None

    def feed(self, items: Iterable[Item], snapshot: Snapshot) -> list[Sign]:
        """The sounds to make now, the most pressing first."""
        new = [item for item in items if isinstance(item, AlarmEvent) and item.announced]
        signs = [
            (SoundPattern.URGENT if one.priority == 1 else SoundPattern.NOTICE, _spoken_words(one))
            for one in new
        ]
        signs.sort(key=lambda sign: sign[0] != SoundPattern.URGENT)
        waits = any(a.rule.priority == 1 and a.waits for a in snapshot.alarms.alarms)
        raised = any(pattern == SoundPattern.URGENT for pattern, _ in signs)
        if self._urgent and not waits and not raised:
            signs.append((SoundPattern.CLEAR, ""))
        self._urgent = waits or raised
        return signs + self._find_done(snapshot)

    def _find_done(self, snapshot: Snapshot) -> list[Sign]:
        signs: list[Sign] = []
        held = snapshot.holding
        dwelt = held is not None and held.left_s is not None and held.left_s <= 0
        if dwelt and not self._dwelt:
            signs.append((SoundPattern.DONE, "dwell done"))
        self._dwelt = dwelt
        pulls = () if snapshot.pulls is None else snapshot.pulls.pulls
        count = pulls[-1].begin if pulls else None
        if count is not None and count != self._pulls and pulls[-1].verdict.suggestion is Suggestion.KEEP:
            signs.append((SoundPattern.DONE, "pull kept"))
        self._pulls = count
        return signs


def _spoken_words(event: AlarmEvent) -> str:
    who = "all" if event.all_nodes else "+".join(map(str, event.cylinders))
    return f"{who} {event.name}".lstrip()


# ----------------------------------------------------------------------------------------------------
# Numbers: renewed slowly, the worst held.
# ----------------------------------------------------------------------------------------------------

RENEW_S: Final = 0.25
"""Our choice: the least time for which a number stands, long enough to read three digits."""

HOLD_S: Final = 1.5
"""Our choice: for how long the worst value stays, long enough to look up and read it."""


RANK_S: Final = 3.0
"""Our choice: the least time for which rows in order of need keep their places, long enough to find one."""


class ReadoutHold:
    """A stage: takes snapshots with the seconds of the watcher's clock, gives the numbers to show.

    Keeps the numbers that stand, when they were renewed, until when the two worst values are held, and the
    order of the nodes by need with its time.
    """

    def __init__(self) -> None:
        self._digits: Digits | None = None
        self._renewed = -np.inf
        self._leanest_until = -np.inf
        self._spread_until = -np.inf
        self._ranked: tuple[int, ...] = ()
        self._rank_until = -np.inf

    def feed(self, snapshot: Snapshot, now_s: float) -> Digits:
        """The numbers to show now."""
        before = self._digits
        if before is not None and now_s - self._renewed < RENEW_S and _is_current(before, snapshot):
            return before
        self._renewed = now_s
        self._digits = self._renew_readouts(snapshot, now_s)
        return self._digits

    def _renew_readouts(self, snapshot: Snapshot, now_s: float) -> Digits:
        against = "target" if np.isfinite(snapshot.target) else "peers"
        leanest, need = _find_leanest(snapshot, against)
        cylinders = snapshot.cylinders
        valid = cylinders.state == SampleState.VALID
        needs = cylinders.vs_target if against == "target" else cylinders.vs_peers
        worst, worst_need = self._hold_leanest(snapshot, against, leanest, need, now_s)
        needs = np.where(valid, needs, np.nan)
        return Digits(
            leanest=leanest,
            need=need,
            against=against,
            all_vs_target=snapshot.all_vs_target,
            spread=snapshot.spread,
            rpm=snapshot.engine.get("rpm", np.nan),
            target=snapshot.target,
            lam=tuple(np.where(valid, cylinders.lam, np.nan).tolist()),
            needs=tuple(needs.tolist()),
            worst=worst,
            worst_need=worst_need,
            worst_spread=self._hold_spread(snapshot, now_s),
            ranked=self._hold_rank(needs, now_s),
        )

    def _hold_leanest(
        self, snapshot: Snapshot, against: str, index: int | None, need: float, now_s: float
    ) -> tuple[int | None, float]:
        """The leanest of now if it is leaner than the held one, or the held one's time is over."""
        held = self._digits
        if held is not None and held.against == against and _is_current(held, snapshot):
            kept = now_s < self._leanest_until and held.worst is not None
            if kept and not need >= held.worst_need:
                return held.worst, held.worst_need
        self._leanest_until = now_s + HOLD_S
        return index, need

    def _hold_rank(self, needs: Floats, now_s: float) -> tuple[int, ...]:
        """The nodes by the size of their need, as they stand until their time is over."""
        if now_s >= self._rank_until or len(self._ranked) != len(needs):
            self._rank_until = now_s + RANK_S
            self._ranked = tuple(np.argsort(-np.abs(needs), kind="stable").tolist())
        return self._ranked

    def _hold_spread(self, snapshot: Snapshot, now_s: float) -> float:
        held = self._digits.worst_spread if self._digits is not None else np.nan
        if now_s < self._spread_until and snapshot.spread < held:
            return held
        self._spread_until = now_s + HOLD_S
        return snapshot.spread


def _find_leanest(snapshot: Snapshot, against: str) -> tuple[int | None, float]:
    index = snapshot.leanest
    if index is None or snapshot.cylinders.state[index] != SampleState.VALID:
        return None, np.nan
    cylinders = snapshot.cylinders
    need = float((cylinders.vs_target if against == "target" else cylinders.vs_peers)[index])
    return (index, need) if np.isfinite(need) else (None, np.nan)


def _is_current(digits: Digits, snapshot: Snapshot) -> bool:
    """Whether the cylinders that the numbers name are still known."""
    if snapshot.failure:
        return False
    named = [index for index in (digits.leanest, digits.worst) if index is not None]
    return bool((snapshot.cylinders.state[named] == SampleState.VALID).all())
