"""The check list before the first pull: each check with its state and its evidence.

The program judges a check from the snapshot where it can. A check that needs hands, an ohm meter or
eyes stays open until someone says what was found; the words are a note in the record, and a replay
of the run shows them again. What a person says counts before what the program finds.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum
from typing import Final

import numpy as np

from mixmon.dashboard.scene import Scene
from mixmon.dashboard.screens.status import Sheet, framed, room_below, status
from mixmon.dashboard.text import NARROW_COLUMNS, Row, clean, fit, fit_row, number, wrap
from mixmon.dashboard.verdict import LimitVerdict
from mixmon.messages.cautions import sensor_cautions
from mixmon.mixture.block import SampleState
from mixmon.report.words import sentences


class CheckState(Enum):
    """The state of a check; the value is what is shown."""

    OPEN = "OPEN"
    PASSED = "PASS"
    FAILED = "FAIL"
    SKIPPED = "SKIP"


Finding = tuple[CheckState, str]
"""The state of a check, and the evidence."""

MOST_LOAD_PERCENT: Final = 60.0
"""Bus load that leaves room (common practice, no source)."""

LEAST_ROOM_MIN: Final = 60.0
"""Room on the disk for a session of pulls, minutes (our choice; the text of the check names it)."""

HOURS_FROM_MIN: Final = 600.0
"""Room from which it is told in hours. Our choice: three digits of minutes at most."""

_NOTE_STATES: Final = {
    "passed": CheckState.PASSED,
    "failed": CheckState.FAILED,
    "skipped": CheckState.SKIPPED,
    "reopened": CheckState.OPEN,
}
_CHECK_NOTE: Final = re.compile(
    rf"note: check (\d+) ({'|'.join(_NOTE_STATES)})(?:: (.*?))?(?: \(no run is being recorded\))?"
)


@dataclass(frozen=True, slots=True)
class Check:
    """One check: its name, what to do, and the function that judges it from the moment."""

    name: str
    todo: str
    judge: Callable[[Scene], Finding]


def note_text(index: int, word: str, evidence: str) -> str:
    """The note that says what was found of check `index`.

    >>> note_text(1, "passed", "60.4 ohm")
    'check 2 passed: 60.4 ohm'
    """
    return f"check {index + 1} {word}: {evidence}"


def judge_checks(scene: Scene) -> list[Finding]:
    """The state of every check: as a person said, else as the program judges."""
    told: dict[int, Finding] = {}
    for _, words in scene.live.remarks:
        match = _CHECK_NOTE.fullmatch(words)
        if match:
            told[int(match[1]) - 1] = _NOTE_STATES[match[2]], match[3] or ""
    return [
        told[index] if index in told and told[index][0] is not CheckState.OPEN else check.judge(scene)
        for index, check in enumerate(CHECK_LIST)
    ]


def _check_by_hand(_: Scene) -> Finding:
    return CheckState.OPEN, "by hand"


def _check_limits(scene: Scene) -> Finding:
    source = scene.setting.session.limits.source
    if source is None:
        return CheckState.OPEN, "placeholders are in force"
    lean = scene.setting.limit("over_target")
    return CheckState.PASSED, source if lean is None else f"{source}; lean at +{lean:.3f}"


def _check_supply(scene: Scene) -> Finding:
    volts = scene.live.cylinders.supply
    if scene.dead or not np.isfinite(volts).any():
        return CheckState.OPEN, "no supply voltage reported"
    low = int(np.nanargmin(volts))
    limit = scene.setting.limit("supply_below")
    words = f"lowest {number(float(volts[low]), 2)} V, cyl {scene.setting.labels[low]}, now"
    if limit is None:
        return CheckState.OPEN, words
    return (CheckState.FAILED if volts[low] < limit else CheckState.PASSED), f"{words} (limit {limit:g})"


def _check_nodes_answer(scene: Scene) -> Finding:
    heard = scene.live.cylinders.age_ns >= 0
    silent = [scene.setting.labels[i] for i in _nodes_in_state(scene, SampleState.SILENT)]
    if scene.dead or not heard.any():
        return CheckState.OPEN, "nothing heard yet"
    if silent:
        return CheckState.FAILED, f"silent: cyl {' '.join(silent)}"
    return CheckState.PASSED, f"{len(heard)} of {len(heard)} heard"


def _check_buses(scene: Scene) -> Finding:
    buses = [bus for bus in scene.live.buses if bus.newest_age_ns >= 0]
    if not buses:
        return CheckState.OPEN, "nothing heard yet"
    words = []
    bad = len(buses) < len(scene.live.buses)
    for bus in scene.live.buses:
        load = "" if bus.load_percent is None else f" {bus.load_percent:.0f} %"
        errors = f" {bus.error_frames} error frames" if bus.error_frames else ""
        words.append(f"{bus.name}{load}{errors}{f' lost {bus.lost}' if bus.lost else ''}")
        bad = bad or bool(bus.error_frames or bus.lost) or (bus.load_percent or 0.0) > MOST_LOAD_PERCENT
    return (CheckState.FAILED if bad else CheckState.PASSED), ", ".join(words)


def _check_sensors_ready(scene: Scene) -> Finding:
    if scene.dead or scene.live.t is None:
        return CheckState.OPEN, "nothing heard yet"
    waiting = _nodes_in_state(scene, SampleState.COLD, SampleState.WARMING)
    if waiting:
        return CheckState.OPEN, f"not ready: cyl {' '.join(scene.setting.labels[i] for i in waiting)}"
    if _nodes_in_state(scene, SampleState.SILENT):
        return CheckState.OPEN, "some are silent"
    return CheckState.PASSED, f"{len(scene.setting)} of {len(scene.setting)} ready"


def _check_engine_signals(scene: Scene) -> Finding:
    watched = scene.setting.session.engine_signals
    missing = [name for name in ("rpm", scene.setting.session.axes.load_signal) if name not in watched]
    if "target" not in watched and scene.setting.session.targets is None:
        missing.append("target")
    if missing:
        return CheckState.FAILED, f"no signal for {', '.join(missing)}"
    values = {
        "rpm": (scene.live.engine.get("rpm", np.nan), 0),
        "load": (scene.live.engine.get("load", np.nan), 0),
    }
    words = [f"{name} {number(value, decimals)}" for name, (value, decimals) in values.items()]
    return CheckState.OPEN, f"now {', '.join(words)}, target {number(scene.live.target, 3)}"


def _check_fuel(scene: Scene) -> Finding:
    fuel = scene.setting.session.fuel
    if fuel is None:
        return CheckState.OPEN, "no fuel in the session: lambda only"
    ratio = f"stoichiometric ratio {fuel.stoich_afr:g}" if fuel.stoich_afr else "parts given"
    return CheckState.PASSED, fuel.name or ratio


def _check_recording(scene: Scene) -> Finding:
    live = scene.live
    left = live.recording_minutes_left
    room = "" if left is None else f"{left:.0f} min" if left < HOURS_FROM_MIN else f"{left / 60:.0f} h"
    minutes = f", room for {room}" if room else ""
    if live.replay_position is not None:
        return CheckState.PASSED, "a recording is being played"
    if live.has_recording_failed or (left is not None and left < LEAST_ROOM_MIN):
        return CheckState.FAILED, f"{live.recording}{minutes}"
    return (
        CheckState.PASSED if live.is_recording else CheckState.OPEN
    ), f"{live.recording or 'not recording'}{minutes}"


def _sensor_fit(scene: Scene) -> Finding:
    """The session's cautions about the sensors; open until someone has judged them."""
    session = scene.setting.session
    notes = sensor_cautions(session)
    if notes:
        return CheckState.OPEN, sentences(notes)
    if session.exhaust.sensor_angle_deg is None:
        return CheckState.OPEN, "no sensor_angle_deg in the session"
    return CheckState.PASSED, f"{session.exhaust.sensor_angle_deg:g} degrees above horizontal"


def _nodes_in_state(scene: Scene, *states: SampleState) -> list[int]:
    return [i for i in range(len(scene.setting)) if scene.live.cylinders.state[i] in states]


CHECK_LIST: Final = (
    Check(
        "builder's and cell limits entered",
        "write them under [limits] in the session file, with their source",
        _check_limits,
    ),
    Check(
        "bus ends, power off, ohm meter",
        "60 ohm between the wires: 120 is one end missing, 40 one too many",
        _check_by_hand,
    ),
    Check(
        "supply at every node",
        "measure along the chain; worst while heaters warm and while cranking",
        _check_supply,
    ),
    Check(
        "all nodes answer",
        "look at supply and wire of a silent one; mixmon census finds two with one identifier",
        _check_nodes_answer,
    ),
    Check("bus load and errors", "below 60 % and no error frames; else ends, stubs, bit rate", _check_buses),
    Check(
        "sensors ready", "wait; one much slower than its peers is old or short of volts", _check_sensors_ready
    ),
    Check(
        "free-air check",
        "clean dry air, engine off, fumes gone; a hot sensor is an ignition source",
        _check_by_hand,
    ),
    Check(
        "engine signals plausible",
        "blip: rpm rises, throttle goes 0 to 100; at full load the target is below 1",
        _check_engine_signals,
    ),
    Check(
        "fuel scale", "an air-fuel ratio means nothing without its fuel: name it under [fuel]", _check_fuel
    ),
    Check(
        "exhaust leak check at warm idle",
        "a cylinder lean at idle and not at load: joint first, no trim",
        _check_by_hand,
    ),
    Check(
        "cylinder identity by fuel steps",
        "step one cylinder's fuel by 3 to 5 %: its own label must answer",
        _check_by_hand,
    ),
    Check(
        "delay of the gas found",
        "one overrun cut or a fuel step; then mixmon response on the run",
        _check_by_hand,
    ),
    Check("response of every sensor", "one overrun cut; then mixmon response on the run", _check_by_hand),
    Check("recording, and room on the disk", "r begins a run; an hour of room or more", _check_recording),
    Check(
        "sensor angle, unleaded fuel",
        "10 degrees above horizontal or more, so that water runs off; lead poisons the element",
        _sensor_fit,
    ),
)


IDENTITY_CHECK: Final = next(i for i, check in enumerate(CHECK_LIST) if "identity" in check.name)
"""Index of the check that has a screen of its own."""


# ----------------------------------------------------------------------------------------------------
# The page: one line for each check; below, what to do about the chosen one.
# ----------------------------------------------------------------------------------------------------

_NAME = 34
"""Cells of a check's name: the longest one."""


_STYLES = {
    CheckState.FAILED: "strong",
    CheckState.OPEN: "strong",
    CheckState.PASSED: "text",
    CheckState.SKIPPED: "dim",
}

_ALWAYS_COUNTED = (CheckState.PASSED, CheckState.OPEN, CheckState.FAILED)


def checks_page(scene: Scene, verdict: LimitVerdict, chosen: int, sheet: Sheet) -> list[Row]:
    """All checks, and the chosen one's step."""
    width = sheet.width
    found = judge_checks(scene)
    count = {stand: sum(one is stand for one, _ in found) for stand in CheckState}
    passed, waiting, failed = (count[state] for state in _ALWAYS_COUNTED)
    totals = f" passed {passed}   open {waiting}   failed {failed}"
    skipped = f"   skipped {count[CheckState.SKIPPED]}" if count[CheckState.SKIPPED] else ""
    head = [
        status(scene, verdict, width, title="CHECK LIST"),
        fit_row([(totals + skipped, "text")], width),
    ]
    rows = [_check_row(scene, i, one, width, chosen=i == chosen) for i, one in enumerate(found)]
    step = _step_rows(scene, chosen, found[chosen], width)
    room = room_below(head, sheet.height)
    step = step[: max(room - len(rows), min(3, room // 2))]
    first = min(max(chosen - (room - len(step)) // 2, 0), max(len(rows) - (room - len(step)), 0))
    return framed(head, [*rows[first : first + room - len(step)], *step], sheet)


def _check_row(scene: Scene, index: int, found: Finding, width: int, *, chosen: bool) -> Row:
    stand, evidence = found
    mark = scene.marks.chosen if chosen else " "
    name = CHECK_LIST[index].name
    return fit_row(
        [
            (f"{mark}{index + 1:>2} ", "strong"),
            (f"{stand.value:<5} ", _STYLES[stand]),
            (fit(name, _NAME) if width >= NARROW_COLUMNS else name, "strong" if chosen else "text"),
            (f"  {clean(evidence)}" if width >= NARROW_COLUMNS else "", "dim"),
        ],
        width,
    )


def _step_rows(scene: Scene, index: int, found: Finding, width: int) -> list[Row]:
    """What to do, and the whole of the evidence where its line may have cut it."""
    rows: list[Row] = [((scene.marks.rule * width, "rule"),)]
    lines = wrap(f"step {index + 1}: {CHECK_LIST[index].todo}", width - 2)
    lines += wrap(f"found: {found[1]}", width - 2)
    return rows + [fit_row([(f" {line}", "text")], width) for line in lines]
