"""A session file arrives whole in the model, what may be left out has its default, no file says so."""

from __future__ import annotations

from pathlib import Path

import pytest

from mixmon.errors import Mistake, SourceError
from mixmon.session.load import load_session, read_session
from mixmon.session.model import LowFlowMask, Node, Overrun, SignalChoice, Staging

FULL = (Path(__file__).parent / "full.toml").read_text(encoding="utf-8")
LEAST = "[engine]\ncylinders = 3\n[chain]\n"


@pytest.fixture
def write(tmp_path: Path):
    def written(text: str) -> Path:
        path = tmp_path / "session.toml"
        path.write_text(text, encoding="utf-8")
        return path

    return written


class TestAWholeFile:
    def test_every_value_arrives(self, write) -> None:
        session = load_session(write(FULL))
        engine = session.engine
        assert (engine.cylinders, engine.displacement_l, engine.strokes) == (8, 3.99, 4)
        assert engine.firing_order == (1, 5, 3, 7, 4, 8, 2, 6)
        assert engine.firing_angles_deg == (0, 90, 180, 270, 360, 450, 540, 630)
        assert (engine.aspiration, engine.throttles) == ("natural", "one per cylinder")
        assert session.injection.staging == Staging(5000, 60)
        assert engine.target_offset_percent == (0, 2, 2, 0, 0, 2, 2, 0)
        assert engine.charge_share == (13, 12, 12.5, 12.5, 12.5, 12.5, 12.5, 12.5)
        assert engine.banks == {"A": (1, 2, 3, 4), "B": (5, 6, 7, 8)}
        assert (session.injection.timing, session.injection.dead_time_ms) == ("sequential", 0.95)
        assert session.injection.fuel_rails == ((1, 2, 3, 4), (5, 6, 7, 8))
        assert engine.shared_ports == ((1, 2), (3, 4), (5, 6), (7, 8))
        assert session.exhaust.sensor_distance_mm == (320,) * 8
        assert (session.exhaust.primary_bore_mm, session.exhaust.sensor_angle_deg) == (44, 35)
        assert (session.exhaust.before_turbine, session.exhaust.after_merge) == (False, False)
        assert session.fuel is not None
        assert (session.fuel.name, session.fuel.leaded) == ("E10", False)
        assert session.axes.rpm == (1100, 2000, 3000, 4000, 5000, 6000, 7000, 7800)
        assert (session.axes.load_signal, session.axes.load) == ("throttle", (3, 10, 18, 35, 60, 100))
        assert session.targets is not None
        assert (session.targets.lam[0][0], session.targets.lam[5][7], len(session.targets.lam)) == (
            0.92,
            0.86,
            6,
        )
        assert (session.name, session.path) == ("Alder 8 before", write(FULL))

    def test_buses_chain_and_signals_arrive(self, write) -> None:
        session = load_session(write(FULL))
        chain = session.bus("chain")
        assert (chain.log_channel, chain.interface, chain.channel) == ("can0", "socketcan", "can0")
        assert (chain.bitrate, chain.role, chain.database) == (500_000, "acknowledge", "mixture_chain.dbc")
        assert session.bus("engine").role == "listen"
        assert session.chain.bus == "chain"
        assert session.chain.nodes[4] == Node(5, (5,), "S-088")
        assert session.chain.signals["lambda"] == SignalChoice(
            "chain", "Mix{position:02d}_Fast", "Lambda", unit="lambda"
        )
        assert session.chain.signals["lambda"].at(7).message == "Mix07_Fast"
        assert session.chain.signals["ready"].equals == (3,)
        assert session.chain.signals["oxygen"].unit == "percent"
        assert session.engine_signals["target"] == SignalChoice(
            "engine", "Engine_Fuel", "Target", unit="lambda"
        )
        assert list(session.engine_signals) == [
            "rpm", "throttle", "map_kpa", "target", "pulse_ms", "coolant_c", "fuel_cut", "spark_cut",
        ]  # fmt: skip

    def test_validity_trims_limits_and_recording_arrive(self, write) -> None:
        session = load_session(write(FULL))
        v = session.validity
        assert (v.stale_s, v.settle_s, v.rich_limit, v.lean_limit) == (0.25, 3.0, 0.68, 1.60)
        assert (v.rpm_band, v.load_band, v.warm_coolant_c) == (60, 2.0, 70)
        assert (v.low_flow_mask, v.overrun) == (LowFlowMask(1400, 5), Overrun(3, 1600))
        assert session.trims.now_percent == (0, -1.5, 6, -1, 0.5, -1, 0, -2.5)
        assert (session.trims.lowest_percent, session.trims.highest_percent) == (-10, 10)
        assert (session.trims.step_percent, session.trims.ask_above_percent) == (0.5, 5)
        assert session.trims.load_from == 90
        assert session.trims.join_by_target
        lean, silent = session.limits.alarms
        assert session.limits.source == "builder's sheet 14"
        assert (lean.name, lean.priority, lean.kind, lean.limit) == (
            "lean under load",
            1,
            "over_target",
            0.040,
        )
        assert (lean.on_delay_s, lean.off_delay_s, lean.dead_band, lean.latching) == (0.2, 0.5, 0.015, False)
        assert (lean.when, lean.suppress_when) == ("throttle > 60 and rpm > 2500", "fuel_cut or spark_cut")
        assert lean.cause == "weak injector, fuel supply, air leak"
        assert lean.consequence == "knock, piston damage"
        assert lean.response.startswith("end the pull")
        assert (silent.kind, silent.limit) == ("age_s", 0.25)
        assert (session.recording.folder, session.recording.pre_trigger_s) == ("runs", 10)

    def test_a_byte_order_mark_and_windows_line_ends_are_no_mistake(self, tmp_path: Path) -> None:
        path = tmp_path / "windows.toml"
        path.write_bytes(b"\xef\xbb\xbf" + FULL.replace("\n", "\r\n").encode())
        assert load_session(path).engine.cylinders == 8


class TestWhatMayBeLeftOut:
    def test_cylinders_and_chain_are_enough(self, write) -> None:
        session = load_session(write(LEAST))
        assert session.chain.nodes == (Node(1, (1,)), Node(2, (2,)), Node(3, (3,)))
        assert [(b.name, b.log_channel, b.database, b.role) for b in session.buses] == [
            ("chain", "*", "mixture_chain.dbc", "listen")
        ]
        assert session.chain.signals["lambda"].at(2) == SignalChoice(
            "chain", "Mix02_Fast", "Lambda", unit="lambda"
        )

    def test_the_default_bus_takes_the_name_that_the_chain_gives(self, write) -> None:
        session = load_session(write(LEAST + 'bus = "sensors"\n'))
        assert (session.chain.bus, session.buses[0].name) == ("sensors", "sensors")

    def test_one_declared_bus_is_the_chains_and_needs_no_database(self, write) -> None:
        session = load_session(write(LEAST + '[[bus]]\nname = "only"\n'))
        assert (session.chain.bus, session.buses[0].database) == ("only", "mixture_chain.dbc")

    def test_a_shared_sensor_sees_two_cylinders(self, write) -> None:
        nodes = (
            "[[chain.node]]\nposition = 1\ncylinder = [1, 3]\n[[chain.node]]\nposition = 4\ncylinder = 2\n"
        )
        assert load_session(write(LEAST + nodes)).chain.nodes == (Node(1, (1, 3)), Node(4, (2,)))

    def test_a_cylinder_may_be_said_to_have_no_sensor(self, write) -> None:
        session = load_session(write(LEAST + "without_sensor = [2]\n"))
        assert session.chain.nodes == (Node(1, (1,)), Node(3, (3,)))

    def test_a_node_may_have_signals_of_its_own(self, write) -> None:
        own = "".join(
            f'[[chain.node]]\nposition = {c}\ncylinder = {c}\nsignals = {{ lambda = "All.Probe{c}" }}\n'
            for c in (1, 2, 3)
        )
        bus = '[[bus]]\nname = "only"\ndatabase = "my.dbc"\n'
        session = load_session(write(LEAST + own + bus))
        assert session.chain.nodes[1].signals == {
            "lambda": SignalChoice("only", "All", "Probe2", unit="lambda")
        }
        assert session.chain.signals == {}

    @pytest.mark.parametrize(
        ("written", "value"),
        [
            ("parts = { gasoline = 0.90, ethanol = 0.1005 }", ("parts", "ethanol", 0.1005 / 1.0005)),
            ("atoms = { c = 8, h = 18 }", ("atoms", "h", 18)),
        ],
    )
    def test_fuels_given_by_parts_or_atoms(self, write, written: str, value: tuple[str, str, float]) -> None:
        fuel = load_session(write(LEAST + f"[fuel]\n{written}\n")).fuel
        assert getattr(fuel, value[0])[value[1]] == pytest.approx(value[2], rel=1e-15)

    def test_signal_tables_hold_scale_offset_and_unit(self, write) -> None:
        coolant = '{ signal = "engine/A.B", scale = 0.5556, offset = -17.78 }'
        text = FULL.replace('"engine/Engine_Slow.Coolant"', coolant).replace(
            'unit = "lambda"', 'unit = "afr"'
        )
        session = load_session(write(text))
        assert session.engine_signals["coolant_c"] == SignalChoice(
            "engine", "A", "B", scale=0.5556, offset=-17.78, unit="degC"
        )
        assert session.engine_signals["target"].unit == "afr"


class TestFilesThatCannotBeRead:
    def test_a_missing_file(self, tmp_path: Path) -> None:
        with pytest.raises(
            SourceError, match=r"none\.toml: No such file or directory; expected a session file"
        ):
            load_session(tmp_path / "none.toml")

    def test_a_folder(self, tmp_path: Path) -> None:
        with pytest.raises(SourceError, match="Is a directory"):
            load_session(tmp_path)

    def test_a_path_that_cannot_be(self) -> None:
        with pytest.raises(SourceError, match="null"):
            load_session("a\0b")

    def test_bytes_that_are_no_text(self, tmp_path: Path) -> None:
        path = tmp_path / "log.toml"
        path.write_bytes(b"name = \xff\xfe")
        with pytest.raises(SourceError, match="byte 8 is not text; expected a session file, TOML in UTF-8"):
            load_session(path)

    @pytest.mark.parametrize(
        ("text", "where", "found"),
        [
            ("format = 1\ncylinders 8\n", "line 2, column 11", "expected '=' after a key"),
            ("format = 1\ncylinders 8\n", "line 2, column 11", 'in "cylinders 8"'),
            ('name = "a\n', "line 1, column 10", 'in "name = "a"'),
            ("a = [1,\n2", "line 2", "nclosed array"),
            ("[engine]\n[engine]\n", "line 2, column 8", "cannot declare"),
            ("a = " + "[" * 5000, "the file", "nested"),
            ("a = " + "1" * 5000, "the file", "4300 digits"),
        ],
    )
    def test_text_that_is_no_toml(self, write, text: str, where: str, found: str) -> None:
        session, [mistake] = read_session(write(text))
        assert session is None
        assert mistake.where == where
        assert found in mistake.found

    def test_an_empty_file_lacks_engine_and_chain(self, write) -> None:
        assert read_session(write(""))[1] == [
            Mistake("engine", "missing", "a table [engine] with at least cylinders"),
            Mistake("chain", "missing", "a table [chain]"),
        ]
