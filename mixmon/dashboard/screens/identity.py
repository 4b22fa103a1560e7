"""The identity step: which label is which cylinder, by fuel steps that a person types one after another.

Above, what to type now; below it a row for each label: the cylinder that it sees, how sure that is, what it
answers to the step now beside what was asked of its cylinder, and its answers to the steps before.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from mixmon.dashboard.scene import Scene
from mixmon.dashboard.screens.bars import fit_centred
from mixmon.dashboard.screens.status import Sheet, framed, room_below, status
from mixmon.dashboard.text import (
    NARROW_COLUMNS,
    Row,
    Segment,
    clean,
    fit,
    fit_row,
    number,
    signed,
    wrap,
)
from mixmon.dashboard.verdict import LimitVerdict
from mixmon.findings.identity.guide import GuidedStep, Percents, StepTest
from mixmon.findings.identity.identity import Label
from mixmon.findings.identity.notes import IdentityNote
from mixmon.findings.identity.plan import HOLD_S, PAUSE_S
from mixmon.live.recording import fuel_words
from mixmon.report.identity import confidence_text
from mixmon.report.words import sentence, sentences
from mixmon.session.evidence import IdentityStanding, IdentityState, identity_standing
from mixmon.session.model import IdentityEvidence

SIZES_PERCENT = (2.0, 3.0, 4.0, 5.0)
"""Sizes of a step that the keys offer: our choice; 3 to 5 % are usual (common practice, no source)."""

_ALL_THE_TIME = frozenset(
    {
        IdentityNote.NOT_STEADY,
        IdentityNote.CLOSED_LOOP_REPORTED,
        IdentityNote.CLOSED_LOOP_SEEN,
        IdentityNote.ANSWER_DECAYS,
        IdentityNote.NOT_ANSWERED,
        IdentityNote.ANSWERED_REVERSED,
    }
)
"""Notes that a person must know before all steps are done: they will not go away by more of them."""

_CELL = 6
"""Cells of the answer to a step before: sign, three digits and a mark."""

_FACTS = 31
"""Cells of a row besides bar and steps (computed: the widths below)."""

_LEAST_BAR = 9
"""Cells of a bar at least: our choice; with fewer the side is seen and nothing else."""

_ROOMY_BAR = 41
"""Cells of a bar at most: our choice, tenths of a step."""

_REACH_STEPS = 1.5
"""Reach of a bar to either side, in steps: our choice, as gains above 1 are seen where the pulse is short."""


def identity_page(scene: Scene, verdict: LimitVerdict, sheet: Sheet, *, first: int = 0) -> list[Row]:
    """What to do, a row a label, what the steps say; `first` rows are scrolled away."""
    width = sheet.width
    test = scene.snapshot.steps
    head = [status(scene, verdict, width, title="IDENTITY STEP")]
    if test is None:
        return framed(head, _text_rows(["nothing is known yet"], "text", width), sheet)
    head += _text_rows(_instructions(scene, test), "strong", width)
    labels = _label_rows(scene, test, width)
    told = [row for line, style in _told(scene, test) for row in _text_rows([line], style, width)]
    room = room_below(head, sheet.height)
    if len(labels) == room:
        told = []  # every label has its row before anything is scrolled
    return framed(head, [*labels, *told], sheet, first=first, key="page down")


def _text_rows(lines: Sequence[str], style: str, width: int) -> list[Row]:
    return [fit_row([(f" {part}", style)], width) for line in lines for part in wrap(line, width - 2)]


# ----------------------------------------------------------------------------------------------------
# What to do now.
# ----------------------------------------------------------------------------------------------------


def _instructions(scene: Scene, test: StepTest) -> list[str]:
    """Two lines: the step, and what to do with it."""
    if not test.plan:
        return ["all cylinders have one trim: no fuel step can tell them apart; check the labels by hand"]
    if scene.dead:
        return ["the analysis does not answer: steps that are typed now are not seen"]
    count = len(test.plan)
    if test.open:
        step = test.steps[-1]
        which = "a step that the plan has not" if step.place is None else f"STEP {step.place + 1} of {count}"
        left = HOLD_S - test.held_s
        then = "take it back" + ("" if test.reported else ", then enter")
        wait = f"hold {number(left, 0)} s more, then {then}" if left > 0 else f"NOW {then}"
        return [f"{which}: {step_words(scene, step.fuel)}", f"held {number(test.held_s, 1)} s; {wait}"]
    if test.next is None:
        return [f"all {count} steps are done"]
    words = f"STEP {test.next + 1} of {count}: type {step_words(scene, test.plan[test.next])}"
    return [words, _before_step_words(scene, test)]


def _before_step_words(scene: Scene, test: StepTest) -> str:
    mark = "it is seen by itself" if test.reported else "press enter when it is in force"
    if scene.snapshot.t is None:
        return "nothing has been heard yet: readings first"
    if not test.steps:
        return f"on top of the trims in force; speed and part load held; {mark}"
    pause = PAUSE_S - test.held_s
    return f"pause {number(pause, 0)} s, then type it; {mark}" if pause > 0 else mark


def step_words(scene: Scene, fuel: Percents) -> str:
    """What is typed, in words."""
    alike = {percent for _, percent in fuel}
    if len(alike) == 1 and len(fuel) == scene.setting.session.engine.cylinders:
        return f"all cylinders {fuel[0][1]:+.3g} %"
    return fuel_words(fuel)


# ----------------------------------------------------------------------------------------------------
# What each label answers.
# ----------------------------------------------------------------------------------------------------


def _label_rows(scene: Scene, test: StepTest, width: int) -> list[Row]:
    """A heading, then one row a label in session order."""
    shown = _shown_steps(test, width)
    bar = min(max(width - _FACTS - _CELL * len(shown), _LEAST_BAR), _ROOMY_BAR) | 1
    narrow = width < NARROW_COLUMNS
    heading: list[Segment] = [("  lab  sees  sure   answer  asked", "label")]
    if not narrow:
        reach = f"{_REACH_STEPS * test.percent:.3g}"
        scale = f"-{reach}{fit_centred('0', bar)[len(reach) + 1 : bar - len(reach) - 1]}+{reach}"
        before = "".join(fit(f"st {_place_text(step)}", _CELL, right=True) for step in shown)
        heading = [("  lab  sees  sure ", "label"), (scale, "label"), (" answer asked", "label")]
        heading.append((before, "label"))
    cells = 0 if narrow else bar
    told = (*shown, *_told_steps(test)[-1:])
    rows = (_label_row(scene, index, told, cells) for index in range(len(scene.setting)))
    return [fit_row(heading, width), *(fit_row(row, width) for row in rows)]


def _place_text(step: GuidedStep) -> str:
    place = "?" if step.place is None else str(step.place + 1)
    return f"{place}~" if step.moved else place


def _shown_steps(test: StepTest, width: int) -> tuple[GuidedStep, ...]:
    """The steps before the one of the bar, the newest ones that there is room for."""
    before = _told_steps(test)[:-1]
    room = max(width - _FACTS - _LEAST_BAR - 2, 0) // _CELL
    return before[len(before) - min(room, len(before)) :] if width >= NARROW_COLUMNS else ()


def _told_steps(test: StepTest) -> tuple[GuidedStep, ...]:
    """The steps that say something: answered ones, and the one that is held; of none, the newest."""
    told = tuple(step for step in test.steps if step.end is None or step.answered)
    return told or test.steps[-1:]


def _label_row(scene: Scene, index: int, told: Sequence[GuidedStep], bar: int) -> list[Segment]:
    """A label with its answers; the last of `told`, of which there may be none, is that of the bar."""
    test = scene.snapshot.steps
    assert test is not None
    label = None if test.result is None else test.result.labels[index]
    mark = scene.marks.chosen if scene.options.chosen is not None and scene.chosen() == index else " "
    sees, style = _sees_text(scene, label, begun=bool(test.steps))
    sure = "--" if label is None else confidence_text(label.confidence)
    segments: list[Segment] = [
        (f"{mark}{fit(scene.setting.labels[index], 4, right=True)} ", "strong"),
        (f"{fit(sees, 5, right=True)} {fit(sure, 6)} ", style),
    ]
    answer, asked = _answer_to(scene, index, told[-1]) if told else (math.nan, math.nan)
    if bar:
        segments += _bar_segments(scene, test, answer, asked, bar)
    words, style = _answer_text(answer, asked, test.percent)
    segments += [(f" {fit(words, 6, right=True)}", style), (fit(signed(asked), 5, right=True), "text")]
    for step in told[:-1]:
        words, style = _answer_text(*_answer_to(scene, index, step), test.percent)
        segments.append((fit(words, _CELL, right=True), "dim" if style == "text" else style))
    return segments


def _answer_to(scene: Scene, index: int, step: GuidedStep) -> tuple[float, float]:
    """What a label answered to a step, and what was asked of it, percent of fuel."""
    return float(step.answers[index]), asked_of(scene, index, step.fuel)


def _answer_text(answer: float, asked: float, percent: float) -> tuple[str, str]:
    """The answer, with a mark where it is odd, and its style."""
    return (
        (f"{signed(answer)}!", "strong") if is_odd(answer, asked, percent) else (f"{signed(answer)} ", "text")
    )


def asked_of(scene: Scene, index: int, fuel: Percents) -> float:
    """Percent of fuel that a step gives to the cylinders of a label, on the mean."""
    by = dict(fuel)
    cylinders = scene.setting.nodes[index].cylinders
    return sum(by.get(cylinder, 0.0) for cylinder in cylinders) / len(cylinders)


def is_odd(answer: float, asked: float, percent: float) -> bool:
    """Whether an answer is nearer to that of another cylinder than to the one that was asked for."""
    return math.isfinite(answer) and abs(answer - asked) > percent / 2


def _sees_text(scene: Scene, label: Label | None, *, begun: bool) -> tuple[str, str]:
    """The cylinder that a label sees, as far as it is told, and the style of that."""
    if label is None or not label.told:
        return "?" if begun else scene.marks.dash, "dim"
    seen = "+".join(map(str, label.cylinders))
    return (seen, "text") if label.right else (f"{seen}!", "over-text")


def _bar_segments(scene: Scene, test: StepTest, answer: float, asked: float, cells: int) -> list[Segment]:
    """From nothing to the answer; the place that was asked for is marked."""
    middle, reach = cells // 2, _REACH_STEPS * test.percent
    track = [" "] * cells
    track[middle] = scene.marks.target

    def at(percent: float) -> int:
        return min(max(middle + round(middle * percent / reach), 0), cells - 1)

    if math.isfinite(answer):
        low, high = sorted((middle, at(answer)))
        for cell in range(low, high + 1):
            track[cell] = scene.marks.whisker
        track[middle] = scene.marks.target
    if math.isfinite(asked):
        track[at(asked)] = scene.marks.limit
    if math.isfinite(answer):
        track[at(answer)] = scene.marks.now
    return [("".join(track), "text")]


# ----------------------------------------------------------------------------------------------------
# What the steps say, and what to do next.
# ----------------------------------------------------------------------------------------------------


def evidence_in_force(scene: Scene) -> IdentityEvidence | None:
    """The proof that counts now: the one that was kept while watching, else that of the session."""
    test = scene.live.steps
    kept = None if test is None else test.evidence
    return scene.setting.session.identity if kept is None else kept


def standing_now(scene: Scene) -> IdentityStanding:
    """What is known of the labels now: by steps in the rows themselves, else by the proof that counts."""
    if scene.live.identity.own:
        return scene.live.identity
    return identity_standing(replace(scene.setting.session, identity=evidence_in_force(scene)))


def _told(scene: Scene, test: StepTest) -> list[tuple[str, str]]:
    """Lines below the labels, most important first, each with its style."""
    lines: list[tuple[str, str]] = []
    if test.closed_loop:
        lines.append(
            ("closed loop is on: the engine control takes the steps back; switch that off", "strong")
        )
    if test.steps and test.steps[-1].moved:
        lines.append(("speed or load moved in the last step: it does not count and comes again", "strong"))
    if not test.steps and test.plan:
        how = "one cylinder at a time" if test.single else "coded groups"
        lines.append(
            (f"plan: {len(test.plan)} steps of {test.percent:g} %, {how} (arrows change it)", "text")
        )
    lines += _result_lines(scene, test)
    lines += _evidence_lines(scene, test)
    return lines


def _result_lines(scene: Scene, test: StepTest) -> list[tuple[str, str]]:
    found, done = test.result, test.next is None and not test.open
    if found is None:
        return []
    if test.waiting and done:
        return [("the last answer is still to come", "text")]
    shown = [note for note in found.notes if done or note.code in _ALL_THE_TIME]
    told = sum(label.told for label in found.labels)
    if not done:
        words = f"so far {told} of {len(found.labels)} labels are told, by {found.steps} steps"
        return [(sentence(note), "strong") for note in shown] or [(words, "text")]
    lines = [(_verdict_words(scene, test), "strong")]
    lines += [(sentence(note), "text") for note in shown]
    odd = (label for label in found.labels if label.flags)
    lines += [
        (f"label {'+'.join(map(str, label.labelled))}: {sentences(label.flags)}", "text") for label in odd
    ]
    return lines


def _verdict_words(scene: Scene, test: StepTest) -> str:
    """Pass or fail, and what to do."""
    found = test.result
    assert found is not None
    kept = test.evidence is not None
    if found.state is IdentityState.PROVED:
        least = min(found.labels, key=lambda label: label.confidence)
        sure = f"least sure label {'+'.join(map(str, least.labelled))}, {confidence_text(least.confidence)}"
        then = "kept" if kept else "k keeps the proof, and lifts the lock of the trims"
        pairs = any(len(label.cylinders) > len(label.labelled) for label in found.labels)
        own = "a cylinder of its injector driver" if pairs else "its cylinder"
        return f"PASS: every label sees {own}, by {found.steps} steps; {sure}; {then}"
    if found.state is IdentityState.DISPROVED:
        then = (
            "trims go by the cylinder seen" if standing_now(scene).by_cylinder else "no trims until put right"
        )
        keep = "kept" if kept else "k keeps what each label sees"
        return f"FAIL: not every label sees its cylinder; {then}; {keep}"
    return "NOT PROVED: p begins the steps again"


_STANDS = {
    IdentityState.PROVED: "proved by what was kept",
    IdentityState.DISPROVED: "what was kept says that labels are wrong",
    IdentityState.STATED: "not proved; somebody vouches for the labels",
    IdentityState.UNPROVED: "not proved: no trims are offered",
}


def _evidence_lines(scene: Scene, test: StepTest) -> list[tuple[str, str]]:
    """What counts now, beside the steps of this test."""
    standing, evidence = standing_now(scene), evidence_in_force(scene)
    if test.evidence is None and test.steps and evidence is None:
        return []
    words = f"labels: {_STANDS[standing.state]}"
    if evidence is not None:
        words += f" ({clean(evidence.log)})"
    if standing.changed:
        words += f"; since then changed at position {' '.join(map(str, standing.changed))}"
    return [(words, "text")]
