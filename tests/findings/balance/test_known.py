"""Sensors whose own error is known: exact where that is exact, an honest interval where it has an error."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from dwells import dwell, found, session

import mixmon
from mixmon.errors import SessionError
from mixmon.findings.balance.balance import Balance, BalanceStage
from mixmon.findings.balance.cells import CellFit
from mixmon.findings.balance.needs import CellResult
from mixmon.findings.balance.notes import BalanceNote
from mixmon.findings.balance.total import TotalErrors
from mixmon.findings.stats import Estimate
from mixmon.gas.accuracy import usual_error_percent
from mixmon.ledger.biases import with_known_biases
from mixmon.ledger.ledger import PLACE_VARIABLE, Ledger
from mixmon.session.model import FROM_LEDGER, Sensors, Session

NORMAL = 1.959964  # 97.5 % point, from tables of the normal distribution
N = 8
EXAMPLES = Path(__file__).parents[3] / "examples"


def knowing(known: dict[str, tuple[float, float]] | str) -> Session:
    return replace(session(N), sensors=Sensors(known_bias=known))


def balance(made: Session, bias_percent: np.ndarray | float = 0.0, against: str = "peers") -> Balance:
    """Of a dwell read by sensors with these errors; the gas is the same in every call."""
    rng = np.random.default_rng(7)
    offsets = rng.uniform(-0.05, 0.05, N)
    rows = dwell(offsets, rng)
    stage = BalanceStage(made)
    stage.feed(replace(rows, lam=rows.lam * (1 + np.asarray(bias_percent) / 100)))
    return stage.result(against)


def test_needs_are_those_of_sensors_without_error():
    bias = np.random.default_rng(8).normal(0, 1, N)
    made = knowing({f"S-{i + 1}": (float(b), 0.2) for i, b in enumerate(bias)})
    for against in ("peers", "target"):
        right, corrected = balance(session(N), against=against), balance(made, bias, against)
        for a, b in zip(right.cylinders, corrected.cylinders, strict=True):
            assert b.needs_percent == pytest.approx(a.needs_percent, abs=1e-9)
    wrong = balance(session(N), bias)
    assert (
        max(
            abs(a.needs_percent - b.needs_percent)
            for a, b in zip(wrong.cylinders, right.cylinders, strict=True)
        )
        > 1
    )


def test_it_is_said_which_sensors_are_corrected_and_which_are_not():
    notes = balance(knowing({"S-2": (0.6, 0.3)})).notes
    (said,) = found(BalanceNote.BIASES_CORRECTED, notes)
    assert said == {"sensors": ("S-2",), "percent": (0.6,), "half_percent": (0.3,)}
    (others,) = found(BalanceNote.BIASES_NOT_KNOWN, notes)
    assert others["sensors"] == ("S-1", "S-3", "S-4", "S-5", "S-6", "S-7", "S-8")
    assert found(BalanceNote.BIASES_NOT_LOOKED_UP, balance(knowing(FROM_LEDGER)).notes)


def result_of(n: int, repeats: Estimate) -> CellResult:
    """One cell at lambda 0.87 in which every node's need is zero, known to what repeats."""
    zero, everyone = np.zeros(n), np.ones(n, np.bool_)
    needs = (repeats,) * n
    fit = CellFit(0, (), needs, zero + 10.0, zero, zero, zero, zero > 0, zero.astype(np.int64), zero, zero)
    return CellResult(
        fit, needs, repeats, 0.87, everyone, ~everyone, needs, one_reference=True, spared=~everyone
    )


@pytest.mark.parametrize("against", ["peers", "target"])
@pytest.mark.parametrize("count", [3, 8], ids=["some corrected", "all corrected"])
def test_the_total_interval_holds_the_truth(against: str, count: int) -> None:
    """4000 chains: sensors with errors of the usual size; exchanges tell how the first differ, to 0.4 %."""
    rng, chains, half = np.random.default_rng(9), 4000, 0.4
    own = rng.standard_normal((chains, N)) * usual_error_percent(np.full(N, 0.87)) / NORMAL
    told = own[:, :count] - own[:, :count].mean(axis=1, keepdims=True)
    own[:, :count] -= told + rng.standard_normal((chains, count)) * half / NORMAL
    off = own - own.mean(axis=1, keepdims=True) if against == "peers" else own
    repeats = Estimate(0.0, 1e-9, 1e-9, 100.0)
    made = knowing({f"S-{i + 1}": (0.0, half) for i in range(count)})
    total = TotalErrors(made, np.ones(N), [result_of(N, repeats)], [True], against)
    halves = 100 * np.array([each.half for each in total.needs([repeats] * N)])
    held = np.mean(np.abs(off) < halves, axis=0)
    assert held == pytest.approx(np.full(N, 0.95), abs=0.015)
    if against == "target":
        engine = 100 * total.engine(0).half
        assert np.mean(np.abs(own.mean(axis=1)) < engine) == pytest.approx(0.95, abs=0.015)


def test_the_ledger_is_asked_where_the_session_says_so(tmp_path, monkeypatch):
    path = tmp_path / "sensors.ledger"
    with Ledger(path) as ledger:
        ledger.add_bias("S-3", 0.6, 0.3, reason="rotation")
        ledger.add_bias("elsewhere", 2.0, 0.3, reason="another chain")
        found_ones = with_known_biases(knowing(FROM_LEDGER), ledger)
    assert found_ones.sensors.known_bias == {"S-3": (0.6, 0.3)}
    monkeypatch.setenv(PLACE_VARIABLE, str(path))
    assert with_known_biases(knowing(FROM_LEDGER)) == found_ones
    assert with_known_biases(session(N)) == session(N)
    of_run = with_known_biases(replace(knowing(FROM_LEDGER), of_run=True))
    assert of_run.sensors == found_ones.sensors


def test_a_run_is_read_with_what_the_ledger_knows(tmp_path, monkeypatch):
    monkeypatch.setenv(PLACE_VARIABLE, str(tmp_path / "sensors.ledger"))
    with Ledger() as ledger:
        ledger.add_bias("S-104", 5.0, 0.3, reason="rotation")
    asking = replace(mixmon.load_session(EXAMPLES / "alder8.toml"), sensors=Sensors(known_bias=FROM_LEDGER))
    run = mixmon.read_run(asking, EXAMPLES / "alder8_short.log.gz")
    assert run.session.sensors.known_bias == {"S-104": (5.0, 0.3)}
    corrected = mixmon.balance(run).cylinders[3].needs_percent
    plain = replace(asking, sensors=None)
    as_read = (
        mixmon.balance(mixmon.read_run(plain, EXAMPLES / "alder8_short.log.gz")).cylinders[3].needs_percent
    )
    assert as_read - corrected == pytest.approx(5.0 * (1 - 1 / 8), abs=0.3)


@pytest.mark.parametrize(
    "written", ['"file"', '{ "S-1" = [0.6] }', '{ "S-1" = [0.6, 0.0] }', '{ "S-1" = 0.6 }']
)
def test_what_is_no_bias_is_refused(tmp_path, written):
    path = tmp_path / "session.toml"
    path.write_text(f"[engine]\ncylinders = 4\n[chain]\n[sensors]\nknown_bias = {written}\n")
    with pytest.raises(SessionError, match=r"sensors\.known_bias"):
        mixmon.load_session(path)
