"""Air-fuel ratios: never without their basis."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from mixmon.errors import RangeError, UsageError
from mixmon.gas.analyser import CONVENTION, AfrBasis, basis_of, lambda_from_afr, lambda_to_afr, meanings
from mixmon.gas.fuel import fuel_named, fuel_names


def test_one_lambda_has_many_ratios() -> None:
    """Lambda 0.88 by the 14.7 convention, on E10 and on E85 (computed by hand)."""
    assert CONVENTION.afr(0.88) == pytest.approx(12.94, abs=5e-3)
    assert lambda_to_afr(0.88, fuel_named("E10")) == pytest.approx(12.33, abs=5e-3)
    assert lambda_to_afr(0.88, fuel_named("E85")) == pytest.approx(8.62, abs=5e-3)


def test_one_ratio_has_many_lambdas() -> None:
    """12.5: 12.5/14.7, 12.5/14.008, 12.5/9.799."""
    found = {m.basis.name: m.lam for m in meanings(12.5)}
    assert found == pytest.approx({"gauge convention": 0.850, "E10": 0.892, "E85": 1.276}, abs=5e-4)
    assert [m.basis.name for m in meanings(12.5, ("methanol",))] == ["gauge convention", "methanol"]


def test_the_convention_is_not_gasoline() -> None:
    """0.7 % above CH1.87."""
    assert CONVENTION.stoich_afr / fuel_named("gasoline").stoich_afr == pytest.approx(1.0068, abs=1e-4)


@given(st.sampled_from(fuel_names()), st.floats(0.5, 3.0))
def test_ratios_come_back(name: str, lam: float) -> None:
    fuel = fuel_named(name)
    assert lambda_from_afr(lambda_to_afr(lam, fuel), fuel) == pytest.approx(lam, rel=1e-15)
    assert str(basis_of(fuel)) == f"stoich {fuel.stoich_afr:.2f} ({name})"


def test_arrays_and_nan() -> None:
    lam = np.array([0.8, np.nan, np.inf])
    np.testing.assert_array_equal(CONVENTION.lam(CONVENTION.afr(lam)), lam)


def test_impossible_scales() -> None:
    with pytest.raises(RangeError, match="stoichiometric ratio = 0"):
        AfrBasis("none", 0.0)
    with pytest.raises(UsageError, match="no fuel is named 'avocado'"):
        meanings(12.5, ("avocado",))
