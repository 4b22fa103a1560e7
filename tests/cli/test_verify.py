"""mixmon verify."""

import json
from pathlib import Path

import pytest

from mixmon.cli.main import BAD_INPUT, DONE, LIMIT_NOT_MET, main

WRONG = """\
format = 1
[engine]
cylinders = 4
strokes = 3
firing_order = [1, 3, 4, 4]
[chain]
[[chain.node]]
position = 1
cylinder = 9
[validity]
stale_s = "soon"
"""


@pytest.fixture
def wrong(tmp_path):
    path = tmp_path / "wrong.toml"
    path.write_text(WRONG)
    return path


@pytest.mark.parametrize("name", ["alder8.toml", "foreign.toml"])
def test_the_example_sessions_are_right(capsys, name):
    path = f"examples/{name}"
    assert main(["verify", path]) == DONE
    assert capsys.readouterr() == (f"{path}: no mistake found\n", "")


def test_every_mistake_is_a_line_and_they_are_counted_by_table(capsys, wrong):
    assert main(["verify", str(wrong)]) == BAD_INPUT
    out, err = capsys.readouterr()
    count, *mistakes = out.splitlines()
    assert len(mistakes) >= 4
    for key, line in [("engine.strokes", 4), ("engine.firing_order", 5), ("validity.stale_s", 11)]:
        assert any(m.startswith(key) and f"(line {line})" in m and "expected" in m for m in mistakes)
    assert count.startswith(f"{wrong}: {len(mistakes)} mistakes (engine 2, chain ")
    assert len(err.splitlines()) == 1
    assert str(wrong) in err


def test_the_same_as_json(capsys, wrong):
    assert main(["verify", str(wrong), "--json"]) == BAD_INPUT
    told = json.loads(capsys.readouterr().out)
    assert (told["format"], told["session"]) == (2, str(wrong))
    assert {"where", "found", "expected", "line"} == set(told["mistakes"][0])
    assert main(["verify", "examples/alder8.toml", "--json"]) == DONE
    assert json.loads(capsys.readouterr().out)["mistakes"] == []


LOW = ("sensor_angle_deg = 35", "sensor_angle_deg = 5")
LEADED = ("leaded = false", "leaded = true")
UNUSED = "no_effect_beside"
CAUTIONED = [
    ([LOW], ["sensor_angle"], "caution: sensors 5 degrees above horizontal, below 10"),
    ([LEADED], ["leaded_fuel"], "caution: leaded fuel poisons the sensors"),
    (
        [('load_signal = "throttle"', 'load_signal = "map_kpa"')],
        ["load_by_pressure"],
        "caution: one throttle per cylinder and manifold pressure as the load axis",
    ),
    ([("after_merge = false", "after_merge = true")], ["after_merge", UNUSED], "no trims are offered"),
    (
        [('timing = "sequential"', 'timing = "batch"')],
        ["batch_injection", UNUSED],
        "trims.step_percent (line ",
    ),
    (
        [('pulse_ms = "engine/Engine_Fuel.PulseWidth"\n', "")],
        ["no_effect_without"],
        "caution: without engine_signals.pulse_ms, no effect of injection.dead_time_ms (line ",
    ),
    (
        [("primary_bore_mm = 44", "primary_bore_mm = 14")],
        ["bore_unlikely"],
        "usual: check [exhaust] primary_bore_mm",
    ),
    (
        [("sensor_distance_mm = 320", "sensor_distance_mm = 60")],
        ["distance_unlikely"],
        "60 mm from its valve",
    ),
    (
        [("sensor_distance_mm = 320", "sensor_distance_mm = [320, 320, 320, 320, 320, 320, 320, 1320]")],
        ["distances_unlike"],
        "wrong digit",
    ),
    ([("dead_time_ms = 0.95", "dead_time_ms = 9.5")], ["dead_time_unlikely"], "dead time of 9.5 ms"),
    ([LOW, LEADED], ["sensor_angle", "leaded_fuel"], "leaded fuel"),
    ([("sensor_angle_deg = 35", "sensor_angle_deg = 10")], [], "no mistake found"),
]


@pytest.mark.parametrize(("changes", "codes", "words"), CAUTIONED)
def test_what_to_take_care_of_is_a_caution_and_no_mistake(capsys, tmp_path, changes, codes, words):
    text = Path("examples/alder8.toml").read_text("utf-8")
    for old, new in changes:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    path = tmp_path / "session.toml"
    path.write_text(text, "utf-8")
    assert main(["verify", str(path)]) == DONE
    out, err = capsys.readouterr()
    assert words in out
    assert (out.count("caution: "), err) == (len(codes), "")
    assert main(["verify", str(path), "--json"]) == DONE
    told = json.loads(capsys.readouterr().out)
    assert told["mistakes"] == []
    assert [one["code"] for one in told["cautions"]] == codes


SPOILT = """\
BO_ 512 Chain01: 8 X
 SG_ Lambda : 0|16@1+ (0.0001,0) [0|0] "" Y
 SG_ Supply : 16|8@1+ (0.1,0 [0|0] "V" Y
CM_ SG_ 512 Lambda "no end;
VAL_ 512 Nobody 0 "off" ;
"""
SPOILT_SESSION = """\
format = 1
[engine]
cylinders = 1
[[bus]]
name = "chain"
database = "spoilt.dbc"
[chain]
bus = "chain"
[chain.signals]
lambda = "Chain01.Lambda"
"""


@pytest.fixture
def spoilt(tmp_path):
    (tmp_path / "spoilt.dbc").write_text(SPOILT)
    path = tmp_path / "spoilt.toml"
    path.write_text(SPOILT_SESSION)
    return path


def test_every_odd_entry_of_the_definitions_is_a_caution_with_its_line(capsys, spoilt):
    assert main(["verify", str(spoilt)]) == DONE
    cautions = [line for line in capsys.readouterr().out.splitlines() if line.startswith("caution: ")]
    assert [line.split(":")[1:3] for line in cautions] == [[" spoilt.dbc", f" line {n}"] for n in (3, 4, 5)]
    assert main(["verify", str(spoilt), "--json"]) == DONE
    told = json.loads(capsys.readouterr().out)["cautions"]
    assert [(one["code"], one["database"], one["line"]) for one in told] == [
        ("definition", "spoilt.dbc", line) for line in (3, 4, 5)
    ]


def test_a_signal_whose_line_is_not_readable_is_named_with_that_line(capsys, spoilt):
    spoilt.write_text(SPOILT_SESSION + 'supply = "Chain01.Supply"\n')
    assert main(["verify", str(spoilt)]) == BAD_INPUT
    assert 'no signal "Supply" in Chain01 (spoilt.dbc line 3: ' in capsys.readouterr().out


def test_other_commands_tell_how_many_entries_are_odd_and_the_first(capsys, spoilt, tmp_path):
    log = tmp_path / "a.log"
    log.write_text("".join(f"({1000 + i / 10:.6f}) can0 200#10271027\n" for i in range(20)))
    main(["balance", str(log), "--session", str(spoilt), "--json"])
    [told] = [n for n in json.loads(capsys.readouterr().out)["notes"] if n["code"] == "definitions_odd"]
    assert (told["database"], told["count"]) == ("spoilt.dbc", 3)
    assert told["first"].startswith("line 3: Chain01.Supply: SG_ ")
    main(["decode", str(log), "--session", str(spoilt)])
    err = capsys.readouterr().err
    assert "spoilt.dbc: 3 entries not as expected\n" in err
    assert all(f"spoilt.dbc: line {n}: " in err for n in (3, 4, 5))


def test_no_escape_of_a_file_reaches_the_terminal(capsys, spoilt):
    (spoilt.parent / "spoilt.dbc").write_text(
        SPOILT + 'VAL_ 512 \x1b]0;x\x07 0 "off" ;\nBO_ 5 \x1b[2J: 8 X\n'
    )
    main(["verify", str(spoilt)])
    out, err = capsys.readouterr()
    assert "caution: " in out
    assert "\x1b" not in out + err
    assert "\x07" not in out + err


FOREIGN = "examples/foreign.toml"
FOREIGN_LOG = "examples/foreign.log.gz"
MISREAD = [
    (
        'throttle = { signal = "car/Crank.Pedal", scale = 100 }',
        'throttle = { signal = "car/Crank.Pedal", scale = 1.0001 }',
    ),
    ('Crank.Plenum", scale = 0.1 }', 'Crank.Plenum", scale = 1.0001 }'),
    ('Crank.Injection", scale = 0.001 }', 'Crank.Injection", scale = 0.02 }'),
    ('"Probes_Left.Mixture_2"', '"Probes_Left.Mixture_1"'),
]


@pytest.fixture(scope="module")
def misread(tmp_path_factory):
    folder = tmp_path_factory.mktemp("misread")
    text = Path(FOREIGN).read_text("utf-8")
    for old, new in MISREAD:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    for name in ("foreign_chain.dbc", "foreign_engine.dbc"):
        (folder / name).write_bytes(Path("examples", name).read_bytes())
    path = folder / "misread.toml"
    path.write_text(text, "utf-8")
    return path


def test_a_log_names_what_the_signals_cannot_be(capsys, misread):
    """Definitions and units agree in each: a scale is taken on trust until a log speaks against it."""
    command = ["verify", str(misread), "--log", FOREIGN_LOG, "--to", "40", "--quiet"]
    assert main([*command, "--json"]) == BAD_INPUT
    out, err = capsys.readouterr()
    told = json.loads(out)
    assert told["mistakes"] == []
    found = {(one["level"], one["key"], one["code"]) for one in told["implausible"]}
    assert {
        ("doubt", "engine_signals.throttle", "throttle_as_part"),
        ("mistake", "engine_signals.map_kpa", "range"),
        ("mistake", "engine_signals.pulse_ms", "range"),
        ("mistake", "chain.node[2].signals.lambda", "same_signal"),
    } == found
    assert len(err.splitlines()) == 1
    assert told["log"]["frames"] > 1000


def test_only_doubts_are_a_limit_that_is_not_met(capsys, tmp_path):
    other = tmp_path / "doubt.toml"
    text = Path(FOREIGN).read_text("utf-8").replace('"foreign_', f'"{Path("examples").resolve()}/foreign_')
    other.write_text(text.replace("[validity]", "[validity]\nstale_s = 0.001"), "utf-8")
    assert main(["verify", str(other), "--log", FOREIGN_LOG, "--to", "2", "--quiet"]) == LIMIT_NOT_MET
    out, err = capsys.readouterr()
    first, *doubts, rest = out.splitlines()
    assert first.endswith(f"no mistake found; 6 doubts in {FOREIGN_LOG}")
    assert rest.startswith("not judged, too few values while the engine ran: ")  # two seconds are short
    assert all("raise stale_s" in line and line.startswith("doubt: ") for line in doubts)
    assert err == ""


def test_a_part_of_no_log_and_a_file_with_mistakes_beside_a_log(capsys, wrong):
    assert main(["verify", FOREIGN, "--to", "2"]) == BAD_INPUT
    assert "expected --log" in capsys.readouterr().err
    assert main(["verify", str(wrong), "--log", FOREIGN_LOG]) == BAD_INPUT
    assert "not compared" in capsys.readouterr().out
    assert main(["verify", "examples", "--log", FOREIGN_LOG]) == BAD_INPUT
    assert "expected a session file" in capsys.readouterr().err
    assert main(["verify", FOREIGN, "--log", "no.log"]) == BAD_INPUT
    assert "no.log" in capsys.readouterr().err
