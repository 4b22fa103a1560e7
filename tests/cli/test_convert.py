"""`mixmon convert`, by its own words and exit statuses."""

import json

import pytest
from command_line import run_command

from mixmon.cli.main import BAD_INPUT, DONE
from mixmon.gas.exhaust import oxygen_balance
from mixmon.gas.fuel import fuel_named


def converted(line: str) -> str:
    """What `mixmon convert LINE` prints, after success."""
    status, out, err = run_command("convert", *line.split())
    assert (status, err) == (DONE, "")
    return out


def test_lambda_as_a_table() -> None:
    """Gasoline at 0.85 (computed by a separate program); AFR 12.41 is 0.85 times 14.6007."""
    assert converted("lambda 0.85 1 --fuel gasoline").splitlines()[:4] == [
        "fuel gasoline (CH1.87), stoich 14.60 (gasoline)",
        "",
        "lambda     phi    AFR  balance     CO2     CO     O2     H2     H2O",
        "0.8500  1.1765  12.41   -3.314  11.571  5.610  0.000  1.954  12.365",
    ]


def test_gas_of_gasoline_by_hand() -> None:
    """CH1.87 at 0.85: dry CO 5.6095, CO2 11.5713, H2 1.9543 %; wet balance -3.314 (computed)."""
    mixture = json.loads(converted("lambda 0.85 --formula CH1.87 --json"))["mixtures"][0]
    assert mixture["dry_percent"] == pytest.approx(
        {"co2": 11.5713, "co": 5.6095, "o2": 0.0, "h2": 1.9543}, abs=1e-4
    )
    assert mixture["oxygen_balance_percent"] == pytest.approx(-3.314, abs=1e-3)


@pytest.mark.parametrize(
    ("line", "lam"),
    [
        ("lambda 0.8", 0.8),
        ("phi 1.25", 0.8),
        ("afr 7.2026 --fuel ethanol", 0.8),
        ("afr 11.76 --stoich 14.7", 0.8),
        ("oxygen -4.6113 --fuel gasoline", 0.8),
        ("dry-oxygen 10.8366", 2.0),
        ("five-gas co=1 co2=14 o2=1 hc_ppm=200", 1.009288),
        ("oxygen -3.2585 --celsius 25 --humidity 60", 0.85),
    ],
)
def test_every_quantity_leads_to_lambda(line: str, lam: float) -> None:
    found = json.loads(converted(f"{line} --json"))
    assert found["format"] == 2
    mixture = found["mixtures"][0]
    assert mixture["lambda"] == pytest.approx(lam, abs=2e-4)
    assert mixture["phi"] == pytest.approx(1 / lam, abs=4e-4)
    assert (
        (mixture["afr"] is None)
        == found["fuel"]["assumed"]
        == ("--fuel" not in line and "--stoich" not in line)
    )


def test_damp_air_is_counted_and_told() -> None:
    """20.553 % oxygen at 25 °C, 60 % (computed from Buck's vapour pressure)."""
    damp = "lambda 0.85 --celsius 25 --humidity 60"
    assert "reads 20.553 % oxygen" in converted(damp)
    found = json.loads(converted(f"{damp} --kpa 101.325 --json"))
    assert found["air"] == pytest.approx(
        {"water_per_dry_air": 0.01912, "free_air_oxygen_percent": 20.553}, abs=1e-3
    )
    water = found["air"]["water_per_dry_air"]
    balance = found["mixtures"][0]["oxygen_balance_percent"]
    assert balance == oxygen_balance(0.85, fuel_named("gasoline"), water)


def test_no_ratio_without_a_fuel() -> None:
    text = converted("lambda 0.85")
    assert text.startswith("fuel gasoline (CH1.87), assumed; no AFR until a fuel is named\n")
    assert "AFR " not in text.split("named")[1]


def test_a_ratio_is_shown_on_other_scales_too() -> None:
    assert converted("afr 12.5 --fuel E10").endswith(
        "12.5 on other scales: lambda 0.850 at stoich 14.70 (gauge convention), 0.892 at 14.01 (E10), "
        "1.276 at 9.80 (E85)\n"
    )
    scales = json.loads(converted("afr 12.5 --fuel E10 --json"))["afr_on_other_scales"]
    assert [s["scale"] for s in scales] == ["gauge convention", "E10", "E85"]


def test_air_alone() -> None:
    [air] = json.loads(converted("oxygen 20.95 --json"))["mixtures"]
    assert (air["lambda"], air["phi"]) == (None, 0.0)
    assert converted("oxygen 20.95").splitlines()[3].split()[:3] == ["inf", "0.0000", "+20.950"]


@pytest.mark.parametrize(
    ("line", "true", "shown"),
    [
        # pressure: I(p)/I(p0) = (p/p0)(p0 + k)/(p + k), gain 1.0400 at 1.2 bar with k 0.3 (computed apart)
        ("lambda 0.80 --pressure 1.2 --pressure-k 0.3", 0.80, 0.7932),
        ("lambda 0.80 --pressure 2 --pressure-k 0.3", 0.80, 0.7782),
        ("lambda 0.7932 --pressure 1.2 --pressure-k 0.3 --as-shown", 0.80, 0.7932),
        ("phi 1.26072 --pressure 1.2 --pressure-k 0.3 --as-shown", 0.80, 0.7932),
        ("oxygen -4.79575 --pressure 1.2 --pressure-k 0.3 --as-shown", 0.80, 0.7932),
        ("lambda 0.80 --pressure 1.2 --pressure-k 0", 0.80, 0.80),
        ("lambda 0.80 --pressure 1.3 --pressure-k 0.3 --reference 1.3", 0.80, 0.80),
        # a gasoline curve on other fuels: computed by a separate program
        ("lambda 0.75 --fuel ethanol --curve gasoline", 0.75, 0.766),
        ("lambda 1.2 --fuel methanol --curve gasoline", 1.2, 1.176),
        ("lambda 0.766 --fuel ethanol --curve gasoline --as-shown", 0.75, 0.766),
        ("afr 6.8966 --fuel ethanol --curve gasoline --as-shown", 0.75, 0.766),
        ("lambda 1 --fuel E85 --curve gasoline --pressure 2 --pressure-k 0.8", 1.0, 1.0),
    ],
)
def test_what_a_sensor_shows_and_what_is_true(line: str, true: float, shown: float) -> None:
    [mixture] = json.loads(converted(f"{line} --json"))["mixtures"]
    assert mixture["lambda"] == pytest.approx(true, abs=6e-4)
    assert mixture["shown_lambda"] == pytest.approx(shown, abs=6e-4)
    assert f"{mixture['shown_lambda']:.4f}" in converted(line)


def test_what_a_pump_current_shows_stands_beside_it() -> None:
    """Ethanol at 0.80 on a gasoline curve, H2 weighted by its diffusion: 0.791 (computed separately)."""
    [mixture] = json.loads(converted("lambda 0.8 --fuel ethanol --curve gasoline --json"))["mixtures"]
    assert mixture["shown_lambda_by_pump_current"] == pytest.approx(0.791, abs=6e-4)
    assert "by pump current" in converted("lambda 0.8 --fuel ethanol --curve gasoline")
    assert json.loads(converted("lambda 0.8 --json"))["mixtures"][0]["shown_lambda"] is None


@pytest.mark.parametrize(
    ("line", "complaint"),
    [
        ("afr 12.5", "afr: 12.5 is lambda 0.850 at stoich 14.70 (gauge convention), 0.892 at 14.01 (E10)"),
        ("lambda -1", "lambda: found -1; expected a number above zero"),
        ("phi 0", "phi: found 0; expected a number above zero"),
        ("lambda nan", "lambda: found 'nan'; expected a number"),
        ("lambda thin", "lambda: found 'thin'; expected a number"),
        ("lambda 1 --fuel tolune", "no fuel is named 'tolune'; expected one of toluene"),
        ("lambda 1 --formula C2h6", "--formula: found 'C2h6'; expected the symbols C, H, O, N"),
        ("lambda 1 --formula C1.H.", "--formula: found '.'; expected a number"),
        ("lambda 1 --formula CO2", "expected atom counts of zero or more that need oxygen to burn"),
        ("lambda 1 --stoich 34", "stoichiometric ratio 34; expected 6.472 (methanol) to 17.236 (methane)"),
        ("lambda 1 --fuel E10 --stoich 14", "--stoich: not allowed with argument --fuel"),
        ("lambda 1 --kpa 100", "--kpa: given alone; expected --celsius and --humidity"),
        ("lambda 1 --celsius 25", "--celsius: given alone"),
        ("lambda 1 --celsius 25 --humidity -5", "relative humidity -5 %"),
        ("five-gas co=1", "five-gas: co2 and o2 not given"),
        ("five-gas co=1 co2=14 o2=-1", "five-gas: o2: found -1; expected zero or more"),
        ("five-gas co=1 co2=14 o2", "five-gas: o2: found ''; expected a number"),
        ("five-gas 0.9", "five-gas: found '0.9'; expected co="),
        ("five-gas co=0 co2=14 o2=1 --fuel hydrogen", "hydrogen has no carbon"),
        ("mass 3", "invalid choice: 'mass'"),
        ("five-gas co=1 co=2 co2=14 o2=1", "five-gas: co: found twice"),
        ("five-gas co=90 co2=90 o2=90", "found gases that add up to 270 %; expected at most 100"),
        ("five-gas co=1 co2=14 o2=1 hc_ppm=900000", "add up to 106 %"),
        ("five-gas co=0 co2=0 o2=20.9", "found neither co nor co2; expected burnt gas"),
        ("five-gas co=60 co2=0 o2=0 hc_ppm=90000", "an analysis, which is lambda"),
        ("lambda 0.2", "found 0.2; expected lambda 0.341 (all carbon as CO, all hydrogen as H2) to 1000"),
        ("lambda 1e300", "lambda: found 1e+300; expected lambda 0.341"),
        ("phi 9", "phi: found 9, which is lambda 0.1111; expected lambda 0.341"),
        ("afr 1 --fuel E10", "afr: found 1, which is lambda 0.07139"),
        ("oxygen -40", "oxygen: found -40 %; expected -25.316"),
        (
            "oxygen 25",
            "oxygen: found 25 %; expected -25.316 (all carbon as CO, all hydrogen as H2) to 20.950",
        ),
        ("oxygen 20.94 --celsius 30 --humidity 80", "20.248 % (the intake air alone)"),
        ("dry-oxygen 0", "dry-oxygen: found 0 %; expected above 0, as rich gas has none"),
        ("dry-oxygen 21", "at most the 20.950 % of air"),
        ("lambda 1 --pressure 1.2", "--pressure: given alone; expected --pressure and --pressure-k together"),
        ("lambda 1 --reference 1.2", "--reference: given alone"),
        ("lambda 1 --pressure -1 --pressure-k 0.3", "--pressure: found -1; expected bar absolute"),
        ("lambda 1 --pressure 1 --pressure-k -1", "k in bar = -1; expected zero or more"),
        ("lambda 1 --pressure 1 --pressure-k 1 --reference 0", "reference pressure in bar = 0"),
        ("lambda 1 --curve petroil", "no fuel is named 'petroil'"),
        ("lambda 1 --as-shown", "--as-shown: nothing bends the reading"),
        ("dry-oxygen 2 --as-shown --curve E10", "found dry-oxygen, which is an analyser's"),
    ],
)
def test_bad_use_is_told_in_one_line(line: str, complaint: str) -> None:
    status, out, err = run_command("convert", *line.split())
    assert (status, out, err.count("\n")) == (BAD_INPUT, "", 1)
    assert complaint in err
