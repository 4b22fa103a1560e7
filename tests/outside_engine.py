"""An engine, its exhaust, its sensors and its buses, made without any of the package's own code.

What it shares with the package is the physics and the message definitions. Burnt gas is found from balances
of the elements, solved numerically; a sensor is an exact state space by scipy.signal; frames are laid out
by cantools from the DBC files. So an error of the package's formulas cannot hide in what it is tested on.

Gas moves through the engine in a column a millisecond: every cycle of a cylinder has one mixture, and
comes to the sensor after the time that its primary takes. `Play` is one drive; its arrays `[k]` and
`[k, n]` are by the millisecond and by the cylinder.
"""

from __future__ import annotations

import functools
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import cantools
import numpy as np
import scipy.interpolate
import scipy.optimize
import scipy.signal

STEP_S = 0.001
EPOCH_S = 1_700_000_000
SETTLE_S = 3.0
FREE_AIR = 20.7  # percent of oxygen in air that is a little humid
ROOT = Path(__file__).parents[1]
FUELS = {
    "gasoline": {"C": 1.0, "H": 1.87},
    "isooctane": {"C": 8.0, "H": 18.0},
    "methanol": {"C": 1.0, "H": 4.0, "O": 1.0},
}
"""Atoms of one fuel molecule, by the name that the session file uses."""

_OXYGEN_IN_AIR = 0.2095
_INERT = (1 - _OXYGEN_IN_AIR) / _OXYGEN_IN_AIR
_SHIFT = 3.5  # CO H2O / (CO2 H2), held at 3.5
_SPECIES = {
    "CO2": {"C": 1, "O": 2},
    "H2O": {"H": 2, "O": 1},
    "N2": {"N": 2},
    "O2": {"O": 2},
    "CO": {"C": 1, "O": 1},
    "H2": {"H": 2},
}


# Burnt gas.


def _balanced(elements: Mapping[str, float], species: Sequence[str]) -> dict[str, float]:
    """Moles of the species that hold exactly these elements."""
    rows = [[_SPECIES[s].get(e, 0) for s in species] for e in elements]
    moles = np.linalg.lstsq(np.array(rows, float), np.array(list(elements.values())), rcond=None)[0]
    assert np.allclose(np.array(rows) @ moles, list(elements.values()), atol=1e-9)
    return dict(zip(species, moles, strict=True))


def oxygen_wanted(fuel: str) -> float:
    """Moles of oxygen that one molecule burns with: what is missing when the fuel alone burns completely."""
    atoms = {"C": 0.0, "H": 0.0, "O": 0.0} | FUELS[fuel]
    return -_balanced(atoms, ["CO2", "H2O", "O2"])["O2"]


def _burnt(phi: float, fuel: str) -> float:
    """Oxygen balance, percent, wet, of what one mole of oxygen makes of its fuel."""
    share = phi / oxygen_wanted(fuel)
    atoms = {e: share * FUELS[fuel].get(e, 0.0) for e in "CHO"} | {"N": 2 * _INERT}
    atoms["O"] += 2.0
    if phi <= 1:
        gas = _balanced(atoms, ["CO2", "H2O", "N2", "O2"])
        return 100 * gas["O2"] / sum(gas.values())

    def without(co: float) -> dict[str, float]:
        rest = {"C": atoms["C"] - co, "H": atoms["H"], "O": atoms["O"] - co, "N": atoms["N"]}
        return _balanced(rest, ["CO2", "H2O", "N2", "H2"]) | {"CO": co}

    def off_equilibrium(co: float) -> float:
        gas = without(co)
        return gas["CO"] * gas["H2O"] - _SHIFT * gas["CO2"] * gas["H2"]

    lacking = 2 * (phi - 1)
    gas = without(scipy.optimize.brentq(off_equilibrium, 0.0, min(lacking, atoms["C"]), xtol=1e-14))
    return -50 * (gas["CO"] + gas["H2"]) / sum(gas.values())


@functools.cache
def _gas_table(fuel: str) -> tuple[np.ndarray, np.ndarray]:
    """Fuel ratio and oxygen balance, both over a fine grid; each side of stoichiometric has its own slope."""
    sides = []
    for ends in ((0.0, 1.0), (1.0, 2.2)):
        knots = np.linspace(*ends, 61)
        oxygen = [_burnt(p, fuel) if p != 1 else 0.0 for p in knots]
        fine = np.linspace(*ends, 20_001)
        sides.append((fine, scipy.interpolate.CubicSpline(knots, oxygen)(fine)))
    (lean, lean_oxygen), (rich, rich_oxygen) = sides
    return np.r_[lean, rich[1:]], np.r_[lean_oxygen, rich_oxygen[1:]]


def oxygen_of(lam: np.ndarray, fuel: str) -> np.ndarray:
    """Oxygen balance, percent, of burnt gas."""
    phi, oxygen = _gas_table(fuel)
    return np.interp(1 / lam, phi, oxygen)


def lambda_of(oxygen: np.ndarray, fuel: str) -> np.ndarray:
    """Lambda that a controller shows for an oxygen balance in percent; at most 30."""
    phi, table = _gas_table(fuel)
    return 1 / np.maximum(np.interp(-oxygen, -table, phi), 1 / 30)


def missed_oxygen(lam: np.ndarray, fuel: str, vapour_speed: float) -> np.ndarray:
    """What the element makes of a charge that did not burn: its vapour arrives slower than its oxygen."""
    wanted = oxygen_wanted(fuel)
    vapour = 1 / (1 + lam * wanted / _OXYGEN_IN_AIR)
    return 100 * wanted * vapour * (lam - vapour_speed)


def transit_s(rpm: np.ndarray, share: np.ndarray, hot_k: np.ndarray) -> np.ndarray:
    """Seconds that gas takes through 300 mm of 40 mm pipe behind a 0.5 l cylinder, filled to `share`.

    The pipe's gas over the gas of one cycle, both in moles: the pipe at 105 kPa and `hot_k`, the cylinder at
    100 kPa and 300 K, whose air leaves with its fuel (air-fuel ratio 12.9, exhaust of 28.6 g/mol).
    """
    gas_constant, pipe_m3, cylinder_m3 = 8.314462618, np.pi * 0.04**2 / 4 * 0.3, 0.5e-3
    in_pipe = 105e3 * pipe_m3 / (gas_constant * hot_k) * 28.6
    in_cycle = 100e3 * cylinder_m3 * share / (gas_constant * 300.0) * 28.9647 * (1 + 1 / 12.9)
    return in_pipe / in_cycle * 120 / rpm


# The drive.


@dataclass(frozen=True)
class Stay:
    """So many seconds at one speed and load, after a ramp; `lean` is the whole engine's error, percent."""

    seconds: float
    rpm: float
    load: float
    target: float = 0.88
    lean: float = 0.0
    ramp: float = 1.5


@dataclass
class Sensing:
    """The sensors and controllers of a drive.

    noise    standard deviation of a reading behind its lag, percent of lambda, by cylinder
    white    the controller's own noise, percent of lambda
    step     lambda is rounded to it; 0: not
    least, most   ends of the range
    wander, wander_s   a slow error of each reading: its standard deviation, percent (of all cylinders, or by
                       cylinder), and correlation time
    """

    lag_s: np.ndarray
    noise: np.ndarray
    filter_s: float = 0.01
    white: float = 0.03
    step: float = 0.0
    least: float = 0.5
    most: float = 10.0
    wander: float | np.ndarray = 0.0
    wander_s: float = 20.0


def usual_sensing(cylinders: int, rng: np.random.Generator) -> Sensing:
    """Lags of 50 to 150 ms that differ by up to 10 %, and noise of 0.2 to 0.6 %."""
    lag = rng.uniform(0.05, 0.15) * (1 + rng.uniform(-0.1, 0.1, cylinders))
    return Sensing(lag, rng.uniform(0.2, 0.6, cylinders))


@dataclass
class Planted:
    """One planted event; `cylinder` None is all of them. `t` and `end` are when the gas meets the sensor.

    kind   a kind of event; `name` says which of several that belong to it
    """

    kind: str
    t: float
    end: float
    cylinder: int | None
    cycles: int = 0
    name: str = ""


@dataclass
class Play:
    """One drive of an engine whose truth is known.

    needs     [stays, n] or [n]: percent by which each cylinder is leaner than the whole engine
    sparks    (cylinder or None, from s, to s): no spark; times of the charge at the valve
    missed    (cylinder, from s, cycles): so many cycles in a row without a spark
    injectors (cylinder or None, from s, to s): no fuel
    lean      (cylinder or None, from s, to s, percent): leaner for a time
    limiter   (from s, to s, every): each cylinder loses every so-manieth spark, in turn
    silent    {cylinder: [(from s, to s)]}: no frames
    failing   the same: the controller sends the code for an error
    frozen    the same: the controller repeats its last reading
    drift     percent a second, by cylinder
    sees      cylinders of each sensor; one each where it is empty. Lags, noise and faults of a sensor stand
              at the first of its cylinders
    offsets   percent of lambda by which each cylinder is meant to be leaner than the target; `needs` hold it
    staged_above_rpm  speed from which further injectors work; `needs` by stay hold what they do
    angles    degrees of the crank, of 720, at which each cylinder's charge ends; evenly where it is empty
    """

    stays: Sequence[Stay]
    needs: np.ndarray
    sensing: Sensing
    rng: np.random.Generator
    fuel: str = "gasoline"
    wander: float = 0.3
    vapour_speed: float = 0.45
    rough: float = 4.0
    sparks: Sequence[tuple[int | None, float, float]] = ()
    missed: Sequence[tuple[int, float, int]] = ()
    injectors: Sequence[tuple[int | None, float, float]] = ()
    lean: Sequence[tuple[int | None, float, float, float]] = ()
    limiter: Sequence[tuple[float, float, int]] = ()
    silent: Mapping[int, Sequence[tuple[float, float]]] = field(default_factory=dict)
    failing: Mapping[int, Sequence[tuple[float, float]]] = field(default_factory=dict)
    frozen: Mapping[int, Sequence[tuple[float, float]]] = field(default_factory=dict)
    drift: np.ndarray | float = 0.0
    trims: np.ndarray | float = 0.0
    sees: Sequence[tuple[int, ...]] = ()
    offsets: Sequence[float] = ()
    angles: Sequence[float] = ()
    staged_above_rpm: float | None = None

    def __post_init__(self) -> None:
        self.n = len(self.sensing.lag_s)
        self.sees = self.sees or [(c,) for c in range(1, self.n + 1)]
        self.planted: list[Planted] = []
        self._lay_out_drive()
        gas = self._gas_at_sensors()
        mixed = [gas[:, [c - 1 for c in own]].mean(axis=1) for own in self.sees]  # equal gas of each
        sensed = [self._sensed(x, own[0] - 1) for x, own in zip(mixed, self.sees, strict=True)]
        self.oxygen = np.stack(sensed, axis=1)
        white = 1 + self.sensing.white / 100 * self.rng.standard_normal(self.oxygen.shape)
        white += self._slow_errors() / 100
        shown = np.clip(lambda_of(self.oxygen, self.fuel) * white, self.sensing.least, self.sensing.most)
        step = self.sensing.step
        self.shown = np.round(shown / step) * step if step else shown

    def _slow_errors(self) -> np.ndarray | float:
        """What each reading does slowly by itself, percent; it begins anywhere."""
        if not np.any(self.sensing.wander):
            return 0.0
        keep = np.exp(-STEP_S / self.sensing.wander_s)
        push = np.sqrt(1 - keep**2) * self.rng.standard_normal(self.oxygen.shape)
        push[0] = self.rng.standard_normal(len(self.sees))
        return self.sensing.wander * scipy.signal.lfilter([1.0], [1.0, -keep], push, axis=0)

    # Truth.

    def _lay_out_drive(self) -> None:
        """Speed, load, target and every cylinder's mixture, by the millisecond."""
        corners, stay_at = [0.0], [0]
        self.begins = []
        for i, stay in enumerate(self.stays):
            begin = corners[-1] + (stay.ramp if i else 0.0)
            self.begins.append(begin)
            corners += [begin, begin + stay.seconds] if i else [begin + stay.seconds]
            stay_at += [i, i] if i else [i]
        self.t = np.arange(round(corners[-1] / STEP_S)) * STEP_S

        def course(values: Iterable[float]) -> np.ndarray:
            return np.interp(self.t, corners, np.asarray(list(values), float)[stay_at])

        self.rpm, self.load = course(s.rpm for s in self.stays), course(s.load for s in self.stays)
        self.target = course(s.target for s in self.stays)
        needs = np.broadcast_to(self.needs, (len(self.stays), self.n))
        needs = np.stack([course(needs[:, i]) for i in range(self.n)], axis=1)
        drift = self.t[:, None] * np.broadcast_to(self.drift, self.n)
        factor = (1 + needs / 100) * (1 + drift / 100) / (1 + np.broadcast_to(self.trims, self.n) / 100)
        whole = (1 + course(s.lean for s in self.stays) / 100) * (1 + self._whole_engine_wander() / 100)
        self.lam = (self.target * whole)[:, None] * factor
        self.delay = self._transit()

    def _transit(self) -> np.ndarray:
        """Seconds from the valve to the sensor, of a part-throttle filling and exhaust heat by load."""
        share = np.interp(self.load, [0, 20, 50, 100], [0.2, 0.4, 0.7, 1.0])
        hot = np.interp(self.load, [0, 100], [750.0, 1180.0])
        return transit_s(self.rpm, share, hot)

    def truth(self, begin: float, end: float, cylinders: Sequence[int] | None = None) -> np.ndarray:
        """Needs in percent against the mean of `cylinders` (of all), in the fuel domain, over a time."""
        lam = self.lam[(self.t >= begin) & (self.t < end)]
        mean = 1 / (1 / lam).mean(axis=0)
        of = range(1, self.n + 1) if cylinders is None else cylinders
        return 100 * (mean * (1 / mean[[c - 1 for c in of]]).mean() - 1)

    def truth_of_sensors(self, i: int) -> np.ndarray:
        """Needs of each sensor's cylinders in one stay, percent, against their own targets.

        All the fuel of the measured cylinders stays as it is if each of them moves to its own target times
        one common factor.
        """
        begin, end = self.steady(i)
        phi = (1 / self.lam[(self.t >= begin) & (self.t < end)]).mean(axis=0)
        asked = 1 / (1 + np.array(self.offsets or [0.0] * self.n) / 100)
        has, wants = (np.array([x[[c - 1 for c in own]].sum() for own in self.sees]) for x in (phi, asked))
        return 100 * (has.sum() / wants.sum() * wants / has - 1)

    def steady(self, i: int) -> tuple[float, float]:
        """The part of a stay that counts: `settle_s` to its last half second; all of a short one."""
        begin, seconds = self.begins[i], self.stays[i].seconds
        return (
            (begin + SETTLE_S, begin + seconds - 0.5) if seconds > SETTLE_S + 1 else (begin, begin + seconds)
        )

    def truth_of_stay(self, i: int, cylinders: Sequence[int] | None = None) -> np.ndarray:
        """`truth` over the steady part of one stay."""
        return self.truth(*self.steady(i), cylinders)

    def engine_truth(self, i: int, cylinders: Sequence[int] | None = None) -> float:
        """Percent by which the engine, the mean of the cylinders, is leaner than its target in one stay."""
        begin, end = self.steady(i)
        inside = (self.t >= begin) & (self.t < end)
        of = list(range(self.n)) if cylinders is None else [c - 1 for c in cylinders]
        phi = (self.target[inside, None] / self.lam[inside][:, of]).mean()
        return 100 * (1 / phi - 1)

    # Gas.

    def _gas_at_sensors(self) -> np.ndarray:
        """Oxygen balance [k, n] at the sensor tips: cycle by cycle, after the way through the primary."""
        turns = np.cumsum(self.rpm) * STEP_S / 120
        earlier = np.maximum(np.arange(len(self.t)) - np.round(self.delay / STEP_S).astype(int), 0)
        gas = np.empty(self.lam.shape)
        for i in range(self.n):
            cycle = np.floor(turns + (self.angles[i] / 720 if self.angles else i / self.n)).astype(int)
            cycle -= cycle[0]
            starts = np.r_[0, np.flatnonzero(np.diff(cycle)) + 1]
            gas[:, i] = self._cycles_gas(i, starts)[cycle][earlier]
        return gas

    def _whole_engine_wander(self) -> np.ndarray:
        """What all cylinders do together, percent: a slow random walk about zero."""
        keep = np.exp(-STEP_S / 2.0)
        push = self.rng.standard_normal(len(self.t)) * self.wander * np.sqrt(1 - keep**2)
        return scipy.signal.lfilter([1.0], [1.0, -keep], push)

    def _cycles_gas(self, i: int, starts: np.ndarray) -> np.ndarray:
        """Oxygen balance of each cycle of a cylinder, with what was planted in it."""
        at, cylinder = self.t[starts], i + 1
        seconds = 120 / self.rpm[starts]
        passes = np.sqrt(np.tanh(seconds / (2 * self.sensing.lag_s[i])))
        noise = self.sensing.noise[i] / passes * self.rng.standard_normal(len(starts))
        lam = self.lam[starts, i] * (1 + noise / 100)
        for which, begin, end, percent in self.lean:
            if which in (cylinder, None):
                lam = np.where((at >= begin) & (at < end), lam * (1 + percent / 100), lam)
        gas = oxygen_of(lam, self.fuel)
        missed = self._missed_cycles(i, starts)
        gas = np.where(missed, missed_oxygen(lam, self.fuel, self.vapour_speed), gas)
        for which, begin, end in self.injectors:
            if which in (cylinder, None):
                gas = np.where((at >= begin) & (at < end), FREE_AIR, gas)
        return gas

    def _missed_cycles(self, i: int, starts: np.ndarray) -> np.ndarray:
        """Which cycles of a cylinder have no spark; those that are planted one by one are noted."""
        at, cylinder = self.t[starts], i + 1
        missed = np.zeros(len(starts), bool)
        for which, begin, end in self.sparks:
            if which in (cylinder, None):
                missed |= (at >= begin) & (at < end)
        for begin, end, every in self.limiter:
            missed |= (at >= begin) & (at < end) & ((np.arange(len(starts)) + i) % every == 0)
        for which, begin, cycles in self.missed:
            if which == cylinder:
                first = int(np.searchsorted(at, begin))
                missed[first : first + cycles] = True
                way = self.delay[starts[first]]
                ends = at[first] + cycles * 120 / self.rpm[starts[first]]
                self.planted.append(Planted("misfire", at[first] + way, ends + way, cylinder, cycles))
        return missed

    def _sensed(self, gas: np.ndarray, i: int) -> np.ndarray:
        """The gas behind a sensor's lag and its controller's filter: their state space, step by step."""
        lag, filt = self.sensing.lag_s[i], self.sensing.filter_s
        system = [[[-1 / lag, 0], [1 / filt, -1 / filt]], [[1 / lag], [0]], [[0, 1]], [[0]]]
        a, b, c, d, _ = scipy.signal.cont2discrete(tuple(map(np.array, system)), STEP_S)
        above, below = scipy.signal.ss2tf(a, b, c, d)
        start = scipy.signal.lfilter_zi(above[0], below) * gas[0]
        return scipy.signal.lfilter(above[0], below, gas, zi=start)[0]

    # Frames.

    def frames(self, layout: Layout) -> Frames:
        """All frames of the drive, by the layout of the session's message definitions."""
        made = Frames()
        for message, sensors in layout.fast_messages(len(self.sees)):
            cylinders = [self.sees[s - 1][0] for s in sensors]
            at = self._send_times(0.01)
            at = at[~np.any([self._within(self.silent, c, at) for c in cylinders], axis=0)]
            columns = {}
            for slot, (s, c) in enumerate(zip(sensors, cylinders, strict=True)):
                k = self._reading_index(c, at)
                columns |= layout.reading(slot, self.shown[k, s - 1], self._within(self.failing, c, at))
            made.add(layout.channel, message, at, columns, self.rng)
        self._engine_frames(made, layout)
        return made

    def _send_times(self, period: float) -> np.ndarray:
        """When one message is sent: its own phase, and a crystal that is off by up to 100 ppm."""
        period *= 1 + self.rng.uniform(-1e-4, 1e-4)
        return np.arange(self.rng.uniform(0, period), self.t[-1], period)

    def _reading_index(self, cylinder: int, at: np.ndarray) -> np.ndarray:
        """Which millisecond each frame shows; a frozen controller shows the last one before."""
        shown = at.copy()
        for begin, end in self.frozen.get(cylinder, ()):
            shown = np.where((at >= begin) & (at < end), begin, shown)
        return np.minimum((shown / STEP_S).astype(int), len(self.t) - 1)

    def _within(
        self, spans: Mapping[int, Sequence[tuple[float, float]]], cylinder: int, at: np.ndarray
    ) -> np.ndarray:
        inside = np.zeros(len(at), bool)
        for begin, end in spans.get(cylinder, ()):
            inside |= (at >= begin) & (at < end)
        return inside

    def _engine_frames(self, made: Frames, layout: Layout) -> None:
        """Speed with a little roughness, load, target; flags of cuts only where the layout tells them."""
        bus = layout.engine_database
        at = self._send_times(0.02)
        k = (at / STEP_S).astype(int)
        rpm = self.rpm[k] + self.rough * self.rng.standard_normal(len(k))
        load = np.clip(self.load[k] + 0.1 * self.rng.standard_normal(len(k)), 0, 100)
        speed = {
            "Speed": rpm,
            "Throttle": load,
            "ManifoldPressure": 30 + 0.7 * load,
            "SparkAdvance": 20 + 0 * rpm,
        }
        made.add(
            "can1", bus.get_message_by_name("Engine_Fast"), at, layout.raw("Engine_Fast", speed), self.rng
        )
        at = self._send_times(0.02)
        k = (at / STEP_S).astype(int)
        fuel = {"Target": self.target[k], "PulseWidth": 2 + self.load[k] / 10}
        raw = layout.raw("Engine_Fuel", fuel) | dict.fromkeys(
            ("FuelCut", "SparkCut", "ClosedLoop", "Transient", "Correction"), np.zeros(len(k), np.int64)
        )
        made.add("can1", bus.get_message_by_name("Engine_Fuel"), at, raw, self.rng)
        at = self._send_times(0.2)
        warm = {"Coolant": 86, "Intake": 24, "FuelPressure": 350, "Barometer": 100, "Battery": 13.8}
        slow = {name: np.full(len(at), value, float) for name, value in warm.items()}
        made.add(
            "can1", bus.get_message_by_name("Engine_Slow"), at, layout.raw("Engine_Slow", slow), self.rng
        )


# Message definitions, frames, session files.


@functools.cache
def _database(text_or_path: str) -> cantools.database.Database:
    if text_or_path.startswith("VERSION"):
        return cantools.database.load_string(text_or_path, "dbc")
    return cantools.database.load_file(ROOT / "dbc" / text_or_path)


@functools.cache
def checksum_table() -> np.ndarray:
    """CRC-8 of SAE J1850, polynomial 0x1D, a byte a step."""
    table = np.arange(256, dtype=np.int64)
    for _ in range(8):
        table = (table << 1 ^ np.where(table & 0x80, 0x1D, 0)) & 0xFF
    return table


def checksum(data: np.ndarray) -> np.ndarray:
    """CRC-8 of SAE J1850 of each row of bytes: start and final exclusive-or 0xFF."""
    crc = np.full(len(data), 0xFF, np.int64)
    for column in data.T:
        crc = checksum_table()[crc ^ column]
    return crc ^ 0xFF


class Layout:
    """The message definitions of a chain: the shipped ones, or four sensors a frame in steps of their own."""

    channel = "can0"

    def __init__(self, lambda_step: float | None = None) -> None:
        self.own_step = lambda_step
        self.engine_database = _database("engine_bus.dbc")
        self.text = "" if lambda_step is None else _own_definitions(lambda_step)
        self.database = _database(self.text or "mixture_chain.dbc")

    def fast_messages(self, cylinders: int) -> list[tuple[cantools.database.Message, list[int]]]:
        """Each message with readings, and the cylinders in it."""
        if self.own_step is None:
            name = "Mix{:02d}_Fast".format
            return [(self.database.get_message_by_name(name(c)), [c]) for c in range(1, cylinders + 1)]
        groups = [list(range(c, min(c + 4, cylinders + 1))) for c in range(1, cylinders + 1, 4)]
        return [(self.database.messages[i], group) for i, group in enumerate(groups)]

    def reading(self, slot: int, lam: np.ndarray, failing: np.ndarray) -> dict[str, np.ndarray]:
        """Raw columns of one reading."""
        if self.own_step is None:
            raw = np.round((lam - 0.3) / 0.00025).astype(np.int64)
            oxygen = np.full(len(lam), 0xFFFF)
            state = np.where(failing, 6, 3)
            return {"Lambda": np.where(failing, 0xFFFE, raw), "OxygenBalance": oxygen, "State": state}
        return {f"Probe{slot + 1}": np.round(lam / self.own_step).astype(np.int64)}

    def raw(self, message: str, values: Mapping[str, np.ndarray]) -> dict[str, np.ndarray]:
        """Raw columns of engine values."""
        signals = {s.name: s for s in self.engine_database.get_message_by_name(message).signals}
        return {
            name: np.round((value - signals[name].offset) / signals[name].scale).astype(np.int64)
            for name, value in values.items()
        }

    def lambda_signal(self, cylinder: int) -> str:
        """How the session names a cylinder's reading."""
        if self.own_step is None:
            return f"Mix{cylinder:02d}_Fast.Lambda"
        return f"Probes{(cylinder - 1) // 4 + 1}.Probe{(cylinder - 1) % 4 + 1}"


def _own_definitions(step: float) -> str:
    """A DBC file: four readings of 16 bits in a message."""
    lines = ['VERSION ""', "NS_ :", "BS_:", "BU_: Probes"]
    for m in range(4):
        lines.append(f"BO_ {0x210 + 3 * m} Probes{m + 1}: 8 Probes")
        lines += [
            f' SG_ Probe{s + 1} : {16 * s}|16@1+ ({step:g},0) [0|0] "lambda" Vector__XXX' for s in range(4)
        ]
    lines += ['BA_DEF_ BO_ "GenMsgCycleTime" INT 0 65535;', 'BA_DEF_DEF_ "GenMsgCycleTime" 10;']
    return "\n".join(lines) + "\n"


class Frames:
    """Frames of several messages, and the candump text that they make."""

    def __init__(self) -> None:
        self._times: list[np.ndarray] = []
        self._lines: list[np.ndarray] = []

    def add(
        self,
        channel: str,
        message: cantools.database.Message,
        at: np.ndarray,
        columns: Mapping[str, np.ndarray],
        rng: np.random.Generator,
    ) -> None:
        """Adds the frames of one message, sent at these times; stamps are up to 1.2 ms late."""
        if not len(at):
            return
        data = _packed(message, columns, len(at))
        stamps = at + rng.uniform(0.0002, 0.0012, len(at))
        text, wide = data.tobytes().hex().upper(), 2 * message.length
        head = f"{channel} {message.frame_id:03X}#"
        self._times.append(stamps)
        lines = [f"{head}{text[i * wide : (i + 1) * wide]}" for i in range(len(at))]
        self._lines.append(np.array(lines, object))

    def write(self, path: Path, begin: float = 0.0, end: float = np.inf) -> Path:
        """Writes the frames of a part of the drive as candump text."""
        times, lines = np.concatenate(self._times), np.concatenate(self._lines)
        chosen = np.flatnonzero((times >= begin) & (times < end))
        chosen = chosen[np.argsort(times[chosen], kind="stable")]
        pairs = zip((times[chosen] + EPOCH_S).tolist(), lines[chosen].tolist(), strict=True)
        path.write_text("".join([f"({t:.6f}) {line}\n" for t, line in pairs]))
        return path


def _packed(message: cantools.database.Message, columns: Mapping[str, np.ndarray], count: int) -> np.ndarray:
    """Frames as rows of bytes, by cantools' own places; a few are encoded by cantools and compared."""
    places = {s.name: s for s in message.signals}
    columns = dict(columns)
    if "Counter" in places:
        columns["Counter"] = np.arange(count) % 16
    word = np.zeros(count, np.uint64)
    for name, raw in columns.items():
        place = places[name]
        assert place.byte_order == "little_endian"
        assert 0 <= raw.min() <= raw.max() < 1 << place.length
        word |= raw.astype(np.uint64) << np.uint64(place.start)
    data = word.view(np.uint8).reshape(-1, 8)[:, : message.length].copy()
    if "Checksum" in places:
        data[:, -1] = columns["Checksum"] = checksum(data[:, :-1])
    for k in {0, count // 3, count - 1}:
        raw_values = dict.fromkeys(places, 0) | {name: int(raw[k]) for name, raw in columns.items()}
        assert message.encode(raw_values, scaling=False, strict=False) == data[k].tobytes()
    return data


SESSION = """format = 1
name = "outside engine"
[engine]
cylinders = {n}
firing_order = {order}
{more}[exhaust]
primary_bore_mm = 40
sensor_distance_mm = 300
[fuel]
name = "{fuel}"
[[bus]]
name = "chain"
log_channel = "can0"
bitrate = 1_000_000
database = "{chain_dbc}"
[[bus]]
name = "engine"
log_channel = "can1"
bitrate = 500_000
database = "engine_bus.dbc"
[chain]
bus = "chain"
{without}
{nodes}
[engine_signals]
rpm = "engine/Engine_Fast.Speed"
throttle = "engine/Engine_Fast.Throttle"
map_kpa = "engine/Engine_Fast.ManifoldPressure"
target = {{ signal = "engine/Engine_Fuel.Target", unit = "lambda" }}
coolant_c = "engine/Engine_Slow.Coolant"
[axes]
rpm = {rpm}
load_signal = "throttle"
load = {load}
[validity]
settle_s = {settle}
rich_limit = {rich}
lean_limit = {lean}
overrun = {{ throttle_below = 3, rpm_above = 1600 }}
[trims]
identity = "stated"
identity_by = "the test"
identity_reason = "sensors sit where they are told to"
step_percent = {step}
lowest_percent = -25
highest_percent = 25
now_percent = {trims}
"""


def write_session(
    play: Play,
    layout: Layout,
    folder: Path,
    *,
    rich_limit: float = 0.65,
    lean_limit: float = 1.6,
    trim_step: float = 0.5,
) -> Path:
    """The session file of a drive, with its message definitions beside it where they are its own."""
    ready = 'ready = { signal = "Mix{:02d}_Fast.State", equals = [3] }' if layout.own_step is None else ""
    nodes = []
    for c, sees in enumerate(play.sees, 1):
        own = ready.replace("{:02d}", f"{c:02d}")
        nodes.append(
            f"[[chain.node]]\nposition = {c}\ncylinder = {sees[0] if len(sees) == 1 else list(sees)}\n"
            f'sensor = "P-{c}"\n[chain.node.signals]\nlambda = "{layout.lambda_signal(c)}"\n{own}'
        )
    unseen = sorted(set(range(1, play.n + 1)) - {c for own in play.sees for c in own})
    without = f"without_sensor = {unseen}" if unseen else ""
    more = f"target_offset_percent = {list(play.offsets)}\n" if play.offsets else ""
    line = play.staged_above_rpm
    injection = f"[injection]\nstaging = {{ rpm_above = {line:g} }}\n" if line else ""
    more += f"firing_angles_deg = {list(play.angles)}\n" if play.angles else ""
    if layout.text:
        (folder / "probes.dbc").write_text(layout.text)
    path = folder / "engine.toml"
    path.write_text(
        SESSION.format(
            n=play.n,
            order=list(range(1, play.n + 1)),
            fuel=play.fuel,
            chain_dbc="probes.dbc" if layout.text else "mixture_chain.dbc",
            nodes="\n".join(nodes),
            more=more + injection,
            without=without,
            rpm=sorted({s.rpm for s in play.stays}),
            load=sorted({s.load for s in play.stays}),
            settle=SETTLE_S,
            rich=rich_limit,
            lean=lean_limit,
            step=trim_step,
            trims=np.broadcast_to(play.trims, play.n).tolist(),
        )
    )
    return path
