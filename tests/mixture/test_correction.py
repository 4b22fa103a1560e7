"""Readings corrected for pressure and for the fuel of the curve, alone and behind the whole chain."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest
from laws import same_for_all_splits

import mixmon
from mixmon.errors import SessionError
from mixmon.gas.exhaust import lambda_from_oxygen, oxygen_balance
from mixmon.gas.fuel import fuel_named
from mixmon.messages.bind import bind, load_databases
from mixmon.messages.gaps import Gap
from mixmon.mixture.block import CylinderBlock, SampleState
from mixmon.mixture.correction import Correction, correction_of
from mixmon.note import note
from mixmon.session.load import load_session
from mixmon.session.model import Sensors, Session

GASOLINE, ETHANOL = fuel_named("gasoline"), fuel_named("ethanol")
EXAMPLES = Path(__file__).parents[2] / "examples"
TELLS, SILENT = np.array([True]), np.array([False])


def block(
    lam: list[float], oxygen: list[float] | None = None, kpa: list[float] | None = None
) -> CylinderBlock:
    k = len(lam)
    column = np.array(lam)[:, None]
    return CylinderBlock(
        t=np.arange(k) * 10_000_000,
        stretch=np.zeros(k, np.int64),
        lam=column,
        oxygen=oxygen_balance(column, GASOLINE) if oxygen is None else np.array(oxygen)[:, None],
        age=np.zeros((k, 1), np.int64),
        fresh=np.ones((k, 1), np.bool_),
        state=np.zeros((k, 1), np.uint8),
        shifted={},
        now={} if kpa is None else {"exhaust_kpa": np.array(kpa)},
        aux={},
    )


def correction(**more: object) -> Correction:
    made = {"fuel": GASOLINE, "curve": GASOLINE, "k_bar": None, "pressure_bar": None, "reference_bar": 1.0}
    made |= {"sends_lambda": TELLS, "sends_oxygen": SILENT}
    return Correction(**(made | more))  # type: ignore[arg-type]


@pytest.mark.parametrize(("kpa", "shown"), [(120.0, 0.7932), (200.0, 0.7782), (100.0, 0.8)])
def test_a_reading_bent_by_pressure_is_made_true(kpa: float, shown: float) -> None:
    # true 0.80 with k 0.3 bar (computed apart from I(p)/I(p0) = (p/p0)(p0 + k)/(p + k))
    by_signal = correction(k_bar=0.3).feed(block([shown], kpa=[kpa]))
    by_number = correction(k_bar=0.3, pressure_bar=kpa / 100).feed(block([shown]))
    for found in (by_signal, by_number):
        assert found.lam[0, 0] == pytest.approx(0.8, abs=1e-4)
        assert found.oxygen[0, 0] == pytest.approx(-4.6113, abs=2e-3)
        assert found.state[0, 0] == SampleState.VALID


def test_a_lambda_by_the_curve_of_another_fuel_is_made_true() -> None:
    # ethanol at 0.75 shows 0.766 on a gasoline curve (computed by a separate program)
    asked = correction(fuel=ETHANOL)
    assert asked.feed(block([0.766])).lam[0, 0] == pytest.approx(0.75, abs=6e-4)
    assert asked.feed(block([1.0])).lam[0, 0] == pytest.approx(1.0, abs=1e-12)
    shown = block([0.766], oxygen=[-3.0])
    both = dataclasses.replace(asked, sends_oxygen=TELLS).feed(shown)
    assert both.lam[0, 0] == pytest.approx(0.75, abs=6e-4)
    assert both.oxygen[0, 0] == -3.0  # what is sent as oxygen needs no curve
    oxygen_alone = dataclasses.replace(asked, sends_lambda=SILENT, sends_oxygen=TELLS).feed(shown)
    assert oxygen_alone.lam[0, 0] == lambda_from_oxygen(-3.0, ETHANOL)


def test_without_a_pressure_a_sample_is_as_sent_and_suspect() -> None:
    found = correction(k_bar=0.3).feed(block([0.8, 0.8, 0.8], kpa=[np.nan, 0.0, 120.0]))
    assert found.lam[:2, 0].tolist() == [0.8, 0.8]
    assert found.state[:, 0].tolist() == [SampleState.SUSPECT, SampleState.SUSPECT, SampleState.VALID]
    known = correction(k_bar=0.3, pressure_bar=1.2).feed(block([0.8], kpa=[np.nan]))
    assert known.lam[0, 0] == pytest.approx(0.8065, abs=1e-3)


def test_air_and_nothing_stay_what_they_are() -> None:
    found = correction(k_bar=0.3, pressure_bar=2.0).feed(block([np.inf, np.nan]))
    assert found.lam[0, 0] == np.inf
    assert np.isnan(found.lam[1, 0])


def test_rows_are_corrected_alike_however_they_come() -> None:
    rng = np.random.default_rng(5)
    whole = block(rng.uniform(0.7, 1.4, 500).tolist(), kpa=rng.uniform(90, 250, 500).tolist())
    asked = correction(k_bar=0.3, fuel=ETHANOL)

    def fed(pieces: list[slice]) -> str:
        parts = [asked.feed(whole.take(piece)) for piece in pieces]
        return repr(
            [np.concatenate([getattr(p, n) for p in parts]).tolist() for n in ("lam", "oxygen", "state")]
        )

    same_for_all_splits(500, fed)


def written(tmp_path: Path, sensors: str) -> Session:
    text = (EXAMPLES / "foreign.toml").read_text(encoding="utf-8")
    for name in ("foreign_chain.dbc", "foreign_engine.dbc"):
        (tmp_path / name).write_bytes((EXAMPLES / name).read_bytes())
    path = tmp_path / "session.toml"
    path.write_text(text.replace("[axes]", f"[sensors]\n{sensors}\n\n[axes]", 1), encoding="utf-8")
    return load_session(path)


def test_the_whole_chain_corrects_what_the_session_asks_for(tmp_path: Path) -> None:
    log = EXAMPLES / "foreign.log.gz"
    plain = list(mixmon.read_run(load_session(EXAMPLES / "foreign.toml"), log, end_s=30.0))
    asked = written(tmp_path, "pressure_k_bar = 0.3\npressure_bar = 1.2")
    bent = list(mixmon.read_run(asked, log, end_s=30.0))
    fuel = bind(asked, load_databases(asked)).fuel
    for before, after in zip(plain, bent, strict=True):
        np.testing.assert_array_equal(before.state, after.state)  # judged on what was sent
        seen = np.isfinite(before.lam)
        expected = lambda_from_oxygen(oxygen_balance(before.lam[seen], fuel) / 1.04, fuel)
        np.testing.assert_allclose(after.lam[seen], expected, rtol=1e-12)
    notes = mixmon.balance(mixmon.read_run(asked, log, end_s=30.0)).notes
    assert note(Gap.PRESSURE_CORRECTED, k_bar=0.3) in notes


def test_nothing_is_done_unless_it_was_asked_for(tmp_path: Path) -> None:
    for session in (load_session(EXAMPLES / "foreign.toml"), load_session(EXAMPLES / "alder8.toml")):
        assert correction_of(bind(session, load_databases(session))) is None
    assert Sensors().pressure_k_bar is None
    bad = written(tmp_path, 'curve = "petroil"')
    databases = load_databases(bad)
    with pytest.raises(SessionError, match=r"sensors\.curve.*petroil.*expected one of"):
        bind(bad, databases)
