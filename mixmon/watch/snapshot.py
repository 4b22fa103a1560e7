"""Everything that a screen shows at one moment, frozen."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Self

import numpy as np

from mixmon.arrays import Bytes, Floats, Ints
from mixmon.findings.alarms.records import AlarmEvent, AlarmList
from mixmon.findings.balance.balance import Balance
from mixmon.findings.events.event import Event
from mixmon.findings.identity.guide import StepTest
from mixmon.findings.pulls.review import PullReview
from mixmon.findings.trims.sheet import TrimSheet
from mixmon.frames.clock import BACKWARD_JUMP_NS, FORWARD_JUMP_NS, clock_text
from mixmon.mixture.block import SampleState
from mixmon.mixture.steady import Cell
from mixmon.session.evidence import UNPROVED, IdentityStanding
from mixmon.watch.commissioning import Commissioning
from mixmon.watch.history import History
from mixmon.watch.timeline import LogTimeline


@dataclass(frozen=True, slots=True, eq=False)
class Cylinders:
    """The n nodes now, in session order. Percent of fuel, positive = add fuel; NaN = not known now.

    lam, oxygen  float64[n]  mean of the valid rows of the last quarter second
    vs_target, vs_peers  float64[n]  needs from that
    low, high    float64[n]  least and largest need against the target, valid rows of the last two seconds
    worst        float64[n]  largest need against the target since the peaks were reset; these three
                 against the peers in a session without a target
    state        uint8[n]    SampleState of the newest row
    age_ns       int64[n]    age of the newest sample, -1 if there never was one
    supply, heater  float64[n]  volts, percent
    """

    lam: Floats
    oxygen: Floats
    vs_target: Floats
    vs_peers: Floats
    low: Floats
    high: Floats
    worst: Floats
    state: Bytes
    age_ns: Ints
    supply: Floats
    heater: Floats

    def aged(self, by_ns: int) -> Self:
        """The same nodes so much later, with nothing new from them: none is known any more."""
        unknown = np.full(len(self.state), np.nan)
        return replace(
            self,
            age_ns=np.where(self.age_ns < 0, self.age_ns, self.age_ns + by_ns),
            state=np.where(self.state == SampleState.LEFT_OUT, self.state, np.uint8(SampleState.SILENT)),
            lam=unknown,
            oxygen=unknown,
            vs_target=unknown,
            vs_peers=unknown,
            supply=unknown,
            heater=unknown,
        )


@dataclass(frozen=True, slots=True, eq=False)
class StripNeeds:
    """Needs against one reference, float64[h], percent of fuel: all cylinders together, the leanest one."""

    engine: Floats
    leanest: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Strip:
    """The last twenty seconds, ten points a second, oldest first; NaN where not known.

    t_s  float64[h]  seconds before now, negative
    vs_target, vs_peers  needs against the target, and against all cylinders together
    """

    t_s: Floats
    vs_target: StripNeeds
    vs_peers: StripNeeds


@dataclass(frozen=True, slots=True)
class MixtureLimits:
    """The limits of mixture that are in force now.

    in_force    at least one rule about mixture is in force
    rich, lean  the tightest limits as needs against the target, percent; None for none, or no target
    """

    in_force: bool
    rich: float | None
    lean: float | None


@dataclass(frozen=True, slots=True)
class Holding:
    """The dwell under way: the cell, how long it has been steady, and how long it still needs.

    settle_s   seconds until samples count; 0 when they do
    used_s     seconds counted in this cell so far, of the cylinder with the least
    wanted_percent  half-width of the interval that is asked for
    left_s     seconds still needed by the worst cylinder; None where that is not known yet
    worst      that cylinder; None likewise
    """

    cell: Cell
    settle_s: float
    used_s: float
    wanted_percent: float
    left_s: float | None
    worst: int | None


@dataclass(frozen=True, slots=True)
class BusNow:
    """One bus now: load over the last second in percent (None without a bit rate), frames a second."""

    name: str
    load_percent: float | None
    frames_per_s: float
    error_frames: int
    state: str  # in words
    newest_age_ns: int  # of its newest frame; -1 if none came
    lost: int | None  # frames lost before or in this program; None: not counted
    trouble: bool = False  # something is wrong with it: its device, or what comes


@dataclass(frozen=True, slots=True, eq=False)
class Snapshot:
    """One moment. Swapped by reference, never changed.

    t          data time, ns, of the newest row; None before the first
    elapsed_s  what the clock shows: data time of the newest row since the first frame, in a replay that of
               the whole log, as in every result; where the stamps jump, it jumps
    engine     quantity -> value now (rpm, load, target, coolant_c, ...); NaN or absent = not known
    target     lambda asked for now; NaN = not known
    all_vs_target  the whole engine against the target, percent
    spread     largest less smallest need against peers, percent, of the `valid` cylinders
    leanest    index of the node with the largest need against the target (against peers without one)
    alarms     all that are not normal, most pressing first
    limits     of mixture, in force now
    balance    of everything so far, renewed every other second; None before the first steady time
    identity   what is known of the labels
    pulls      those so far, renewed when one ends; None before the first
    sheet      the trims to type, by that balance
    commissioning  what the rows so far show of sensors and delay, for the check list; None likewise
    steps      the test by fuel steps, which label is which cylinder; None before the first snapshot
    alarm_events, remarks, happened  newest last: alarm records, what happened to sources and
               recorder in words, and misfires, cuts, excursions and drop-outs
    history    the last minutes row by row, renewed each second; for pictures
    recording  the recorder's current status, in words; "" when there is none
    failure    why the worker has stopped; "" while it runs
    rows_stopped_s  seconds for which no rows have come of live buses, where that is too long; else 0
    """

    t: int | None
    elapsed_s: float
    engine: Mapping[str, float]
    target: float
    all_vs_target: float
    spread: float
    valid: int
    leanest: int | None
    cylinders: Cylinders
    strip: Strip
    holding: Holding | None
    alarms: AlarmList
    limits: MixtureLimits
    balance: Balance | None
    buses: tuple[BusNow, ...]
    alarm_events: tuple[AlarmEvent, ...] = ()
    remarks: tuple[tuple[int, str], ...] = ()  # (data time ns, words)
    happened: tuple[Event, ...] = ()
    recording: str = ""
    recording_minutes_left: float | None = None
    recording_s: float = 0.0  # data time of the run that is being written
    replay_position: float | None = None  # 0..1 of a recording; None when live
    timeline: LogTimeline | None = None  # of a recording
    stretches: tuple[tuple[int, int], ...] = ()  # first and newest row of the latest stretches of time, ns
    late_by_clock: int = 0
    frames: int = 0
    failure: str = ""
    counters: Mapping[str, int] = field(default_factory=dict)
    pulls: PullReview | None = None
    rows_stopped_s: float = 0.0
    history: History = field(default_factory=History)
    steps: StepTest | None = None
    sheet: TrimSheet | None = None
    commissioning: Commissioning | None = None
    identity: IdentityStanding = UNPROVED

    def __repr__(self) -> str:
        return f"<Snapshot at {clock_text(self.elapsed_s)}: {self.valid} valid, spread {self.spread:.1f} %>"

    def aged(self, by_ns: int) -> Self:
        """The same moment so much later, without a new row."""
        return replace(
            self,
            cylinders=self.cylinders.aged(by_ns),
            alarms=self.alarms.aged(by_ns),
            engine=MappingProxyType({}),
            target=np.nan,
            all_vs_target=np.nan,
            spread=np.nan,
            valid=0,
            leanest=None,
            holding=None,
            rows_stopped_s=by_ns / 1e9,
        )

    def order(self, t: int) -> tuple[int, int]:
        """What sorts moments as they came, also where stamps have jumped back: stretch of time and stamp."""
        for number in range(len(self.stretches) - 1, 0, -1):
            begin, newest = self.stretches[number]
            if begin - BACKWARD_JUMP_NS <= t <= newest + FORWARD_JUMP_NS:
                return number, t
        return 0, t

    @property
    def is_recording(self) -> bool:
        """Whether a run is being written now."""
        return self.recording.startswith("recording") and not self.has_recording_failed

    @property
    def has_recording_failed(self) -> bool:
        """Whether writing the run has failed."""
        return self.recording.startswith("recording failed")
