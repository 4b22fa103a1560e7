"""Items about pulls: found, where they begin and end, and what ended them."""

from __future__ import annotations

from typing import Any

from mixmon.findings.pulls.pulls import Pull
from mixmon.findings.pulls.quality import LIFT, LIMITER
from mixmon.grade.evidence import Evidence
from mixmon.grade.item import Item, does_not_apply, judged
from mixmon.simulate.run import EPOCH_NS

END_S = 0.2
"""How far the beginning and the end of a pull may be from the truth."""

_NO_PULL = "no sweep at full opening in the script"


def pulls_found(evidence: Evidence) -> Item:
    """Every scripted sweep at full opening is found, and nothing else is."""
    name, planted = "pulls found", _planted(evidence)
    if not planted and not evidence.pulls:
        return does_not_apply(name, _NO_PULL)
    true = " ".join(f"{pull['t_s']:.1f}" for pull in planted)
    found = " ".join(f"{_seconds(pull.begin):.1f}" for pull in evidence.pulls)
    right = len(planted) == len(evidence.pulls) == len(_matched(evidence))
    return judged(
        name, f"{len(planted)} ({true} s)", f"{len(evidence.pulls)} ({found} s)", "exact", right=right
    )


def pull_ends(evidence: Evidence) -> Item:
    """Of the pulls that were found: the moments at which they begin and end, and what ended them."""
    name, planted, pairs = "beginnings and ends of pulls", _planted(evidence), _matched(evidence)
    if not planted:
        return does_not_apply(name, _NO_PULL)
    if not pairs:
        return judged(name, f"of {len(planted)}", "no pull found", f"+-{END_S} s", right=False)
    late = [
        abs(moment - truth[key])
        for truth, pull in pairs
        for moment, key in ((_seconds(pull.begin), "t_s"), (_seconds(pull.end), "to_s"))
    ]
    ended = [_ended_by(evidence, truth) for truth, _ in pairs]
    found = [pull.ended_by for _, pull in pairs]
    return judged(
        name,
        ", ".join(ended),
        f"{', '.join(found)}; up to {max(late):.2f} s off",
        f"+-{END_S} s",
        right=ended == found and max(late) <= END_S,
    )


def _planted(evidence: Evidence) -> list[dict[str, Any]]:
    """Sweeps at the highest load of the axes that end within the simulation."""
    axes, length = evidence.simulation.session.axes, evidence.simulation.duration_s
    full = max(axes.load, default=0.0)
    return [p for p in evidence.events("pull") if p["load"] >= full and p["to_s"] <= length]


def _matched(evidence: Evidence) -> list[tuple[dict[str, Any], Pull]]:
    """Each planted pull with the one found that lies over its middle."""
    pairs = []
    for truth in _planted(evidence):
        middle = (truth["t_s"] + truth["to_s"]) / 2
        pairs += [(truth, p) for p in evidence.pulls if _seconds(p.begin) < middle < _seconds(p.end)]
    return pairs


def _ended_by(evidence: Evidence, pull: dict[str, Any]) -> str:
    follows = [part for part in evidence.parts("limiter") if part["from_s"] == pull["to_s"]]
    return LIMITER if follows else LIFT


def _seconds(t: int) -> float:
    return (t - EPOCH_NS) / 1e9
