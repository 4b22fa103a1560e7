"""The log as bytes: the same for the same seed, well-formed for readers from outside, in order."""

import functools
from dataclasses import replace

import can
import cantools
import numpy as np
import pytest

from mixmon.errors import UsageError
from mixmon.frames.candump_write import write_candump
from mixmon.messages.chain import shipped_database
from mixmon.simulate.load import load_scenario
from mixmon.simulate.simulation import Simulation, simulate
from mixmon.simulate.world import World

SHORT = load_scenario("alder8-short")
PLAIN = load_scenario("plain")


def text(simulation):
    return b"".join(write_candump(block) for block in simulation)


def test_the_same_seed_gives_the_same_bytes_and_another_does_not():
    simulation = simulate(SHORT, seed=3, duration=6)
    first = text(simulation)
    assert text(simulation) == first
    assert text(simulate(load_scenario("alder8-short"), seed=3, duration=6)) == first
    assert text(simulate(SHORT, seed=4, duration=6)) != first


SHORTER = replace(SHORT, profile=(SHORT.profile[0], SHORT.profile[1], *SHORT.profile[6:]))


@functools.cache
def in_usual_pieces():
    return text(Simulation(World(SHORTER, 5)))


@pytest.mark.parametrize("stretch_s", [30.0, 2.3])
def test_the_pieces_in_which_it_is_played_do_not_show(stretch_s):
    """Across a pull, a burst, a drop-out of the supply and an overrun."""
    assert text(Simulation(World(SHORTER, 5), piece_s=stretch_s)) == in_usual_pieces()


@functools.cache
def sixteen():
    return list(simulate(load_scenario("sixteen"), seed=1, duration=40))


def test_stamps_rise_on_each_wire_by_at_least_a_frame():
    for block in sixteen():
        assert (np.diff(block.t) >= 0).all()
        for bus in (0, 1):
            gaps = np.diff(block.t[block.bus == bus])
            # the shortest frame here has 6 bytes: 95 bits at 2 us (ISO 11898-1, without stuffing)
            assert gaps.min() >= 95 * 2000 - 1000


def test_sixteen_nodes_load_the_wire_as_computed():
    # 38 to 43 % of 500 kbit/s for sixteen nodes with 8 bytes at 100 Hz (computed), less for six bytes;
    # the state and identity frames add 5 %
    frames = sixteen()[-1]
    on_chain = frames.bus == 0
    bits = 47 + 8 * frames.size[on_chain].astype(float)
    span_s = (frames.t[-1] - frames.t[0]) / 1e9
    assert 0.30 < bits.sum() / span_s / 500_000 < 0.43


def test_an_outside_reader_decodes_every_frame(tmp_path):
    """python-can reads the text, cantools the messages; counters and checksums are right."""
    path = tmp_path / "short.log"
    path.write_bytes(text(simulate(SHORT, seed=1, duration=8)))
    chain = cantools.database.load_file(shipped_database("mixture_chain.dbc"))
    engine = cantools.database.load_file(shipped_database("engine_bus.dbc"))
    counters, decoded, strangers = {}, {}, set()
    for message in can.LogReader(path):
        definitions = chain if message.channel == "can0" else engine
        if message.arbitration_id in (0x7DF, 0x7E8):
            strangers.add(message.arbitration_id)
            continue
        name = definitions.get_message_by_frame_id(message.arbitration_id).name
        values = definitions.decode_message(name, message.data, decode_choices=False)
        decoded.setdefault(name, []).append(values)
        if "Counter" in values:
            assert values["Counter"] == (counters.get(name, -1) + 1) % 16
            assert values["Checksum"] == crc8_j1850(message.data[:-1])
            counters[name] = values["Counter"]
    assert strangers == {0x7DF, 0x7E8}
    assert len(decoded) == 8 * 4 + 3
    assert len(decoded["Mix01_Fast"]) == pytest.approx(800, abs=2)
    assert decoded["Mix05_Identity"][-1]["SerialNumber"] == 88
    assert decoded["Engine_Fast"][-1]["Speed"] == pytest.approx(1100, abs=20)


def crc8_j1850(data):
    """Bit by bit: polynomial 1D, start and final XOR FF (SAE J1850; check value 4B for 123456789)."""
    register = 0xFF
    for byte in data:
        register ^= byte
        for _ in range(8):
            register = (register << 1 ^ (0x1D if register & 0x80 else 0)) & 0xFF
    return register ^ 0xFF


def test_the_outside_checksum_is_the_standard_one():
    assert crc8_j1850(b"123456789") == 0x4B


def test_a_longer_run_repeats_the_profile():
    simulation = simulate(PLAIN, seed=1, duration=200)
    assert simulation.duration_s == 200
    assert len([w for w in simulation.world.timeline.windows if w.name == "idle"]) == 3
    assert simulate(SHORT, seed=1, duration=200).duration_s == 90


def test_the_slow_copy_of_the_speed_is_late():
    """In the sweep the answers of the scan tool lag some hundredths of a second behind the crank."""
    late = []
    world = World(SHORT, 1)
    for block in simulate(SHORT, seed=1):
        rows = np.flatnonzero(block.can_id == 0x7E8)
        t = (block.t[rows] - 1_700_000_000 * 10**9) / 1e9
        rpm = (block.data[rows, 3].astype(int) * 256 + block.data[rows, 4]) / 4
        in_sweep = (t > 65) & (t < 71)
        late += list((world.timeline.crank.rpm(t) - rpm)[in_sweep] / 645.24)
    assert len(late) == pytest.approx(30, abs=1)
    assert 0.02 < min(late) < max(late) < 0.12


@pytest.mark.parametrize(
    "wrong",
    [
        {"seed": -1},
        {"seed": 1, "duration": 0},
        {"seed": 1, "trims": (1.0,)},
        {"seed": 1, "trims": (np.nan,) * 8},
    ],
)
def test_what_cannot_be_played_is_said(wrong):
    with pytest.raises(UsageError, match="expected"):
        simulate(SHORT, **wrong)
