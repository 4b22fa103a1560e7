"""Every planted mistake is named with its key, with what was found and with what was expected.

The mistakes are what people do: a slip of the finger, a wrong unit, a line forgotten. The texts
are the project's own; there is nothing outside it to check them against.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from mixmon.errors import SessionError
from mixmon.session.load import load_session, read_session

FULL = (Path(__file__).parent / "full.toml").read_text(encoding="utf-8")


@pytest.fixture
def write(tmp_path: Path):
    def written(text: str) -> Path:
        path = tmp_path / "session.toml"
        path.write_text(text, encoding="utf-8")
        return path

    return written


def planted(*changes: tuple[str, str]) -> str:
    text = FULL
    for old, new in changes:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    return text


NODE_5 = 'position = 5\ncylinder = 5\nsensor = "S-088"'
LEAN = "over_target = 0.040"

# what changes in the full file; where the report must point; what it must say was found and expected
PLANTED = {
    "a format of the future": (("format = 1", "format = 2"), "format", "2", "1"),
    "cylinders as text": (
        ("cylinders = 8", 'cylinders = "8"'),
        "engine.cylinders",
        '"8"',
        "whole number from 1 to 16",
    ),
    "true for a number": (("cylinders = 8", "cylinders = true"), "engine.cylinders", "true", "whole number"),
    "no cylinders at all": (
        ("cylinders = 8", ""),
        "engine.cylinders",
        "missing",
        "whole number from 1 to 16",
    ),
    "seventeen cylinders": (("cylinders = 8", "cylinders = 17"), "engine.cylinders", "17", "from 1 to 16"),
    "half a cylinder": (("cylinders = 8", "cylinders = 8.5"), "engine.cylinders", "8.5", "whole number"),
    "cubic centimetres for litres": (("3.99", "3990"), "engine.displacement_l", "3990", "at most 100 litres"),
    "three strokes": (("strokes = 4", "strokes = 3"), "engine.strokes", "3", "2 or 4"),
    "a cylinder that fires twice": (
        ("[1, 5, 3, 7, 4, 8, 2, 6]", "[1, 5, 3, 7, 4, 8, 2, 2]"),
        "engine.firing_order",
        "[1, 5, 3, 7, 4, 8, 2, 2]",
        "each cylinder from 1 to 8 once",
    ),
    "angles and no order": (
        ("firing_order = [1, 5, 3, 7, 4, 8, 2, 6]\n", ""),
        "engine.firing_angles_deg",
        "angles without a firing order",
        "engine.firing_order",
    ),
    "an angle too few": (("540, 630", "540"), "engine.firing_angles_deg", "7 angles", "8, one a cylinder"),
    "angles out of order": (
        ("[0, 90, 180, 270,", "[0, 180, 90, 270,"),
        "engine.firing_angles_deg",
        "[0, 180, 90",
        "rise and stay below 720",
    ),
    "an angle of a whole cycle": (("540, 630", "540, 720"), "engine.firing_angles_deg", "720", "below 720"),
    "a two-stroke with four-stroke angles": (
        ("strokes = 4", "strokes = 2"),
        "engine.firing_angles_deg",
        "630",
        "below 360",
    ),
    "seven shares of the air": (
        ("12.5, 12.5]", "12.5]"),
        "engine.charge_share",
        "7 shares",
        "8, one a cylinder",
    ),
    "a share of the air with a wrong digit": (
        ("charge_share = [13,", "charge_share = [1.3,"),
        "engine.charge_share",
        "1.3 and 12.5",
        "none is over 2 times another",
    ),
    "a cylinder on two fuel rails": (
        ("fuel_rails = [[1, 2, 3, 4],", "fuel_rails = [[1, 2, 3, 5],"),
        "injection.fuel_rails[2]",
        "cylinder 5 a second time",
        "each cylinder in one, once",
    ),
    "a port of a cylinder that the engine has not": (
        ("[7, 8]]   # do", "[7, 9]]   # do"),
        "engine.shared_ports[4]",
        "cylinder 9",
        "cylinders from 1 to 8",
    ),
    "a port of one cylinder": (
        ("[5, 6], [7, 8]]   # do", "[5, 6, 7], [8]]   # do"),
        "engine.shared_ports[4]",
        "[8]",
        "two cylinders or more",
    ),
    "a staging line beyond all cells": (
        ("rpm_above = 5000,", "rpm_above = 9000,"),
        "injection.staging.rpm_above",
        "9000, with all cells on one side",
        "within the cells of axes.rpm, 650 to 8200",
    ),
    "a staging line by a load that no cell has": (
        ("load_above = 60 }", "load_above = 160 }"),
        "injection.staging.load_above",
        "160, with all cells on one side",
        "axes.load",
    ),
    "targets in parts in place of percent": (
        ("[0, 2, 2, 0, 0, 2, 2, 0]   # of", "[0, 0.02, 0.02, 0, 0, 0.02, 0.02, 0]   # of"),
        "engine.target_offset_percent",
        "0.02 % at most",
        "percent, such as 2 for 2 %",
    ),
    "a staging line without a place": (
        ("{ rpm_above = 5000, load_above = 60 }", "{}"),
        "injection.staging",
        "no line",
        "rpm_above, load_above or both",
    ),
    "a staging line by a speed that no engine has": (
        ("rpm_above = 5000,", "rpm_above = 50000,"),
        "injection.staging.rpm_above",
        "50000",
        "at most 30000",
    ),
    "seven targets of eight cylinders": (
        ("0, 2, 2, 0]   # of", "0, 2, 2]   # of"),
        "engine.target_offset_percent",
        "7 offsets",
        "8, one a cylinder",
    ),
    "an offset that is a lambda": (
        ("target_offset_percent = [0,", "target_offset_percent = [88,"),
        "engine.target_offset_percent[1]",
        "88",
        "-20 to 20 % of lambda",
    ),
    "a cylinder without air": (
        ("charge_share = [13,", "charge_share = [0,"),
        "engine.charge_share[1]",
        "0",
        "above 0",
    ),
    "an unknown word": (
        ('"natural" ', '"turbo" '),
        "engine.aspiration",
        '"turbo"',
        '"natural", "turbine" or "blower"',
    ),
    "a cylinder in both banks": (
        ("B = [5, 6, 7, 8]", "B = [4, 5, 6, 7, 8]"),
        "engine.banks.B",
        "cylinder 4, which is in bank A already",
        "each cylinder in one bank",
    ),
    "a bank one cylinder short": (
        ("B = [5, 6, 7, 8]", "B = [5, 6, 7]"),
        "engine.banks",
        "no bank for cylinder 8",
        "each cylinder in one bank",
    ),
    "a cylinder of a bank as text": (
        ("B = [5, 6, 7, 8]", 'B = [5, 6, 7, "8"]'),
        "engine.banks.B[4]",
        '"8"',
        "a whole number from 1 to 16",
    ),
    "a stranger in a bank": (
        ("B = [5, 6, 7, 8]", "B = [5, 6, 7, 8, 9]"),
        "engine.banks.B",
        "cylinder 9",
        "cylinders from 1 to 8",
    ),
    "seconds for milliseconds": (
        ("dead_time_ms = 0.95", "dead_time_ms = 950"),
        "injection.dead_time_ms",
        "950",
        "ms",
    ),
    "seven distances": (
        ("sensor_distance_mm = 320 ", "sensor_distance_mm = [320, 320, 320, 320, 320, 320, 320] "),
        "exhaust.sensor_distance_mm",
        "7 distances",
        "one distance, or 8",
    ),
    "a negative distance": (
        ("sensor_distance_mm = 320 ", "sensor_distance_mm = -320 "),
        "exhaust.sensor_distance_mm",
        "-320",
        "from 50 to 3000 mm",
    ),
    "a distance in centimetres": (
        ("sensor_distance_mm = 320 ", "sensor_distance_mm = 32 "),
        "exhaust.sensor_distance_mm",
        "32",
        "from 50 to 3000 mm",
    ),
    "a bore like a straw's": (
        ("primary_bore_mm = 44", "primary_bore_mm = 4"),
        "exhaust.primary_bore_mm",
        "4",
        "from 10 to 150 mm",
    ),
    "the litres of one cylinder": (
        ("3.99", "0.1"),
        "engine.displacement_l",
        "0.1 for 8 cylinders, 0.0125 litres each",
        "the litres of all cylinders together",
    ),
    "a pressure and no effect of it": (
        ("pressure_k_bar = 0.3\n", ""),
        "sensors.pressure_bar",
        "a pressure, and no effect of it",
        "sensors.pressure_k_bar as well",
    ),
    "an effect of pressure and no pressure": (
        ("pressure_bar = 1.2\n", ""),
        "sensors.pressure_k_bar",
        "a pressure effect, and no pressure",
        "sensors.pressure_bar or engine_signals.exhaust_kpa",
    ),
    "kilopascals for bar": (
        ("pressure_bar = 1.2", "pressure_bar = 120"),
        "sensors.pressure_bar",
        "120",
        "bar",
    ),
    "a number for the curve": (
        ('curve = "gasoline"', "curve = 14.7"),
        "sensors.curve",
        "14.7",
        "the name of the fuel",
    ),
    "a word for yes": (
        ("before_turbine = false", 'before_turbine = "no"'),
        "exhaust.before_turbine",
        '"no"',
        "true or false",
    ),
    "before a turbine that is not there": (
        ("before_turbine = false", "before_turbine = true"),
        "exhaust.before_turbine",
        'true, with engine.aspiration = "natural"',
        'engine.aspiration = "turbine"',
    ),
    "fuel given twice": (
        ('name = "E10"', 'name = "E10"\nstoich_afr = 14.1'),
        "fuel",
        "name and stoich_afr",
        "exactly one of name, parts, atoms, stoich_afr",
    ),
    "a fuel without any fuel": (
        ('name = "E10"', ""),
        "fuel",
        "nothing that says which fuel",
        "exactly one of",
    ),
    "parts that do not add up": (
        ('name = "E10"', "parts = { gasoline = 0.90, ethanol = 0.2 }"),
        "fuel.parts",
        "add up to 1.1",
        "add up to 1",
    ),
    "AFR without its fuel": (
        ('[fuel]\nname = "E10"\nleaded = false', ""),
        "engine_signals.target.unit",
        '"afr" without a fuel',
        "[fuel] with name, parts, atoms or stoich_afr",
        ('unit = "lambda"', 'unit = "afr"'),
    ),
    "two buses of one name": (
        ('name = "engine"\nlog_channel', 'name = "chain"\nlog_channel'),
        "bus[2].name",
        '"chain", as in bus[1]',
        "a value used once",
    ),
    "a bus with a stroke in its name": (
        ('name = "engine"\nlog_channel', 'name = "a/b"\nlog_channel'),
        "bus[2].name",
        '"a/b"',
        'a name without "/"',
    ),
    "two buses on one channel": (
        ('log_channel = "can1"', 'log_channel = "can0"'),
        "bus[2].log_channel",
        '"can0", as in bus[1]',
        "used once",
    ),
    "a bus without a name": (
        ('name = "engine"\nlog_channel', "log_channel"),
        "bus[2].name",
        "missing",
        "a name",
    ),
    "an unknown role": (
        ('role = "listen"', 'role = "silent"'),
        "bus[2].role",
        '"silent"',
        '"acknowledge" or "listen"',
    ),
    "kilobits for bits": (("500_000", "500"), "bus[1].bitrate", "500", "from 5000 to 1000000 bit/s"),
    "a chain on no bus": (('bus = "chain"', 'bus = "chian"'), "chain.bus", '"chian"', "chain, engine"),
    "two buses and no word which": (
        ('bus = "chain"', ""),
        "chain.bus",
        "missing, with more than one bus",
        "chain, engine",
    ),
    "an engine signal on no bus": (
        ('"engine/Engine_Fast.Speed"', '"motor/Engine_Fast.Speed"'),
        "engine_signals.rpm",
        'bus "motor"',
        "a bus declared in [[bus]]: chain, engine",
    ),
    "no database where one is read": (
        ('database = "engine_bus.dbc"', ""),
        "bus[2].database",
        "missing",
        "a DBC file, as engine_signals",
    ),
    "an engine signal without its bus": (
        ('"engine/Engine_Fast.Speed"', '"Engine_Fast.Speed"'),
        "engine_signals.rpm",
        '"Engine_Fast.Speed"',
        '"BUS/Message.Signal"',
    ),
    "a chain signal with a bus": (
        ('"Mix{position:02d}_State.Supply"', '"chain/Mix{position:02d}_State.Supply"'),
        "chain.signals.supply",
        "chain/Mix",
        '"Message.Signal"',
    ),
    "a brace that is not closed": (
        ('"Mix{position:02d}_State.Supply"', '"Mix{position_State.Supply"'),
        "chain.signals.supply",
        "{position_State",
        "{position}",
    ),
    "an unknown brace": (
        ('"Mix{position:02d}_State.Supply"', '"Mix{place}_State.Supply"'),
        "chain.signals.supply",
        "{place}",
        "{position}",
    ),
    "a brace that reaches inside": (
        ('"Mix{position:02d}_State.Supply"', '"Mix{position:999999999d}_State.Supply"'),
        "chain.signals.supply",
        "{position:999999999d}",
        "{position:02d}",
    ),
    "braces outside the chain": (
        ('"engine/Engine_Fast.Speed"', '"engine/Engine{position}.Speed"'),
        "engine_signals.rpm",
        "{position}",
        "without braces",
    ),
    "one signal for eight nodes": (
        ('"Mix{position:02d}_State.Supply"', '"Mix_State.Supply"'),
        "chain.signals.supply",
        '"Mix_State.Supply" for 8 nodes',
        "{position}",
    ),
    "neither lambda nor oxygen": (
        ('lambda  = "Mix{position:02d}_Fast.Lambda"\n', ""),
        "chain.signals",
        "neither lambda nor oxygen",
        "at least lambda",
        ('oxygen  = "Mix{position:02d}_Fast.OxygenBalance"\n', ""),
    ),
    "equals on a number": (
        ('"engine/Engine_Fast.Speed"', '{ signal = "engine/Engine_Fast.Speed", equals = 3 }'),
        "engine_signals.rpm.equals",
        "equals on a number",
        "yes or no",
    ),
    "a unit nobody has heard of": (
        ('unit = "lambda"', 'unit = "kg/kg"'),
        "engine_signals.target.unit",
        '"kg/kg"',
        '"lambda", "phi" or "afr"',
    ),
    "a scale of nothing": (
        ('"engine/Engine_Fast.Speed"', '{ signal = "engine/Engine_Fast.Speed", scale = 0 }'),
        "engine_signals.rpm.scale",
        "0",
        "other than 0",
    ),
    "a table without its signal": (
        ('"engine/Engine_Fast.Speed"', "{ scale = 2 }"),
        "engine_signals.rpm.signal",
        "missing",
        "Message.Signal",
    ),
    "a node on a cylinder that is not there": (
        (NODE_5, NODE_5.replace("cylinder = 5", "cylinder = 9")),
        "chain.node[5].cylinder",
        "9",
        "a cylinder from 1 to 8",
    ),
    "two nodes on one cylinder": (
        (NODE_5, NODE_5.replace("cylinder = 5", "cylinder = 4")),
        "chain.node[5].cylinder",
        "4, as in chain.node[4]",
        "no other node",
    ),
    "a cylinder without a node": (
        (f"[[chain.node]]\n{NODE_5}\n", ""),
        "chain.node",
        "no node for cylinder 5",
        "chain.without_sensor = [5]",
    ),
    "no sensor where there is none to have": (
        ("[chain.signals]", "without_sensor = [9]\n[chain.signals]"),
        "chain.without_sensor",
        "cylinder 9",
        "cylinders from 1 to 8",
    ),
    "no sensor and a node": (
        ("[chain.signals]", "without_sensor = [3, 5]\n[chain.signals]"),
        "chain.without_sensor",
        "cylinders 3, 5, with a node",
        "cylinders without a node",
    ),
    "two nodes at one place": (
        (NODE_5, NODE_5.replace("position = 5", "position = 4")),
        "chain.node[5].position",
        "4, as in chain.node[4]",
        "used once",
    ),
    "a place beyond the chain": (
        (NODE_5, NODE_5.replace("position = 5", "position = 17")),
        "chain.node[5].position",
        "17",
        "from 1 to 16",
    ),
    "one sensor twice": (
        ("S-088", "S-104"),
        "chain.node[5].sensor",
        '"S-104", as in chain.node[4]',
        "used once",
    ),
    "a serial number as a number": (
        ('"S-088"', "88"),
        "chain.node[5].sensor",
        "88",
        "serial number, as one line of text",
    ),
    "axes that fall": (("[1100, 2000, 3000,", "[1100, 3000, 2000,"), "axes.rpm", "[1100, 3000", "that rise"),
    "an empty axis": (
        ("load = [3, 10, 18, 35, 60, 100]", "load = []"),
        "axes.load",
        "[]",
        "a list, each a number",
    ),
    "kilopascals on a throttle axis": (
        ("load = [3, 10, 18, 35, 60, 100]", "load = [30, 40, 50, 60, 80, 101.3]"),
        "axes.load",
        "101.3",
        'axes.load_signal = "map_kpa"',
    ),
    "a target row too few": (
        ("  [0.90, 0.90, 0.90, 0.90, 0.90, 0.90, 0.90, 0.90],\n", ""),
        "targets.lambda",
        "5 rows",
        "6, one for each of axes.load",
    ),
    "a target column too few": (
        ("0.87, 0.86]", "0.87]"),
        "targets.lambda[6]",
        "7 columns",
        "8, one for each of axes.rpm",
    ),
    "AFR in the target table": (
        ("0.87, 0.86]", "0.87, 12.6]"),
        "targets.lambda[6][8]",
        "12.6",
        "from 0.5 to 2 lambda",
    ),
    "targets without axes": (
        ("load = [3, 10, 18, 35, 60, 100]", ""),
        "targets.lambda",
        "targets without axes.load",
        "axes.load",
    ),
    "a rich limit above the lean one": (
        ("lean_limit = 1.60", "lean_limit = 0.6"),
        "validity.rich_limit",
        "0.68",
        "less than the lean limit, 0.6",
    ),
    "never stale": (("stale_s = 0.25", "stale_s = 0"), "validity.stale_s", "0", "above 0"),
    "half a mask": (
        ("low_flow_mask = { rpm_below = 1400, load_below = 5 }", "low_flow_mask = { rpm_below = 1400 }"),
        "validity.low_flow_mask.load_below",
        "missing",
        "a number",
    ),
    "not a number": (("rpm_band = 60", "rpm_band = nan"), "validity.rpm_band", "nan", "above 0"),
    "without end": (("rpm_band = 60", "rpm_band = inf"), "validity.rpm_band", "inf", "at most 2000 rpm"),
    "trims upside down": (
        ("lowest_percent = -10", "lowest_percent = 10"),
        "trims.lowest_percent",
        "10",
        "less than the highest, 10",
    ),
    "a trim step of nothing": (
        ("step_percent = 0.5", "step_percent = 0"),
        "trims.step_percent",
        "0",
        "above 0",
    ),
    "trims from a load beyond the axis": (
        ("load_from = 90", "load_from = 101"),
        "trims.load_from",
        "101",
        "at most 100, the highest of axes.load",
    ),
    "seven trims": (("0, -2.5]", "0]"), "trims.now_percent", "7 trims", "8, one a cylinder"),
    "a trim that the ECU cannot hold": (
        ("-1, 0.5,", "-1, 10.5,"),
        "trims.now_percent[5]",
        "10.5",
        "from -10 to 10",
    ),
    "a trim below what the ECU can hold": (
        ("-1.5, 6,", "-10.5, 6,"),
        "trims.now_percent[2]",
        "-10.5",
        "from -10 to 10",
    ),
    "priority zero": (("priority = 1", "priority = 0"), "limits.alarm[1].priority", "0", "from 1 to 3"),
    "an alarm with two limits": (
        (LEAN, f"{LEAN}\nlambda_above = 0.95"),
        "limits.alarm[1]",
        "over_target and lambda_above",
        "exactly one of over_target, under_target",
    ),
    "an alarm without a limit": ((LEAN, ""), "limits.alarm[1]", "no limit", "exactly one of"),
    "a limit where nothing is read": (
        (LEAN, "lambda_above = 1.7"),
        "limits.alarm[1].lambda_above",
        "1.7",
        "between 0.68 and 1.6",
    ),
    "a limit richer than is read": (
        (LEAN, "lambda_below = 0.68"),
        "limits.alarm[1].lambda_below",
        "0.68",
        "between 0.68 and 1.6",
    ),
    "a delay backwards": (
        ("on_delay_s = 0.20", "on_delay_s = -0.2"),
        "limits.alarm[1].on_delay_s",
        "-0.2",
        "from 0",
    ),
    "a negative dead band": (
        ("dead_band = 0.015", "dead_band = -1"),
        "limits.alarm[1].dead_band",
        "-1",
        "from 0",
    ),
    "a dead band that never clears": (
        ("age_s = 0.25", "age_s = 0.25\ndead_band = 0.3"),
        "limits.alarm[2].dead_band",
        "0.3, with age_s = 0.25",
        "less than the limit",
    ),
    "two alarms of one name": (
        ('"node silent"', '"lean under load"'),
        "limits.alarm[2].name",
        '"lean under load", as in limits.alarm[1]',
        "used once",
    ),
    "a condition that does not parse": (
        ('"throttle > 60 and rpm > 2500"', '"throttle > 60 & rpm > 2500"'),
        "limits.alarm[1].when",
        "'&' at column 15",
        "'and'",
    ),
    "a condition on a misspelt signal": (
        ('"throttle > 60 and rpm > 2500"', '"throtle > 60"'),
        "limits.alarm[1].when",
        '"throtle" in "throtle > 60"',
        '"throttle"',
    ),
    "a condition on a signal that is not mapped": (
        ('spark_cut = "engine/Engine_Fuel.SparkCut"\n', ""),
        "limits.alarm[1].suppress_when",
        '"spark_cut", which no signal carries',
        "engine_signals.spark_cut",
    ),
    "over a target that is nowhere": (
        ('target   = { signal = "engine/Engine_Fuel.Target", unit = "lambda" }', ""),
        "limits.alarm[1].over_target",
        "no target",
        "engine_signals.target, or [targets]",
        ("[targets]", "[[never]]"),
    ),
    "a supply alarm without a supply": (
        (LEAN, "supply_below = 11"),
        "limits.alarm[1].supply_below",
        "no supply",
        "chain.signals.supply",
        ('supply  = "Mix{position:02d}_State.Supply"\n', ""),
    ),
    "minutes of trigger": (
        ("pre_trigger_s = 10", "pre_trigger_s = 36000"),
        "recording.pre_trigger_s",
        "36000",
        "3600 s",
    ),
    "an empty folder": (('folder = "runs"', 'folder = ""'), "recording.folder", '""', "a folder"),
    "one table for many": (
        ("[limits]\n", "[limits]\nalarm = 3\n[other]\n"),
        "limits.alarm",
        "3",
        "tables in double brackets",
        ('[[limits.alarm]]\nname = "lean under load"', "[[not]]"),
        ('[[limits.alarm]]\nname = "node silent"', "[[not]]"),
    ),
    "a misspelt key": (
        ("dead_time_ms", "deadtime_ms"),
        "injection.deadtime_ms",
        "unknown key",
        '"dead_time_ms"',
    ),
    "a key of another alphabet of case": (
        ("stale_s =", "Stale_S ="),
        "validity.Stale_S",
        "unknown key",
        '"stale_s"',
    ),
    "a key of another table": (
        ("[recording]\n", "[recording]\nstale_s = 1\n"),
        "recording.stale_s",
        "unknown key",
        "it as validity.stale_s",
    ),
    "a key of a table above": (
        (
            '[[limits.alarm]]\nname = "lean under load"',
            '[[limits.alarm]]\nsource = "x"\nname = "lean under load"',
        ),
        "limits.alarm[1].source",
        "unknown key",
        "it as limits.source",
    ),
    "a misspelt key of an inline table": (
        ('unit = "lambda" }', 'unti = "lambda" }'),
        "engine_signals.target.unti",
        "unknown key",
        '"unit"',
    ),
    "a key like no other": (
        ("[recording]\n", "[recording]\nxyz = 1\n"),
        "recording.xyz",
        "unknown key",
        "folder, pre_trigger_s",
    ),
    "an engine quantity nobody knows": (
        ("\ncoolant_c = ", "\ncoolant = "),
        "engine_signals.coolant",
        "unknown key",
        '"coolant_c"',
    ),
    "a misspelt table": (("[validity]", "[vaildity]"), "vaildity", "unknown key", '"validity"'),
}


@pytest.mark.parametrize("plant", PLANTED.values(), ids=PLANTED)
def test_a_planted_mistake_is_named(write, plant: tuple[Any, ...]) -> None:
    change, where, found, expected, *more = plant
    _, mistakes = read_session(write(planted(change, *more)))
    fitting = [m for m in mistakes if m.where == where]
    assert fitting, [str(m) for m in mistakes]
    assert any(found in m.found and expected in m.expected for m in fitting), [str(m) for m in fitting]


# mistakes that bring others with them, rightly: what they name is used elsewhere
CONSEQUENCES = {
    "no cylinders at all",
    "cylinders as text",
    "AFR without its fuel",
    "over a target that is nowhere",
    "a target row too few",
    "a key of another alphabet of case",
    "one table for many",
    "a bus without a name",
    "a bus with a stroke in its name",
    "two buses of one name",
    "two nodes on one cylinder",
    "a node on a cylinder that is not there",
    "seventeen cylinders",
    "a stranger in a bank",
}


@pytest.mark.parametrize("name", [n for n in PLANTED if n not in CONSEQUENCES])
def test_one_mistake_is_told_once(write, name: str) -> None:
    change, _, _, _, *more = PLANTED[name]
    _, mistakes = read_session(write(planted(change, *more)))
    assert len(mistakes) == 1, [str(m) for m in mistakes]


def test_ten_mistakes_are_ten_reports_in_file_order(write) -> None:
    names = [
        "a cylinder that fires twice",
        "an unknown word",
        "a bank one cylinder short",
        "seconds for milliseconds",
        "kilobits for bits",
        "one sensor twice",
        "AFR in the target table",
        "never stale",
        "seven trims",
        "a delay backwards",
    ]
    path = write(planted(*(PLANTED[name][0] for name in names)))
    with pytest.raises(SessionError) as caught:
        load_session(path)
    mistakes = caught.value.mistakes
    assert [m.where for m in mistakes] == [PLANTED[name][1] for name in names]
    assert str(caught.value).startswith(f"{path}: engine.firing_order (line 8): [1, 5, 3")
    assert f"(and 9 more: mixmon verify {path})" in str(caught.value)


@pytest.mark.parametrize(
    ("name", "at"),
    [
        ("a cylinder that fires twice", "firing_order ="),
        ("AFR in the target table", "lambda = ["),
        ("a unit nobody has heard of", "target   ="),
        ("half a mask", "low_flow_mask ="),
        ("a misspelt key", "deadtime_ms"),
        ("a bus without a name", '[[bus]]\nlog_channel = "can1"'),
        ("no cylinders at all", "[engine]"),
        ("two alarms of one name", 'name = "lean under load"\npriority = 2'),
    ],
)
def test_a_mistake_names_its_line(write, name: str, at: str) -> None:
    change, where, _, _, *more = PLANTED[name]
    text = planted(change, *more)
    _, mistakes = read_session(write(text))
    [mistake] = [m for m in mistakes if m.where == where][:1]
    assert mistake.line == text[: text.index(at)].count("\n") + 1


def test_definitions_of_another_make_need_their_signals_named(write) -> None:
    text = """[engine]
cylinders = 2
[[bus]]
name = "only"
database = "mine.dbc"
[chain]
"""
    [mistake] = read_session(write(text))[1]
    assert mistake.where == "chain.signals"
    assert mistake.found == 'missing, and "mine.dbc" is not the chain\'s own mixture_chain.dbc'
    assert mistake.expected == 'at least lambda = "Message.Signal", or oxygen'


def test_a_chain_without_any_sensor_is_none(write) -> None:
    text = "[engine]\ncylinders = 2\n[chain]\nwithout_sensor = [1, 2]\n"
    [mistake] = read_session(write(text))[1]
    assert (mistake.where, mistake.found) == ("chain.without_sensor", "every cylinder")
    twice = read_session(write(text.replace("[1, 2]", "[2, 2]")))[1]
    assert ("[2, 2]", "each cylinder once") in [(one.found, one.expected) for one in twice]
