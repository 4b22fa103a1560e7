"""Which label is which cylinder, as JSON and as text; a plan of fuel steps as the file that lists them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from mixmon.findings.identity.identity import Identity, Label, OtherReading
from mixmon.report.answers import answer_text, identity_answer
from mixmon.report.balance import log_json, log_text
from mixmon.report.text import (
    NO_VALUE,
    Cell,
    Column,
    counted,
    half_width,
    log_notes,
    note_lines,
    number,
    paragraph,
    printable,
    table,
    title,
)
from mixmon.report.words import sentences
from mixmon.run import Run
from mixmon.session.evidence import IdentityState
from mixmon.session.fuel_steps import FuelStep
from mixmon.session.model import Session

_SURE_TEXT = 0.9995  # our choice: confidences from here on are shown as more than 0.999


def identity_json(identity: Identity, run: Run) -> Mapping[str, Any]:
    """The fields of `mixmon identify --json`, in their order.

    session, log  as for the balance
    state         "proved", "disproved" (some label surely sees another cylinder) or "unproved"
    proved        whether it is
    labels        one a node: position, sensor, labelled and cylinder (a list where a sensor or an injector
                  driver has several cylinders; cylinder is null where nothing is claimed), confidence
                  (probability, or null), gain (its answer; 1: as fuel and air say) with gain_half (95 %),
                  delay_s behind the steps, lag_s, flags
    exchanged     pairs of labels of which each sees the other's cylinder
    other_reading null, or: labels (labelled, and the cylinder each seems to see) and the two steps that
                  would look the same if typed in each other's place; then nothing is claimed of these labels
    steps_used    steps that were held for a second and more while speed and load were
    crosstalk_percent  one row a node, one column a cylinder: what share of its answer a label gets from
                  each; null where the steps do not separate all cylinders; crosstalk_half_percent: 95 %
    notes         why nothing is claimed; what to know
    """
    return {
        "session": run.session.name or str(run.session.path or ""),
        "log": log_json(run.log),
        "state": identity.state.value,
        "proved": identity.proved,
        "labels": [_label_json(label) for label in identity.labels],
        "exchanged": identity.exchanged,
        "other_reading": _other_reading_json(identity.other_reading),
        "steps_used": identity.steps,
        "crosstalk_percent": identity.crosstalk_percent,
        "crosstalk_half_percent": identity.crosstalk_half,
        "notes": identity.notes,
        "answer": identity_answer(identity).notes,
    }


def _other_reading_json(other: OtherReading | None) -> Mapping[str, Any] | None:
    if other is None:
        return None
    labels = [{"labelled": label, "seems_to_see": cylinder} for label, cylinder in other.labels]
    return {"labels": labels, "steps_exchanged": other.steps}


def _label_json(label: Label) -> Mapping[str, Any]:
    return {
        "position": label.position,
        "sensor": label.sensor,
        "labelled": _one_or_list(label.labelled),
        "cylinder": _one_or_list(label.cylinders) if label.cylinders else None,
        "confidence": label.confidence,
        "gain": label.gain,
        "gain_half": label.gain_half,
        "delay_s": label.delay_s,
        "lag_s": label.lag_s,
        "flags": label.flags,
    }


def _one_or_list(cylinders: tuple[int, ...]) -> int | tuple[int, ...]:
    return cylinders[0] if len(cylinders) == 1 else cylinders


_VERDICTS: Mapping[IdentityState, str] = {
    IdentityState.PROVED: "proved: every label sees the cylinder that the session gives it",
    IdentityState.DISPROVED: "disproved: not every label sees the cylinder that the session gives it",
    IdentityState.UNPROVED: "not proved",
}


def _verdict_of(identity: Identity) -> str:
    """What is known of the labels; of those whose injectors share drivers, that it is of the driver."""
    proved = identity.state is IdentityState.PROVED
    if proved and any(len(label.cylinders) > len(label.labelled) for label in identity.labels):
        return "proved: every label sees a cylinder of the injector driver that the session gives it"
    return _VERDICTS[identity.state]


def identity_text(identity: Identity, run: Run) -> str:
    """The verdict, a line for each label and the reasons, for a terminal of 80 columns."""
    steps = counted(identity.steps, "fuel step")
    answer = answer_text(identity_answer(identity))
    parts = [title("IDENTITY", run.session.name) + answer + log_text(run.log)]
    parts.append(paragraph(f"{_verdict_of(identity)}; by {steps}") + note_lines(identity.notes))
    if any(label.cylinders or label.flags for label in identity.labels):
        parts.append(_label_table(identity.labels) + paragraph(_LABEL_COLUMNS_SAY))
    if np.isfinite(identity.crosstalk_percent).any():
        parts.append(_crosstalk_table(identity) + paragraph(_CROSSTALK_SAYS))
    notes = note_lines(log_notes(run))
    return "\n".join([*parts, notes] if notes else parts)


_LABEL_COLUMNS_SAY = (
    "sure: probability that it sees that cylinder; gain: its answer, 1 for fuel and air alone, more where a "
    "trim is of the whole injector pulse; ms: delay and lag of its answer behind the steps"
)
_CROSSTALK_SAYS = "percent of its answer that a label gets from the steps of each cylinder; ± 95 % at most"


def _label_table(labels: Sequence[Label]) -> str:
    columns = (
        Column("pos"),
        Column("label", left=True),
        Column("sensor", left=True),
        Column("sees", left=True),
        Column("sure", left=True),
        Column("gain", decimals=2),
        Column("±", decimals=2, is_half=True),
        Column("ms", left=True),
        Column("remarks", left=True, wraps=True),
    )
    rows: list[Sequence[Cell]] = [
        (
            label.position,
            _cylinders_text(label.labelled),
            label.sensor or NO_VALUE,
            _cylinders_text(label.cylinders) or NO_VALUE,
            confidence_text(label.confidence),
            label.gain,
            label.gain_half,
            f"{number(1e3 * label.delay_s)}+{number(1e3 * label.lag_s)}",
            sentences(label.flags),
        )
        for label in labels
    ]
    return table(columns, rows)


def _cylinders_text(cylinders: Sequence[int]) -> str:
    return "+".join(map(str, cylinders))


def confidence_text(confidence: float) -> str:
    """A confidence with three decimals, never as certain; `--` where nothing is told."""
    return ">0.999" if confidence >= _SURE_TEXT else number(confidence, 3)


def _crosstalk_table(identity: Identity) -> str:
    cylinders = identity.crosstalk_percent.shape[1]
    columns = [Column("label", left=True), *(Column(f"cyl {c}") for c in range(1, cylinders + 1))]
    rows = list[Sequence[Cell]]()
    for label, shares, halves in zip(
        identity.labels, identity.crosstalk_percent, identity.crosstalk_half, strict=True
    ):
        widest = half_width(float(np.nanmax(halves, initial=0.0)) or np.nan)
        rows.append((f"{_cylinders_text(label.labelled)} (± {widest})", *map(float, shares)))
    return table(columns, rows)


# --- The plan. ---


def plan_json(steps: Sequence[FuelStep], session: Session) -> Mapping[str, Any]:
    """The fields of `mixmon identify --plan --json`: session, and steps as in the file for --steps."""
    return {
        "session": session.name or str(session.path or ""),
        "steps": [
            {
                "from_s": step.from_s,
                "to_s": step.to_s,
                "fuel_percent": {str(cylinder): percent for cylinder, percent in step.percent},
            }
            for step in steps
        ],
    }


def plan_text(steps: Sequence[FuelStep], session: Session) -> str:
    """The plan as a file for --steps, with what to do as its comments."""
    lines = [
        f"# Fuel steps for {printable(session.name) or 'this engine'}: which label is which cylinder.",
        "# Warm engine, closed-loop correction off, one speed and part load held throughout, within the",
        "# engine builder's limits; begin the recording, and type these trims on top of those in force.",
        "# Times count from the log's first frame. A second early or late does not matter where all are;",
        "# otherwise put the times as they were into this file. Then: mixmon identify LOG -s SESSION",
        "# --steps THIS FILE. Where the engine control sends its trims, map them, and no file is needed.",
    ]
    for step in steps:
        lines += [
            "",
            f"# {_clock_text(step.from_s)} {_typed_text(step, session)}; {_clock_text(step.to_s)} back",
        ]
        percent = ", ".join(f'"{cylinder}" = {by:+.10g}' for cylinder, by in step.percent)
        lines += ["[[step]]", f"from_s = {step.from_s:.10g}", f"to_s = {step.to_s:.10g}"]
        lines.append(f"fuel_percent = {{ {percent} }}")
    return "\n".join(lines) + "\n"


def _clock_text(seconds: float) -> str:
    return f"{int(seconds // 60)}:{round(seconds % 60):02d}"


def _typed_text(step: FuelStep, session: Session) -> str:
    """What to type, in words: the cylinders by their percent."""
    by_percent: dict[float, list[int]] = {}
    for cylinder, percent in step.percent:
        by_percent.setdefault(percent, []).append(cylinder)
    if len(step.percent) == session.engine.cylinders and len(by_percent) == 1:
        return f"all cylinders {step.percent[0][1]:+g} %"
    return ", ".join(
        f"{'cylinder' if len(them) == 1 else 'cylinders'} {' '.join(map(str, them))} {percent:+g} %"
        for percent, them in sorted(by_percent.items(), reverse=True)
    )
