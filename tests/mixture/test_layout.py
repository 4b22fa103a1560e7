"""From a bound session to the sources of its rows."""

from __future__ import annotations

from pathlib import Path

from mixmon.messages.bind import bind, load_databases
from mixmon.mixture.layout import layout_of, node_facts
from mixmon.mixture.validity import FINE_LAMBDA
from mixmon.session.load import load_session

EXAMPLES = Path(__file__).parents[2] / "examples"


def test_the_demo_engine_has_eight_nodes_with_everything() -> None:
    session = load_session(EXAMPLES / "alder8.toml")
    binding = bind(session, load_databases(session))
    layout, facts = layout_of(binding), node_facts(binding, frozenset({5}))
    assert len(layout.nodes) == 8
    assert all(n.lam and n.oxygen and n.ready and n.supply and n.heater for n in layout.nodes)
    assert layout.geometry.distance_mm == (320.0,) * 8
    assert layout.geometry.bore_mm == 44.0
    assert facts.left_out.tolist() == [False] * 4 + [True] + [False] * 3
    assert facts.cycle_ns.tolist() == [10_000_000] * 8
    assert (facts.digit <= FINE_LAMBDA).all()


def test_multiplexed_signals_have_no_nominal_time_of_their_own() -> None:
    session = load_session(EXAMPLES / "foreign.toml")
    binding = bind(session, load_databases(session))
    assert all(bound["lambda"].signal.selectors for bound in binding.nodes)
    assert node_facts(binding, frozenset()).cycle_ns.tolist() == [0] * 6
    layout = layout_of(binding)
    assert layout.engine["target"].unit == "afr"
    assert layout.engine["target"].stoich_afr == binding.stoich_afr
