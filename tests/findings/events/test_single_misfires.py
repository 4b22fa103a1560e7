"""Two single missed cycles in the demo's third pull, beside a node that loses its supply again and again."""

from dataclasses import replace

from mixmon.findings.events.event import Kind
from mixmon.findings.events.events import EventStage
from mixmon.findings.stage import run_through
from mixmon.messages.bind import bind, load_databases
from mixmon.pipeline import Pipeline
from mixmon.simulate.load import load_scenario
from mixmon.simulate.scenario import Part
from mixmon.simulate.simulation import EPOCH_NS, simulate
from mixmon.simulate.truth import truth_of

DEMO = load_scenario("alder8")
IDLE = (Part("off", "off", 0.5, 0.0, 0.0), Part("start", "start", 5.0, 1100.0, 3.0))
PULLS = tuple(
    part
    for k in (1, 3)
    for part in (
        Part("steady", f"before {k}", 8.0, 2480.0, 8.0),
        Part("sweep", f"pull {k}", 8.4, 7900.0, 100.0),
        Part("limiter", f"limiter {k}", 0.5, 7900.0, 100.0),
        Part("overrun", f"overrun {k}", 2.5, 3600.0, 0.0),
    )
)
WARM = replace(
    DEMO,
    sensors=replace(DEMO.sensors, ready_s=(3.0,) * 8),
    controllers=replace(DEMO.controllers, group_gap_s=0.5),
    warm_up=replace(DEMO.warm_up, start_c=80.0),
    faults=tuple(fault for fault in DEMO.faults if getattr(fault, "during", "pull 3") == "pull 3"),
    profile=(*IDLE, *PULLS, Part("steady", "after", 5.0, 2480.0, 8.0)),
)


def test_they_are_misfires_and_no_mixture_that_comes_and_goes_within_a_cycle():
    # two lean pulses of less than 60 ms fit the bump of this seed as well as two cycles
    simulation = simulate(WARM, seed=7)
    session = simulation.session
    binding = bind(session, load_databases(session))
    rows = run_through(Pipeline(binding), simulation)
    found = list(run_through(EventStage(session, binding.fuel), rows))
    planted = [one for one in truth_of(simulation)["events"] if one["kind"] == "misfire"]
    assert [one["cycles"] for one in planted] == [1, 1]
    misfires = [event for event in found if event.kind is Kind.MISFIRE]
    assert [event.nodes for event in misfires] == [(6,), (6,)]
    for event, one in zip(misfires, planted, strict=True):
        assert abs((event.t - EPOCH_NS) / 1e9 - one["seen_s"]) < 0.05
    assert not [event for event in found if event.kind is Kind.NOT_CLASSIFIED]
