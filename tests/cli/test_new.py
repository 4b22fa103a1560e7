"""mixmon new: sessions from logs of other makes, from mixmon's own layer, from answers, and what is refused.

Frames of other makes are encoded by cantools (45.1), as another program would send them.
"""

from __future__ import annotations

import json
import shlex
import tomllib
from pathlib import Path

import cantools
import numpy as np
import pytest
from command_line import run_command

import mixmon
from mixmon.cli.main import BAD_INPUT, DONE, LIMIT_NOT_MET
from mixmon.messages.chain import shipped_database

FOREIGN = Path("examples/foreign.toml")
FOREIGN_LOG = "examples/foreign.log.gz"
FOREIGN_DBC = ("examples/foreign_chain.dbc", "examples/foreign_engine.dbc")
ORDER = "1,4,2,5,3,6"


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """The example of other makes, as `new` finds it, and the JSON that tells of it."""
    path = tmp_path_factory.mktemp("new") / "made.toml"
    told = ("--firing-order", ORDER, "--throttles", "single", "--displacement", "2.99")
    answer = run_command("new", str(path), "--from", FOREIGN_LOG, "-d", *FOREIGN_DBC, *told, "--json")
    assert (answer.status, answer.err) == (DONE, f"mixmon: reading {FOREIGN_LOG}\n")
    return path, json.loads(answer.out)


def test_signals_of_other_makes_are_found_as_a_person_wrote_them(made):
    path, told = made
    found, written = mixmon.load_session(path), mixmon.load_session(FOREIGN)
    assert found.engine_signals == written.engine_signals
    assert [node.signals for node in found.chain.nodes] == [node.signals for node in written.chain.nodes]
    assert found.engine.firing_order == written.engine.firing_order
    assert [bus.log_channel for bus in found.buses] == [bus.log_channel for bus in written.buses]
    assert found.axes.load_signal == written.axes.load_signal
    assert told["check"]["mistakes"] == told["check"]["implausible"] == []
    assert [node["position"] for node in told["nodes"]] == [1, 2, 3, 4, 5, 6]


def test_the_new_file_gives_the_needs_of_the_one_by_hand(made):
    """Other cells and no overrun: the same needs within what both intervals allow."""
    needs = []
    for session in (made[0], FOREIGN):
        run = mixmon.read_run(mixmon.load_session(session), FOREIGN_LOG, end_s=30.0)
        needs.append(
            [
                (c["needs_percent"], c["interval95_percent"])
                for c in mixmon.balance(run).to_dict()["cylinders"]
            ]
        )
    for (new, (low, high)), (by_hand, other) in zip(*needs, strict=True):
        assert abs(new - by_hand) < 0.5 * (high - low + other[1] - other[0])


def test_each_line_says_from_what_it_was_concluded_and_what_is_not_known(made):
    text = made[0].read_text("utf-8")
    assert 'throttle = { signal = "car/Crank.Pedal", scale = 100 }  # (guess) by name and values' in text
    assert "these mean yes: fuel, fuel and spark" in text
    assert "# oil_c = " in text
    assert "nothing found; in degC" in text
    assert "stoich_afr = 14.7  # (guess)" in text
    uncommented = text.replace("# aspiration", "aspiration").replace("# dead_time_ms", "dead_time_ms")
    assert tomllib.loads(uncommented)["engine"]["aspiration"] == "natural"


def test_what_is_there_is_never_written_over(made):
    path, _ = made
    before = path.read_bytes()
    answer = run_command("new", str(path), "--from", "no.log")  # refused before anything is read or asked
    assert (answer.status, path.read_bytes()) == (BAD_INPUT, before)
    assert answer.err.endswith("is there already; expected a new file; choose another name\n")
    nowhere = run_command("new", str(path.parent / "no" / "made.toml"), "--cylinders", "4")
    assert "is no folder" in nowhere.err


OTHER_STYLE = """\
VERSION ""
BO_ 288 ECU_A: 8 E
 SG_ nMot : 0|16@1+ (0.25,0) [0|16383] "U/min" X
 SG_ TPS1 : 16|8@1+ (0.004,0) [0|1.02] "" X
 SG_ MAP : 24|16@1+ (1,0) [0|4000] "mbar" X
 SG_ MAP_limit : 40|16@1+ (1,0) [0|4000] "mbar" X
BO_ 289 ECU_B: 8 E
 SG_ LamSoll : 0|8@1+ (0.01,0) [0|2.5] "" X
 SG_ tInj : 8|16@1+ (1,0) [0|65535] "us" X
 SG_ T_water_display : 40|8@1+ (1,-40) [-40|215] "" X
 SG_ T_water : 24|16@1+ (0.1,0) [0|600] "K" X
BO_ 300 WB_0: 8 W
 SG_ AFR : 0|16@1+ (0.001,0) [0|65] "" X
 SG_ Vbat : 16|8@1+ (0.1,0) [0|25] "V" X
BO_ 301 WB_1: 8 W
 SG_ AFR : 0|16@1+ (0.001,0) [0|65] "" X
 SG_ Vbat : 16|8@1+ (0.1,0) [0|25] "V" X
BO_ 302 WB_2: 8 W
 SG_ AFR : 0|16@1+ (0.001,0) [0|65] "" X
 SG_ Vbat : 16|8@1+ (0.1,0) [0|25] "V" X
"""


def encoded(dbc: Path, channel: str = "can7", seconds: float = 12.0) -> str:
    """A three-cylinder engine that is revved, as candump text: 20 frames a second of each message."""
    library = cantools.database.load_file(dbc)
    lines, rng = [], np.random.default_rng(3)
    for k in range(int(seconds * 20)):
        share = k / (seconds * 20)
        values = {
            "nMot": 1000 + 5000 * share,
            "TPS1": 0.02 + 0.9 * share,
            "MAP": 350 + 640 * share,
            "MAP_limit": 3000,
            "LamSoll": 1.0 - 0.12 * share,
            "tInj": 3000 + 9000 * share,
            "T_water": 360,
            "T_water_display": 87,
            "Vbat": 13.8,
        }
        for message in library.messages:
            sent = {
                s.name: values.get(s.name, 14.7 - 1.8 * share + rng.normal(0, 0.05)) for s in message.signals
            }
            data = message.encode(sent, strict=False).hex().upper()
            lines.append(f"({1_700_000_000 + k / 20:.6f}) {channel} {message.frame_id:03X}#{data}\n")
    return "".join(lines)


@pytest.fixture(scope="module")
def other_style(tmp_path_factory):
    folder = tmp_path_factory.mktemp("style")
    (folder / "style.dbc").write_text(OTHER_STYLE)
    (folder / "style.log").write_text(encoded(folder / "style.dbc"))
    (folder / "unfit.dbc").write_text(
        'BO_ 77 Nothing: 8 X\n SG_ EngineSpeed : 0|16@1+ (1,0) [0|8000] "rpm" Y\n'
    )
    return folder


def is_of_engine(line: str) -> bool:
    """Whether a line of candump text is of the engine control."""
    return " 120#" in line or " 121#" in line


def test_names_and_units_in_another_style(other_style):
    path, log = other_style / "style.toml", str(other_style / "style.log")
    answer = run_command("new", str(path), "--from", log, "-d", str(other_style / "style.dbc"), "--quiet")
    assert (answer.status, answer.err) == (DONE, "")
    session = mixmon.load_session(path)
    signals = {
        name: (f"{one.message}.{one.signal}", one.scale, one.offset, one.unit)
        for name, one in session.engine_signals.items()
    }
    assert signals == {
        "rpm": ("ECU_A.nMot", 1.0, 0.0, "rpm"),
        "throttle": ("ECU_A.TPS1", 100.0, 0.0, "percent"),
        "map_kpa": ("ECU_A.MAP", 0.1, 0.0, "kPa"),
        "target": ("ECU_B.LamSoll", 1.0, 0.0, "lambda"),
        "pulse_ms": ("ECU_B.tInj", 0.001, 0.0, "ms"),
        "coolant_c": ("ECU_B.T_water", 1.0, -273.15, "degC"),
    }
    assert [(node.position, node.cylinders) for node in session.chain.nodes] == [
        (1, (1,)),
        (2, (2,)),
        (3, (3,)),
    ]
    assert {node.signals["lambda"].unit for node in session.chain.nodes} == {"afr"}
    text = path.read_text("utf-8")
    assert "coolant_c could also be ECU_B.T_water_display (its unit does not say so)" in text
    assert "the fuel is not known; 14.7 is a guess" in answer.out
    assert answer.out.splitlines()[-1].endswith(f"mixmon balance {log} -s {path}")


def test_definitions_that_do_not_fit_a_log_are_named(other_style):
    log, unfit = str(other_style / "style.log"), str(other_style / "unfit.dbc")
    answer = run_command("new", str(other_style / "none.toml"), "--from", log, "-d", unfit)
    assert answer.status == BAD_INPUT
    assert f"none of the messages of {unfit} is in it" in answer.err
    assert not (other_style / "none.toml").exists()


def test_a_log_without_nodes_makes_a_file_that_says_so(other_style):
    """Only the engine's frames: the chain stands for mixmon's own layer, and the status asks to look."""
    engine = other_style / "engine.log"
    lines = (other_style / "style.log").read_text().splitlines(keepends=True)
    engine.write_text("".join(line for line in lines if is_of_engine(line)))
    path = other_style / "engine.toml"
    words = ("--from", str(engine), "-d", str(other_style / "style.dbc"), "--cylinders", "3", "--quiet")
    answer = run_command("new", str(path), *words)
    assert answer.status == LIMIT_NOT_MET
    assert "no mixture reading found in the log" in answer.out
    assert mixmon.verify(path).usable
    assert mixmon.load_session(path).engine_signals["rpm"].signal == "nMot"


def test_our_own_chain_beside_an_engine_of_another_make(other_style, tmp_path):
    """Two buses, and definitions of one of them: the chain is known by its checksums."""
    library = cantools.database.load_file(shipped_database("mixture_chain.dbc"))
    own = mixmon_frames(library)
    engine = [
        line
        for line in (other_style / "style.log").read_text().splitlines(keepends=True)
        if is_of_engine(line)
    ]
    log, path = tmp_path / "both.log", tmp_path / "both.toml"
    log.write_text("".join(sorted([*own, *engine])))
    answer = run_command(
        "new", str(path), "--from", str(log), "-d", str(other_style / "style.dbc"), "--quiet"
    )
    assert answer.status == DONE, answer.out
    session = mixmon.load_session(path)
    first = session.buses[0]
    assert (first.name, first.log_channel, first.database) == ("chain", "can2", "mixture_chain.dbc")
    assert [node.position for node in session.chain.nodes] == [2, 5]
    assert session.chain.signals["lambda"].message == "Mix{position:02d}_Fast"
    assert session.engine_signals["rpm"].bus == "engine"


def crc8(data: bytes) -> int:
    """CRC-8 of SAE J1850, polynomial 0x1D, start and final XOR 0xFF (worked by hand, bit by bit)."""
    crc = 0xFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc << 1 ^ 0x1D if crc & 0x80 else crc << 1) & 0xFF
    return crc ^ 0xFF


def mixmon_frames(library) -> list[str]:
    """Nodes 2 and 5 of mixmon's own layer, encoded by cantools: as rich as lambda and oxygen say together."""
    lines, gasoline = [], mixmon.fuel_named("gasoline")
    for k in range(1200):
        for place in (2, 5):
            message = library.get_message_by_name(f"Mix{place:02d}_Fast")
            lam = 1.0 - 0.0001 * k - 0.01 * (place == 5)
            values = {"OxygenBalance": mixmon.oxygen_balance(lam, gasoline), "Lambda": lam, "State": 3}
            data = message.encode({**values, "Counter": k % 16, "Checksum": 0}, strict=False)
            data = data[:-1] + bytes([crc8(data[:-1])])
            stamp = f"({1_700_000_000 + k / 100:.6f})"
            lines.append(f"{stamp} can2 {message.frame_id:03X}#{data.hex().upper()}\n")
    return lines


GAPS = """\
VERSION ""
BO_ 288 Engine1: 8 E
 SG_ Motordrehzahl : 0|16@1+ (0.25,0) [0|16383] "1/min" X
 SG_ AccelPedalPos1 : 16|8@1+ (0.4,0) [0|100] "%" X
 SG_ ThrottleValvePos : 24|8@1+ (0.4,0) [0|100] "%" X
BO_ 289 Engine2: 8 E
 SG_ BattPotential : 0|16@1+ (0.05,0) [0|3212.75] "V" X
 SG_ Kuehlmitteltemperatur : 16|8@1+ (1,-40) [-40|215] "degC" X
 SG_ IntakeManifoldTemp : 24|8@1+ (1,-40) [-40|215] "degC" X
 SG_ IntakeManifoldPress : 32|8@1+ (2,0) [0|500] "kPa" X
BO_ 300 WB1: 8 W
 SG_ Phi : 0|16@1+ (0.001,0) [0|65] "" X
BO_ 301 WB2: 8 W
 SG_ Phi : 0|16@1+ (0.001,0) [0|65] "" X
BO_ 303 WB4: 8 W
 SG_ Phi : 0|16@1+ (0.001,0) [0|65] "" X
"""
"""One file for two buses; a node that is missing, and messages of the engine with numbers of nodes."""


def gaps_log(dbc: Path) -> str:
    """Two seconds of `GAPS`, the engine on channel can1 and the nodes on can0."""
    library, lines = cantools.database.load_file(dbc), []
    values = {"Motordrehzahl": 3000, "AccelPedalPos1": 30, "ThrottleValvePos": 40, "BattPotential": 13.8}
    values |= {"Kuehlmitteltemperatur": 85, "IntakeManifoldTemp": 31, "IntakeManifoldPress": 80}
    for k in range(80):
        for message in library.messages:
            named = {s.name: values.get(s.name, 1.1 + 0.01 * (k % 3)) for s in message.signals}
            data = message.encode(named, strict=False).hex().upper()
            channel = f"can{int(message.name.startswith('Engine'))}"
            lines.append(f"({1_700_000_000 + k / 40:.6f}) {channel} {message.frame_id:03X}#{data}\n")
    return "".join(lines)


@pytest.fixture(scope="module")
def gaps(tmp_path_factory):
    """The session from that log, its text and the answer of the command."""
    folder = tmp_path_factory.mktemp("a folder with blanks")
    (folder / "all.dbc").write_text(GAPS)
    (folder / "a.log").write_text(gaps_log(folder / "all.dbc"))
    words = (str(folder / "s.toml"), "--from", str(folder / "a.log"), "-d", str(folder / "all.dbc"))
    answer = run_command("new", *words, "--quiet")
    return mixmon.load_session(folder / "s.toml"), (folder / "s.toml").read_text("utf-8"), answer


def test_one_file_of_two_buses_serves_both(gaps):
    session, _, answer = gaps
    assert [(bus.name, bus.log_channel) for bus in session.buses] == [("chain", "can0"), ("engine", "can1")]
    assert session.engine_signals["rpm"].bus == "engine"
    assert "no definition fits" not in answer.out


def test_a_node_that_is_missing_leaves_its_cylinder_without_sensor(gaps):
    session, text, answer = gaps
    assert [(node.position, node.cylinders) for node in session.chain.nodes] == [
        (1, (1,)),
        (2, (2,)),
        (4, (4,)),
    ]
    assert session.engine.cylinders == 4
    assert "without_sensor = [3]" in text
    assert "no node found for cylinder 3" in answer.out


def test_the_number_of_an_engine_message_makes_it_no_node_and_names_are_weighed(gaps):
    session, text, _ = gaps
    assert (set(session.chain.signals), session.chain.signals["lambda"].unit) == ({"lambda"}, "phi")
    found = {name: one.signal for name, one in session.engine_signals.items()}
    assert found == {
        "rpm": "Motordrehzahl",
        "throttle": "ThrottleValvePos",
        "map_kpa": "IntakeManifoldPress",
        "coolant_c": "Kuehlmitteltemperatur",
        "intake_c": "IntakeManifoldTemp",
        "battery_v": "BattPotential",
    }
    assert "without unit it may be lambda" in text


def test_commands_to_be_typed_next_are_quoted_for_a_shell(gaps):
    *_, check, then = gaps[2].out.splitlines()
    assert shlex.split(check.partition("then: ")[2])[3:4] == ["--log"]
    assert len(shlex.split(then.partition("then: ")[2])) == 5


def test_a_place_without_room_is_told_and_left():
    answer = run_command("new", "/dev/full", "--cylinders", "4", "--yes")
    assert answer.status == BAD_INPUT
    assert answer.err.startswith("mixmon: /dev/full: No space left")
    assert Path("/dev/full").is_char_device()


def test_a_file_from_answers_alone(tmp_path):
    path = tmp_path / "four.toml"
    answer = run_command("new", str(path), "--cylinders", "4", "--firing-order", "1-3-4-2", "--fuel", "E10")
    assert answer.status == DONE
    assert answer.out.splitlines()[-1] == f"fill in the lines with #, then: mixmon verify {path}"
    session = mixmon.load_session(path)
    assert session.engine.firing_order == (1, 3, 4, 2)
    assert [node.cylinders for node in session.chain.nodes] == [(1,), (2,), (3,), (4,)]


WRONG = {
    "nothing": ((), "--cylinders N, or --from LOG"),
    "count": (("--cylinders", "0"), "--cylinders 0: expected a number of cylinders, 1 to 16"),
    "order": (("--cylinders", "4", "--firing-order", "1,3,4,4"), "expected each cylinder once"),
    "short order": (("--cylinders", "4", "--firing-order", "1,3,2"), "expected 4, each once"),
    "fuel": (("--cylinders", "4", "--fuel", "lemonade"), "lemonade"),
    "definitions alone": (("--cylinders", "4", "-d", FOREIGN_DBC[0]), "expected --from LOG"),
    "no log": (("--from", "no.log"), "no.log"),
    "no definitions": (("--from", FOREIGN_LOG, "-d", "no.dbc"), "no.dbc"),
    "a pipe": (("--from", "-"), "save the log first"),
}


@pytest.mark.parametrize("case", WRONG)
def test_what_cannot_be_is_refused_in_one_line_and_leaves_no_file(tmp_path, case):
    words, said = WRONG[case]
    path = tmp_path / "wrong.toml"
    answer = run_command("new", str(path), *words, "--quiet")
    assert (answer.status, answer.out) == (BAD_INPUT, "")
    assert said in answer.err
    assert len(answer.err.splitlines()) == 1
    assert not path.exists()
