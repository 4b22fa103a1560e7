"""All items, in the order in which they are printed."""

from __future__ import annotations

from collections.abc import Callable

from mixmon.grade import mixture_items, sample_items
from mixmon.grade.evidence import Evidence, gather
from mixmon.grade.item import Item, Verdict, does_not_apply, not_yet
from mixmon.grade.naive import naive_run
from mixmon.simulate.run import Simulation

Judge = Callable[[Evidence], Item]


def grade(simulation: Simulation, *, naive: bool = False) -> tuple[Item, ...]:
    """Runs the analysis on the simulation's frames and judges it by the truth.

    With `naive`, the scenario is played three times more, to see what comes of trimming by label.
    """
    evidence = gather(simulation)
    return tuple(judge(evidence) for judge in (*JUDGES, *((naive_run,) if naive else ())))


def all_right(items: tuple[Item, ...]) -> bool:
    """True if nothing that could be judged was wrong."""
    return not any(item.verdict is Verdict.WRONG for item in items)


def _identity(evidence: Evidence) -> Item:
    wrong = [str(one["label"]) for one in evidence.truth["identity"] if not one["right"]]
    expected = f"labels {' and '.join(wrong)} exchanged" if wrong else "every label right"
    return not_yet("identity", expected, "no analysis of coded fuel steps")


def _planted(kind: str, name: str, expected: str, lacking: str) -> Judge:
    """A planted fault that the analysis has no finding for yet."""

    def judge(evidence: Evidence) -> Item:
        planted = [fault for fault in evidence.truth["faults"] if fault["kind"] == kind]
        if not planted:
            return does_not_apply(name, f"no {kind} planted")
        places = sorted({str(fault.get("cylinder", fault.get("position"))) for fault in planted})
        return not_yet(name, f"{expected} {' '.join(places)}", lacking)

    return judge


def _slow_sensor(evidence: Evidence) -> Item:
    lags = {s["sensor"]: s["lean_s"] for s in evidence.truth["sensors"]}
    usual = sorted(lags.values())[len(lags) // 2]
    slow = [sensor for sensor, lag in lags.items() if lag > 2 * usual]
    name = "slow sensor"
    if not slow:
        return does_not_apply(name, "no sensor beyond twice its peers")
    return not_yet(name, f"{' '.join(slow)} slow", "no finding of response times")


def _delays(evidence: Evidence) -> Item:
    cells = evidence.truth["cells"]
    spans = [min(c["dead_delay_s"]) for c in cells]
    expected = f"{1000 * max(spans):.0f} to {1000 * min(spans):.0f} ms" if spans else "none"
    return not_yet("delay by operating point", expected, "no identification of delays")


def _dead_time(evidence: Evidence) -> Item:
    late = evidence.truth["differences"]["dead_time_ms"]
    if not any(late):
        return does_not_apply("injector dead time", "all alike")
    expected = " ".join(f"{value:+.3f}" for value in late) + " ms"
    return not_yet("injector dead time", expected, "no split-pulse test")


def _before_after(_: Evidence) -> Item:
    return not_yet("before and after", "equivalence within +-1 %", "no comparison of two runs")


JUDGES: tuple[Judge, ...] = (
    _identity,
    mixture_items.needs_as_read,
    mixture_items.needs_in_truth,
    mixture_items.rounded_trims,
    mixture_items.predicted_spread,
    mixture_items.whole_engine,
    mixture_items.intervals,
    sample_items.warming,
    sample_items.drop_outs,
    sample_items.fuel_cuts,
    sample_items.spark_cuts,
    sample_items.steady_time,
    sample_items.transient_time,
    _planted("leak", "exhaust leak", "cylinder", "no finding of leaks"),
    _planted("leak", "reference spoilt by a leak", "cylinder", "no finding of leaks"),
    _slow_sensor,
    _planted("misfire", "misfires", "cylinder", "no finding of misfires"),
    _dead_time,
    _delays,
    _before_after,
)
