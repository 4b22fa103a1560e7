"""Signals of an invented engine, right and as sessions get them wrong: what is told, and how sure.

The engine is made by hand: a minute of idle, two held loads, a pull and an overrun; speeds, pressures, pulse
widths and temperatures as in textbooks (common practice, no source). It shares no code with the analysis.
"""

from dataclasses import replace

import numpy as np
import pytest

from mixmon.findings.plausible.judge import Declared, Mapped, find_unjudged, judge, judge_absent
from mixmon.findings.plausible.samples import SignalSamples
from mixmon.gas.exhaust import oxygen_balance
from mixmon.gas.fuel import fuel_named
from mixmon.mixture.track import Source
from mixmon.report.words import sentence

HZ = 20
GASOLINE = fuel_named("gasoline")
FLAGS = ("fuel_cut", "spark_cut", "ready")


def drive(points, seconds=60):
    """Speed, throttle and pressure through (share of the time, rpm, throttle, kPa), a value each 50 ms."""
    at = np.linspace(0.0, 1.0, seconds * HZ)
    shares, *columns = zip(*points, strict=True)
    return [np.interp(at, shares, column) for column in columns]


USUAL = [
    (0.0, 950, 2, 38),
    (0.3, 950, 2, 38),
    (0.32, 3000, 25, 60),
    (0.5, 3000, 25, 60),
    (0.52, 4500, 60, 85),
    (0.7, 4500, 60, 85),
    (0.72, 2500, 100, 99),
    (0.85, 7400, 100, 97),
    (0.86, 7000, 0, 20),
    (0.95, 2000, 0, 22),
    (1.0, 950, 2, 38),
]


def signals(points=USUAL, seconds=60, coolant=(60.0, 92.0), lam=None):
    """Every quantity of the engine, and two nodes."""
    rng = np.random.default_rng(7)
    rpm, throttle, kpa = drive(points, seconds)
    n = len(rpm)
    cut = (throttle < 1) & (rpm > 1500)
    noise = [rng.normal(0, 0.008, n) for _ in range(2)]
    target = np.where(throttle > 80, 0.88, 1.0) if lam is None else np.full(n, lam)
    nodes = [np.where(cut, 9.0, target * (1.0 + k * 0.02) + noise[k]) for k in range(2)]
    return {
        "rpm": rpm + rng.normal(0, 8, n) * (rpm > 0),
        "throttle": throttle,
        "map_kpa": kpa,
        "target": target,
        "pulse_ms": np.where(cut, 0.0, 0.9 + 0.1 * kpa),
        "coolant_c": np.linspace(*coolant, n),
        "intake_c": np.full(n, 24.0),
        "baro_kpa": np.full(n, 99.5),
        "battery_v": np.where(rpm > 400, 13.9, 11.2),
        "fuel_pressure_kpa": np.full(n, 300.0),
        "fuel_cut": cut.astype(float),
        "spark_cut": np.zeros(n),
        **{("lambda", k + 1): lam for k, lam in enumerate(nodes)},
        **{("oxygen", k + 1): oxygen_balance(lam, GASOLINE) for k, lam in enumerate(nodes)},
        **{("ready", k + 1): np.ones(n) for k in range(2)},
        **{("supply", k + 1): np.full(n, 13.6) for k in range(2)},
    }


def mapped(name, values, **source):
    """The signal as it is found in a log and read by the session."""
    quantity, position = name if isinstance(name, tuple) else (name, None)
    samples = SignalSamples()
    t = np.arange(len(values)) * (1_000_000_000 // HZ)
    samples.feed(t, np.asarray(values, float), np.zeros(len(values), np.uint8))
    key = f"engine_signals.{quantity}" if position is None else f"chain.signals.{quantity}"
    where = Source(0, f"M{position or ''}{quantity}", "S", **source)
    return Mapped(key, quantity, position, where, samples, cycle_s=1 / HZ)


def told(values, changed=None, declared=None, **source):
    """Code, level and values of everything that is said, with some signals changed."""
    all_values = {**values, **(changed or {})}
    every = [
        mapped(name, row, **(source if name in (changed or {}) else {})) for name, row in all_values.items()
    ]
    found = judge(every, declared or Declared(GASOLINE, natural=True, dead_time_ms=0.9))
    return {one.key: (one.note.code.value, one.level.value, dict(one.note.values)) for one in found}


ENGINE = signals()
LAMBDAS = [("lambda", 1), ("lambda", 2)]
OXYGENS = [("oxygen", 1), ("oxygen", 2)]

NO_OXYGEN = {name: np.full(len(ENGINE["rpm"]), np.nan) for name in OXYGENS}

WRONG = {
    "cut in milliseconds": (
        {"fuel_cut": ENGINE["pulse_ms"]},
        "fuel_cut",
        "number_as_yes_or_no",
        "mistake",
        None,
    ),
    "cut the other way round": (
        {"fuel_cut": 1 - 0 * ENGINE["rpm"]},
        "fuel_cut",
        "always_yes",
        "mistake",
        None,
    ),
    "pulse in percent": (
        {"pulse_ms": (0.9 + 0.1 * ENGINE["map_kpa"]) * ENGINE["rpm"] / 1200},
        "pulse_ms",
        "pulse_longer_than_cycle",
        "mistake",
        None,
    ),
    "pulse in microseconds": (
        {"pulse_ms": ENGINE["pulse_ms"] * 1000},
        "pulse_ms",
        "range",
        "mistake",
        "scale = 0.001",
    ),
    "pulse in seconds": (
        {"pulse_ms": ENGINE["pulse_ms"] / 1000},
        "pulse_ms",
        "range",
        "mistake",
        "scale = 1000",
    ),
    "speed in quarters": ({"rpm": ENGINE["rpm"] * 4}, "rpm", "range", "doubt", "scale = 0.25"),
    "speed a quarter of it": ({"rpm": ENGINE["rpm"] / 4}, "rpm", "speed_too_low", "doubt", "scale = 4"),
    "speed in rad/s": (
        {"rpm": ENGINE["rpm"] / 9.549297},
        "rpm",
        "speed_too_low",
        "mistake",
        "scale = 9.549297",
    ),
    "speed in hertz": ({"rpm": ENGINE["rpm"] / 60}, "rpm", "speed_too_low", "mistake", "scale = 60"),
    "lambda that is AFR": (
        {name: ENGINE[name] * 14.7 for name in LAMBDAS},
        "lambda",
        "range",
        "mistake",
        'unit = "afr"',
    ),
    "lambda in thousandths": (
        {name: ENGINE[name] * 1000 for name in LAMBDAS},
        "lambda",
        "range",
        "mistake",
        "scale = 0.001",
    ),
    "target that is AFR": ({"target": ENGINE["target"] * 14.7}, "target", "range", "mistake", 'unit = "afr"'),
    "pressure as throttle": (
        {"throttle": ENGINE["map_kpa"]},
        "throttle",
        "throttle_never_shut",
        "doubt",
        None,
    ),
    "boost as throttle": ({"throttle": ENGINE["map_kpa"] * 2.2}, "throttle", "range", "mistake", None),
    "throttle from 0 to 1": (
        {"throttle": ENGINE["throttle"] / 100},
        "throttle",
        "throttle_as_part",
        "doubt",
        "scale = 100",
    ),
    "throttle that counts the other way": (
        {"throttle": 100 - 0.7 * ENGINE["throttle"]},
        "throttle",
        "throttle_never_shut",
        "doubt",
        None,
    ),
    "pressure in bar": ({"map_kpa": ENGINE["map_kpa"] / 100}, "map_kpa", "range", "mistake", "scale = 100"),
    "pressure in hPa": ({"map_kpa": ENGINE["map_kpa"] * 10}, "map_kpa", "range", "mistake", "scale = 0.1"),
    "pressure in psi": ({"map_kpa": ENGINE["map_kpa"] / 6.894757}, "map_kpa", "range", "mistake", "6.894757"),
    "gauge pressure": ({"map_kpa": ENGINE["map_kpa"] - 99.5}, "map_kpa", "range", "mistake", None),
    "coolant in kelvins": (
        {"coolant_c": ENGINE["coolant_c"] + 273.15},
        "coolant_c",
        "range",
        "mistake",
        "offset = -273.15",
    ),
    "coolant in degrees Fahrenheit": (
        {"coolant_c": ENGINE["coolant_c"] * 1.8 + 32},
        "coolant_c",
        "range",
        "mistake",
        "scale = 0.555556",
    ),
    "coolant sensor open": ({"coolant_c": 0 * ENGINE["rpm"] - 40}, "coolant_c", "range", "doubt", None),
    "battery in millivolts": (
        {"battery_v": ENGINE["battery_v"] * 1000},
        "battery_v",
        "range",
        "mistake",
        "0.001",
    ),
    "one lambda never moves": (
        {("lambda", 2): 0 * ENGINE["rpm"] + 1.0, ("oxygen", 2): 0 * ENGINE["rpm"]},
        "lambda",
        "value_stands_still",
        "doubt",
        None,
    ),
    "two nodes alike": (
        {("lambda", 2): ENGINE["lambda", 1], ("oxygen", 2): ENGINE["oxygen", 1]},
        "lambda",
        "same_values",
        "mistake",
        None,
    ),
    "oxygen of the other sign": (
        {name: -ENGINE[name] for name in OXYGENS},
        "oxygen",
        "oxygen_against_lambda",
        "mistake",
        "scale = -1",
    ),
    "oxygen as a part": (
        {name: ENGINE[name] / 100 for name in OXYGENS},
        "oxygen",
        "oxygen_against_lambda",
        "mistake",
        "scale = 100",
    ),
    "state that is never ready": (
        {("ready", k): 0 * ENGINE["rpm"] for k in (1, 2)},
        "ready",
        "never_ready",
        "doubt",
        None,
    ),
    "ready that is a voltage": (
        {("ready", k): np.linspace(11.2, 13.9, len(ENGINE["rpm"])) for k in (1, 2)},
        "ready",
        "number_as_yes_or_no",
        "mistake",
        None,
    ),
    "bytes of the speed in the wrong order": (
        {"rpm": (ENGINE["rpm"] * 4).astype("<u2").byteswap() / 4.0},
        "rpm",
        "value_jumps",
        "mistake",
        None,
    ),
    "a counter as temperature": (
        {"coolant_c": np.arange(len(ENGINE["rpm"])) % 16},
        "coolant_c",
        "value_counts",
        "mistake",
        None,
    ),
    "a measured lambda as target": (
        {"target": np.minimum(ENGINE["lambda", 1], 1.2)},
        "target",
        "target_follows_reading",
        "doubt",
        None,
    ),
    "mean lambda as target": (
        {"target": np.minimum((ENGINE["lambda", 1] + ENGINE["lambda", 2]) / 2, 1.2)},
        "target",
        "target_follows_reading",
        "doubt",
        None,
    ),
    "target as fuel to air": ({"target": 1 / ENGINE["target"]}, "target", "fuel_to_air", "doubt", None),
    "lambda as fuel to air": (
        {name: 1 / ENGINE[name] for name in LAMBDAS},
        "lambda",
        "fuel_to_air",
        "mistake",
        None,
    ),
    "supply in tenths": (
        {("supply", k): ENGINE["supply", k] * 10 for k in (1, 2)},
        "supply",
        "range",
        "mistake",
        "0.1",
    ),
}


@pytest.mark.parametrize("case", WRONG)
def test_what_cannot_be_is_named_with_what_was_seen_and_what_to_do(case):
    changed, quantity, code, level, remedy = WRONG[case]
    found = told(ENGINE, changed)
    [key] = [key for key in found if key.endswith(f".{quantity}")]
    assert found[key][:2] == (code, level)
    values = found[key][2]
    assert remedy is None or any(remedy in one for one in values["remedies"])
    if "median" in values:
        assert values["lowest"] <= values["median"] <= values["highest"]


ENDS = {
    "usual": ENGINE,
    "idle": signals([(0.0, 850, 1.5, 34), (1.0, 870, 1.6, 35)]),
    "cold start": signals(
        [(0.0, 0, 3, 99), (0.1, 220, 3, 95), (0.2, 1700, 3, 45), (1.0, 1200, 3, 40)], 60, (-25, 5)
    ),
    "cranking alone": signals([(0.0, 180, 2, 96), (1.0, 230, 2, 95)], 12),
    "a pull alone": signals([(0.0, 2500, 100, 99), (1.0, 8800, 100, 97)], 9),
    "at 4000 m": signals([(a, b, c, d * 0.61) for a, b, c, d in USUAL])
    | {"baro_kpa": 0 * ENGINE["rpm"] + 61.6},
    "lean burn": signals(lam=1.9),
    "rich": signals(lam=0.68),
    "key on, engine off": signals([(0.0, 0, 0, 99.5), (1.0, 0, 0, 99.5)], lam=16.5),
    "held at speed": signals([(0.0, 4500, 40, 70), (1.0, 4500, 40, 70)]),
    "high idle, hot": signals([(0.0, 1400, 8, 60), (1.0, 1500, 9, 62)], coolant=(104, 112)),
}


@pytest.mark.parametrize("end", ENDS)
def test_an_engine_at_its_ends_is_no_doubt(end):
    assert told(ENDS[end]) == {}


def test_what_follows_from_a_wrong_speed_is_not_told_and_what_is_taken_out_is_the_first_remedy():
    found = told(ENGINE, {"rpm": ENGINE["rpm"]}, scale=10.0)
    assert [(key, code, row["remedies"]) for key, (code, _, row) in found.items()] == [
        ("engine_signals.rpm", "range", ("",))
    ]


def test_one_signal_for_two_quantities_is_a_mistake():
    every = [mapped(name, row) for name, row in ENGINE.items()]
    node = next(one.source for one in every if one.quantity == "lambda")
    twice = [replace(one, source=node) if one.quantity == "target" else one for one in every]
    [one] = judge(twice, Declared(GASOLINE))
    assert (one.note.code.value, one.level.value, one.key) == (
        "one_signal_for_two",
        "mistake",
        "engine_signals.target",
    )


@pytest.mark.parametrize("times", [1000.0, 0.001])
def test_times_in_another_unit_are_doubted(times):
    every = [mapped(name, row[:200]) for name, row in ENGINE.items()]
    for one in every:
        samples = SignalSamples()
        samples.feed((one.t * times).astype(np.int64), one.samples.values, np.zeros(len(one.t), np.uint8))
        every[every.index(one)] = replace(one, samples=samples, cycle_s=np.nan)
    found = judge(every, Declared(GASOLINE))
    assert "odd_stamps" in {one.note.code.value for one in found}


def test_signals_with_too_few_values_are_not_judged():
    short = [mapped(name, row[:10]) for name, row in ENGINE.items()]
    assert {"engine_signals.rpm", "chain.signals.lambda"} <= set(find_unjudged(short, Declared(GASOLINE)))
    stopped = [mapped(name, row) for name, row in ENDS["key on, engine off"].items()]
    unjudged = find_unjudged(stopped, Declared(GASOLINE))
    assert "engine_signals.pulse_ms" in unjudged
    assert "engine_signals.coolant_c" not in unjudged
    assert find_unjudged([mapped(name, row) for name, row in ENGINE.items()], Declared(GASOLINE)) == ()


def test_a_target_that_changes_smoothly_and_is_followed_is_no_doubt():
    wave = 0.92 + 0.05 * np.sin(np.arange(len(ENGINE["rpm"])) / 30.0)
    noise = np.random.default_rng(2).normal(0, 0.004, (2, len(wave)))
    assert (
        told(ENGINE, {"target": wave} | {("lambda", k + 1): wave + noise[k] for k in (0, 1)} | NO_OXYGEN)
        == {}
    )


def test_a_pulse_that_may_be_a_percentage_is_told_so_and_large_numbers_are_written_out():
    held = {"pulse_ms": ENGINE["pulse_ms"] * 6.0}
    every = [mapped(name, row) for name, row in {"rpm": 0 * ENGINE["rpm"] + 900, **held}.items()]
    [one] = judge(every, Declared(GASOLINE))
    assert "a percentage, which is no pulse width" in sentence(one.note)
    [long] = judge([mapped("coolant_c", ENGINE["coolant_c"] * 500)], Declared(GASOLINE))
    assert "e+" not in sentence(long.note)


def test_boost_is_plausible_where_no_natural_engine_is_declared():
    boosted = {"map_kpa": ENGINE["map_kpa"] * 2.4}
    assert told(ENGINE, boosted)["engine_signals.map_kpa"][0] == "range"
    assert told(ENGINE, boosted, Declared(GASOLINE)) == {}


def test_what_some_nodes_do_alone_is_a_doubt_about_them():
    found = told(ENGINE, {("lambda", 2): ENGINE["lambda", 2] * 14.7})
    code, level, values = found["chain.signals.lambda"]
    assert (code, level, values["positions"]) == ("range", "doubt", (2,))


def test_rates_are_compared_with_what_the_definitions_tell():
    every = [mapped(name, row) for name, row in ENGINE.items()]
    faster = [replace(one, cycle_s=0.01) if one.quantity == "rpm" else one for one in every]
    slow = Declared(GASOLINE, stale_s=0.04)
    assert [one.note.code.value for one in judge(faster, Declared(GASOLINE))] == ["rate"]
    assert {one.note.code.value for one in judge(every, slow)} == {"too_slow_for_stale"}


def test_what_never_came_is_told_by_bus_and_by_message():
    every = [mapped(name, row) for name, row in ENGINE.items()]
    silent = [replace(one, samples=SignalSamples()) if one.quantity == "ready" else one for one in every]
    [one] = judge_absent(silent, ["car"], ["can0"], {0})
    assert (one.note.code.value, one.level.value, one.key) == (
        "signal_not_in_log",
        "doubt",
        "chain.signals.ready",
    )
    assert dict(one.note.values)["others"] == 1
    [bus] = judge_absent([replace(one, samples=SignalSamples()) for one in every], ["car"], ["can1"], set())
    assert (bus.note.code.value, bus.level.value, bus.key) == (
        "bus_not_in_log",
        "mistake",
        "bus[1].log_channel",
    )


def test_sensors_that_warm_up_are_no_doubt():
    """At their lowest value, or without one, and not ready: for a while all sensors are."""
    cold = signals(seconds=20)
    zeros = 0 * cold["rpm"]
    names = [name for name in cold if name[0] in {"lambda", "oxygen", "ready"}]
    assert told(cold, {name: zeros + (0.29 if name[0] == "lambda" else 0.0) for name in names}) == {}
    nothing = [mapped(name, row + np.nan) for name, row in cold.items() if name[0] == "lambda"]
    assert judge_absent(nothing, ["car"], ["can0"], {0}) == ()
    for_long = [mapped(name, row + np.nan) for name, row in ENGINE.items() if name[0] == "lambda"]
    assert {one.note.code.value for one in judge_absent(for_long, ["car"], ["can0"], {0})} == {
        "never_a_value"
    }


def test_samples_are_the_same_however_the_log_is_cut_and_stay_few():
    t = np.arange(100_000) * 1_000_000
    values, quality = np.sin(t / 3e9), np.zeros(100_000, np.uint8)
    whole, parts = SignalSamples(), SignalSamples()
    whole.feed(t, values, quality)
    for start in range(0, 100_000, 7_777):
        part = slice(start, start + 7_777)
        parts.feed(t[part], values[part], quality[part])
    assert np.array_equal(whole.t, parts.t)
    assert np.array_equal(whole.values, parts.values)
    assert whole.good == parts.good == 100_000
    assert len(whole.values) < 20_000
    assert whole.step_s == parts.step_s == pytest.approx(0.001)
