"""What a simulation plays, as frozen records: the engine, its faults, its sensors, its profile.

`simulate.load` makes them from TOML. Percentages of fuel and air are relative to the engine's
own mean; lean is positive for air, rich is positive for fuel. Tuples "one a cylinder" are in
cylinder order, tuples "one a node" in chain order.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from mixmon.session.model import Engine, Session

Grid = tuple[tuple[float, ...], ...]
"""One row a load, one column a speed."""


@dataclass(frozen=True, slots=True)
class Map:
    """The engine's tables over speed (columns) and load (rows).

    target              lambda the fuel control aims at
    pulse_ms            effective injector opening at a trim of nothing
    base_error_percent  what the base map gives too much (rich is positive)
    exhaust_k           gas temperature in the primaries, kelvin
    full_filling        air per cycle over cylinder volume where the map's air is largest
    """

    rpm: tuple[float, ...]
    load: tuple[float, ...]
    target: Grid
    pulse_ms: Grid
    base_error_percent: Grid
    exhaust_k: Grid
    full_filling: float


@dataclass(frozen=True, slots=True)
class CylinderDifferences:
    """How the cylinders differ, one number a cylinder.

    flow_percent   injector flow
    dead_time_ms   injector opens later than its peers
    air_percent    air of the runner, at every point
    sync_percent   air by its throttle, times `sync_share`, one a load of the map
    film_percent   share of a sudden rise of air that the wall film takes from the fuel
    film_s         time in which the film gives it back, the same for all
    """

    flow_percent: tuple[float, ...]
    dead_time_ms: tuple[float, ...]
    air_percent: tuple[float, ...]
    sync_percent: tuple[float, ...]
    sync_share: tuple[float, ...]
    film_percent: tuple[float, ...]
    film_s: float


@dataclass(frozen=True, slots=True)
class SimulatedSensors:
    """The sensors, one value a cylinder in which they sit.

    serial             of sensor and controller together
    bias_percent       steady error of the reading, in lambda
    lean_s, rich_s     time constant of readings that rise and that fall
    ready_s            from heater on to ready, cold
    free_air_percent   error of the reading in air
    """

    serial: tuple[str, ...]
    bias_percent: tuple[float, ...]
    lean_s: tuple[float, ...]
    rich_s: tuple[float, ...]
    ready_s: tuple[float, ...]
    free_air_percent: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Controllers:
    """The controllers of the chain.

    rate_hz          readings a second of each node
    heater_groups    positions that start heating together
    group_gap_s      between two groups
    lowest, highest  lambda that a controller can say
    filter_s         time constant of the controllers' own filter
    rewarm_s         from the return of the supply to ready, hot
    lead_v, step_v   supply that one running node costs on the lead, and on one length from node to node
    """

    rate_hz: float
    heater_groups: tuple[tuple[int, ...], ...]
    group_gap_s: float
    lowest: float
    highest: float
    filter_s: float
    rewarm_s: float
    lead_v: float
    step_v: float


@dataclass(frozen=True, slots=True)
class Noise:
    """What is random. Standard deviations.

    cycle_percent     fuel of each cycle, independent
    lambda_white      of each reading, after all lags
    rpm, load         of the engine's signals
    jitter_s          of the moment at which a node sends
    clock_ppm         of the nodes' clocks
    """

    cycle_percent: float
    lambda_white: float
    rpm: float
    load: float
    jitter_s: float
    clock_ppm: float


@dataclass(frozen=True, slots=True)
class WarmUp:
    """Coolant from the start on, and what the fuel control adds below `warm_c`."""

    start_c: float
    end_c: float
    time_s: float
    warm_c: float
    enrich_percent: float


@dataclass(frozen=True, slots=True)
class Leak:
    """Outside air that gets in before one cylinder's sensor, in percent of that cylinder's air.

    `percent` is given at points of the map and follows the flow between them.
    """

    cylinder: int
    rpm: tuple[float, ...]
    load: tuple[float, ...]
    percent: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Exchange:
    """Two controllers that carry each other's place in the chain."""

    positions: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Misfire:
    """Cycles in a row that do not burn.

    They begin in the part of the profile named `during`, when `after_s` of it have passed and
    the engine has reached `rpm`.
    """

    cylinder: int
    during: str
    cycles: int
    rpm: float = 0.0
    after_s: float = 0.0


@dataclass(frozen=True, slots=True)
class DropOut:
    """A node without supply for `seconds`; it begins as a Misfire does."""

    position: int
    during: str
    seconds: float
    rpm: float = 0.0
    after_s: float = 0.0


Fault = Leak | Exchange | Misfire | DropOut


@dataclass(frozen=True, slots=True)
class Part:
    """One part of the profile. Fields that its kind does not use keep their defaults.

    kind       off | start | steady | sweep | limiter | overrun | identity | pattern | split-pulse | tip-in |
               stop
    seconds    how long the part takes, its way in (`ramp_s`) included
    rpm, load  where it goes; a sweep starts where the part before it ended
    ramp_s     time of the way to rpm and load
    percent    size of fuel steps (identity, pattern)
    step_s, pause_s, lead_s   identity: one step, between steps, before the first; split-pulse: likewise, of
                              times with two half pulses a cycle
    method     identity: coded | single
    hold_s     pattern: shortest hold; tip-in: time at the high load
    to_load    tip-in: the high load
    times      tip-in, split-pulse: how many
    drop_rpm   limiter: depth of the saw-tooth
    """

    kind: str
    name: str
    seconds: float
    rpm: float
    load: float
    ramp_s: float = 2.0
    percent: float = 3.0
    step_s: float = 6.0
    pause_s: float = 2.0
    lead_s: float = 4.0
    method: str = "coded"
    hold_s: float = 0.3
    to_load: float = 100.0
    times: int = 1
    drop_rpm: float = 120.0


@dataclass(frozen=True, slots=True)
class Scenario:
    """Everything that a simulation plays, without its seed.

    session         what the user of the simulated engine would declare, who does not know the faults
    misfire_speed   how much slower fuel vapour reaches an element than oxygen does (k_d)
    free_air        percent of oxygen in the shop's air
    reports_trims   whether the engine control tells on its bus what it adds to each cylinder
    repeat_from     name of the part to go back to when a longer run is asked for; None: the run ends
    """

    session: Session
    map: Map
    cylinders: CylinderDifferences
    sensors: SimulatedSensors
    controllers: Controllers
    noise: Noise
    warm_up: WarmUp
    profile: tuple[Part, ...]
    faults: tuple[Fault, ...] = ()
    misfire_speed: float = 0.53
    free_air: float = 20.7
    reports_trims: bool = False
    repeat_from: str | None = None
    about: str = ""

    @property
    def engine(self) -> Engine:
        """The engine as declared."""
        return self.session.engine

    @property
    def size(self) -> int:
        """Number of cylinders."""
        return self.session.engine.cylinders


def sensor_at(positions: int, faults: tuple[Fault, ...]) -> tuple[int, ...]:
    """The cylinder (from 0) in which the sensor of each position of the chain really sits."""
    places = list(range(positions))
    for fault in faults:
        if isinstance(fault, Exchange):
            a, b = (position - 1 for position in fault.positions)
            places[a], places[b] = places[b], places[a]
    return tuple(places)


# --- Fuel steps that distinguish cylinders and delays. ---


def identity_codes(cylinders: int, method: str) -> list[tuple[int, ...]]:
    """Signs of the fuel steps, one tuple a step, one sign a cylinder.

    "coded": as many group steps as cylinder numbers have binary digits, and one more that makes
    the number of plus signs of every cylinder even, so that one wrong answer shows.
    "single": one cylinder after another.

    >>> identity_codes(4, "coded")
    [(-1, 1, -1, 1), (-1, -1, 1, 1), (-1, 1, 1, -1)]
    """
    if method == "single":
        return [tuple(int(i == j) for i in range(cylinders)) for j in range(cylinders)]
    digits = max(1, (cylinders - 1).bit_length())
    rows = [[i >> digit & 1 for i in range(cylinders)] for digit in range(digits)]
    rows.append([sum(row[i] for row in rows) % 2 for i in range(cylinders)])
    return [tuple(2 * bit - 1 for bit in row) for row in rows]


def random_pattern(rng: np.random.Generator, seconds: float, hold_s: float) -> list[tuple[float, int]]:
    """Moments from 0 on, and the sign that holds from each: plus and minus in turn, 0 at the end.

    Holds are between one and four times `hold_s`, all lengths alike, so that the pattern fits
    itself at no other delay.
    """
    pattern, t, sign = [], 0.0, 1
    while t < seconds - hold_s:
        pattern.append((t, sign))
        t += hold_s * float(rng.uniform(1.0, 4.0))
        sign = -sign
    pattern.append((seconds, 0))
    return pattern
