"""Device clocks laid along the host clock, against simulated devices whose truth is known."""

from __future__ import annotations

import random
import time

import numpy as np
import pytest
from numpy.typing import NDArray

from mixmon.frames.adapters.stamps import DeviceStamps, HostClock, SystemStamps

MS = 1_000_000
S = 1_000_000_000
EPOCH = 1_795_000_000 * S


class Device:
    """A device whose clock runs `ppm` fast; the host reads what it sent in bunches of `bunch_ms`."""

    def __init__(self, ppm: float = 0.0, wrap_ns: int | None = None, tick_ns: int = 1000) -> None:
        self.rate = 1 + ppm * 1e-6
        self.wrap, self.tick = wrap_ns, tick_ns
        self.start = 12_345_678_000

    def stamps(self, truth: NDArray[np.int64]) -> NDArray[np.int64]:
        device: NDArray[np.int64] = self.start + np.rint((truth - EPOCH) * self.rate).astype(np.int64)
        device -= device % self.tick
        return device if self.wrap is None else device % self.wrap


def bunches(seconds: float, bunch_ms: float, step_ms: float) -> list[NDArray[np.int64]]:
    """True times of frames, a bunch a read."""
    truth = EPOCH + np.arange(0, round(seconds * S), round(step_ms * MS))
    borders = np.searchsorted(truth, np.arange(EPOCH, EPOCH + round(seconds * S), round(bunch_ms * MS)))
    return [part for part in np.split(truth, borders[1:]) if len(part)]


@pytest.mark.parametrize("ppm", [-100.0, 0.0, 100.0])
def test_drift_is_removed_although_usb_bunches(ppm: float) -> None:
    """Bar: less than 1 ms of drift a minute left, with reads every 16 ms that are up to 8 ms late."""
    chance = random.Random(3)
    device, stamps = Device(ppm), DeviceStamps()
    errors, at = [], []
    for truth in bunches(240, 16, 4):
        arrived = int(truth[-1]) + 1 * MS + round(chance.random() ** 3 * 8 * MS)
        t = stamps.to_host(device.stamps(truth), arrived)
        assert (t <= arrived).all()
        errors.append((int(t[-1]) - int(truth[-1])) / MS)
        at.append((int(truth[-1]) - EPOCH) / S)
    late = np.array(at) > 15
    slope = np.polyfit(np.array(at)[late] / 60, np.array(errors)[late], 1)[0]
    assert abs(slope) < 0.2
    assert np.ptp(np.array(errors)[late]) < 1.0
    assert stamps.jumps == 0


def test_order_of_time_is_kept_while_the_line_is_refitted() -> None:
    chance = random.Random(4)
    device, stamps = Device(80.0), DeviceStamps()
    parts = [
        stamps.to_host(device.stamps(truth), int(truth[-1]) + round(chance.random() * 15 * MS))
        for truth in bunches(60, 20, 5)
    ]
    assert (np.diff(np.concatenate(parts)) >= 0).all()


def test_silence_longer_than_a_wrap() -> None:
    """A clock of a minute, silent for 200 s: three wraps pass unseen."""
    device, stamps = Device(50.0, wrap_ns=60 * S, tick_ns=MS), DeviceStamps(60 * S)
    for truth in [*bunches(30, 20, 10), *(part + 200 * S for part in bunches(5, 20, 10))]:
        t = stamps.to_host(device.stamps(truth), int(truth[-1]) + 2 * MS)
        # 2 ms late by the reading, 1 ms by the tick, 10 ms by a drift of 50 ppm through the silence
        assert np.abs(t - truth).max() < 14 * MS
    assert stamps.jumps == 0


def test_wrap_within_a_bunch() -> None:
    stamps = DeviceStamps(60 * S)
    t = stamps.to_host(np.array([59_990, 59_998, 4, 10]) * MS, EPOCH)
    assert t.tolist() == [EPOCH - 20 * MS, EPOCH - 12 * MS, EPOCH - 6 * MS, EPOCH]


def test_restarted_device_is_a_jump_and_is_anchored_anew() -> None:
    device, stamps = Device(), DeviceStamps()
    for truth in bunches(2, 20, 10):
        stamps.to_host(device.stamps(truth), int(truth[-1]) + MS)
    arrived = EPOCH + 3 * S
    t = stamps.to_host(np.array([1000, 5_001_000]), arrived)
    assert stamps.jumps == 1
    assert t.tolist() == [arrived - 5 * MS, arrived]


def test_frames_read_late_are_not_a_jump() -> None:
    """The program slept five seconds; the frames waited in a buffer."""
    device, stamps = Device(), DeviceStamps()
    for truth in bunches(2, 20, 10):
        stamps.to_host(device.stamps(truth), int(truth[-1]) + MS)
    waiting = EPOCH + 2 * S + np.arange(10) * 10 * MS
    t = stamps.to_host(device.stamps(waiting), EPOCH + 7 * S)
    assert stamps.jumps == 0
    assert np.abs(t - waiting).max() <= 2 * MS


def test_empty_reads_keep_the_measure_of_lateness() -> None:
    device, stamps = Device(), DeviceStamps()
    truth = bunches(1, 20, 10)
    for part in truth:
        stamps.to_host(device.stamps(part), int(part[-1]))
    stamps.to_host(np.zeros(0, np.int64), EPOCH + 8 * S)
    stamps.to_host(device.stamps(truth[-1]), EPOCH + 8 * S + 10 * MS)  # stamped 7 s ago: not possible
    assert stamps.jumps == 1


def test_host_clock_agrees_with_the_system_clock() -> None:
    clock = HostClock()
    before = time.time_ns()
    now = clock.now()
    after = time.time_ns()
    # both read the same oscillator; a stepped or slewed system clock would part them
    assert before - 5 * MS < now < after + 5 * MS
    assert abs(clock.from_system()) < 5 * MS


@pytest.mark.parametrize("step_s", [3600, -3600])
def test_a_system_clock_that_is_set_moves_no_data_time(step_s: int, monkeypatch: pytest.MonkeyPatch) -> None:
    system, before = time.time_ns, time.time_ns()
    clock = HostClock()
    monkeypatch.setattr(time, "time_ns", lambda: system() + step_s * S)
    assert before - 1 * MS <= clock.now() <= system() + 1 * MS
    assert abs(clock.from_system() + step_s * S) < 1 * S


@pytest.mark.parametrize("step_s", [3600, -3600, 60])
def test_frames_from_both_sides_of_a_step_of_the_system_clock_keep_their_times(
    step_s: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Ages are known, as the stamps are made here: five frames before the step, five after it, 5 ms apart.

    They come in three reads: the queue is full in the first two, so frames from before the step come late.
    """
    clock = HostClock()
    stamps = SystemStamps(clock)
    system = time.time_ns
    ages = np.arange(50, 0, -5) * MS
    now, before = clock.now(), system()
    monkeypatch.setattr(time, "time_ns", lambda: system() + step_s * S)
    made = before - ages + np.where(ages > 25 * MS, 0, step_s * S)
    t = [stamps.to_host(made[k : k + 4], emptied=k == 8) for k in (0, 4, 8)]
    assert np.abs(np.concatenate(t) - (now - ages)).max() < 1 * MS
    assert [round(step / S) for step in stamps.steps_ns] == [step_s]
    since, stamp, until = clock.now(), time.time_ns(), clock.now()
    (later,) = stamps.to_host(np.array([stamp]), emptied=True)
    assert since - 1 * MS < later < until + 1 * MS


def test_a_system_clock_that_is_corrected_a_little_is_no_step() -> None:
    stamps = SystemStamps(HostClock())
    for _ in range(100):
        stamps.to_host(np.array([time.time_ns()]), emptied=True)
    assert stamps.steps_ns == []
