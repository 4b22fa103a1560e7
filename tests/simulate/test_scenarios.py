"""Scenario files: those that are shipped, what is left out, and every mistake at once."""

import itertools
from dataclasses import replace

import pytest

from mixmon.errors import ScenarioError, SourceError, UsageError
from mixmon.messages.bind import bind, load_databases
from mixmon.session.load import load_session
from mixmon.simulate.load import load_scenario, read_scenario, scenario_names
from mixmon.simulate.scenario import identity_codes
from mixmon.simulate.simulation import scenario_session, session_toml, simulate
from mixmon.simulate.truth import truth_json

SMALLEST = """
[engine]
cylinders = 4
[fuel]
name = "E10"
[map]
rpm = [1000]
load = [10]
target = 1.0
pulse_ms = 4
[[profile]]
kind = "start"
rpm = 1000
load = 10
seconds = 5
"""

# One mistake each, as text to be put in place of another; what must be said of it.
MISTAKES = [
    ("cylinders = 4", "cylinders = 17", "engine.cylinders"),
    ("cylinders = 4", "cylinders = 4\nstrokes = 2", "engine.strokes"),
    ("cylinders = 4", "cylinders = 4\nfiring_order = [1, 2, 3, 3]", "engine.firing_order"),
    ('"E10"', '"E10"\nstoich_afr = 14', "fuel"),
    ("rpm = [1000]", "rpm = [2000, 1000]", "map.rpm"),
    ("target = 1.0", "target = [1.0, 1.0]", "map.target"),
    ("pulse_ms = 4", "pulse_ms = [[4], [4]]", "map.pulse_ms"),
    ("pulse_ms = 4", "pulse_ms = -4", "map.pulse_ms"),
    ("pulse_ms = 4", "", "map.pulse_ms"),
    ("seconds = 5", "seconds = 1", "profile[1]"),
    ("seconds = 5", "seconds = 5\nuntil = 5", "profile[1]"),
    ("seconds = 5", "", "profile[1]"),
    ('kind = "start"', 'kind = "begin"', "profile[1].kind"),
    ("[map]", "[cylinders]\nflow_percent = { 5 = 1 }\n[map]", "cylinders.flow_percent"),
    ("[map]", "[cylinders]\nair_percent = [1, 2]\n[map]", "cylinders.air_percent"),
    ("[map]", "[cylinders]\nsync_share = [1, 2]\n[map]", "cylinders.sync_share"),
    ("[map]", "[controllers]\nheater_groups = [[1, 2], [2, 3]]\n[map]", "controllers.heater_groups"),
    ("[map]", "[trims]\nnow_percent = [1, 2]\n[map]", "trims.now_percent"),
    ("[map]", "[warm_up]\nstart_c = 90\nend_c = 80\n[map]", "warm_up.start_c"),
    ("[map]", "[sensor]\n[map]", "sensor"),
    (
        "[map]",
        '[[limits.alarm]]\nname = "a"\npriority = 1\nage_s = 1\nwhen = "rpm >"\n[map]',
        "limits.alarm[1].when",
    ),
    (
        "[[profile]]",
        '[[fault]]\nkind = "exchanged nodes"\npositions = [2, 2]\n[[profile]]',
        "fault[1].positions",
    ),
    ("[[profile]]", '[[fault]]\nkind = "leak"\ncylinder = 5\n[[profile]]', "fault[1].cylinder"),
    (
        "[[profile]]",
        '[[fault]]\nkind = "misfires"\ncylinder = 1\ncycles = 1\nduring = "x"\n[[profile]]',
        "fault[1].during",
    ),
    ("[engine]", 'repeat_from = "x"\n[engine]', "repeat_from"),
    ("[engine]", 'based_on = "x"\n[engine]', "based_on"),
    ("[engine]", "[engine", "the file"),
]


def test_the_smallest_scenario_plays():
    scenario, mistakes = read_scenario(SMALLEST)
    assert mistakes == []
    assert sum(len(block) for block in simulate(scenario, seed=1)) > 2000


@pytest.mark.parametrize(("old", "new", "where"), MISTAKES, ids=[f"{w}: {n[:20]!r}" for _, n, w in MISTAKES])
def test_one_mistake_is_found_with_its_key(old, new, where):
    assert old in SMALLEST
    scenario, mistakes = read_scenario(SMALLEST.replace(old, new, 1))
    assert scenario is None
    assert where in [mistake.where for mistake in mistakes]


def test_all_mistakes_are_told_at_once(tmp_path):
    path = tmp_path / "wrong.toml"
    text = SMALLEST.replace("rpm = [1000]", "rpm = [2000, 1000]").replace('"E10"', "10")
    path.write_text(text.replace('kind = "start"', 'kind = "begin"'))
    with pytest.raises(ScenarioError) as raised:
        load_scenario(path)
    assert [m.where for m in raised.value.mistakes] == ["fuel.name", "map.rpm", "profile[1].kind"]
    assert str(raised.value).count("expected") == 3
    assert "(line 5)" in str(raised.value)


def test_a_moment_that_never_comes_is_a_mistake():
    fault = '[[fault]]\nkind = "misfires"\ncylinder = 1\ncycles = 1\nduring = "idle"\nrpm = 3000\n'
    _, mistakes = read_scenario(SMALLEST.replace("[[profile]]", f'{fault}[[profile]]\nname = "idle"'))
    assert [m.where for m in mistakes] == ["fault[1]"]


def test_what_is_not_there_is_said(tmp_path):
    with pytest.raises(UsageError, match="alder8"):
        load_scenario("alder9")
    with pytest.raises(SourceError):
        load_scenario(tmp_path / "nowhere.toml")


@pytest.mark.parametrize("name", scenario_names())
def test_every_shipped_scenario_plays_and_its_session_can_be_used(name, tmp_path):
    scenario = load_scenario(name)
    simulation = simulate(scenario, seed=1, duration=6)
    assert sum(len(block) for block in simulation) > 1000
    assert '"cells"' in truth_json(simulation)
    path = tmp_path / "session.toml"
    path.write_text(session_toml(simulation.session), "utf-8")
    read = load_session(path)
    assert replace(read, path=None) == scenario.session
    binding = bind(read, load_databases(read))
    assert len(binding.nodes) == scenario.size
    assert set(binding.missing) <= {"engine_signals.oil_c"}


@pytest.mark.parametrize("cylinders", [4, 5, 10, 16])
def test_plain_plays_with_any_number_of_cylinders(cylinders):
    scenario = load_scenario("plain", cylinders)
    assert (scenario.size, len(scenario.sensors.serial), len(scenario.session.chain.nodes)) == (
        cylinders,
    ) * 3
    assert sum(len(block) for block in simulate(scenario, seed=1, duration=3)) > 100 * cylinders


def test_trims_of_a_run_are_in_its_session():
    scenario = load_scenario("plain", 4)
    trims = (1.0, -2.0, 6.0, 0.0)
    assert simulate(scenario, seed=1, trims=trims).session.trims.now_percent == trims
    assert scenario_session(scenario).trims.now_percent == (0.0,) * 4


def test_uneven_firing_spaces_the_cycles():
    """Sparks of the odd-firing six: 150 and 90 degrees in turn, as in its table."""
    world = simulate(load_scenario("odd-six"), seed=1).world
    order = sorted(range(6), key=lambda i: world.fires_deg[i])
    assert [i + 1 for i in order] == [1, 6, 5, 4, 3, 2]
    angles = [world.fires_deg[i] for i in order]
    assert [b - a for a, b in itertools.pairwise([*angles, 720])] == [150, 90, 150, 90, 150, 90]


@pytest.mark.parametrize("cylinders", range(2, 17))
def test_group_codes_tell_all_cylinders_apart_and_one_slip_shows(cylinders):
    codes = list(zip(*identity_codes(cylinders, "coded"), strict=True))
    distances = [sum(a != b for a, b in zip(x, y, strict=True)) for x, y in itertools.combinations(codes, 2)]
    assert min(distances) >= 2


@pytest.mark.parametrize(
    ("told", "formula"),
    [
        ("stoich_afr = 9.0032", None),
        ('name = "ethanol"', "CH3O0.5"),
        ("parts = { ethanol = 1.0 }", "CH3O0.5"),
        ("atoms = { c = 1, h = 1.87 }", "CH1.87"),
    ],
)
@pytest.mark.parametrize("base", ["six", "plain"])  # one tells its fuel by its ratio, one by its name
def test_how_the_fuel_is_told_takes_the_place_of_the_bases_way(base, told, formula) -> None:
    scenario, mistakes = read_scenario(f'based_on = "{base}"\n[fuel]\n{told}\n')
    assert mistakes == []
    fuel = simulate(scenario, seed=1, duration=10).world.fuel
    assert formula is None or fuel.formula == formula
    assert fuel.stoich_afr == pytest.approx(14.6007 if "1.87" in told else 9.0032, abs=1e-3)


def test_what_is_said_of_the_bases_fuel_besides_stays() -> None:
    scenario, mistakes = read_scenario('based_on = "plain"\n[fuel]\nleaded = true\n')
    assert mistakes == []
    assert scenario.session.fuel == replace(load_scenario("plain").session.fuel, leaded=True)


def test_an_unknown_fuel_is_told_with_the_rest() -> None:
    text = 'based_on = "plain"\n[fuel]\nname = "ethanoll"\n[noise]\ncycle_percent = -1\n'
    scenario, mistakes = read_scenario(text)
    assert scenario is None
    assert [mistake.where for mistake in mistakes] == ["fuel.name", "noise.cycle_percent"]
    assert "ethanol" in mistakes[0].expected
