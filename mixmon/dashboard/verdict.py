"""The limit word of a moment, NONE, LOOK, OVER or NO DATA, with the reason in a few words.

The word says only what is known. NONE means that no limit that is monitored is crossed; it never
means that the engine is out of danger. Order of precedence: nothing known, a priority-1 limit
crossed, an engine signal not known that priority-1 limits need, anything else to look at, none. An engine
that says nothing leaves the cylinders known: it asks for a look, and is not NO DATA.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import Final

import numpy as np

from mixmon.dashboard.scene import Scene, Setting, is_over
from mixmon.dashboard.text import CUT_STATES, END_STATES, age_text
from mixmon.findings.alarms.records import Alarm
from mixmon.findings.alarms.states import AlarmFlag
from mixmon.mixture.block import SampleState
from mixmon.session.alarm_kinds import kind_of
from mixmon.session.when import names, parse
from mixmon.watch.snapshot import Snapshot


class LimitWord(Enum):
    """The limit word; the value is what is shown."""

    NONE = "NONE"
    LOOK = "LOOK"
    OVER = "OVER"
    NO_DATA = "NO DATA"


@dataclass(frozen=True, slots=True)
class LimitVerdict:
    """The limit word with its reason in a few words, and whether it asks to be acknowledged."""

    word: LimitWord
    why: str
    unacknowledged: bool

    @property
    def style(self) -> str:
        """Style of the word in small letters."""
        return {
            LimitWord.NONE: "none",
            LimitWord.LOOK: "look",
            LimitWord.OVER: "over",
            LimitWord.NO_DATA: "nodata",
        }[self.word]

    @property
    def ink(self) -> str:
        """Style of the word in large letters."""
        return {
            LimitWord.NONE: "big-quiet",
            LimitWord.LOOK: "big",
            LimitWord.OVER: "big-over",
            LimitWord.NO_DATA: "big",
        }[self.word]


def verdict(scene: Scene) -> LimitVerdict:
    """The word for the moment, always of the live snapshot: a frozen picture must not hide an alarm."""
    live, setting = scene.live, scene.setting
    alarms = live.alarms.alarms
    lost = _why_no_data(live, scene.stalled)
    unacknowledged = any(a.rule.priority == 1 and a.waits for a in alarms)
    if lost:
        return LimitVerdict(LimitWord.NO_DATA, lost, unacknowledged)
    over = [a for a in alarms if is_over(a)]
    if over:
        return LimitVerdict(LimitWord.OVER, _name_alarms(over), unacknowledged)
    look = _why_blind(live, setting) or _why_look(alarms, live, setting)
    if look:
        return LimitVerdict(LimitWord.LOOK, look, unacknowledged)
    return LimitVerdict(LimitWord.NONE, _why_none(scene), unacknowledged)


def _why_none(scene: Scene) -> str:
    """That no limit is crossed; or that no rule about mixture is in force."""
    if scene.setting.has_mixture_rules and not scene.live.limits.in_force:
        return "no mixture limit in force now"
    return "no limit crossed"


_TELLING_STATES: Final = {SampleState.VALID, SampleState.SETTLING} | END_STATES | CUT_STATES
"""States of a sensor that is there and says something."""


def _why_no_data(live: Snapshot, stalled: float) -> str:
    """Why nothing is known of any cylinder."""
    if live.failure:
        return live.failure
    if stalled:
        return f"no answer from the worker for {age_text(round(stalled * 1e9))}"
    if live.t is None:
        return _why_nothing_came(live)
    states = {SampleState(s) for s in set(live.cylinders.state.tolist())}
    if states & _TELLING_STATES:
        return ""
    words = " or ".join(sorted(state.word for state in states)) or "none declared"
    return _name_silence(live) or f"sensors {words}"


def _name_silence(live: Snapshot) -> str:
    """Why nothing comes of the whole chain: its alarm with the cause, or that rows have stopped."""
    common = next((alarm for alarm in live.alarms.alarms if alarm.all_nodes and alarm.active), None)
    if common is not None:
        return common.name
    if live.rows_stopped_s:
        return f"nothing for {live.rows_stopped_s:.1f} s: a reader is stalled, or this computer is busy"
    return ""


def _why_nothing_came(live: Snapshot) -> str:
    """What is wrong with a bus from which nothing has come yet, where that is known."""
    wrong = [f"{bus.name}: {bus.state}" for bus in live.buses if bus.trouble]
    return ", ".join(wrong) or "nothing received yet"


def _find_no_engine(live: Snapshot) -> Alarm | None:
    """The alarm that nothing is known of the engine, while it stands."""
    alarms = live.alarms.alarms
    return next((a for a in alarms if a.active and a.says_unknown and not a.all_nodes), None)


def _why_blind(live: Snapshot, setting: Setting) -> str:
    """What is not known of the engine although priority-1 limits rest on it."""
    if (alarm := _find_no_engine(live)) is not None:
        return alarm.name
    needed = ["rpm"] if any(r.when and "rpm" in r.when for r in setting.rules if r.priority == 1) else []
    if any("target" in kind_of(r).needs for r in setting.rules if r.priority == 1):
        needed.append("target")
    known = dict(live.engine) | {"target": live.target}
    watched = setting.session.engine_signals
    gone = [
        name
        for name in needed
        if (name in watched or (name == "target" and setting.session.targets is not None))
        and not np.isfinite(known.get(name, np.nan))
    ]
    return f"{' and '.join(gone)} not known" if gone else ""


def rules_without_signals(live: Snapshot, setting: Setting) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Rules of mixture that cannot be judged now, and the engine's signals for which they wait.

    None while an alarm says that nothing is known of the engine, which suppresses them by design.
    """
    if _find_no_engine(live) is not None:
        return (), ()
    known = dict(live.engine) | {"target": live.target}
    watched = {*setting.session.engine_signals, *setting.session.channels}
    if setting.session.targets is not None:
        watched.add("target")
    rules: list[str] = []
    lost: dict[str, None] = {}
    for rule in setting.rules:
        wanted = (*kind_of(rule).needs, *(names(parse(rule.when)) if rule.when else ()))
        gone = [name for name in wanted if name in watched and not np.isfinite(known.get(name, np.nan))]
        if gone and kind_of(rule).mixture:
            rules.append(rule.name)
            lost.update(dict.fromkeys(gone))
    return tuple(rules), tuple(lost)


def _why_look(alarms: tuple[Alarm, ...], live: Snapshot, setting: Setting) -> str:
    """What asks for a look though no priority-1 limit is crossed."""
    active = [a for a in alarms if a.active and AlarmFlag.SUPPRESSED not in a.flags]
    if active:
        return _name_alarms(active)
    waiting = [a for a in alarms if a.waits]
    if waiting:
        return f"{_name_alarms(waiting)}: unacknowledged"
    unwatched = next((pair for pair in setting.unwatched if pair[0].priority == 1), None)
    if unwatched:
        return f"{unwatched[0].name} not watched: no {', '.join(unwatched[1])}"
    states = live.cylinders.state.tolist()
    usable = sum(states.count(s) for s in (SampleState.VALID, *CUT_STATES))
    if usable < len(states):
        return f"{usable} of {len(states)} valid"
    return ""


def _name_alarms(alarms: list[Alarm]) -> str:
    first = alarms[0]
    more = f" and {len(alarms) - 1} more" if len(alarms) > 1 else ""
    return f"{who(first)}{first.name}{more}"


def who(alarm: Alarm) -> str:
    """`cyl 3 `, or nothing where the whole engine is meant."""
    if alarm.all_nodes:
        return "all "
    return f"cyl {'+'.join(map(str, alarm.cylinders))} " if alarm.cylinders else ""
