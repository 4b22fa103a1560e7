"""The check list before the first pull: each check with its state and its evidence.

The program judges a check from the snapshot where it can. A check that needs hands, an ohm meter or
eyes stays open until someone says what was found; the words are a note in the record, and a replay
of the run shows them again. What a person says counts before what the program finds.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import Enum
from functools import lru_cache
from typing import Final

import numpy as np

from mixmon.arrays import DATED_FROM_NS, SECOND_NS
from mixmon.dashboard.pictures.plot import Same
from mixmon.dashboard.scene import Scene
from mixmon.dashboard.screens.identity import evidence_in_force, standing_now
from mixmon.dashboard.screens.status import Sheet, framed, room_below, status
from mixmon.dashboard.text import (
    NARROW_COLUMNS,
    Row,
    clean,
    fit,
    fit_row,
    half_text,
    number,
    signed,
    wrap,
)
from mixmon.dashboard.verdict import LimitVerdict
from mixmon.findings.balance.balance import LOW_LOAD, Balance, EngineNeed
from mixmon.findings.balance.notes import BalanceNote
from mixmon.findings.events.event import Kind
from mixmon.ledger.standing import ClassLimits
from mixmon.messages.cautions import sensor_cautions
from mixmon.mixture.block import SampleState
from mixmon.report.identity import confidence_text
from mixmon.report.words import sentences
from mixmon.session.evidence import IdentityStanding, IdentityState
from mixmon.watch.commissioning import MINUTE_S
from mixmon.watch.observer import WANTED_PERCENT


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

LEAST_RATE_PERCENT: Final = 99.0
"""Samples that must come, of those that the definitions say (job: each rate within 1 %, common practice)."""

SLOW_TIMES: Final = 2.0
"""T63 over that of the others from which a sensor is suspect (common practice, no source)."""

MOST_GLOBAL_PERCENT: Final = 1.0
"""Agreement of the whole engine with its target (common practice, no source)."""

HOURS_FROM_MIN: Final = 600.0
"""Room from which it is told in hours. Our choice: three digits of minutes at most."""

_NOTE_STATES: Final = {
    "passed": CheckState.PASSED,
    "failed": CheckState.FAILED,
    "skipped": CheckState.SKIPPED,
    "reopened": CheckState.OPEN,
}
_CHECK_NOTE_BEGIN: Final = "note: check "

_CHECK_NOTE: Final = re.compile(
    rf"{_CHECK_NOTE_BEGIN}(\d+) ({'|'.join(_NOTE_STATES)})(?:: (.*?))?(?: \(no run is being recorded\))?"
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
        match = _CHECK_NOTE.fullmatch(words) if words.startswith(_CHECK_NOTE_BEGIN) else None
        if match:
            told[int(match[1]) - 1] = _NOTE_STATES[match[2]], match[3] or ""
    return [
        _weigh(told.get(index, (CheckState.OPEN, "")), check.judge(scene))
        for index, check in enumerate(CHECK_LIST)
    ]


def _weigh(told: Finding, judged: Finding) -> Finding:
    """What a person said, else what the data say; a check that fails by the data says so in any case."""
    if told[0] is CheckState.OPEN:
        return judged
    if told[0] is CheckState.PASSED and judged[0] is CheckState.FAILED:
        return CheckState.PASSED, f"{told[1]} (the data: FAIL, {judged[1]})"
    return told


def _check_by_hand(_: Scene) -> Finding:
    return CheckState.OPEN, "by hand"


def _labels(scene: Scene, indexes: Iterable[int]) -> str:
    return " ".join(scene.setting.labels[i] for i in indexes)


def _date_text(t_ns: int) -> str:
    """A day in UTC; nothing where stamps are no dates."""
    return f" {datetime.fromtimestamp(t_ns // SECOND_NS, UTC):%Y-%m-%d}" if t_ns >= DATED_FROM_NS else ""


def _check_limits(scene: Scene) -> Finding:
    source = scene.setting.session.limits.source
    if source is None:
        return CheckState.OPEN, "placeholders are in force"
    lean = scene.setting.limit("over_target")
    return CheckState.PASSED, source if lean is None else f"{source}; lean at +{lean:.3f}"


def _check_supply(scene: Scene) -> Finding:
    """The lowest supply since watching began; worst while heaters warm and the engine is cranked."""
    seen = scene.live.commissioning
    now = scene.live.cylinders.supply
    volts = now if seen is None else np.fmin(now, seen.lowest_supply)
    if scene.dead or not np.isfinite(volts).any():
        return CheckState.OPEN, "no supply voltage reported"
    low = int(np.nanargmin(volts))
    limit = scene.setting.limit("supply_below")
    at = -1 if seen is None or volts[low] != seen.lowest_supply[low] else int(seen.lowest_at[low])
    when = "now" if at < 0 else f"at {scene.clock(at)}"
    words = f"lowest {number(float(volts[low]), 2)} V, cyl {scene.setting.labels[low]}, {when}"
    if limit is None:
        return CheckState.OPEN, words
    return (CheckState.FAILED if volts[low] < limit else CheckState.PASSED), f"{words} (limit {limit:g})"


def _check_nodes_answer(scene: Scene) -> Finding:
    heard = scene.live.cylinders.age_ns >= 0
    silent = [scene.setting.labels[i] for i in _nodes_in_state(scene, SampleState.SILENT)]
    if scene.dead or not heard.any():
        return CheckState.OPEN, "nothing heard yet"
    twins = _nodes_in_state(scene, SampleState.DUPLICATE_NODE)
    if twins:
        return CheckState.FAILED, f"two controllers send as cyl {_labels(scene, twins)}"
    if silent:
        return CheckState.FAILED, f"silent: cyl {' '.join(silent)}"
    return CheckState.PASSED, f"{len(heard)} of {len(heard)} heard, each once"


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
        return CheckState.OPEN, f"not ready: cyl {_labels(scene, waiting)}"
    if _nodes_in_state(scene, SampleState.SILENT):
        return CheckState.OPEN, "some are silent"
    slow, words = _warm_up_words(scene)
    words = f"{len(scene.setting)} of {len(scene.setting)} ready{words}"
    return (CheckState.FAILED if slow else CheckState.PASSED), words


def _warm_up_words(scene: Scene) -> tuple[bool, str]:
    """Whether a sensor takes longer than its class, and the warm-ups that were seen."""
    seen = scene.live.commissioning
    if seen is None or not np.isfinite(seen.warm_up_s).any():
        return False, ", no warm-up seen"
    worst = int(np.nanargmax(seen.warm_up_s))
    low, high = float(np.nanmin(seen.warm_up_s)), float(seen.warm_up_s[worst])
    limit = ClassLimits().warm_up_s
    words = f" in {low:.1f} to {high:.1f} s, slowest cyl {scene.setting.labels[worst]}"
    return high > limit, f"{words} (limit {limit:g})" if high > limit else words


def _check_rates(scene: Scene) -> Finding:
    """What came in the last minute against the message definitions."""
    seen = scene.live.commissioning
    if scene.dead or seen is None or not seen.counted_s:
        return CheckState.OPEN, "nothing counted yet"
    share = 100.0 * seen.rate_hz / seen.expected_hz
    wait = int(np.nanargmax(seen.longest_wait_s))
    words = f"longest wait {1e3 * seen.longest_wait_s[wait]:.0f} ms, cyl {scene.setting.labels[wait]}"
    if not np.isfinite(share).any():
        return CheckState.OPEN, f"the definitions give no rate; {words}"
    worst = int(np.nanargmin(share))
    words = f"{share[worst]:.1f} % of cyl {scene.setting.labels[worst]} at least, {words}, {seen.counted_s} s"
    if seen.counted_s < MINUTE_S:
        return CheckState.OPEN, f"{words} of {MINUTE_S}"
    stale = seen.longest_wait_s[wait] > scene.setting.session.validity.stale_s
    return (CheckState.FAILED if share[worst] < LEAST_RATE_PERCENT or stale else CheckState.PASSED), words


def _check_free_air(scene: Scene) -> Finding:
    """The newest check of each sensor in the ledger."""
    limit, checked = ClassLimits().air_percent, {}
    if scene.setting.known.fault:
        return CheckState.OPEN, "by hand; the ledger cannot be read"
    for index in range(len(scene.setting)):
        record = scene.setting.record_of(index)
        if record is not None and record.air_checks:
            checked[index] = record.air_checks[-1]
    if not checked:
        return CheckState.OPEN, "by hand; none in the ledger"
    worst = max(checked, key=lambda index: abs(checked[index].off_percent))
    off, oldest = checked[worst].off_percent, min(check.entered_ns for check in checked.values())
    words = (
        f"{len(checked)} of {len(scene.setting)} checked, cyl {scene.setting.labels[worst]} {signed(off)} %"
    )
    words += f" (limit {limit:g}), oldest{_date_text(oldest)}"
    if abs(off) > limit:
        return CheckState.FAILED, words
    return (CheckState.PASSED if len(checked) == len(scene.setting) else CheckState.OPEN), words


def _check_leak(scene: Scene) -> Finding:
    """What reads lean at low flow and not at high; without both nothing is known."""
    balance = scene.live.balance
    if balance is None:
        return CheckState.OPEN, "by hand; or stay steady at idle and at load"
    leaks = {BalanceNote.LEAN_AT_LOW_FLOW}
    lean = [one.cylinder for one in balance.cylinders if leaks & {flag.code for flag in one.flags}]
    if lean:
        return CheckState.FAILED, f"lean at low flow: cyl {' '.join(map(str, lean))}"
    used, masked = ({c.used_for_trims for c in balance.cells} >= {kind} for kind in (True, False))
    if used and masked:
        return CheckState.OPEN, "none is leaner at low flow than at load; look at the joints"
    return CheckState.OPEN, "by hand; or stay steady at idle and at load"


def _check_identity(scene: Scene) -> Finding:
    """The proof that counts now."""
    standing, evidence = standing_now(scene), evidence_in_force(scene)
    if standing.own:
        return _own_proof(scene, standing)
    if standing.state is IdentityState.PROVED and evidence is not None:
        least = min(node.confidence for node in evidence.nodes)
        words = f"{clean(evidence.log)}{_date_text(evidence.first_ns)}, {len(evidence.nodes)} of "
        return CheckState.PASSED, f"{words}{len(evidence.nodes)}, least sure {confidence_text(least)}"
    if standing.state is IdentityState.DISPROVED:
        seen = ", ".join(f"{label} sees {cylinder}" for _, label, cylinder in standing.odd)
        return CheckState.FAILED, f"{seen}; no trims until put right"
    if standing.changed:
        return CheckState.OPEN, f"changed since the proof: position {' '.join(map(str, standing.changed))}"
    trims = scene.setting.session.trims
    if standing.state is IdentityState.STATED:
        return CheckState.OPEN, f"not proved; {clean(trims.identity_by or 'somebody')} vouches for the labels"
    done = scene.live.steps
    begun = (
        f", {sum(s.counts for s in done.steps)} of {len(done.plan)} steps"
        if done is not None and done.steps
        else ""
    )
    return CheckState.OPEN, f"not proved{begun}; enter opens the steps"


def _own_proof(scene: Scene, standing: IdentityStanding) -> Finding:
    """What fuel steps in this run have shown of the labels."""
    seen = ", ".join(f"{label} sees {cylinder}" for _, label, cylinder in standing.odd)
    if seen:
        then = "trims go by the cylinder seen" if standing.by_cylinder else "no trims until put right"
        return CheckState.FAILED, f"{seen}, by steps in this run; {then}"
    if standing.state is IdentityState.PROVED:
        count = len(scene.setting)
        return CheckState.PASSED, f"{count} of {count} by steps in this run"
    return CheckState.OPEN, f"steps in this run told nothing of position {' '.join(map(str, standing.open))}"


def _check_delay(scene: Scene) -> Finding:
    """The delay by fuel cuts of this run, else by the fuel steps of the labels."""
    seen, test = scene.live.commissioning, scene.live.steps
    found = None if seen is None else seen.delay
    if found is not None and seen is not None:
        words = f"{1e3 * found.seconds:.0f} ms ({scene.marks.plus_minus}{1e3 * found.half_s:.0f})"
        return CheckState.PASSED, f"{words} at {found.rpm:g}/{found.load:g}, by {_cuts_text(seen.cuts)}"
    told = [] if test is None or test.result is None else [x for x in test.result.labels if x.told]
    if told:
        middle = float(np.median([label.delay_s for label in told]))
        how = "" if test is not None and test.reported else " typed by hand"
        return CheckState.OPEN, f"about {1e3 * middle:.0f} ms by fuel steps{how}; a cut shows it"
    return CheckState.OPEN, _no_cut_words(scene)


def _cuts_text(count: int) -> str:
    return f"{count} {'cut' if count == 1 else 'cuts'}"


def _no_cut_words(scene: Scene) -> str:
    """Why nothing is known by a fuel cut: there was none, or the last one did not show it."""
    cut = Kind.FUEL_CUT
    newest = next((one.t for one in reversed(scene.live.happened) if one.kind is cut), None)
    if newest is None:
        return "no overrun cut yet"
    return f"not told by the cut at {scene.clock(newest)}: too short, not steady, or not over yet"


def _check_response(scene: Scene) -> Finding:
    """T63 of each sensor against the others and its class."""
    seen = scene.live.commissioning
    known = [] if seen is None else [one for one in seen.sensors if np.isfinite(one.t63_s)]
    if not known or seen is None:
        return CheckState.OPEN, _no_cut_words(scene)
    slow = max(known, key=lambda one: one.t63_s)
    limit = ClassLimits().t63_s
    low = min(one.t63_s for one in known)
    name = "+".join(map(str, slow.cylinders))
    words = f"T63 {1e3 * low:.0f} to {1e3 * slow.t63_s:.0f} ms, slowest cyl {name}"
    if np.isfinite(slow.times_peers):
        words += f" x{slow.times_peers:.1f} of the others"
    words += f", {_cuts_text(seen.cuts)}"
    if slow.t63_s > limit or slow.times_peers > SLOW_TIMES:
        return CheckState.FAILED, words
    return (CheckState.PASSED if len(known) == len(scene.setting) else CheckState.OPEN), words


def _check_overrun(scene: Scene) -> Finding:
    """The levels that the sensors read in the air of a cut, against each other."""
    seen = scene.live.commissioning
    known = [] if seen is None else [one for one in seen.sensors if np.isfinite(one.air_to_peers_percent)]
    if not known or seen is None:
        return CheckState.OPEN, "no overrun cut whose air the sensors can show"
    worst = max(known, key=lambda one: abs(one.air_to_peers_percent))
    limit = ClassLimits().air_percent
    name, off = "+".join(map(str, worst.cylinders)), worst.air_to_peers_percent
    words = f"in air: cyl {name} {signed(off)} % off the others (limit {limit:g}), {_cuts_text(seen.cuts)}"
    return (CheckState.FAILED if abs(off) > limit else CheckState.PASSED), words


def _check_rotation(scene: Scene) -> Finding:
    """The sensors' own errors that the ledger knows."""
    records = [scene.setting.record_of(index) for index in range(len(scene.setting))]
    known = [one.bias for one in records if one is not None and one.bias is not None]
    if not known:
        return CheckState.OPEN, "no sensor's own error is known; mixmon rotate says how to find them"
    widest = max(bias.half_percent for bias in known)
    largest = max(known, key=lambda bias: abs(bias.percent))
    words = f"{len(known)} of {len(records)} known, largest {signed(largest.percent, 2)} %"
    words += f", widest {scene.marks.plus_minus}{widest:.2f}"
    return (CheckState.PASSED if len(known) == len(records) else CheckState.OPEN), words


def _check_global(scene: Scene) -> Finding:
    """The whole engine against its target, cell by cell; low loads count, low flow does not."""
    known = _known_whole_engine(Same(scene.live.balance))
    if not known:
        return CheckState.OPEN, "no cell yet in which the whole engine is known against a target"
    worst = max(known, key=lambda one: abs(one.needs_percent))
    place = "/".join(f"{value:g}" for value in (worst.rpm, worst.load) if value is not None)
    half = half_text(worst.half_interval_percent)
    count = f"{len(known)} {'cell' if len(known) == 1 else 'cells'}"
    words = f"worst {signed(worst.needs_percent)} {scene.marks.plus_minus}{half} % at {place}, {count}"
    if any(abs(one.needs_percent) - one.half_interval_percent > MOST_GLOBAL_PERCENT for one in known):
        return CheckState.FAILED, words
    sure = all(abs(one.needs_percent) + one.half_interval_percent <= MOST_GLOBAL_PERCENT for one in known)
    return (CheckState.PASSED if sure else CheckState.OPEN), words


@lru_cache(4)
def _known_whole_engine(found: Same) -> tuple[EngineNeed, ...]:
    """What the whole engine needs in each cell that counts, as far as it is known."""
    balance: Balance | None = found.it
    if balance is None:
        return ()
    told = {(c.rpm, c.load) for c in balance.cells if c.used_for_trims or c.not_used_because == LOW_LOAD}
    cells = (one for one in balance.whole_engine if (one.rpm, one.load) in told)
    return tuple(one for one in cells if math.isfinite(one.needs_percent))


def _check_dwells(scene: Scene) -> Finding:
    """The cells whose needs are known well enough, of those that were visited and count."""
    enough, visited = _count_known_cells(Same(scene.live.balance))
    if not visited:
        return CheckState.OPEN, "no cell yet"
    words = f"{enough} of {visited} cells within {scene.marks.plus_minus}{WANTED_PERCENT:g} %"
    return (CheckState.PASSED if enough == visited else CheckState.OPEN), words


@lru_cache(4)
def _count_known_cells(found: Same) -> tuple[int, int]:
    """Cells of a balance in which every need is known well enough, of those that count."""
    balance: Balance | None = found.it
    by_cell: dict[tuple[float | None, float | None], list[float]] = {}
    for one in () if balance is None else balance.cells:
        if one.used_for_trims:
            by_cell.setdefault((one.rpm, one.load), []).append(one.half_interval_percent)
    enough = sum(all(half <= WANTED_PERCENT for half in halves) for halves in by_cell.values())
    return enough, len(by_cell)


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
    return [i for i, state in enumerate(scene.live.cylinders.state.tolist()) if state in states]


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
        "clean dry air, engine off, fumes gone; a hot sensor is an ignition source; "
        "mixmon sensors --air-check enters it",
        _check_free_air,
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
        _check_leak,
    ),
    Check(
        "cylinder identity by fuel steps",
        "fuel steps of 3 to 5 %, typed as the identity step (I) says: each label must answer its own code",
        _check_identity,
    ),
    Check(
        "delay of the gas found",
        "one overrun cut from a steady speed; mixmon response on the run tells it in every cell",
        _check_delay,
    ),
    Check(
        "response of every sensor", "one overrun cut; mixmon response on the run tells more", _check_response
    ),
    Check("recording, and room on the disk", "r begins a run; an hour of room or more", _check_recording),
    Check(
        "sensor angle, unleaded fuel",
        "10 degrees above horizontal or more, so that water runs off; lead poisons the element",
        _sensor_fit,
    ),
    Check(
        "frame rate and gaps over 60 s",
        "99 % of what the definitions say, no wait as long as stale_s; else bus load, supply, or a filter",
        _check_rates,
    ),
    Check(
        "overrun check of the sensors",
        "in the air of a fuel cut all read alike; one that does not is off at the lean end",
        _check_overrun,
    ),
    Check(
        "rotation: sensors' own errors",
        "mixmon rotate --design says which sensors to move where; the ledger keeps what it finds",
        _check_rotation,
    ),
    Check(
        "whole engine against target",
        "within 1 %: else the base map first, and the scale of the fuel; trims of cylinders come after",
        _check_global,
    ),
    Check(
        "dwells long enough",
        "stay in a cell until its clock says done (b); the worst cylinder is in charge",
        _check_dwells,
    ),
    Check(
        "before and after",
        "the same cells again after the trims: mixmon compare BEFORE AFTER proves what changed",
        _check_by_hand,
    ),
)


IDENTITY_CHECK: Final = next(i for i, check in enumerate(CHECK_LIST) if "identity" in check.name)
"""Index of the check that has a screen of its own."""


# ----------------------------------------------------------------------------------------------------
# The page: one line for each check; below, what to do about the chosen one.
# ----------------------------------------------------------------------------------------------------

_NAME = 34
"""Cells of a check's name: the longest one."""


_ADVICE_ROWS = 4
"""Rows of the step at least: our choice, a line of what to do, and one or two of what was found."""

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
    step = step[: max(room - len(rows), min(_ADVICE_ROWS, room // 2))]
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
