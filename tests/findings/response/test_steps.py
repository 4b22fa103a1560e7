"""Delays from steps and patterns made by scipy: known errors, refusals, the model, the law of chunks."""

import numpy as np
import pytest
from gas_steps import block, commands, gas, lagged, sampled, t63, uneven
from laws import same_for_all_splits

from mixmon.findings.response.delay_map import MeasuredDeadTime, find_clock_error, fit_delay
from mixmon.findings.response.notes import ResponseNote
from mixmon.findings.response.steps import DelayStage, command_of
from mixmon.gas.fuel import fuel_named
from mixmon.gas.transport import valve_to_sensor_delay_s
from mixmon.mixture.align import Geometry
from mixmon.mixture.block import SampleState
from mixmon.session.model import Axes, Chain, Engine, Injection, Node, Session

FUEL = fuel_named("gasoline")
LEVEL, SLOPE = -0.46, 20.9
"""Oxygen balance at lambda 0.98 and its rise for a change of one in ln lambda (computed by hand from
the mass balance of CH1.87: x = 100 a (l - 1) / (products), between 0.97 and 0.99)."""

DEAD_MS = 0.9
PATTERN = (
    (0.0, 0.0),
    *(
        (4.0 + at, (-1) ** k * 0.03)
        for k, at in enumerate(np.cumsum(np.tile([0.507, 0.914, 0.353, 1.206, 0.721], 6)))
    ),
)
END_S = 4.0 + 21.9 + 4.0


def session(n):
    nodes = tuple(Node(j + 1, (j + 1,), f"S-{j + 1}") for j in range(n))
    return Session(
        Engine(n, displacement_l=0.5 * n),
        Chain("chain", {}, nodes),
        (),
        axes=Axes(rpm=(1000.0, 3000.0, 6000.0), load=(10.0, 100.0)),
        injection=Injection(dead_time_ms=DEAD_MS),
    )


def rows(
    steps,
    seconds,
    *,
    late_s,
    lags,
    noise_percent,
    seed=1,
    now=None,
    rpm=3000.0,
    sign=1.0,
    every=1,
    state=None,
):
    """Rows of sensors behind the steps of ln lambda; `lags`: (lean, rich) s each, then 20 ms of filter."""
    rng = np.random.default_rng(seed)
    out = []
    for (lean, rich), late in zip(lags, late_s, strict=True):
        x = LEVEL + sign * SLOPE * gas(seconds, steps, late)
        reading = lagged(uneven(x, lean, rich) if lean != rich else lagged(x, lean), 0.020)
        white = np.repeat(rng.standard_normal(len(reading) // 10), 10)
        out.append(reading + noise_percent / 100 * SLOPE * white)
    count = len(out[0]) // 10
    held = sampled(out, count, (3_000_000,) * len(out), every)
    pulse = commands(count, [(at, DEAD_MS + 4.0 * np.exp(-value)) for at, value in steps])
    known = {"rpm": np.full(count, rpm), "load": np.full(count, 18.0), "throttle": np.full(count, 18.0)}
    return block(held, known | {"pulse_ms": pulse} if now is None else known | now, state=state)


def measured(made, *pieces):
    n = made.lam.shape[1]
    stage = DelayStage(session(n), FUEL, {"pulse_ms": 0.020, "target": 0.020})
    points = [p for piece in pieces or [slice(0, len(made))] for p in stage.feed(made.take(piece))]
    return points + stage.flush(), stage


PEERS = {
    "late_s": (0.058, 0.060, 0.062, 0.060),
    "lags": ((0.085, 0.085), (0.08, 0.08), (0.09, 0.09), (0.3, 0.22)),
}


def test_a_pattern_tells_dead_time_lag_and_gain_of_every_sensor():
    (point,), _ = measured(rows(PATTERN, END_S, noise_percent=0.3, **PEERS))
    assert point.signal == "pulse_ms"
    assert (point.rpm, point.load, point.moves) == (3000.0, 18.0, 30)
    assert point.dead_s == pytest.approx(0.060, abs=0.008)
    assert abs(point.dead_s - 0.060) < 2 * point.dead_sd
    assert point.fit.gain == pytest.approx([1.0] * 4, abs=0.06)
    for j, ((lean, rich), late) in enumerate(zip(PEERS["lags"], PEERS["late_s"], strict=True)):
        assert point.fit.dead_s[j] == pytest.approx(late, abs=0.012)
        assert point.fit.lean_s[j] == pytest.approx(t63(lean, 0.02), rel=0.1)
        assert point.fit.rich_s[j] == pytest.approx(t63(rich, 0.02), rel=0.1)
    assert point.fit.lean_s[3] / point.fit.rich_s[3] == pytest.approx(
        t63(0.3, 0.02) / t63(0.22, 0.02), rel=0.1
    )


def one_step(count, *, every, noise_percent, wait_s, seed):
    """Delays of many sensors that see one 5 % step through 80 ms, each after a wait of its own."""
    rng = np.random.default_rng(seed)
    late = 0.040 + rng.uniform(0.0, wait_s, count) if wait_s else np.full(count, 0.060)
    lags = ((0.080, 0.080),) * count
    made = rows(
        ((0.0, 0.0), (3.0, 0.05)), 7.0, late_s=late, lags=lags, noise_percent=noise_percent, every=every
    )
    ((point,), _) = measured(made)
    return point.fit


def test_one_step_is_as_sure_as_published():
    # one 5 % step, 80 ms, noise 0.3 %, at 100 Hz: the delay is known to about 10 ms (computed elsewhere);
    # that is what waiting for a cycle of 40 ms makes, 40 / sqrt(12) = 11.5, the noise adds little
    fit = one_step(48, every=1, noise_percent=0.3, wait_s=0.040, seed=5)
    scatter = np.std(fit.delay_s)
    assert 0.008 < scatter < 0.014
    assert np.median(fit.delay_sd) == pytest.approx(scatter, rel=0.35)


def test_without_the_wait_the_scatter_is_what_the_noise_allows():
    # Cramer and Rao: level, height, dead time and time constant unknown, white noise; 20 Hz against 100 Hz
    late, tau = np.arange(0.005, 3.9, 0.01), 0.080
    for every, step_s in ((1, 0.01), (5, 0.05)):
        t = np.arange(-1.5, 3.0, step_s)
        late = np.maximum(t, 0.0)
        shape = np.where(t > 0, 1 - np.exp(-late / tau), 0.0)
        by = [
            np.ones_like(t),
            shape,
            -np.exp(-late / tau) / tau * (t > 0),
            -late / tau**2 * np.exp(-late / tau),
        ]
        x = np.stack([by[0], by[1], 5.0 * by[2], 5.0 * by[3]])
        bound = np.sqrt(np.array([0, 0, 1, 1]) @ np.linalg.inv(x @ x.T / 0.3**2) @ np.array([0, 0, 1, 1]))
        fit = one_step(48, every=every, noise_percent=0.3, wait_s=0.0, seed=5)
        assert 0.7 * bound < np.std(fit.delay_s) < 1.5 * bound + 0.0005


def test_one_step_up_says_nothing_of_the_way_down():
    made = rows(((0.0, 0.0), (3.0, 0.05)), 7.0, noise_percent=0.2, **PEERS)
    ((point,), _) = measured(made)
    assert (point.lean_moves, point.rich_moves) == (1, 0)
    assert np.isfinite(point.fit.lean_s).all()
    assert np.isnan(point.fit.rich_s).all()


def test_steps_of_the_target_count_before_the_pulse():
    count = round(END_S * 100)
    target = commands(count, [(at, 0.98 * np.exp(value)) for at, value in PATTERN])
    made = rows(
        PATTERN, END_S, noise_percent=0.3, now={"target": target, "pulse_ms": np.full(count, 4.9)}, **PEERS
    )
    ((point,), _) = measured(made)
    assert point.signal == "target"
    assert point.dead_s == pytest.approx(0.060, abs=0.008)


def test_without_steps_nothing_is_fitted():
    points, stage = measured(rows(((0.0, 0.0),), 12.0, noise_percent=0.5, **PEERS))
    assert (points, stage.refused) == ([], [])
    assert stage.steady_s == pytest.approx(12.0, abs=0.1)
    assert stage.largest < 0.001


REFUSED = [
    ({"sign": 0.0}, ResponseNote.NOT_FOLLOWING),
    ({"sign": -1.0}, ResponseNote.NOT_FOLLOWING),
    ({"state": SampleState.SUSPECT}, ResponseNote.NO_VALID_READINGS),
    ({"closed_loop": 1.0}, ResponseNote.CLOSED_LOOP),
]


@pytest.mark.parametrize(("change", "code"), REFUSED, ids=["deaf", "the wrong way", "invalid", "closed loop"])
def test_what_cannot_be_a_delay_is_refused_with_its_code(change, code):
    count = round(END_S * 100)
    made = rows(PATTERN, END_S, noise_percent=0.3, sign=change.get("sign", 1.0), **PEERS)
    if "state" in change:
        made.state[:] = change["state"]
    made.now["closed_loop"] = np.full(count, change.get("closed_loop", 0.0))
    points, stage = measured(made)
    assert points == []
    (refusal,) = stage.refused
    assert refusal.why.code is code


def test_a_pulse_that_moves_because_the_air_does_is_no_pattern():
    # load and pulse step together, lambda does not: the window ends with the load, no step is left inside
    count = round(END_S * 100)
    made = rows(((0.0, 0.0),), END_S, noise_percent=0.3, **PEERS)
    made.now["pulse_ms"] = commands(count, [(0.0, 4.9), (10.0, 6.9), (20.0, 4.9)])
    made.now["load"] = commands(count, [(0.0, 18.0), (10.0, 28.0), (20.0, 18.0)])
    points, stage = measured(made)
    assert (points, stage.refused) == ([], [])


def test_no_window_is_anchored_on_the_way_to_where_the_engine_stays():
    # two per cent of load are allowed; the first rows are nearly that far below, and noise would do the rest
    made = rows(PATTERN, END_S, noise_percent=0.3, **PEERS)
    noise = 0.06 * np.random.default_rng(3).standard_normal(len(made))
    noise[:700] = 0.0
    made.now["load"] = np.where(np.arange(len(made)) < 30, 16.16, 18.0 + noise)
    (point,), _ = measured(made)
    assert point.moves == 30
    assert point.load == pytest.approx(18.0, abs=0.05)


def test_a_deaf_sensor_does_not_spoil_the_others():
    made = rows(PATTERN, END_S, noise_percent=0.3, **PEERS)
    made.oxygen[:, 1] = LEVEL + 0.05 * np.random.default_rng(4).standard_normal(len(made))
    ((point,), _) = measured(made)
    assert np.isnan(point.fit.dead_s[1])
    assert point.followed.tolist() == [True, False, True, True]
    assert point.dead_s == pytest.approx(0.060, abs=0.008)
    until_63 = [0.058 + t63(0.085, 0.02), 0.062 + t63(0.09, 0.02), 0.060 + t63(0.26, 0.02)]
    assert point.delay_s == pytest.approx(np.median(until_63), abs=0.02)


def test_splits_do_not_matter():
    made = rows(PATTERN, END_S, noise_percent=0.3, **PEERS)
    made.now["rpm"][200:350] += np.linspace(0, 300, 150)  # on the way to where it then stays
    made.now["rpm"][350:] += 300

    def run(pieces):
        points, stage = measured(made, *pieces)
        told = [(p.t, p.seconds, p.moves, p.dead_s, p.dead_sd, p.fit.delay_s.tobytes()) for p in points]
        return told, stage.steady_s, stage.largest, stage.refused

    told, *_ = same_for_all_splits(len(made), run, most=100)
    assert len(told) == 1


def test_steps_are_found_and_their_direction():
    x = np.full(600, 4.9)
    x[100:] *= 0.97
    x[200:205] *= np.linspace(1.0, 1.03, 5)  # within 50 ms
    x[205:] *= 1.03
    x[400:] *= np.minimum(1.0 + np.arange(200) / 1000, 1.1)  # a slow change is no step
    unknown = np.full(600, np.nan)
    command = command_of({"target": unknown, "pulse_ms": x}, 0.0)
    assert [(round(row, -1), leaner) for row, leaner in command.moves] == [(100, True), (200, False)]
    assert command_of({"target": unknown, "pulse_ms": unknown}, 0.0).moves == ()


GEOMETRY = Geometry(distance_mm=(320.0,) * 4, bore_mm=44.0, cylinder_volume_l=0.5)


def by_hand(rpm, load, cycles=0.9, factor=1.1, constant=0.012):
    """The form written down once more: cycles, pipe with its wait, constant."""
    cycle = 120.0 / rpm
    pipe = valve_to_sensor_delay_s(rpm, load, 320.0, 44.0, 0.5, cycles_before=0.0)
    return cycles * cycle + factor * max(pipe, 0.5 * cycle) + constant


def test_the_model_goes_through_many_exact_points():
    points = [
        MeasuredDeadTime(rpm, load, by_hand(rpm, load), 1e-4)
        for rpm in (900, 1500, 3000, 6000)
        for load in (3, 18, 60, 100)
    ]
    model = fit_delay(points, GEOMETRY, "throttle")
    assert model.cycles == pytest.approx(0.9, abs=0.15)
    assert abs(model.constant_s - 0.012) < 2 * model.constant_sd
    for rpm, load in ((1200, 10), (4500, 40)):
        dead, sd = model.at(rpm, load)
        assert dead == pytest.approx(by_hand(rpm, load), abs=0.004)
        assert sd < 0.02


def test_one_point_is_trusted_where_it_is_and_the_error_grows_away_from_it():
    model = fit_delay([MeasuredDeadTime(3000.0, 18.0, 0.075, 0.003)], GEOMETRY, "throttle")
    (here, sd_here), (idle, sd_idle) = model.at(3000.0, 18.0), model.at(900.0, 3.0)
    assert here == pytest.approx(0.075, abs=0.004)
    assert sd_idle > 3 * sd_here
    assert abs(idle - by_hand(900.0, 3.0, 0.8, 1.0, 0.005)) < 2 * sd_idle


def test_no_point_no_model():
    assert fit_delay([], GEOMETRY, "throttle") is None


def test_far_from_the_point_the_usual_form_is_told():
    # at 1500 rpm and full load the mean flow passes the pipe in a fifth of a cycle; gas waits for its valve
    model = fit_delay(
        [MeasuredDeadTime(3000.0, 18.0, by_hand(3000.0, 18.0, 0.8, 1.0, 0.005), 0.001)], GEOMETRY, "throttle"
    )
    dead, _ = model.at(1500.0, 100.0)
    assert dead == pytest.approx(by_hand(1500.0, 100.0, 0.8, 1.0, 0.005), abs=0.005)


@pytest.mark.parametrize("late_s", [-0.1, 0.1])
@pytest.mark.parametrize("cycles", [0.75, 1.25])
def test_stamps_that_are_apart_are_found_whatever_the_injection_timing(late_s, cycles):
    at = [(3000, 18), (5000, 60), (7000, 100)]
    points = [MeasuredDeadTime(*p, by_hand(*p, cycles) - late_s, 0.006) for p in at]
    error = find_clock_error(points, GEOMETRY, "throttle")
    assert abs(error.late_s - late_s) < 2 * error.sd < 0.06
    true = [MeasuredDeadTime(*p, by_hand(*p, cycles), 0.006) for p in (*at, (900, 3))]
    assert find_clock_error(true, GEOMETRY, "throttle") is None


def test_a_dead_time_that_no_gas_can_have_is_found_at_idle_too():
    point = MeasuredDeadTime(1000.0, 3.0, by_hand(1000.0, 3.0) - 0.15, 0.006)
    assert find_clock_error([point], GEOMETRY, "throttle").late_s > 0.05
