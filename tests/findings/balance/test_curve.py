"""A fuel other than gasoline, and controllers whose curve the session does not tell."""

from __future__ import annotations

from dataclasses import replace

import pytest

from mixmon.findings.balance.balance import UNKNOWN_SPREAD, Balance, EngineNeed, ReferenceCylinders
from mixmon.findings.balance.curve import with_curve_note
from mixmon.findings.balance.notes import BalanceNote
from mixmon.gas.fuel import fuel_named
from mixmon.report.words import sentence

NOBODY = ReferenceCylinders((), (), ())
NAN = float("nan")


def measured(*lam: float) -> Balance:
    cells = tuple(EngineNeed(3000.0, 50.0, NAN, NAN, one, NOBODY) for one in lam)
    return Balance("peers", (), (), cells, (), UNKNOWN_SPREAD, UNKNOWN_SPREAD, None, (), 0.0, (), ())


# Fuel dependence of the plain signal: a table of physics, true lambda 0.75, what a gasoline curve shows.
SHOWN = {"methanol": 0.780, "ethanol": 0.766, "E85": 0.763}


@pytest.mark.parametrize(("fuel", "shown"), SHOWN.items())
def test_the_error_told_is_at_least_that_of_the_table(fuel: str, shown: float) -> None:
    (told,) = with_curve_note(measured(0.75), fuel_named(fuel), assumed=True).notes
    assert told.code is BalanceNote.CURVE_ASSUMED
    expected = 100 * (shown / 0.75 - 1)
    assert dict(told.values)["error_percent"] >= expected - 0.1
    assert dict(told.values)["error_percent"] < expected + 1.5
    assert fuel in sentence(told)


def test_it_counts_at_the_lambda_measured() -> None:
    rich, near = (
        with_curve_note(measured(lam), fuel_named("E85"), assumed=True).notes for lam in (0.80, 0.99)
    )
    assert dict(rich[0].values)["error_percent"] > 1.0
    assert near == ()


def test_nothing_is_told_where_nothing_is_assumed_or_nothing_matters() -> None:
    found = measured(0.80, NAN)
    assert with_curve_note(found, fuel_named("E85"), assumed=False) is found
    assert with_curve_note(found, fuel_named("gasoline"), assumed=True) is found
    assert with_curve_note(replace(found, whole_engine=()), fuel_named("E85"), assumed=True).notes == ()
