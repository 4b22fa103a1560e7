"""Why a bus is not heard: said in full, whoever listens, with what to try."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import can
import pytest
from command_line import run_command
from live_rig import EXAMPLE, close_all, until, virtual_worker
from slcan_emulator import SlcanEmulator

from mixmon.cli.main import BAD_INPUT
from mixmon.live.worker import Worker

NAMES = ("troubled-chain", "troubled-engine")


@pytest.fixture(autouse=True)
def closed() -> Iterator[None]:
    yield
    close_all()


@pytest.fixture
def ends() -> Iterator[list[can.BusABC]]:
    """The far ends of both buses."""
    buses = [can.Bus(interface="virtual", channel=name, ignore_config=True) for name in NAMES]
    yield buses
    for bus in buses:
        bus.shutdown()


def error() -> can.Message:
    """A bus error as Linux words it: class 0x80 (linux/can/error.h)."""
    return can.Message(is_error_frame=True, arbitration_id=0x80, dlc=8, data=bytes(8))


def stranger(number: int) -> can.Message:
    return can.Message(arbitration_id=number, is_extended_id=False, data=b"\1\2")


def alarm_names(worker: Worker) -> list[str]:
    return [alarm.name for alarm in worker.snapshot.alarms.alarms]


def test_both_buses_are_judged_while_they_are_watched(ends: list[can.BusABC]) -> None:
    worker = virtual_worker(EXAMPLE, NAMES)
    worker.start()
    for n in range(5):
        ends[0].send(error())
        ends[1].send(stranger(0x123 + n % 2))
    until(lambda: len(worker.troubles) == len(NAMES), "troubles")
    chain, engine = worker.troubles
    assert chain.startswith("chain: 5 error frames and no data; expected frames; most likely the bit rate is")
    assert "(set to 500000): try --bitrate 125000, 250000, 1000000" in chain
    assert engine.startswith(
        "engine: 5 frames, none of the session's; found 123, 124; expected 1B3, 1B5, 3B9"
    )
    until(lambda: {chain, engine} <= {text for _, text in worker.snapshot.remarks}, "remarks")
    assert [bus.state for bus in worker.snapshot.buses] == ["errors, no data", "none of the session's frames"]
    until(lambda: "no data: errors, no data" in alarm_names(worker), "the alarm with its cause")
    (alarm,) = worker.snapshot.alarms.alarms
    assert alarm.rule.priority == 1
    assert "bit rate" in alarm.rule.response
    told = [(event.rule, event.reason, event.announced) for event in worker.snapshot.alarm_events]
    assert ("no data from the engine", "none of the session's frames", False) in told
    ends[1].send(can.Message(arbitration_id=0x1B3, is_extended_id=False, data=bytes(8)))
    until(lambda: worker.troubles == (chain,), "the end of one trouble")
    worker.close()


def test_a_bus_whose_controller_is_off_is_not_called_silent(ends: list[can.BusABC]) -> None:
    """Bus off: class 0x40 (linux/can/error.h)."""
    worker = virtual_worker(EXAMPLE, NAMES)
    worker.start()
    ends[0].send(can.Message(arbitration_id=0x2A0, is_extended_id=False, data=bytes(8)))
    ends[0].send(can.Message(is_error_frame=True, arbitration_id=0x40, dlc=8, data=bytes(8)))
    until(lambda: any("chain: no frames for" in text for _, text in worker.snapshot.remarks), "the silence")
    chain = worker.snapshot.buses[0]
    assert (chain.state, chain.lost) == ("bus off", None)
    assert alarm_names(worker) == ["no data: adapter is bus off"]
    assert any("controller is bus off: it hears nothing" in text for _, text in worker.snapshot.remarks)


def test_a_short_watch_is_judged_at_its_end(ends: list[can.BusABC]) -> None:
    worker = virtual_worker(EXAMPLE, NAMES)
    worker.start()
    assert worker.troubles == ()
    worker.close()
    chain, engine = worker.troubles
    assert chain.startswith("chain: no frame in 0")
    assert "expected 2A0, 2A1" in chain
    assert "check supply, wires, bit rate and channel" in engine


def test_exchanged_channels_are_told(ends: list[can.BusABC]) -> None:
    worker = virtual_worker(EXAMPLE, NAMES)
    worker.start()
    ends[0].send(stranger(0x1B3))
    ends[1].send(stranger(0x2A0))
    until(lambda: worker.snapshot.frames == 2, "both frames")
    worker.close()
    chain, engine = worker.troubles
    assert chain.endswith(
        "expected 2A0, 2A1, 2A2, 2A3, 2A4, 2A5 and 42 more; "
        "they are those of bus engine: exchange the channels"
    )
    assert engine.endswith("they are those of bus chain: exchange the channels")


def census(*arguments: str) -> tuple[int, dict[str, object], str]:
    status, out, err = run_command("census", "--json", *arguments)
    return status, json.loads(out), err


def test_a_census_of_a_silent_bus_is_bad_input_and_says_what_to_check(ends: list[can.BusABC]) -> None:
    status, found, err = census("-i", "virtual", "-c", NAMES[0], "--for", "0.2")
    assert status == BAD_INPUT
    (told,) = found["troubles"]  # type: ignore[misc]
    assert told.startswith(f"{NAMES[0]}: no frame in 0.")
    assert told in err


def test_an_adapter_that_sees_errors_and_no_frame_hints_at_the_bit_rate(tmp_path: Path) -> None:
    emulator = SlcanEmulator(tmp_path / "port")
    emulator.status = 0x80
    emulator.plug()
    try:
        status, found, _ = census("-i", "slcan", "-c", str(emulator.link), "-b", "250000", "--for", "1.2")
    finally:
        emulator.unplug()
    assert status == BAD_INPUT
    (told,) = found["troubles"]  # type: ignore[misc]
    assert "controller is error warning and no data" in told
    assert "(set to 250000): try --bitrate 125000, 500000, 1000000" in told
