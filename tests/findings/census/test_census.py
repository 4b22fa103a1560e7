"""The census on chains with planted faults, spoken in the project's own messages."""

import numpy as np
import pytest
from laws import everything, same_for_all_splits

from mixmon.findings.census.census import Census
from mixmon.findings.census.nodes import from_binding, from_own_layer
from mixmon.findings.census.records import CensusNote
from mixmon.findings.wiring import Fault, WiringNote
from mixmon.frames.block import FrameBlock, FrameFlag, concat
from mixmon.frames.candump import CandumpReader
from mixmon.messages.bind import bind, load_databases
from mixmon.messages.chain import engine_messages, node_messages
from mixmon.messages.encode import Encoder
from mixmon.note import note
from mixmon.session.load import load_session

S = 1_000_000_000
T0 = 1_700_000_000 * S
CHANNELS = ("can0", "can1")


@pytest.fixture(scope="module")
def expected():
    session = load_session("examples/alder8.toml")
    return from_binding(bind(session, load_databases(session)))


def sent(plan, seconds, columns=None, *, begin=0.0, phase=0.0, bus=0, counter=0, raw=None):
    t = T0 + np.arange(round((begin + phase) * S), round(seconds * S), plan.cycle_ns)
    given = {name: np.broadcast_to(value, len(t)) for name, value in (columns or {}).items()}
    codes = {
        name: np.broadcast_to(np.asarray(value, np.int64), len(t)) for name, value in (raw or {}).items()
    }
    return Encoder(plan, counter).encode(t, given, bus, CHANNELS, codes)


def node(position, seconds=10.0, *, lam=0.98, state=3, resets=0, begin=0.0, phase=None, counter=0):
    """One controller: its three messages, from `begin` on."""
    fast, slow, identity = node_messages(position)
    phase = position * 0.0005 if phase is None else phase
    return concat(
        [
            sent(
                fast,
                seconds,
                {"Lambda": lam},
                begin=begin,
                phase=phase,
                counter=counter,
                raw={"State": state},
            ),
            sent(slow, seconds, {"Supply": 13.5}, begin=begin, phase=phase, raw={"ResetCount": resets}),
            sent(identity, seconds, begin=begin, phase=phase),
        ]
    )


def engine(seconds=10.0):
    return concat([sent(plan, seconds, bus=1) for plan in engine_messages()])


def in_time(*blocks):
    joined = concat(blocks)
    return joined.take(np.argsort(joined.t, kind="stable"))


def census(expected, *blocks):
    taken = Census(expected)
    taken.feed(in_time(*blocks))
    return taken.result()


ALL = tuple(range(1, 9))


def without(*positions, seconds=10.0):
    return [node(p, seconds) for p in ALL if p not in positions]


def test_a_chain_that_is_well(expected):
    report = census(expected, *without(), engine())
    assert [n.position for n in report.nodes] == list(ALL)
    for n in report.nodes:
        assert n.ids == (0x2A0 + n.position - 1, 0x4A0 + n.position - 1, 0x6A0 + n.position - 1)
        assert n.rhythm.rate_hz == pytest.approx(100.0, rel=1e-9)
        assert n.rhythm.gap_max_s == pytest.approx(0.010, abs=0.006)
        assert (n.share_ready, n.resets, n.checksum_errors, n.counter_jumps) == (1.0, 0, 0, 0)
    assert (
        report.silent == report.unknown_ids == report.duplicates == report.diagnoses == report.missing == ()
    )
    assert [b.name for b in report.buses] == ["chain", "engine"]


def test_it_is_complete_within_five_seconds(expected):
    report = census(expected, *without(seconds=5.0), engine(5.0))
    assert all(len(n.ids) == 3 for n in report.nodes)


@pytest.mark.parametrize(
    ("silent", "fault"),
    [
        pytest.param((7, 8), Fault.TAIL, id="a break"),
        pytest.param((3,), Fault.SINGLE, id="one node"),
        pytest.param(ALL, Fault.ALL, id="the trunk"),
    ],
)
def test_silent_nodes_are_named_with_the_pattern_they_make(expected, silent, fault):
    report = census(expected, *without(*silent), engine())
    assert tuple(n.position for n in report.silent) == silent
    assert [(d.fault, d.positions, d.since_s) for d in report.diagnoses] == [(fault, silent, None)]
    assert all(np.isnan(n.rhythm.rate_hz) and n.ids == () for n in report.silent)


def test_a_node_that_falls_silent_is_silent_since_then(expected):
    report = census(expected, *without(5, seconds=60.0), node(5, 20.0), engine(60.0))
    (silent,) = report.silent
    assert silent.since_s == pytest.approx(20.0, abs=0.02)
    assert silent.rhythm.gap_max_s == pytest.approx(40.0, abs=0.03)
    (found,) = report.diagnoses
    assert (found.fault, found.since_s) == (Fault.SINGLE, silent.since_s)


def test_a_duplicate_is_found_within_ten_seconds_and_explains_the_missing_node(expected):
    duplicate = node(4, lam=0.90, phase=0.0037, counter=9)
    report = census(expected, *without(5), duplicate, engine())
    (found,) = report.duplicates
    assert (found.position, found.can_id, found.channel) == (4, 0x2A3, "can0")
    assert found.rate_hz == pytest.approx(200.0, rel=0.01)
    assert found.since_s < 0.2
    assert report.diagnoses[0].lead == note(WiringNote.DUPLICATE_MAY_BE_NODE, node=5, other=4)


def test_a_duplicate_fitted_late_is_dated(expected):
    report = census(
        expected, *without(seconds=60.0), node(4, 60.0, lam=0.9, phase=0.0037, begin=50.0), engine(60.0)
    )
    (found,) = report.duplicates
    assert found.since_s == pytest.approx(50.0, abs=0.2)


def test_a_place_that_the_session_does_not_use_is_unknown_and_named_by_its_place(expected):
    report = census(expected, *without(5), node(12), engine())
    assert {(i.node, i.message) for i in report.unknown_ids} == {
        (12, "Mix12_Fast"),
        (12, "Mix12_State"),
        (12, "Mix12_Identity"),
    }
    assert report.diagnoses[0].lead == note(WiringNote.UNUSED_PLACE_MAY_BE_NODE, node=5, other=12)


def test_an_identifier_without_a_definition_is_unknown(expected):
    (odd,) = [
        b
        for b in [CandumpReader().feed(b"(1700000001.0) can0 777#01\n(1700000002.0) can0 777#01\n")]
        if len(b)
    ]
    report = census(expected, *without(), engine(), FrameBlock(*_columns(odd), CHANNELS))
    assert [(i.beat.channel, i.beat.can_id, i.message) for i in report.unknown_ids] == [("can0", 0x777, None)]


def _columns(block):
    return block.t, block.can_id, block.bus, block.size, block.dlc, block.flags, block.data


def test_resets_are_counted_over_the_turn_of_the_count(expected):
    slow = node_messages(2)[1]
    counts = [248] * 30 + [249] * 30 + [0] * 20 + [1] * 20
    block = sent(slow, 10.0, {"Supply": 13.5}, raw={"ResetCount": counts})
    report = census(expected, *without(2), sent(node_messages(2)[0], 10.0, {"Lambda": 1.0}), block, engine())
    assert {n.position: n.resets for n in report.nodes} == {p: 3 if p == 2 else 0 for p in ALL}


def test_a_count_that_starts_over_is_one_reset(expected):
    block = sent(node_messages(2)[1], 10.0, {"Supply": 13.5}, raw={"ResetCount": [7] * 50 + [0] * 50})
    report = census(expected, *without(2), block, engine())
    assert report.nodes[1].resets == 1


def test_wrong_checksums_and_jumps_are_counted(expected):
    block = node(6)
    fast = np.flatnonzero(block.can_id == 0x2A5)
    data = block.data.copy()
    data[fast[[100, 200, 300]], 0] ^= 0x40
    keep = np.ones(len(block), bool)
    keep[fast[[500, 501, 700]]] = False
    hurt = FrameBlock(block.t, block.can_id, block.bus, block.size, block.dlc, block.flags, data, CHANNELS)
    report = census(expected, *without(6), hurt.take(keep), engine())
    found = report.nodes[5]
    assert (found.checksum_errors, found.counter_jumps, found.lost) == (3, 2, 3)


def test_the_share_of_ready_frames(expected):
    state = np.r_[np.full(250, 1), np.full(250, 2), np.full(500, 3)]
    fast = node_messages(1)[0]
    block = sent(fast, 10.0, {"Lambda": 1.0}, raw={"State": state})
    report = census(expected, *without(1), block, engine())
    assert report.nodes[0].share_ready == 0.5


def test_a_bus_without_a_frame_and_signals_that_never_came(expected):
    report = census(expected, *without())
    assert [(b.name, b.channel) for b in report.buses if not b.frames] == [("engine", "can1")]
    assert {u.message for u in report.missing} == {"Engine_Fast", "Engine_Fuel", "Engine_Slow"}


def test_sixteen_nodes_fill_a_third_of_half_a_megabit(expected):
    # 16 nodes x 100 Hz of 8-byte 11-bit frames: 36.5 % on average at 500 kbit/s, 43.2 % at worst
    # (computed from Davis, Burns, Bril and Lukkien 2007)
    chance = np.random.default_rng(2)
    blocks = []
    for k in range(16):
        t = T0 + np.arange(0, 10 * S, S // 100) + k * 100_000
        n = len(t)
        full = np.full(n, 8, np.uint8)
        blocks.append(
            FrameBlock(
                t,
                np.full(n, 0x2A0 + k, np.uint32),
                np.zeros(n, np.uint8),
                full,
                full,
                np.zeros(n, np.uint8),
                chance.integers(0, 256, (n, 8)).astype(np.uint8),
                CHANNELS,
            )
        )
    bus = census(from_own_layer(500_000), *blocks).buses[0]
    assert bus.load_percent == pytest.approx(36.5, abs=0.3)
    assert bus.load_percent < bus.load_peak_percent < 43.2


def test_error_frames_are_counted_by_class(expected):
    block = without()[0]
    flags, can_id = block.flags.copy(), block.can_id.copy()
    flags[:5], can_id[:5] = int(FrameFlag.ERROR), 0x20000020
    hurt = FrameBlock(block.t, can_id, block.bus, block.size, block.dlc, flags, block.data, CHANNELS)
    bus = census(expected, hurt).buses[0]
    assert (bus.error_frames, bus.error_classes) == (5, {"no acknowledgement": 5})


def test_without_a_session_our_nodes_are_found_wherever_they_are():
    report = census(from_own_layer(), *(node(p) for p in (2, 3, 11)), engine())
    assert not report.declared
    assert [n.position for n in report.nodes] == [2, 3, 11]
    assert report.silent == report.unknown_ids == ()
    assert all(np.isnan(b.load_percent) for b in report.buses)


def test_without_a_session_frames_that_only_share_an_identifier_are_no_node():
    chance = np.random.default_rng(3)
    block = node(2)
    noise = chance.integers(0, 256, block.data.shape).astype(np.uint8)
    other = FrameBlock(block.t, block.can_id, block.bus, block.size, block.dlc, block.flags, noise, CHANNELS)
    assert census(from_own_layer(), other).nodes == ()


def test_a_multiplexed_chain_is_followed_probe_by_probe():
    session = load_session("examples/foreign.toml")
    foreign = from_binding(bind(session, load_databases(session)))
    left = next(plan for plan in foreign.buses[0].messages if plan.name == "Probes_Left")
    t = T0 + np.arange(0, 10 * S, left.cycle_ns)
    probe = 1 + np.arange(len(t)) % 3
    probe[probe == 3] = np.where(np.arange(len(t))[probe == 3] < 1000, 3, 1)  # probe 3 stops after 5 s
    columns = {f"Mixture_{k}": np.full(len(t), 1000.0) for k in (1, 2, 3)}
    block = Encoder(left).encode(t, columns, 0, ("can0",), {"Probe": probe})
    report = census(foreign, block)
    assert [n.position for n in report.nodes if n.samples] == [1, 2, 3]
    assert report.nodes[1].rhythm.rate_hz == pytest.approx(1e9 / (3 * left.cycle_ns), rel=1e-3)
    assert report.nodes[2].since_s == pytest.approx(5.0, abs=0.05)


def test_two_controllers_of_a_multiplexed_chain_are_duplicates_probe_by_probe():
    session = load_session("examples/foreign.toml")
    foreign = from_binding(bind(session, load_databases(session)))
    left = next(plan for plan in foreign.buses[0].messages if plan.name == "Probes_Left")

    def controller(delay_ns, permille):
        t = T0 + delay_ns + np.arange(0, 5 * S, left.cycle_ns)
        columns = {f"Mixture_{k}": np.full(len(t), permille) for k in (1, 2, 3)}
        return Encoder(left).encode(t, columns, 0, ("can0",), {"Probe": 1 + np.arange(len(t)) % 3})

    report = census(foreign, controller(0, 980.0), controller(1_700_000, 1100.0))
    assert [t.position for t in report.duplicates] == [1, 2, 3]


def later(block, seconds):
    t = block.t + seconds * S
    return FrameBlock(t, block.can_id, block.bus, block.size, block.dlc, block.flags, block.data, CHANNELS)


def test_what_lies_before_and_after_a_jump_of_time_is_one_census_without_a_gap(expected):
    block = in_time(*without(seconds=3.0))
    taken = Census(expected)
    taken.feed(concat([block, later(block, 1000)]))
    report = taken.result()
    assert (report.breaks, report.duration_s) == (1, pytest.approx(6.0, abs=0.03))
    assert all(n.rhythm.gap_max_s < 0.012 for n in report.nodes)
    assert all(n.rhythm.rate_hz == pytest.approx(100.0, rel=1e-9) for n in report.nodes)


def test_cuts_do_not_matter(expected):
    duplicate = node(5, 2.0, lam=0.9, phase=0.0031)
    block = in_time(*without(3, seconds=2.0), node(3, 2.0, resets=np.arange(20) // 2), duplicate)
    block = concat([block, later(block, 100)])

    def played(pieces):
        taken = Census(expected)
        for piece in pieces:
            taken.feed(block.take(piece))
        return everything(taken.result())

    assert "breaks=1" in same_for_all_splits(len(block), played, most=100)


def test_an_empty_census(expected):
    report = Census(expected).result()
    assert (report.frames, report.duration_s) == (0, 0.0)
    assert len(report.silent) == 8
    assert [(b.name, b.channel, b.frames) for b in report.buses] == [("chain", None, 0), ("engine", None, 0)]


def test_a_node_without_anybody_to_acknowledge_it_fills_the_bus():
    # 8 bytes at 500 kbit/s take about 0.2 ms: one identifier every 0.24 ms is a repeated frame
    t = np.arange(4000) * 240_000
    frames = Encoder(node_messages(1)[0]).encode(t, {"Lambda": np.full(len(t), 0.9)}, 0, ("can0",))
    alone = census(from_own_layer(500_000), frames)
    assert alone.buses[0].load_percent > 80
    assert alone.buses[0].notes == (note(CensusNote.ONE_ID_FILLS_BUS),)
    two = Encoder(node_messages(2)[0]).encode(t[:1], {"Lambda": np.full(1, 0.9)}, 0, ("can0",))
    assert census(from_own_layer(500_000), in_time(frames, two)).buses[0].notes == ()


def test_a_node_off_its_rate_and_its_longest_gap_are_noted(expected):
    fast = node_messages(3)[0]
    half = sent(fast, 10.0, {"Lambda": 0.9})
    half = half.take(np.arange(0, len(half), 2))
    notes = census(expected, *without(3), half, engine()).nodes[2].notes
    assert [n.code for n in notes] == [CensusNote.RATE_OFF]
    assert dict(notes[0].values) == {"rate_hz": pytest.approx(50.0), "expected_hz": 100.0}
    whole = sent(fast, 10.0, {"Lambda": 0.9})
    broken = whole.take(np.r_[0:400, 411:1000])
    notes = census(expected, *without(3), broken, engine()).nodes[2].notes
    assert notes[-1] == note(CensusNote.LONG_GAP, gap_max_s=0.12)
