"""Items that the program has no finding for yet, each with what is lacking."""

from __future__ import annotations

from mixmon.grade.evidence import Evidence
from mixmon.grade.item import Item, does_not_apply, not_yet


def identity(evidence: Evidence) -> Item:
    """Which label is which cylinder."""
    wrong = [one for one in evidence.truth["identity"] if not one["right"]]
    expected = ", ".join(f"label {one['label']} is cylinder {one['cylinder']}" for one in wrong)
    return not_yet("which label is which cylinder", expected or "every label right", "no identify command")


def leak(evidence: Evidence) -> Item:
    """The leak named as a cause, or throttle sync, which looks alike; no trim from where it shows."""
    name, planted = "leak suspected, test asked for", evidence.faults("leak")
    if not planted:
        return does_not_apply(name, "no leak planted")
    cylinders = ", ".join(str(fault["cylinder"]) for fault in planted)
    return not_yet(name, f"cylinder {cylinders}: leak or throttle sync", "no finding of causes")


def spoilt_reference(evidence: Evidence) -> Item:
    """That a leaking cylinder makes all others look rich, said without being asked."""
    name, planted = "reference spoilt by a leak, said unasked", evidence.faults("leak")
    if not planted:
        return does_not_apply(name, "no leak planted")
    cylinders = ", ".join(str(fault["cylinder"]) for fault in planted)
    return not_yet(name, f"cylinder {cylinders} left out of the mean", "no finding of causes")


def dead_time(evidence: Evidence) -> Item:
    """Injectors that open late or early."""
    name, late = "dead times of injectors", evidence.truth["differences"]["dead_time_ms"]
    odd = [f"cylinder {i} {ms:+.3f} ms" for i, ms in enumerate(late, 1) if ms]
    if not odd:
        return does_not_apply(name, "all alike")
    return not_yet(name, ", ".join(odd), "no split-pulse test")


def before_after(evidence: Evidence) -> Item:
    """Whether a second run proves that the work was worth it."""
    name = "before and after: equivalence proved"
    return not_yet(name, f"{len(evidence.behind)} cylinders within +-1 %", "no comparison of two runs")
