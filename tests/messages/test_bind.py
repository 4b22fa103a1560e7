"""Signals of a session are found in its definitions, or the mistake is named; what is lacking is told.

Definitions are checked against cantools, which reads the same files on its own.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cantools
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mixmon.errors import Mistake, SessionError
from mixmon.frames.block import EXTENDED, FrameBlock
from mixmon.messages.bind import bind, find_mistakes, load_databases, read_binding
from mixmon.messages.binding import Binding
from mixmon.messages.decode import Decoder
from mixmon.messages.gaps import Gap
from mixmon.note import note
from mixmon.session.load import load_session, read_session

EXAMPLES = Path(__file__).parents[2] / "examples"
DBC = Path(__file__).parents[2] / "dbc"
ALDER = (EXAMPLES / "alder8.toml").read_text(encoding="utf-8")
FOREIGN = (EXAMPLES / "foreign.toml").read_text(encoding="utf-8")

ODD_DBC = """VERSION "1"
NS_ :
BS_:
BU_: X
BO_ 291 Odd: 8 X
 SG_ Afr : 0|8@1+ (0.1,5) [5|25] "A/F" X
 SG_ Phi : 8|8@1+ (0.01,0) [0.3|2] "phi" X
 SG_ Plain : 16|8@1+ (0.1,6) [6|22] "" X
 SG_ Share : 24|8@1+ (0.004,0) [0|1] "" X
 SG_ Heat : 32|8@1+ (1,0) [0|250] "K" X
 SG_ Mode : 40|3@1+ (1,0) [0|7] "" X
 SG_ Ratio : 56|8@1+ (0.01,0) [0.5|2] "" X
 SG_ Signed : 48|8@1- (1,0) [0|0] "" X
BO_ 293 Units: 8 X
 SG_ Road : 0|8@1+ (1,0) [0|0] "km/h" X
 SG_ RoadPlain : 0|8@1+ (1,0) [0|250] "" X
 SG_ Open : 8|8@1+ (0.1,0) [0|25] "ms" X
 SG_ Duty : 16|8@1+ (0.5,0) [0|100] "%" X
 SG_ Volts : 24|8@1+ (0.02,0) [0|5] "[V]" X
 SG_ Plate : 32|8@1+ (0.5,0) [0|90] "deg" X
 SG_ Boost : 40|8@1+ (0.02,0) [0|4] "" X
 SG_ Micro : 48|16@1+ (1,0) [0|20000] "" X
 SG_ Absolute : 32|16@1+ (0.1,0) [200|450] "" X
 SG_ Steps : 32|8@1+ (0.1,0) [0|0] "" X
 SG_ Lowered : 32|8@1+ (1,-40) [0|0] "" X
 SG_ Cut : 56|8@1+ (1,0) [0|1] "bit" X
BO_ 292 Even: 1 X
 SG_ Lambda : 0|8@1+ (0.01,0) [0|2] "Lambda" X
VAL_ 291 Mode 0 "off" 1 "heating" 2 "measuring" ;
"""


@pytest.fixture
def write(tmp_path: Path):
    """A session file beside the examples' definitions and an odd one."""
    for name in ("foreign_chain.dbc", "foreign_engine.dbc"):
        (tmp_path / name).write_bytes((EXAMPLES / name).read_bytes())
    (tmp_path / "odd.dbc").write_text(ODD_DBC, encoding="utf-8")

    def written(text: str) -> Path:
        path = tmp_path / "session.toml"
        path.write_text(text, encoding="utf-8")
        return path

    return written


def bound(path: Path) -> Binding:
    session = load_session(path)
    return bind(session, load_databases(session))


def changed(text: str, *changes: tuple[str, str]) -> str:
    for old, new in changes:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    return text


def odd(**signals: str) -> str:
    """One cylinder, on the odd definitions."""
    mapped = "".join(f"{name} = {value}\n" for name, value in signals.items() if name != "chain")
    return f"""[engine]
cylinders = 1
[fuel]
stoich_afr = 14.7
[[bus]]
name = "b"
database = "odd.dbc"
[chain.signals]
{signals.get("chain", 'lambda = "Even.Lambda"')}
[engine_signals]
{mapped}"""


class TestTheExamples:
    @pytest.mark.parametrize("name", ["alder8", "foreign"])
    def test_have_no_mistake(self, name: str) -> None:
        assert find_mistakes(EXAMPLES / f"{name}.toml") == []

    @pytest.mark.parametrize(
        ("name", "files"),
        [
            ("alder8", [[DBC / "mixture_chain.dbc"], [DBC / "engine_bus.dbc"]]),
            ("foreign", [[EXAMPLES / "foreign_chain.dbc", EXAMPLES / "foreign_engine.dbc"]]),
        ],
    )
    def test_lie_where_cantools_finds_them(self, name: str, files: list[list[Path]]) -> None:
        binding = bound(EXAMPLES / f"{name}.toml")
        peers = []
        for of_bus in files:
            peer = cantools.database.Database()
            for file in of_bus:
                peer.add_dbc_file(file)
            peers.append(peer)
        every = [b for owner in (*binding.nodes, binding.engine) for b in owner.values()]
        assert {b.key for b in every} == set(binding.wanted)
        for b in every:
            message = peers[b.bus].get_message_by_name(b.choice.message)
            signal = message.get_signal_by_name(b.choice.signal)
            assert b.message.can_id == message.frame_id | (EXTENDED if message.is_extended_frame else 0)
            assert (b.signal.start, b.signal.length) == (signal.start, signal.length)
            assert (b.signal.scale, b.signal.offset) == (signal.scale, signal.offset)

    def test_every_node_of_the_demo_engine_has_its_own_message(self) -> None:
        binding = bound(EXAMPLES / "alder8.toml")
        assert [node["lambda"].message.can_id for node in binding.nodes] == [0x2A0 + i for i in range(8)]
        assert [node["supply"].message.name for node in binding.nodes] == [
            f"Mix{i:02d}_State" for i in range(1, 9)
        ]
        assert binding.engine["target"].key == (1, "Engine_Fuel", "Target")
        assert (binding.buses, len(binding.plans[1])) == (("chain", "engine"), 19)

    def test_a_node_is_found_by_its_place_and_not_by_its_turn_in_the_file(self, write) -> None:
        text = ALDER.replace("position = 1\n", "position = 16\n")
        node = bound(write(text)).nodes[0]
        assert {b.message.name for b in node.values()} == {"Mix16_Fast", "Mix16_State"}

    def test_the_demo_engine_lacks_nothing_that_matters(self) -> None:
        binding = bound(EXAMPLES / "alder8.toml")
        assert (binding.missing, binding.gaps) == (("engine_signals.oil_c",), ())

    def test_a_frame_that_cantools_made_of_somebody_elses_probe_reads_as_lambda(self) -> None:
        binding = bound(EXAMPLES / "foreign.toml")
        peer = cantools.database.load_file(EXAMPLES / "foreign_chain.dbc")
        values = {"Probe": 5, "Mixture_5": 290 + 0.45 * 1300, "State_5": 2, "Heater_5": 40, "Element_5": 780}
        data = peer.encode_message("Probes_Right", {**values, "Supply": 13.5})
        frames = FrameBlock(
            t=np.array([7], np.int64),
            can_id=np.array([peer.get_message_by_name("Probes_Right").frame_id | EXTENDED], np.uint32),
            bus=np.zeros(1, np.uint8),
            size=np.full(1, 8, np.uint8),
            dlc=np.full(1, 8, np.uint8),
            flags=np.zeros(1, np.uint8),
            data=np.frombuffer(data, np.uint8).reshape(1, 8).copy(),
            channels=("can0",),
        )
        decoder = Decoder(binding.tables, binding.wanted)
        [block] = decoder.decode(frames, binding.bus_of_channels(frames.channels))
        node = binding.nodes[4]
        [raw] = block.values[block.names.index(node["lambda"].signal.name)]
        assert raw * node["lambda"].choice.scale == pytest.approx(0.875, abs=1e-12)
        assert block.values[block.names.index("State_5")].tolist() == [2]
        assert np.isnan(block.values[block.names.index("Mixture_4")]).all()

    def test_what_their_fuels_need(self) -> None:
        alder, foreign = bound(EXAMPLES / "alder8.toml"), bound(EXAMPLES / "foreign.toml")
        # 14.08 kg/kg is printed for 10 % ethanol by volume (from memory: fuel tables); the ratio
        # depends on the gasoline, so that only the neighbourhood is checked here
        assert alder.stoich_afr == pytest.approx(14.08, abs=0.1)
        assert foreign.stoich_afr == 14.7


# what changes in the demo session; where the report must point; what it must say
PLANTED = {
    "a misspelt message": (
        ALDER,
        ('"engine/Engine_Fast.Speed"', '"engine/Engine_Fats.Speed"'),
        "engine_signals.rpm",
        'no message "Engine_Fats" in engine_bus.dbc',
        "Engine_Fast",
    ),
    "a misspelt signal": (
        ALDER,
        ('"engine/Engine_Fast.Speed"', '"engine/Engine_Fast.Sped"'),
        "engine_signals.rpm",
        'no signal "Sped" in Engine_Fast',
        "Speed",
    ),
    "a signal like no other": (
        ALDER,
        ('"engine/Engine_Fast.Speed"', '"engine/Engine_Fast.Xyz"'),
        "engine_signals.rpm",
        'no signal "Xyz"',
        "Speed or Throttle or ManifoldPressure",
    ),
    "a pattern that fits no node": (
        ALDER,
        ('"Mix{position:02d}_Fast.Lambda"', '"Mix{position}_Fast.Lambda"'),
        "chain.signals.lambda",
        'no message "Mix1_Fast" in mixture_chain.dbc, and the same of 7 other nodes',
        "Mix01_Fast",
    ),
    "a node's own signal that is not there": (
        FOREIGN,
        ('"Probes_Right.Mixture_6"', '"Probes_Right.Mixture_7"'),
        "chain.node[6].signals.lambda",
        'no signal "Mixture_7" in Probes_Right',
        "Mixture_6",
    ),
    "a database that is not there": (
        ALDER,
        ('database = "engine_bus.dbc"', 'database = "engine.dbc"'),
        "bus[2].database",
        'no file "engine.dbc" in ',
        "a DBC file there, or mixture_chain.dbc or engine_bus.dbc",
    ),
    "a database that is none": (
        ALDER,
        ('database = "engine_bus.dbc"', 'database = "session.toml"'),
        "bus[2].database",
        "session.toml",
        "a message definition file that can be used",
    ),
    "a name that no file can have": (
        ALDER,
        ('database = "engine_bus.dbc"', f'database = "{"x" * 5000}"'),
        "bus[2].database",
        "no file",
        "a DBC file there",
    ),
    "one database twice on a bus": (
        FOREIGN,
        ('"foreign_engine.dbc"]', '"foreign_engine.dbc", "foreign_engine.dbc"]'),
        "bus[1].database",
        "Crank (252), Mixture (254), Warmth (395)",
        "once",
    ),
    "a fuel nobody sells": (
        ALDER,
        ('name = "E10"', 'name = "gasolin"'),
        "fuel.name",
        "no fuel is named 'gasolin'",
        "gasoline",
    ),
    "a part nobody sells": (
        ALDER,
        ('name = "E10"', "parts = { ethanoll = 1 }"),
        "fuel.parts",
        "no fuel is named 'ethanoll'",
        "ethanol",
    ),
    "atoms that do not burn": (
        ALDER,
        ('name = "E10"', "atoms = { c = 1, o = 2 }"),
        "fuel.atoms",
        "C1 H0 O2",
        "need oxygen",
    ),
    "a ratio of no known fuel": (
        FOREIGN,
        ("stoich_afr = 14.7 ", "stoich_afr = 33 "),
        "fuel.stoich_afr",
        "33",
        "methane",
    ),
    "a temperature in other degrees": (
        FOREIGN,
        ('{ signal = "car/Warmth.Water", scale = 0.555556, offset = -17.7778 }', '"car/Warmth.Water"'),
        "engine_signals.coolant_c",
        'Water in "degF", read as degC',
        "scale = 0.555556, offset = -17.7778",
    ),
    "a pressure in hectopascals": (
        FOREIGN,
        ('{ signal = "car/Crank.Plenum", scale = 0.1 }', '"car/Crank.Plenum"'),
        "engine_signals.map_kpa",
        'Plenum in "hPa", read as kPa',
        "scale = 0.1",
    ),
    "a throttle from 0 to 1": (
        FOREIGN,
        ('{ signal = "car/Crank.Pedal", scale = 100 }', '"car/Crank.Pedal"'),
        "engine_signals.throttle",
        "Pedal from 0 to 1, read as percent",
        "scale = 100",
    ),
    "a target in AFR, read as lambda": (
        FOREIGN,
        ('{ signal = "car/Mixture.Wanted", unit = "afr" }', '"car/Mixture.Wanted"'),
        "engine_signals.target",
        'Wanted in "AFR", read as lambda',
        'unit = "afr"',
    ),
    "a target in lambda, read as AFR": (
        ALDER,
        ('unit = "lambda"', 'unit = "afr"'),
        "engine_signals.target",
        'Target in "lambda", read as afr',
        'unit = "lambda"',
    ),
    "thousandths read as lambda": (
        FOREIGN,
        ('{ signal = "Probes_Left.Mixture_1", scale = 0.001 }', '"Probes_Left.Mixture_1"'),
        "chain.node[1].signals.lambda",
        'Mixture_1 in "permille", read as lambda',
        "scale = 0.001",
    ),
    "an air-fuel ratio without its unit": (
        odd(target='"b/Odd.Plain"'),
        None,
        "engine_signals.target",
        "Plain from 6 to 22, read as lambda",
        'unit = "afr"',
    ),
    "a ratio of lambda's size, read as AFR": (
        odd(target='{ signal = "b/Odd.Ratio", unit = "afr" }'),
        None,
        "engine_signals.target",
        "Ratio from 0.5 to 2, read as afr",
        'unit = "lambda" or "phi"',
    ),
    "one of two databases that is not there": (
        FOREIGN,
        ('"foreign_engine.dbc"]', '"foreign.dbc"]'),
        "bus[1].database",
        'no file "foreign.dbc" in',
        "a DBC file there",
    ),
    "a state one beyond the last": (
        odd(fuel_cut='{ signal = "b/Odd.Mode", equals = 8 }'),
        None,
        "engine_signals.fuel_cut",
        "8, which Mode cannot be",
        "2 (measuring)",
    ),
    "phi read as lambda": (
        odd(target='"b/Odd.Phi"'),
        None,
        "engine_signals.target",
        'Phi in "phi"',
        'unit = "phi"',
    ),
    "kelvins": (
        odd(coolant_c='"b/Odd.Heat"'),
        None,
        "engine_signals.coolant_c",
        'Heat in "K"',
        "offset = -273.15",
    ),
    "many states and no word which": (
        odd(fuel_cut='"b/Odd.Mode"'),
        None,
        "engine_signals.fuel_cut",
        "Mode with 3 states (off, heating, measuring)",
        "equals",
    ),
    "a state that cannot be": (
        odd(fuel_cut='{ signal = "b/Odd.Mode", equals = [2, 9] }'),
        None,
        "engine_signals.fuel_cut",
        "9, which Mode cannot be",
        "2 (measuring)",
    ),
    "a road speed read as engine speed": (
        odd(rpm='"b/Units.Road"'),
        None,
        "engine_signals.rpm",
        'Road in "km/h", read as rpm',
        "a signal in rpm, or scale and offset that make rpm of it",
    ),
    "a road speed without a unit": (
        odd(rpm='"b/Units.RoadPlain"'),
        None,
        "engine_signals.rpm",
        "RoadPlain from 0 to 250, read as rpm",
        "a signal in rpm",
    ),
    "a pulse width that is a duty": (
        odd(pulse_ms='"b/Units.Duty"'),
        None,
        "engine_signals.pulse_ms",
        'Duty in "%", read as ms',
        "a signal in ms",
    ),
    "a target in volts": (
        odd(target='"b/Units.Volts"'),
        None,
        "engine_signals.target",
        'Volts in "[V]", read as lambda',
        "a signal in lambda",
    ),
    "a throttle in degrees": (
        odd(throttle='"b/Units.Plate"'),
        None,
        "engine_signals.throttle",
        'Plate in "deg", read as percent',
        "a signal in percent",
    ),
    "a pressure of a bar's size": (
        odd(map_kpa='"b/Units.Boost"'),
        None,
        "engine_signals.map_kpa",
        "Boost from 0 to 4, read as kPa",
        "100 from bar",
    ),
    "a pulse width of a microsecond's size": (
        odd(pulse_ms='"b/Units.Micro"'),
        None,
        "engine_signals.pulse_ms",
        "Micro from 0 to 20000, read as ms",
        "0.001 from microseconds",
    ),
    "kelvins without a unit": (
        odd(coolant_c='"b/Units.Absolute"'),
        None,
        "engine_signals.coolant_c",
        "Absolute from 200 to 450, read as degC",
        "offset = -273.15",
    ),
    "a cut that is a pulse width": (
        odd(fuel_cut='"b/Units.Open"'),
        None,
        "engine_signals.fuel_cut",
        'Open in "ms", read as yes or no',
        "equals",
    ),
    "a cut that is a share": (
        odd(spark_cut='"b/Units.Duty"'),
        None,
        "engine_signals.spark_cut",
        'Duty in "%", read as yes or no',
        "equals",
    ),
    "a cut in tenths": (
        odd(fuel_cut='"b/Units.Steps"'),
        None,
        "engine_signals.fuel_cut",
        "Steps in steps of 0.1 from 0, read as yes or no",
        "equals",
    ),
    "a cut below zero": (
        odd(fuel_cut='"b/Units.Lowered"'),
        None,
        "engine_signals.fuel_cut",
        "Lowered in steps of 1 from -40, read as yes or no",
        "equals",
    ),
    "a state below a signed signal's range": (
        odd(fuel_cut='{ signal = "b/Odd.Signed", equals = -129 }'),
        None,
        "engine_signals.fuel_cut",
        "-129, which Signed cannot be",
        "a value of 8 bits",
    ),
}


@pytest.mark.parametrize("plant", PLANTED.values(), ids=PLANTED)
def test_a_planted_mistake_is_named_once(write, plant) -> None:
    text, change, where, found, expected = plant
    [mistake] = find_mistakes(write(changed(text, change) if change else text))
    assert mistake.where == where
    assert found in mistake.found
    assert expected in mistake.expected
    assert mistake.line is not None


@pytest.mark.parametrize(
    "signals",
    [
        {"target": '{ signal = "b/Odd.Plain", unit = "afr" }'},
        {"target": '{ signal = "b/Odd.Afr", unit = "afr" }'},
        {"target": '{ signal = "b/Odd.Phi", unit = "phi" }'},
        {"target": '{ signal = "b/Odd.Plain", scale = 0.068 }'},
        {"throttle": '{ signal = "b/Odd.Share", scale = 100 }'},
        {"fuel_cut": '{ signal = "b/Odd.Mode", equals = [0, 7] }'},
        {"fuel_cut": '{ signal = "b/Odd.Signed", equals = [-128, 127] }'},
        {"rpm": '"b/Odd.Signed"'},
        {"rpm": '{ signal = "b/Units.Road", scale = 40 }'},
        {"pulse_ms": '"b/Units.Open"'},
        {"fuel_cut": '"b/Units.Cut"'},
        {"fuel_cut": '{ signal = "b/Units.Open", equals = 0 }'},
        {"throttle": '"b/Units.Duty"'},
        {"map_kpa": '{ signal = "b/Units.Boost", scale = 100 }'},
    ],
)
def test_what_can_be_is_no_mistake(write, signals: dict[str, str]) -> None:
    assert find_mistakes(write(odd(**signals))) == []


def test_mistakes_of_values_files_and_signals_are_told_together_in_file_order(write) -> None:
    text = changed(
        ALDER,
        ("strokes = 4", "strokes = 5"),
        ('database = "engine_bus.dbc"', 'database = "engine.dbc"'),
        ('"Mix{position:02d}_State.Supply"', '"Mix{position:02d}_State.Suply"'),
        ("step_percent = 0.5", "step_percent = 0"),
        ('name = "E10"', 'name = "E101"'),
    )
    path = write(text)
    assert [(m.where, m.line is not None) for m in find_mistakes(path)] == [
        ("engine.strokes", True),
        ("fuel.name", True),
        ("bus[2].database", True),
        ("chain.signals.supply", True),
        ("trims.step_percent", True),
    ]


def test_text_that_is_no_session_is_told_alone(write) -> None:
    assert [m.where for m in find_mistakes(write("engine = \n"))] == ["line 1, column 10"]


def test_a_node_that_cannot_be_read_does_not_shift_the_numbers_of_the_others(write) -> None:
    text = changed(FOREIGN, ("position = 2\n", 'position = "two"\n'), ("Mixture_6", "Mixture_7"))
    assert [m.where for m in find_mistakes(write(text))] == ["chain.node[2].position"]


def test_binding_and_loading_raise_what_verify_tells(write) -> None:
    session = load_session(write(changed(ALDER, ('database = "engine_bus.dbc"', 'database = "no.dbc"'))))
    with pytest.raises(SessionError, match=r"session\.toml: bus\[2\]\.database: no file \"no\.dbc\" in"):
        load_databases(session)
    session = load_session(write(changed(ALDER, ("Engine_Fast.Speed", "Engine_Fast.Sped"))))
    with pytest.raises(SessionError, match=r'engine_signals\.rpm: no signal "Sped"') as caught:
        bind(session, load_databases(session))
    assert caught.value.mistakes == [
        Mistake("engine_signals.rpm", 'no signal "Sped" in Engine_Fast', "Speed")
    ]


def test_signals_without_definitions_are_left_out(write) -> None:
    session = load_session(write(ALDER))
    databases = {"chain": load_databases(session)["chain"]}
    binding, mistakes = read_binding(session, databases)
    assert mistakes == []
    assert (binding.engine, binding.plans[1]) == ({}, ())


class TestGaps:
    def test_lambda_alone_is_enough_and_the_rest_is_told(self, write) -> None:
        binding = bound(write(odd().replace("[fuel]\nstoich_afr = 14.7\n", "")))
        assert binding.missing == (
            "chain.signals.oxygen", "chain.signals.ready", "chain.signals.supply", "chain.signals.heater",
            "chain.signals.resets", "engine_signals.rpm", "engine_signals.throttle", "engine_signals.map_kpa",
            "engine_signals.target", "engine_signals.pulse_ms", "engine_signals.coolant_c",
            "engine_signals.fuel_cut", "engine_signals.spark_cut", "engine_signals.closed_loop",
            "engine_signals.intake_c", "engine_signals.oil_c", "engine_signals.baro_kpa",
            "engine_signals.fuel_pressure_kpa", "engine_signals.battery_v",
        )  # fmt: skip
        assert note(Gap.NO_TARGET) in binding.gaps
        assert note(Gap.NO_SIGNAL, signal="rpm") in binding.gaps
        assert note(Gap.NO_LOAD_SIGNAL, signal="throttle") in binding.gaps
        assert note(Gap.NO_FUEL) in binding.gaps
        assert (binding.fuel.name, binding.stoich_afr) == ("gasoline", None)

    def test_targets_need_something_to_be_looked_up_by(self, write) -> None:
        text = changed(
            ALDER,
            ('target = { signal = "engine/Engine_Fuel.Target", unit = "lambda" }', ""),
            ('throttle = "engine/Engine_Fast.Throttle"', ""),
            ('load_signal = "throttle" ', 'load_signal = "map_kpa" '),
        )
        session, _ = read_session(write(text))
        assert session is not None
        binding, _ = read_binding(session, load_databases(session))
        assert not {gap.code for gap in binding.gaps} & {Gap.NO_TARGET, Gap.TARGETS_NOT_READABLE}
        without = replace(session, engine_signals={"rpm": session.engine_signals["rpm"]})
        binding, _ = read_binding(without, load_databases(session))
        assert note(Gap.TARGETS_NOT_READABLE, load_signal="map_kpa") in binding.gaps

    def test_no_axes_no_cells(self, write) -> None:
        text = ALDER[: ALDER.index("[axes]")] + ALDER[ALDER.index("[validity]") :]
        assert bound(write(text)).gaps == (note(Gap.NO_AXES),)


def test_channels_find_their_bus(write) -> None:
    channels = ("can1", "vcan0", "can0")
    assert bound(write(ALDER)).bus_of_channels(channels).tolist() == [1, 255, 0]
    anywhere = write(changed(ALDER, ('log_channel = "can0"', 'log_channel = "*"')))
    assert bound(anywhere).bus_of_channels(channels).tolist() == [1, 0, 0]
    assert bound(anywhere).bus_of_channels(()).dtype == np.uint8


texts = st.one_of(
    st.text(max_size=8),
    st.sampled_from(["Odd.Afr", "b/Odd.Afr", "b/Odd.Phi", "b/No.Phi", "odd.dbc", ".", "engine_bus.dbc"]),
    st.sampled_from(["M99", "E100", "E101", "hydrogen"]),
)


@settings(max_examples=60, deadline=None)
@given(st.dictionaries(st.sampled_from(["chain", "rpm", "target", "fuel_cut", "fuel", "database"]), texts))
def test_no_text_breaks_find_mistakes(tmp_path_factory, chosen: dict[str, str]) -> None:
    folder = tmp_path_factory.mktemp("any")
    (folder / "odd.dbc").write_text(ODD_DBC, encoding="utf-8")
    quoted = {k: '"' + "".join(f"\\U{ord(c):08x}" for c in v) + '"' for k, v in chosen.items()}
    if "chain" in quoted:
        quoted["chain"] = f"lambda = {quoted['chain']}"
    text = odd(**{k: v for k, v in quoted.items() if k not in {"fuel", "database"}})
    text = text.replace("stoich_afr = 14.7", "name = " + quoted.get("fuel", '"E5"'))
    path = folder / "any.toml"
    path.write_text(text.replace('"odd.dbc"', quoted.get("database", '"odd.dbc"')), encoding="utf-8")
    assert all(m.where and m.found and m.expected for m in find_mistakes(path))
