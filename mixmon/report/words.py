"""English for the codes of notes: one sentence for each code, by room, and nowhere else.

A sentence is a text with `{name}` for each value of the note, or a function of the values where the
words depend on them. The rooms follow in the order in which the work is done: the session, the balance, the
rotation, the comparison, the pulls, the response, identity, the census. A code of a new room gets its table
here and its row in `SENTENCES`.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any, Final

from mixmon.beside.notes import MergeNote
from mixmon.findings.balance.notes import BalanceNote
from mixmon.findings.bias.notes import BiasNote
from mixmon.findings.causes.notes import CauseNote
from mixmon.findings.census.records import CensusNote
from mixmon.findings.identity.notes import IdentityNote, LabelNote
from mixmon.findings.lags import LagSource
from mixmon.findings.plausible.notes import PlausibleNote
from mixmon.findings.proof.notes import EffectVerdict, ProofNote
from mixmon.findings.pulls.quality import PullNote
from mixmon.findings.response.notes import EdgeProblem, ResponseNote
from mixmon.findings.trims.notes import Certainty, Outlook, SheetNote
from mixmon.findings.wiring import WiringNote
from mixmon.ledger.notes import LedgerNote
from mixmon.messages.cautions import Caution
from mixmon.messages.gaps import Gap
from mixmon.note import Note, NoteCode
from mixmon.report.answers import AnswerNote
from mixmon.report.text import NO_VALUE, counted, half_width, number

Sentence = str | Callable[[Mapping[str, Any]], str]


# A note in words.


_NAN_TEXT: Final = re.compile(r"(?<![\w.])[+-]?nan(?!\w)")
"""How Python writes a value that is not known."""


def sentence(noted: Note) -> str:
    """The English of a note; a value that is not known is a pair of dashes.

    Raises:
        KeyError: a code without a sentence.
    """
    words, values = SENTENCES[noted.code], dict(noted.values)
    said = words.format_map(values) if isinstance(words, str) else words(values)
    return _NAN_TEXT.sub(NO_VALUE, said)


def sentences(notes: Sequence[Note], between: str = "; ") -> str:
    """The notes as one text."""
    return between.join(map(sentence, notes))


def note_object(noted: Note) -> dict[str, Any]:
    """The note as JSON's object: code, text, and its values by name."""
    return {"code": noted.code.value, "text": sentence(noted), **dict(noted.values)}


def _join_words(names: Iterable[object], last: str = " and ") -> str:
    """The names with commas, and with `last` before the last one."""
    *first, end = map(str, names)
    return f"{', '.join(first)}{last}{end}" if first else end


# The session: what is missing in it or in the log, and what to take care of.

WITHOUT_SIGNAL: Final[Mapping[str, str]] = {
    "ready": "warm-up is inferred from time alone",
    "supply": "a node without supply cannot be distinguished from one that is off the bus",
    "heater": "heater effort is not compared",
    "resets": "restarts of a controller are inferred from its silence alone",
    "rpm": "no cells, no pulls, no misfires by cycle, no delay by speed",
    "pulse_ms": "unequal flow cannot be distinguished from unequal dead time",
    "coolant_c": "a cold engine cannot be distinguished from a warm one",
    "fuel_cut": "fuel cuts are inferred from the readings alone",
    "spark_cut": "spark cuts are inferred from the readings alone",
}
"""What is not done without a signal, by its name in the session."""


def _keys_with_lines(values: Mapping[str, Any]) -> str:
    """Keys of a session file, each with its line."""
    return _join_words(f"{key} (line {n})" for key, n in zip(values["keys"], values["lines"], strict=True))


def _missing_messages(came: str) -> Callable[[Mapping[str, Any]], str]:
    """The sentence on messages that carry the same signals: which `came`, and what is unknown."""

    def describe_messages(values: Mapping[str, Any]) -> str:
        more = f" and {values['others']} like it" if values["others"] else ""
        needed = _join_words(values["needed_for_steady"]) if values["needed_for_steady"] else ""
        steady = f"; without {needed} no time counts as steady" if needed else ""
        signals = _join_words(values["signals"], ", ")
        return f"{values['message']}{more} {came} on bus {values['bus']}: no {signals}{steady}"

    return describe_messages


def _cylinders_word(cylinders: Sequence[int]) -> str:
    """The cylinders with their word: "cylinder 3", "cylinders 3 and 4"."""
    return f"cylinder{'s' if len(cylinders) > 1 else ''} {_join_words(cylinders)}"


def _name_together(cylinders: Sequence[int], of: int = 0) -> str:
    """What cylinders of one sensor are called; `of` more than are listed."""
    return "pair" if len(cylinders) + of == 2 else "set"


_STAGE_NAMES: Final[Mapping[int, str]] = {1: "first", 2: "second"}


def _staging_line(values: Mapping[str, Any]) -> str:
    """Where the staging line is."""
    axes = (("rpm_above", "over {:g} rpm"), ("load_above", "over load {:g}"))
    return " and ".join(words.format(values[name]) for name, words in axes if values[name] is not None)


def _write_steps(values: Mapping[str, Any]) -> str:
    """By how much the needs of which cylinders are others beyond the staging line."""
    return "beyond it needs change, against the middle of all cylinders, by " + _join_words(
        f"{percent:+.1f} ± {half:.1f} % in cylinder {cylinder}"
        for cylinder, percent, half in zip(
            values["cylinders"], values["percent"], values["half_percent"], strict=True
        )
    )


def _write_stage_compared(values: Mapping[str, Any]) -> str:
    """In which injection stage runs are compared, and what the other one shows."""
    changes = [
        f"{percent:+.1f} % in cylinder {cylinder}"
        for cylinder, percent in zip(values["changed_there"], values["percent"], strict=True)
    ]
    beside = f"in the other, by {counted(values['other_cells'], 'cell')}, "
    beside += f"changes are shown of {_join_words(changes)}" if changes else "no change is shown"
    return (
        f"staged injection: compared in the {_STAGE_NAMES[values['injection_stage']]} injection stage alone; "
        + (beside if values["other_cells"] else "no cell of the other was held in both runs")
    )


def _write_within_pairs(values: Mapping[str, Any]) -> str:
    """What fuel steps cannot show where injectors share drivers."""
    return (
        f"one injector driver for {_join_words('+'.join(map(str, one)) for one in values['cylinders'])}: "
        "fuel steps move all of a driver, so which of them each label sees is not proved; their trim does "
        "not depend on it, the need of each does: check these plugs by hand before an injector is exchanged"
    )


def _write_split(values: Mapping[str, Any]) -> str:
    """What one sensor of several cylinders can tell, and what it never can."""
    cylinders = values["cylinders"]
    return (
        f"{_cylinders_word(cylinders)} share a sensor: their sum is measured; the split between them cannot "
        f"be known from lambda, by any test with one trim for {'both' if len(cylinders) == 2 else 'all'}. "
        "Fuel steps of each by itself find how much each weighs in the reading (its gain), never the split; "
        f"they get the same change of trim, as a {_name_together(cylinders)}"
    )


def _join_reasons(reasons: Iterable[str], seconds: Iterable[float]) -> str:
    """Why samples were excluded, and for how long."""
    return ", ".join(f"{reason} {s:.1f}" for reason, s in zip(reasons, seconds, strict=True))


_SESSION_GAPS: Final[Mapping[NoteCode, Sentence]] = {
    Gap.NO_SIGNAL: lambda values: f"no {values['signal']} signal: {WITHOUT_SIGNAL[values['signal']]}",
    Gap.NO_LOAD_SIGNAL: (
        "no {signal} signal for the load: no cells by load, and steady time is found without it"
    ),
    Gap.NO_AXES: "no [axes] with rpm and load: no cells",
    Gap.NO_TARGET: "no target signal and no [targets]: no needs against the target",
    Gap.TARGETS_NOT_READABLE: "no target signal, and no rpm and {load_signal} to look up [targets] by",
    Gap.NO_EXHAUST_SIZES: "no exhaust bore and sensor distance: the delay to the sensors is assumed",
    Gap.NO_FUEL: "no [fuel]: gasoline is assumed for the oxygen balance, and AFR is not shown",
    Gap.CURVE_CORRECTED: "the controllers' lambda is read by the curve of {curve} and corrected",
    Gap.PRESSURE_CORRECTED: "readings are corrected for pressure at the sensors, k {k_bar:g} bar",
    Gap.PRESSURE_NOT_CORRECTED: (
        "sensors before the turbine and no [sensors] pressure_k_bar: pressure is not corrected for, "
        "rich reads too rich and lean too lean (lambda 0.85 as 0.81 to 0.83 at 2 bar)"
    ),
    Gap.MESSAGES_MISSING: _missing_messages("never came"),
    Gap.MESSAGES_LATE: _missing_messages("never came in time"),
    Gap.DEFINITIONS_ODD: lambda values: (
        f"{values['database']}: {counted(values['count'], 'entry', 'entries')} not as expected, the first: "
        f"{values['first']} (mixmon verify SESSION lists all)"
    ),
    Gap.FRAMES_LATE: "{frames} frames came more than {patience_s:g} s too late and are excluded",
    Gap.CHANNEL_OUT_OF_RANGE: (
        "own channel {channel}: {count} of {samples} values outside its range are not used; look at the "
        "sensor, its wire and its scale"
    ),
    Gap.NOTHING_COUNTS: lambda values: (
        "not one sample of any cylinder counts, so nothing is known of the mixture; excluded, seconds a "
        f"cylinder: {_join_reasons(values['reasons'], values['seconds'])}"
    ),
}

_MERGES: Final[Mapping[NoteCode, Sentence]] = {
    MergeNote.CELLS_UNREAD: lambda values: (
        f"{values['column']}: {counted(values['count'], 'cell')} neither a "
        f"number nor empty, taken as not known"
    ),
    MergeNote.ROWS_BEHIND: lambda values: (
        f"{counted(values['count'], 'row')} without a time, or behind an earlier row, left out"
    ),
    MergeNote.ROWS_REPEAT: lambda values: (
        f"{counted(values['count'], 'row')} with the time of the row before left out"
    ),
    MergeNote.ROWS_OUTSIDE: lambda values: f"{counted(values['count'], 'row')} outside the run left out",
    MergeNote.UNIT_NOT_TOLD: lambda values: (
        f"no unit of {_join_words(values['columns'])}; give --columns NAME:UNIT"
    ),
    MergeNote.STAMPS_CHECKED: (
        "by the engine's speed the stamps differ by {lag_s:+.3f} ± {half_s:.3f} s; --by speed takes that"
    ),
    MergeNote.STAMPS_NOT_CHECKED: (
        "nothing tells how far the two clocks differ: at a sweep of 600 rpm/s a second is 600 rpm"
    ),
    MergeNote.SPEED_READS_OFF: "the table's speed reads {percent:+.1f} % over the run's",
    MergeNote.SPEED_AVERAGED: (
        "the table's instrument averages its speed over {from_s:.1f} to {to_s:.1f} s and shows it late; its "
        "other columns may be as late or not, and the interval of the lag holds both"
    ),
}

_CAUTIONS: Final[Mapping[NoteCode, Sentence]] = {
    Caution.SENSOR_ANGLE: (
        "sensors {angle_deg:g} degrees above horizontal, below {least_deg:g}: condensed water can crack or "
        "cool the element; turn the bosses upward"
    ),
    Caution.LEADED_FUEL: "leaded fuel poisons the sensors: check them in free air before each use",
    Caution.LOAD_BY_PRESSURE: (
        "one throttle per cylinder and manifold pressure as the load axis: pressure says little about the "
        'load of such an engine; axes.load_signal = "throttle" separates loads better'
    ),
    Caution.AFTER_MERGE: "sensors after the merge see several cylinders each: no trims are offered",
    Caution.DEFINITION: "{database}: {told}",
    Caution.BORE_UNLIKELY: (
        "primaries of {bore_mm:g} mm for cylinders of {each_cm3:.0f} cm3; {least_mm:.0f} to {most_mm:.0f} "
        "mm are "
        "usual: check [exhaust] primary_bore_mm (millimetres) and [engine] displacement_l (litres, all "
        "cylinders)"
    ),
    Caution.DISTANCE_UNLIKELY: (
        "a sensor {distance_mm:g} mm from its valve; {least_mm:g} to {most_mm:g} are usual: check [exhaust] "
        "sensor_distance_mm"
    ),
    Caution.DISTANCES_UNLIKE: (
        "sensors {least_mm:g} to {most_mm:g} mm from their valves: check [exhaust] sensor_distance_mm for "
        "a wrong "
        "digit"
    ),
    Caution.DEAD_TIME_UNLIKELY: (
        "an injector dead time of {dead_time_ms:g} ms; {least_ms:g} to {most_ms:g} are usual: check "
        "[injection] "
        "dead_time_ms"
    ),
    Caution.ORDER_AS_COUNTED: (
        "{cylinders} cylinders in the order in which they are counted, and no banks: check [engine] "
        "firing_order, "
        "or give the banks"
    ),
    Caution.NO_EFFECT_WITHOUT: lambda values: (
        f"without {_join_words(values['needs'])}, no effect of {_keys_with_lines(values)}"
    ),
    Caution.NO_EFFECT_BESIDE: lambda values: (
        f"beside {values['beside']}, no effect of {_keys_with_lines(values)}"
    ),
    Caution.SHARED_SENSOR: _write_split,
    Caution.WITHOUT_SENSOR: lambda values: (
        f"no sensor for {_cylinders_word(values['cylinders'])}: nothing will be known of the mixture there; "
        f"mean and spread are of {values['measured']} of {values['of_cylinders']} cylinders"
    ),
    Caution.STAGED_INJECTION: lambda values: (
        f"staged injection {_staging_line(values)}: needs and trims of each injection stage stand apart, and "
        "those of a stage that was not held are not known; hold cells on both sides, and none at the line"
    ),
    Caution.UNEVEN_FIRING: lambda values: (
        "fires unevenly: "
        + _join_words(
            f"{cylinder} {degrees:g} degrees after {before}"
            for cylinder, before, degrees in zip(
                values["cylinders"], values["after"], values["degrees"], strict=True
            )
        )
    ),
    Caution.EVEN_FIRING_ASSUMED: (
        "paired injection without [engine] firing_angles_deg: taken to fire every {gap_deg:g} degrees, by "
        "which cylinders share a trim; give the angles if it does not"
    ),
    Caution.BATCH_INJECTION: "batch injection: all injectors open together, so no trims are offered",
    Caution.PAIRS_UNKNOWN: (
        "paired injection without [engine] firing_order: which cylinders share a trim is not known, "
        "so no trims are offered; add the firing order"
    ),
    Caution.PAIRS_INCOMPLETE: lambda values: (
        f"paired injection: no cylinder fires half a cycle from {_join_words(values['cylinders'])}, so no "
        'trims are offered; check firing_order and firing_angles_deg, or declare "sequential" or "batch"'
    ),
    Caution.PAIR_HOLDS_TWO_TRIMS: lambda values: (
        f"paired injection: cylinders {_join_words(values['cylinders'])} share one trim, and "
        "[trims] now_percent gives them two, so no trims are offered; correct now_percent"
    ),
}


# The balance.


def _write_need(need: float, trim: float) -> str:
    return f"{need:+.1f} %" + (f" (new trim {trim:+.2f})" if math.isfinite(trim) else "")


def _write_misfire_excluded(values: Mapping[str, Any]) -> str:
    cycles, events = counted(values["missed_cycles"], "cycle"), counted(values["events"], "event")
    excluded = f"misfire excluded: {cycles} in {events}"
    if "needs_percent" not in values:
        return excluded
    without = _write_need(values["needs_percent"], values["trim_new_percent"])
    with_it = _write_need(values["needs_counted_percent"], values["trim_counted_percent"])
    return f"{excluded}; needs {without} without, {with_it} with it"


def _write_frequent_misfire(values: Mapping[str, Any]) -> str:
    return (
        "misfire in the data: cylinder {which}, {events} times in {used_s:.0f} s used, {share_percent:.1f} % "
        "of its cycles, which alone read {lean_least_percent:.1f} to {lean_most_percent:.1f} % lean; "
        "repair the ignition before adding fuel"
    ).format_map({**values, "which": _join_words(values["cylinders"])})


def _join_groups(groups: Sequence[tuple[int, ...]]) -> str:
    return " / ".join(f"cylinder{'s' * (len(group) > 1)} {_join_words(group)}" for group in groups)


def _write_groups_not_compared(values: Mapping[str, Any]) -> str:
    asked, possible = values["join_by_target"], values["by_target"]
    if possible:
        advice = ", or join them by the target with [trims] join_by_target = true"
    elif asked:
        advice = "; [trims] join_by_target joins nothing here: no target was known while each group was heard"
    else:
        advice = ""
    return (
        f"{_join_groups(values['groups'])} were never measured together, so how they differ is not known; "
        f"record them together{advice}"
    )


def _write_cell_or_time(values: Mapping[str, Any]) -> str:
    axes = [f"{name} {values[name]:g}" for name in ("rpm", "load") if values[name] is not None]
    return (
        "needs differ by cell, and each cell was visited once, so that drift with time looks the same: "
        f"visit the first cell again ({', '.join(axes)})"
    )


def _write_cells_excluded(values: Mapping[str, Any]) -> str:
    axes = [(name, values[name]) for name in ("rpm", "load") if values[name] is not None]
    cells = zip(*([f"{name} {centre:g}" for centre in centres] for name, centres in axes), strict=True)
    return f"cells excluded by the operator: {', '.join(map(' '.join, cells))}"


def _write_moments(begin: float, end: float) -> str:
    """At a moment, or between two that are farther apart than a second."""
    return f"between {begin:.0f} and {end:.0f}" if end - begin > 1 else f"at {(begin + end) / 2:.0f}"


def _list_at_limits(values: Mapping[str, Any]) -> str:
    """Which cylinders are at which limit."""
    sides = (side for side in ("rich", "lean") if values[side])
    return ", and ".join(f"at the {side} limit: {_cylinder_list(values[side])}" for side in sides)


def _write_cylinders_at_limit(values: Mapping[str, Any]) -> str:
    """Why cylinders at a limit leave no trims, and what to do."""
    return (
        "no need is known of cylinders that stood at a limit of their sensors "
        f"({_list_at_limits(values)}), so the mean of the others is not the engine's, and trims by it may "
        "have the wrong sign: bring these cylinders within the range first, by the base map or by hand, or "
        "fit sensors with a wider range, and record again"
    )


def _write_reference_off(values: Mapping[str, Any]) -> str:
    """Which way all needs are off because the reference is without cylinders at a limit."""
    by = values["least_percent"]
    off = "off, too high or too low: by how much is not known"
    if by is not None:
        off = f"too {'low' if by > 0 else 'high'}, by {abs(by):.1f} % at least: by how much more is not known"
    return f"without cylinders at a limit ({_list_at_limits(values)}) all needs against the mean are {off}"


_LOOKS_SAME: Final = (
    "injectors with exchanged plugs, or steps typed in another order, look the same: rule both out first"
)


_LOW_FLOW_CAUSE: Final = {True: "a leak or throttle sync", False: "a leak"}
"""What is suspected of readings that fall with the flow, by whether cylinders have throttles of their own."""


def _write_without_suspects(values: Mapping[str, Any]) -> str:
    """Which cylinders a cell's mean is without, and what they would do to it."""
    many = len(values["cylinders"]) > 1
    way = "rich" if values["shift_percent"] > 0 else "lean"
    return (
        f"cylinder{'s' * many} {_join_words(values['cylinders'])}: "
        f"{_LOW_FLOW_CAUSE[values['own_throttles']]} is suspected, so {'they are' if many else 'it is'} "
        f"left out of the mean in {counted(values['cells'], 'cell')} of low flow; with "
        f"{'them' if many else 'it'} the others would "
        f"read {abs(values['shift_percent']):.1f} % too {way} at {values['rpm']:g} rpm, load "
        f"{values['load']:g}, if {'they leak' if many else 'it leaks'} (mixmon causes "
        "LOG says what else it may be)"
    )


def _labels_see(labels: Sequence[int]) -> str:
    if len(labels) == 1:
        return f"label {labels[0]} sees another cylinder than its own"
    return f"labels {_join_words(labels)} see other cylinders than their own"


_STEPS_AGAIN: Final = "mixmon identify --plan says what to type, in about a minute"


def _describe_not_proved(values: Mapping[str, Any]) -> str:
    """Why the labels are not proved, and the shortest way to prove them."""
    why = "no fuel step has shown yet that each label sees its cylinder"
    if values["changed_positions"]:
        which = _join_words(values["changed_positions"])
        why = f"since the labels were proved, the sensor or the address at position {which} has changed"
    elif values["open_positions"]:
        why = f"fuel steps told nothing of position {_join_words(values['open_positions'])}"
    return (
        f"{why}, so needs are by label; to prove it takes two minutes: {_STEPS_AGAIN}, and mixmon identify "
        'LOG --steps FILE --keep keeps the proof; or somebody vouches for it ([trims] identity = "stated")'
    )


def _list_percents(percents: Iterable[float]) -> str:
    """Trims in the order of the cylinders; a zero has no sign."""
    return ", ".join(number(one, 2, signed=True) for one in percents)


def _describe_entry(values: Mapping[str, Any]) -> str:
    """Where an entry of trims comes from, and which side of it a log is on."""
    by = f" by {values['by']}" if values["by"] else ""
    side = "as entered" if values["after"] else "as they were before what was entered"
    return f"{side} after {values['log']}{by} (kept {values['entered_at']})"


def _list_seen(labels: Sequence[tuple[int, int, int]]) -> str:
    """Which cylinder each label sees, from position, label and cylinder."""
    return _join_words(f"label {label} sees cylinder {cylinder}" for _, label, cylinder in labels)


def _describe_disproved(values: Mapping[str, Any]) -> str:
    """Which labels are wrong, and the shortest way to trims."""
    steps, then = "fuel steps", ""
    if values["in_this_log"]:
        steps, then = "fuel steps in this log", "; this log then proves them, and offers trims"
    return (
        f"{steps} have shown that {_list_seen(values['labels'])}, so needs are by label; exchange the plugs, "
        f"or the cylinders in [[chain.node]]{then}"
    )


_BALANCE: Final[Mapping[NoteCode, Sentence]] = {
    BalanceNote.NO_SENSOR: "no sensor",
    BalanceNote.SHARED_SENSOR: lambda values: (
        f"{_name_together(values['with_cylinders'], of=1)} with "
        f"{_cylinders_word(values['with_cylinders'])}: one sensor, one need, the same change of trim; the "
        "split is not known"
    ),
    BalanceNote.SPLIT_NOT_KNOWN: _write_split,
    BalanceNote.CYLINDERS_NOT_MEASURED: lambda values: (
        f"no sensor for {_cylinders_word(values['cylinders'])}: {counted(values['sensors'], 'sensor')} "
        f"for {values['of_cylinders']} cylinders; no test of the others tells anything of the mixture there, "
        "and mean and spread are of those that are measured"
    ),
    BalanceNote.OF_INJECTION_STAGE: lambda values: (
        f"staged injection: needs, spread and trims are of the {_STAGE_NAMES[values['injection_stage']]} "
        f"injection stage alone (line: {_staging_line(values)}), and nothing is averaged or carried across; "
        f"{values['near_line_s']:.1f} s too near to the line are not counted"
    ),
    BalanceNote.ONE_STAGE_HEARD: (
        "the other injection stage was not held: nothing is known of its needs, and these trims may "
        "not suit it"
    ),
    BalanceNote.STEP_AT_STAGING: lambda values: (
        f"step at the staging line: {_write_steps(values)}. The injectors that begin there differ; no one "
        "trim suits both injection stages: enter each where it belongs, or look at those injectors"
    ),
    BalanceNote.STEP_OR_SLOPE: lambda values: (
        f"a step at the staging line, or a change with speed and load: {_write_steps(values)}. To tell "
        "which, hold two cells on each side of the line, as far apart as those across it, with [axes] along "
        "the way across; no one trim suits both injection stages"
    ),
    BalanceNote.SLOPE_ACROSS_STAGING: lambda values: (
        f"no step at the staging line is shown, although {_write_steps(values)}: needs change with speed and "
        "load on either side as well, by enough to explain it (mixmon causes LOG says what may do that); no "
        "one trim suits both injection stages"
    ),
    BalanceNote.NO_STEP_AT_STAGING: (
        "no step at the staging line is shown; none is larger than {most_percent:.1f} %"
    ),
    BalanceNote.STEPS_NOT_KNOWN: (
        "steps at the staging line are not known: not the same cylinders are known on both sides"
    ),
    BalanceNote.OWN_TARGETS: lambda values: (
        "needs are against each cylinder's own target ([engine] target_offset_percent): "
        + _join_words(
            f"cylinder {c} {percent:+g} % of lambda"
            for c, percent in enumerate(values["offset_percent"], 1)
            if percent
        )
        + "; lambda of a cell is that of a cylinder without an offset"
    ),
    BalanceNote.LEFT_OUT_AS_ASKED: "left out as asked: in no mean and no need",
    BalanceNote.TOO_LITTLE_DATA: "too little data",
    BalanceNote.ONLY_IN_CELLS_NOT_USED: lambda values: (
        f"known only in cells that are not used for trims: {', '.join(values['reasons'])}"
    ),
    BalanceNote.AT_RICH_LIMIT: lambda values: (
        f"at the rich limit in {counted(values['cells'], 'cell')}: at least this rich, excluded"
    ),
    BalanceNote.AT_LEAN_LIMIT: lambda values: (
        f"at the lean limit in {counted(values['cells'], 'cell')}: at least this lean, excluded"
    ),
    BalanceNote.RANGE_ENDS_HERE: (
        "readings return to lambda {lam:.3f} again and again and never pass it: taken for the end of the "
        "sensor's range; correct rich_limit or lean_limit in [validity]"
    ),
    BalanceNote.STANDS_STILL: lambda values: (
        f"the reading stands still in {counted(values['cells'], 'cell')} while others move: at an end of its "
        "range that rich_limit or lean_limit in [validity] does not tell, or frozen; excluded there"
    ),
    BalanceNote.WANDERS_SLOWLY: (
        "the reading wanders by itself, slower than dwells of {dwell_s:.0f} s can show: the interval is "
        "wider by a guess; dwell for {wanted_s:.0f} s, or come back to each cell"
    ),
    BalanceNote.WANDERS_BETWEEN_VISITS: (
        "the reading wanders by itself from visit to visit: the interval holds what the visits show of it, "
        "and nothing that is slower than the log is long"
    ),
    BalanceNote.CELLS_DISAGREE: (
        "needs {least_percent:+.1f} to {most_percent:+.1f} % by cell: one trim cannot suit all cells"
    ),
    BalanceNote.NEED_DRIFTS: (
        "drift: need moved by {change_percent:+.1f} ± {half_percent:.1f} % in {seconds:.0f} s, seen in cells "
        "that were visited again"
    ),
    BalanceNote.NEED_CHANGED: lambda values: (
        f"need changed by {values['change_percent']:+.1f} ± {values['half_percent']:.1f} % "
        f"{_write_moments(values['from_s'], values['until_s'])} s after the first time counted"
    ),
    BalanceNote.END_APART: (
        "read up to {apart_percent:.1f} % apart at the very end: that may be a change of its need, and the "
        "interval holds both; hold the cell for some seconds more"
    ),
    BalanceNote.LEAN_AT_LOW_FLOW: (
        "needs {extra_percent:+.1f} % more at {rpm:g} rpm, load {load:g} than at {most_rpm:g} rpm, load "
        "{most_load:g}, falling as flow^-{exponent:g}: pattern of a leak before the sensor, or of reversion "
        "(an unequal throttle or a late injector can look alike); cells that show it are not used for trims; "
        "in the others up to {left_percent:.1f} % may be left: half of that is taken off its need, and the "
        "interval holds all of it and none"
    ),
    BalanceNote.SENDS_TOO_SELDOM: "sends less often than its definition says: most samples count as held",
    BalanceNote.MISFIRE_EXCLUDED: _write_misfire_excluded,
    BalanceNote.OUTLIERS_EXCLUDED: "{seconds:g} s of outliers excluded",
    BalanceNote.TRIM_KEPT: "trim kept: need not known",
    BalanceNote.TRIM_KEPT_MOVING: "trim kept: look for the cause, and record again once the need holds still",
    BalanceNote.WITHIN_ERROR_OF_ZERO: "within error of zero",
    BalanceNote.TRIM_AT_LIMIT: "trim at its limit",
    BalanceNote.LARGE_TRIM_CHANGE: ("over {limit_percent:g} %: look for a mechanical cause before trimming"),
    BalanceNote.ROUNDED_FOR_TOTAL: (
        "next step taken instead of the nearest, {nearest_percent:+.2f}, for the set as a whole: the "
        "engine's fuel stays, or the cylinders lie closer together"
    ),
    BalanceNote.LESS_THAN_HALF_A_STEP: (
        "trim kept: what is sure of the need, {wanted_percent:+.2f} %, is less than half a step"
    ),
    BalanceNote.SHARED_INJECTOR_DRIVER: lambda values: (
        f"paired injection: one trim with cylinder {_join_words(values['with_cylinders'])}"
    ),
    BalanceNote.TIED_BY_SENSORS: lambda values: (
        f"the same change of trim as {_cylinders_word(values['with_cylinders'])}, as sensors and injector "
        "drivers tie them together"
    ),
    BalanceNote.PARTNER_NOT_KNOWN: lambda values: (
        f"trim kept: need of cylinder {_join_words(values['cylinders'])} not known"
    ),
    BalanceNote.COMPARED_WITHIN_GROUP: lambda values: (
        f"against the mean of cylinders {_join_words(values['cylinders'])} only"
    ),
    BalanceNote.GROUPS_NOT_COMPARED: _write_groups_not_compared,
    BalanceNote.NO_CELL_USED: lambda values: (
        f"all steady time is in cells that are not used for trims ({', '.join(values['reasons'])}): hold "
        "other cells, or correct what excludes these ([validity] low_flow_mask, [trims] load_from)"
    ),
    BalanceNote.CELLS_TOO_UNLIKE: lambda values: (
        f"cells that trims would rest on disagree about cylinder {_join_words(values['cylinders'])}, by "
        f"{values['apart_percent']:.1f} % at least, so that no trim suits them: look for the cause, measure "
        "again, or exclude cells ([trims] load_from)"
    ),
    BalanceNote.REFERENCE_OF_SOME: lambda values: (
        f"the reference is the mean of the {len(values['cylinders'])} cylinders that are known, without "
        f"{_join_words(values['left_out'])}: how these compare, and what the whole engine needs, is not known"
    ),
    BalanceNote.REFERENCE_WITHOUT_SUSPECTS: _write_without_suspects,
    BalanceNote.REFERENCE_WITHOUT_LIMITED: _write_reference_off,
    BalanceNote.CYLINDERS_AT_LIMIT: _write_cylinders_at_limit,
    BalanceNote.JOINED_BY_TARGET: lambda values: (
        f"{_join_groups(values['groups'])} were never measured together and are joined by the target: "
        "if the engine control kept another distance from it meanwhile, all needs of a group are off by that"
    ),
    BalanceNote.PULLS_WITHOUT_DWELLS: (
        "{used_s:.1f} s of steady time, all of it at part load, beside {pulled_s:.0f} s at full load that "
        "were never steady: too little to trim by; take the needs of the pulls (mixmon pulls), or hold a load"
    ),
    BalanceNote.LEAK_IN_ALL_CELLS: lambda values: (
        f"cylinder {_join_words(values['cylinders'])} is lean at low flow, as with a leak, and still by "
        f"{values['left_percent']:.1f} % in the best cell for trims: repair it, or hold cells with more flow"
    ),
    BalanceNote.LEAK_OR_RICH: lambda values: (
        f"with less flow cylinders {_join_words(values['lean'])} part from {_join_words(values['rich'])}: "
        "either the first are lean there, as with leaks before their sensors, or the second are rich; peers "
        "cannot tell which. Search the first for leaks and measure again, or use cells with more flow "
        "([trims] load_from)"
    ),
    BalanceNote.SENSORS_AFTER_MERGE: (
        "sensors after the merge see several cylinders each, so the need of one cylinder is not known; "
        "fit sensors in the primaries, or correct [exhaust] after_merge"
    ),
    BalanceNote.ALL_TIED_TOGETHER: (
        "shared sensors and injector drivers tie all cylinders together: no trim of one moves without those "
        "of all; a sensor for each cylinder lifts it"
    ),
    BalanceNote.ONE_TRIM_FOR_ALL: (
        "{timing} injection: all injectors open together, so no cylinder can have a trim of its own"
    ),
    BalanceNote.TOO_FEW_NEEDS: (
        "too little data: {known} of {cylinders} cylinders have a need with an interval, 2 are needed"
    ),
    BalanceNote.TOO_FEW_PAIRS: (
        "too little data: {known} of {pairs} pairs of cylinders have both needs with an interval, "
        "2 are needed"
    ),
    BalanceNote.FREQUENT_MISFIRE: _write_frequent_misfire,
    BalanceNote.CELL_OR_TIME: _write_cell_or_time,
    BalanceNote.TOO_SHORT_FOR_WANDER: (
        "{steady_s:.0f} s of steady time used, and no cell visited again: too short to know whether a "
        "reading wanders slowly by itself, and no interval holds that; come back to the cells, or hold them "
        "for {wanted_s:.0f} s in all"
    ),
    BalanceNote.FUEL_LEFT_OVER: (
        "the new trims change the whole engine's fuel by {trims_add_percent:+.2f} %; to keep the total, "
        "change the base map by {base_map_percent:+.2f} %"
    ),
    BalanceNote.EQUAL_AIR_ASSUMED: (
        "equal air assumed for the mean of the cylinders and the engine's fuel: no [engine] charge_share"
    ),
    BalanceNote.TRIMS_CHANGED_BETWEEN: (
        "the trims were changed between the first log and the last (entered after {log}), so needs before "
        "and after it are mixed; read the logs apart"
    ),
    BalanceNote.TRIMS_NOW_FROM_ENTRY: lambda values: (
        f"trims now: {_list_percents(values['entry_percent'])} by cylinder, {_describe_entry(values)}"
    ),
    BalanceNote.TRIMS_AGAINST_ENTRY: lambda values: (
        f"[trims] now_percent is against what was entered: {_list_percents(values['entry_percent'])} by "
        f"cylinder, {_describe_entry(values)}; the session counts: correct now_percent, or take it out"
    ),
    BalanceNote.ENTRIES_NOT_PLACED: (
        "trims were entered for this engine, but the log's stamps have no date that tells whether it was "
        "made before or after; give [trims] now_percent"
    ),
    BalanceNote.OTHER_SHAPE: lambda values: (
        f"the engine control has trims by {'bank' if values['shape'] == 'bank' else 'speed and load'}: "
        "mixmon trims gives them; those here are for one trim a cylinder"
    ),
    BalanceNote.TRIMS_NOW_ASSUMED_ZERO: "trims now: not given in [trims] now_percent, taken as 0",
    BalanceNote.CELLS_EXCLUDED_BY_OPERATOR: _write_cells_excluded,
    BalanceNote.ENGINE_FAR_FROM_TARGET: (
        "the whole engine reads {needs_percent:+.0f} % from its target: "
        "check the units of lambda and target, and the fuel's stoichiometric ratio"
    ),
    BalanceNote.IDENTITY_NOT_PROVED: _describe_not_proved,
    BalanceNote.IDENTITY_DISPROVED: _describe_disproved,
    BalanceNote.BY_CYLINDERS_SEEN: lambda values: (
        f"fuel steps in this log show that {_list_seen(values['labels'])}: needs and trims here are by the "
        "cylinder whose fuel moves the reading; bars, alarms and events still go by label until the plugs, "
        "or the cylinders in [[chain.node]], are exchanged"
    ),
    BalanceNote.WITHIN_PAIRS_NOT_PROVED: _write_within_pairs,
    BalanceNote.IDENTITY_STATED: (
        "that each label sees its cylinder is not proved by fuel steps; {by} vouches for it ({reason})"
    ),
    BalanceNote.CURVE_ASSUMED: (
        "the controllers are taken to compute lambda for {fuel}, which burns ([sensors] curve does not say). "
        "Were they set to {curve}, all readings at lambda {lambda_least:.2f} to {lambda_most:.2f} would be "
        "off by up to {error_percent:.1f} % together"
    ),
    BalanceNote.NO_SPEED: "no rpm: transients cannot be excluded, and trims may rest on them",
    BalanceNote.CUTS_UNKNOWN: (
        "{seconds:.1f} s excluded: the engine control no longer reported whether fuel or spark is cut"
    ),
}


# The trim sheet.


def _list_cells(values: Mapping[str, Any]) -> str:
    """Cells by speed and load."""
    pairs = zip(values["rpm"], values["load"], strict=True)
    return _join_words(f"{rpm:g} rpm, load {load:g}" for rpm, load in pairs)


_SHEET: Final[Mapping[NoteCode, Sentence]] = {
    SheetNote.MOVED_BY_NEED: "its need, {needs_percent:+.1f} %",
    SheetNote.ORDER_BY_CYLINDER: (
        "in the order of the cylinders: [injection] output_order does not say which cylinder is on which "
        "output"
    ),
    SheetNote.BANKS_ALIKE: "banks do not differ by more than their cylinders scatter: their trims stay",
    SheetNote.BANK_PART_IN_CYLINDERS: (
        "banks differ, and the engine control has no trims of banks: their part is in the cylinders' trims; "
        "look at fuel supply, exhaust and cams of the bank first"
    ),
    SheetNote.MAP_OF_BOTH_STAGES: (
        "the map has trims of both injection stages, each at the breakpoints on its side of the staging "
        "line; between two on both sides the engine control interpolates, and suits neither"
    ),
    SheetNote.MAP_NOW_ASSUMED: (
        "the table now: not given in [trims] map_now_percent, taken as now_percent throughout"
    ),
    SheetNote.BANK_NOW_ASSUMED: "trims of banks now: not given in [trims] bank_now_percent, taken as 0",
    SheetNote.BETWEEN_BREAKPOINTS: lambda values: (
        f"measured between breakpoints, and given to the nearest: {_list_cells(values)}; [axes] at the "
        "breakpoints would tell each its own"
    ),
    SheetNote.MAP_CELL_EMPTY: "kept: nothing measured there",
    SheetNote.MAP_CELL_NOT_USED: lambda values: (
        f"kept: {', '.join(values['reasons'])}" if values["reasons"] else "kept: need not known"
    ),
    SheetNote.MAP_FUEL_LEFT_OVER: (
        "at {rpm:g} rpm, load {load:g} the trims change the engine's fuel by {trims_add_percent:+.2f} %; to "
        "keep it, change the base map there by {base_map_percent:+.2f} %"
    ),
    Outlook.EVENED: "evened: within {limit_percent:g} %",
    Outlook.EVEN_ALREADY: "even, as it was",
    Outlook.STAYS_UNEVEN: "stays uneven: over {limit_percent:g} %",
    Outlook.NOT_SURE: "may be within {limit_percent:g} % or not",
    Outlook.OUTLOOK_NOT_KNOWN: "not known: not every cylinder was measured there",
    Certainty.CLEAR: "clear",
    Certainty.WITHIN_ERROR: "within error",
    Certainty.NEED_NOT_KNOWN: "not known",
}


# The rotation of sensors.


def _cylinder_list(numbers: Sequence[int]) -> str:
    """One cylinder or several, with the word."""
    return f"cylinder{'s' if len(numbers) > 1 else ''} {_join_words(numbers)}"


def _list_loops(values: Mapping[str, Any]) -> str:
    """Why looks that fall into parts say too little, part by part."""
    parts = zip(values["loops"], values["sensors"], strict=True)
    listed = "; ".join(f"{_join_words(loop, ', ')} with {sensors}" for loop, sensors in parts)
    return (
        f"cylinders and sensors fall into {len(values['loops'])} sets that no sensor joins ({listed}): only "
        "differences within a set are known, and a bias that all sensors of one set have looks like the need "
        "of its cylinders. Exchanging halves and reversing the row do this too; move all sensors by one "
        "cylinder instead"
    )


def _nothing_checks(values: Mapping[str, Any]) -> str:
    """That there are no looks to spare, and what is assumed instead where there are readings."""
    assumed = values["assumed_look_error_percent"]
    held = "" if assumed is None else f"; the intervals hold an assumed error of {assumed:.2g} % of each look"
    return (
        f"{values['looks']} looks are just as many as the numbers to be found: nothing checks them, and a "
        f"wrong label or a sensor that changed would not be noticed{held}; one more session would check them"
    )


_ROTATION: Final[Mapping[NoteCode, Sentence]] = {
    BiasNote.ONE_SESSION: (
        "one session: each sensor sat in one cylinder only, and its bias cannot be told from that cylinder's "
        "need; move all sensors by one cylinder and run again"
    ),
    BiasNote.NO_CELL_IN_COMMON: (
        "no cell with readings in two sessions: a sensor's error depends on the mixture, so looks are "
        "compared at the same speed and load only; run the same cells in every session"
    ),
    BiasNote.NO_SENSOR_MOVED: (
        "every sensor sat in one and the same cylinder in all sessions; more runs do not help: move all "
        "sensors by one cylinder"
    ),
    BiasNote.ONE_PAIR_EXCHANGED: lambda values: (
        f"exchanging one pair does not solve it: it compares {_join_words(values['sensors'])}, in "
        f"{_cylinder_list(values['cylinders'])}, with each other, and no other sensor with any; move all "
        "sensors by one cylinder instead"
    ),
    BiasNote.SEPARATE_LOOPS: _list_loops,
    BiasNote.TOO_FEW_LOOKS: (
        "{looks} looks in {sessions} sessions are too few: each session has a mean of its own to be found, "
        "and a sensor was not heard; mend it, or run one more session"
    ),
    BiasNote.COMMON_BIAS_STAYS: (
        "biases are against the mean of the sensors: an error that all of them share is not seen by moving "
        "them; free air or a gas analyser shows it"
    ),
    BiasNote.AGREEMENT_SAYS_LITTLE: lambda values: (
        f"that the sessions agree says little: with {counted(values['degrees'], 'look')} more than numbers "
        f"found, looks that were off by {values['look_error_percent']:g} % each would have been noticed in "
        f"{values['power_percent']:.0f} % of rotations; run one more session with the sensors moved"
    ),
    BiasNote.NOTHING_CHECKS: _nothing_checks,
    BiasNote.SESSIONS_DISAGREE: lambda values: (
        "a sensor or a cylinder changed between the runs, a label is wrong, or sensors read otherwise each "
        "time they are put in: what is left of the looks is "
        f"{values['ratio']:.1f} times what their errors explain ({counted(values['degrees'], 'degree')} of "
        f"freedom); the intervals hold it as an error of {values['look_error_percent']:.2f} % of each look"
    ),
    BiasNote.LOOK_ODD: lambda values: (
        f"{_cylinder_list(values['cylinders'])} with {values['sensor']} in session {values['session']} reads "
        f"{values['percent']:+.1f} % off what all other looks say: something changed before or after it, or "
        "it was another sensor or cylinder"
    ),
    BiasNote.LOOKS_EXCHANGED: lambda values: (
        f"in session {values['session']} {_cylinder_list(values['cylinders'])} read {values['percent']:+.1f} "
        f"% and as much the other way: check whether {_join_words(values['sensors'])}, or their labels, are "
        "exchanged"
    ),
    BiasNote.CYLINDER_CHANGED: lambda values: (
        f"{_cylinder_list(values['cylinders'])} changed by {values['percent']:+.1f} % after session "
        f"{values['after']}"
    ),
    BiasNote.SENSOR_CHANGED: "{sensor} changed by {percent:+.1f} % after session {after}",
    BiasNote.BIASES_DIFFER_BY_CELL: (
        "biases differ from cell to cell by {percent:.2f} % (standard deviation): an error of gain does that "
        "where the mixture differs; the numbers are means over these cells"
    ),
    BiasNote.OPERATING_POINT_MOVED: lambda values: (
        f"the mixture of {counted(len(values['rpm']), 'cell')} differs between the sessions by up to "
        f"{values['percent']:.1f} %: an error of gain is a fixed error only at one mixture; keep the target"
    ),
    BiasNote.NO_AXES_IN_SESSIONS: (
        "no [axes] with rpm or load: all steady time counts as one cell; the looks can be compared only if "
        "every session was run at the same speed and load"
    ),
    BiasNote.TRIMS_CHANGED: lambda values: (
        f"trims of {_cylinder_list(values['cylinders'])} changed between the sessions and are taken as fully "
        "in force; needs are with the trims of the last session; keep trims as they are in a rotation"
    ),
    BiasNote.NOT_HEARD: lambda values: f"not heard in a shared cell: {_join_words(values['sensors'])}",
}


# The comparison of two runs.

CONDITION_NAMES: Final[Mapping[str, str]] = {
    "coolant_c": "coolant",
    "intake_c": "intake air",
    "oil_c": "oil",
    "baro_kpa": "barometer",
}


def _write_span(seconds: float) -> str:
    """A time as somebody says it."""
    for unit, length in (("h", 3600.0), ("min", 60.0)):
        if seconds >= 2 * length:
            return f"{seconds / length:.0f} {unit}"
    return f"{seconds:.0f} s"


def _list_conditions(values: Mapping[str, Any]) -> str:
    return _join_words([CONDITION_NAMES[name] for name in values["quantities"]])


_COMPARISON: Final[Mapping[NoteCode, Sentence]] = {
    ProofNote.NO_CELL_SHARED: (
        "no cell that both runs have and that counts for trims: nothing can be compared; hold the same "
        "speeds and loads in both"
    ),
    ProofNote.OF_INJECTION_STAGE: _write_stage_compared,
    ProofNote.ONE_CELL_SHARED: (
        "one cell in both runs: nothing shows how changes scatter from cell to cell, so nothing is shown to "
        "be equivalent or different; hold more cells"
    ),
    ProofNote.ONE_CELL_FOR_ALL: (
        "no [axes] with rpm or load: all steady time counts as one cell; the runs can be compared only if "
        "both were at the same speed and load"
    ),
    ProofNote.NODES_NOT_IN_BOTH: lambda values: (
        f"no node of their own in both sessions: {_cylinder_list(values['cylinders'])}"
    ),
    ProofNote.NOT_COMPARED: lambda values: (
        f"not heard together with the others in both runs: {_cylinder_list(values['cylinders'])}"
    ),
    ProofNote.SENSORS_OTHER: lambda values: (
        f"another sensor than before at {_cylinder_list(values['cylinders'])}: its own error and that of the "
        "one before look like a change; they are in the 90 % intervals of all changes, by way of the mean, "
        "and no number of cells makes them smaller"
    ),
    ProofNote.SERIALS_UNKNOWN: lambda values: (
        f"no serial in both sessions for {_cylinder_list(values['cylinders'])}: taken for the same sensors "
        "as before; if one was moved or replaced, its error looks like a change, and no interval holds it"
    ),
    ProofNote.LOOKS_EXCHANGED: lambda values: (
        f"{_cylinder_list(values['cylinders'])} need after what the other needed before: labels or sensors "
        "may have been exchanged between the runs; mixmon identify shows it"
    ),
    ProofNote.BIASES_DIFFER: lambda values: (
        f"known biases of the same sensors differ between the sessions by up to {values['percent']:.1f} %, "
        f"at {_cylinder_list(values['cylinders'])}: that looks like a change, and is in the intervals; "
        "tell the same in both"
    ),
    ProofNote.AFTER_IS_EARLIER: lambda values: (
        f"by its stamps the run after began {_write_span(values['seconds'])} earlier than the run before: if "
        "both come from one clock, name them the other way round; changes and trims have the opposite sign "
        "otherwise"
    ),
    ProofNote.COMMON_BIAS_CANCELS: (
        "a sensor's own error cancels in a change as long as the sensor stays where it is and does not drift "
        "between the runs; it stays in the needs"
    ),
    ProofNote.PLACES_DIFFER: lambda values: (
        f"in {counted(values['cells'], 'cell')} the engine was held elsewhere than before, by up to "
        f"{values['rpm']:.0f} rpm and {values['load']:.1f} of load: what follows speed and load looks like a "
        "change; hold the same places"
    ),
    ProofNote.CELLS_ALIKE: (
        "cells that follow each other in time changed alike: readings wander over minutes, or changes follow "
        "speed and load; the intervals are wider for it. Run the cells again in another order"
    ),
    ProofNote.READINGS_WANDER: lambda values: (
        f"readings of {_cylinder_list(values['cylinders'])} wander slowly, and cells that follow each other "
        "share that; their intervals are wider for it"
    ),
    ProofNote.WANDER_NOT_SEEN: lambda values: (
        f"less than {values['needed_s']:.0f} s of steady time, and no cell visited again, in "
        f"{_join_words(values['runs'])}: readings that wander for minutes look like a change, and no "
        "interval holds it; run the cells again in another order"
    ),
    ProofNote.MIXTURE_MOVED: lambda values: (
        f"the mixture of {counted(values['cells'], 'cell')} differs between the runs by up to "
        f"{values['percent']:.1f} %: an error of gain is another share there, so compare at the same target"
    ),
    ProofNote.CONDITIONS_DIFFER: lambda values: (
        f"conditions differ by more than their bands: {_list_conditions(values)}; what they do to all "
        "cylinders alike is not in the changes, what they do to single ones is"
    ),
    ProofNote.CONDITIONS_UNKNOWN: lambda values: (
        f"conditions not known in both runs: {_list_conditions(values)}; map the signals under "
        "[engine_signals]"
    ),
    ProofNote.TRIMS_NOT_TOLD: (
        "trims of both runs are not told, so whether they took is not known: [trims] now_percent in both "
        "sessions, or --entered"
    ),
    ProofNote.NO_TRIM_CHANGED: "no trim was changed between the runs",
    ProofNote.LOOP_REPORTED: lambda values: (
        f"the engine control reported closed loop in {_join_words(values['runs'])}: what it corrects by its "
        "own sensor hides a change, and may take a trim back; run in open loop"
    ),
    ProofNote.LOOP_HELD_MEAN: (
        "the mean mixture of a bank stayed although its trims moved: the engine control held it (closed "
        "loop), or the whole engine drifted by as much; enter trims in open loop"
    ),
}

_EFFECTS: Final[Mapping[NoteCode, Sentence]] = {
    EffectVerdict.TAKEN: "taken",
    EffectVerdict.HALF: "half of it: look for a limit, a scale or a second trim",
    EffectVerdict.NOT_SAVED: "nothing moved: not saved, not in force in these cells, or taken back",
    EffectVerdict.REVERSED: "reversed: the sign is wrong",
    EffectVerdict.OVERSHOT: "more than was entered: injector dead time, or the trim counts twice",
    EffectVerdict.WRONG_CYLINDER: lambda values: (
        f"it appears at {_cylinder_list(values['appears_at'])}: wrong cylinder, or labels exchanged"
    ),
    EffectVerdict.CLOSED_LOOP: "taken against its bank, whose mean the engine control held: closed loop",
    EffectVerdict.NOT_KNOWN: "not known: the change is too small for the noise, or the data leave it open",
}


# The pulls.

_PULLS: Final[Mapping[NoteCode, Sentence]] = {
    PullNote.ENGINE_COLD: "engine cold: coolant {coolant_c:.0f} C, warm from {warm_from_c:.0f} C",
    PullNote.SPEED_SLIPS: lambda values: (
        f"speed jumps or stalls at {', '.join(f'{rpm:.0f}' for rpm in values['rpm'])} rpm with the opening "
        "unchanged; look for slip"
    ),
    PullNote.SPEED_FALLS: "speed falls by {fall_rpm:.0f} rpm within the pull",
    PullNote.FEW_READINGS: "less than half of the readings count",
    PullNote.CUT_OFF: "cut off: {ended_by}",
    PullNote.REJECTED_BY_OPERATOR: "the operator's decision",
    PullNote.LIMITER_REACHED: "reached the limiter; the rest is excluded",
    PullNote.CYLINDERS_NOT_VALID: "{missing} of {cylinders} cylinders not valid throughout",
    PullNote.COARSE_SPEED: "speed comes in steps of {step_rpm:.0f} rpm: bands are blurred by as much",
    PullNote.ENDED_EARLY: "ended {short_rpm:.0f} rpm before the longest pull",
    PullNote.COOLANT_DIFFERS: "coolant {difference_c:+.0f} C",
    PullNote.INTAKE_DIFFERS: "intake air {difference_c:+.0f} C",
    PullNote.RATE_DIFFERS: "rate {rpm_s:.0f} against {against_rpm_s:.0f} rpm/s",
    PullNote.START_DIFFERS: "from {from_rpm:.0f} against {against_rpm:.0f} rpm",
}


# The response of the sensors.

_RESPONSE: Final[Mapping[NoteCode, Sentence]] = {
    ResponseNote.SLOW: "slow",
    ResponseNote.SLOWER_LEAN_GOING: "slower lean-going",
    ResponseNote.SLOWER_RICH_GOING: "slower rich-going",
    ResponseNote.LOW_IN_AIR: "low in air",
    ResponseNote.HIGH_IN_AIR: "high in air",
    ResponseNote.SLOW_TO_WARM_UP: "slow to warm up",
    ResponseNote.CLOSED_LOOP: "the engine control corrects by its own sensor (closed loop)",
    ResponseNote.NO_VALID_READINGS: "no valid readings",
    ResponseNote.NOT_FOLLOWING: "the readings do not follow the fuel",
    ResponseNote.SIGNALS_MISSING: lambda values: (
        f"no delay: the session maps no {' and no '.join(values['signals'])}; add to [engine_signals]"
    ),
    ResponseNote.FUEL_SIGNAL_MISSING: (
        "no delay: the session maps neither pulse_ms nor target; add one to [engine_signals]"
    ),
    ResponseNote.CLOCKS_APART: lambda values: (
        f"no delay: the stamps of bus {values['engine_bus']} are about {1e3 * abs(values['late_s']):.0f} ± "
        f"{1e3 * values['half_s']:.0f} ms {'late' if values['late_s'] > 0 else 'early'} against those of bus "
        f"{values['chain_bus']}, because gas cannot take {1e3 * values['dead_s']:.0f} ms where "
        f"{1e3 * values['expected_s']:.0f} ms are usual; stamp both buses with one clock and measure again"
    ),
    ResponseNote.FUEL_STEPS_NOT_USABLE: lambda values: (
        f"no delay: fuel moved, but {SENTENCES[ResponseNote(values['why'])]}"
    ),
    ResponseNote.CUTS_WITHOUT_ENGINE: (
        "no delay: the air of fuel cuts is seen, but not when fuel was cut or at which speed and load; "
        "expected rpm, {load_signal} and fuel_cut or pulse_ms in the log; record the engine bus beside the "
        "chain"
    ),
    ResponseNote.FUEL_NEVER_MOVED: (
        "no delay: in {steady_s:.0f} s at steady speed and load the fuel command never moved by more than "
        "{largest_percent:.1f} % at once, and no fuel cut was seen; without a change of fuel there is only "
        "noise to fit; expected steps of 3 % or more, such as 20 s of a random pattern, or an overrun cut"
    ),
}

_EDGES: Final[Mapping[NoteCode, Sentence]] = {
    EdgeProblem.NOT_MEASURING: "not measuring",
    EdgeProblem.NO_CLEAN_STEP: "no clean step",
    EdgeProblem.TOO_SHORT: "too short",
}

LAG_SOURCES: Final[Mapping[LagSource, str]] = {
    LagSource.GIVEN: "as given",
    LagSource.MEASURED: "measured in this log",
    LagSource.ASSUMED: "assumed",
}
"""Where a lag is from, after its seconds."""


# Identity: which label is which cylinder.


def _seem_to_see(values: Mapping[str, Any]) -> str:
    """Labels that seem to be exchanged, or what each seems to see."""
    sees = dict(zip(values["labels"], values["cylinders"], strict=True))
    pairs = [(a, b) for a, b in sees.items() if sees.get(b) == a and a < b]
    if 2 * len(pairs) == len(sees):
        return f"labels {', '.join(_join_words(pair) for pair in pairs)} are exchanged"
    return f"{_join_words(f'label {a} sees cylinder {b}' for a, b in sees.items())}"


def _who_seems(values: Mapping[str, Any]) -> str:
    """The label that seems to see the cylinder of the first one; it may have no sensor."""
    pairs = zip(values["labels"], values["cylinders"], strict=True)
    return next((f"label {label}" for label, seen in pairs if seen == values["labels"][0]), "another one")


def _cylinders_text(cylinders: Iterable[int]) -> str:
    return _join_words(sorted(cylinders), "+").replace(", ", "+")


def _pairs_text(pairs: Iterable[Iterable[int]]) -> str:
    return _join_words(_cylinders_text(pair) for pair in pairs)


_IDENTITY: Final[Mapping[NoteCode, Sentence]] = {
    IdentityNote.NO_STEPS: (
        f"nothing claimed: the fuel of no cylinder moved by itself in this log; {_STEPS_AGAIN}"
    ),
    IdentityNote.NOT_STEADY: (
        "nothing claimed: fuel moved, but never while speed and load were held for four seconds and more; "
        "hold the engine at one point and step again"
    ),
    IdentityNote.CLOSED_LOOP_REPORTED: (
        "nothing claimed: the engine control reports that it corrects by its own sensor (closed loop) "
        "during the steps; switch that off and step again"
    ),
    IdentityNote.CLOSED_LOOP_SEEN: lambda values: (
        f"nothing claimed: {values['share_percent']:.0f} ± {values['half_percent']:.0f} % of the mean "
        f"answer{' of bank ' + values['bank'] if values['bank'] else ''} is missing, as where the engine "
        "control corrects by its own sensor (closed loop); switch that off, or correct the steps, and step "
        "again"
    ),
    IdentityNote.ANSWER_DECAYS: (
        "nothing claimed: the answers lose {share_percent:.0f} ± {half_percent:.0f} % while a step is held, "
        "as where the engine control corrects by its own sensor (closed loop); switch that off and step again"
    ),
    IdentityNote.NOT_ANSWERED: (
        "nothing claimed: the readings do not answer the steps (gain {gain:.2f} ± {half:.2f}, 1 expected); "
        "the steps were too small, at other moments, or not in force"
    ),
    IdentityNote.STEPS_ELSEWHERE: lambda values: (
        "nothing claimed: no step of the list begins or ends in what was read, {:.1f} to {:.1f} s of the "
        "log; correct their times, which count from the log's first frame".format(*values["read_s"])
    ),
    IdentityNote.ANSWERED_REVERSED: (
        "nothing claimed: the readings become leaner where the steps add fuel; the sign of the trims, or "
        "of the steps, is the wrong way round"
    ),
    IdentityNote.EXCHANGED: lambda values: (
        f"labels {_join_words(_join_words(pair) for pair in values['pairs'])} are exchanged: exchange their "
        f"plugs, or their cylinders in [[chain.node]]; {_LOOKS_SAME}"
    ),
    IdentityNote.MISPLACED: lambda values: (
        f"{_labels_see(values['labels'])}: move the plugs by what each sees, or correct the cylinders in "
        f"[[chain.node]]; {_LOOKS_SAME}"
    ),
    IdentityNote.LABELS_OR_STEPS: lambda values: (
        f"two readings: {_seem_to_see(values)}, or fuel steps {_join_words(values['steps'])} were typed in "
        "each other's place; nothing is claimed of these labels. Shortest test: step cylinder "
        f"{values['labels'][0]} alone, once, and give that log: label {values['labels'][0]} answers if the "
        f"steps were exchanged, {_who_seems(values)} if the labels are"
    ),
    IdentityNote.WITHIN_PAIRS_NOT_KNOWN: _write_within_pairs,
    IdentityNote.SPLIT_NOT_KNOWN: lambda values: (
        f"{_cylinders_word(values['cylinders'])} share a sensor: steps of each by itself find how much each "
        "weighs in its reading, never the split between them"
    ),
    IdentityNote.ANSWERS_IN_PAIRS: lambda values: (
        "nothing claimed: most labels answer two cylinders by halves, as where injectors are driven in "
        "pairs "
        + (f"({_pairs_text(values['pairs'])}); " if values["pairs"] else "(single steps show which); ")
        + 'if they are, say so: [injection] timing = "paired", with the firing order'
    ),
    IdentityNote.NOT_SEPARATED: lambda values: (
        f"the steps do not distinguish cylinders {_pairs_text(values['groups'])}; {_STEPS_AGAIN}"
    ),
    IdentityNote.SIGN_NOT_CHECKED: (
        "these steps cannot show whether the trims work the wrong way round; a step of all cylinders "
        "together does"
    ),
    IdentityNote.CROSSTALK_NOT_MEASURED: (
        "what a sensor sees of other cylinders needs steps of single cylinders (mixmon identify --plan "
        "--single)"
    ),
    LabelNote.OR_STEPS_EXCHANGED: lambda values: (
        f"sees {_cylinders_word(values['cylinders'])}, or steps {_join_words(values['steps'])} were typed in "
        "each other's place"
    ),
    LabelNote.NOT_VALID: "its readings were not valid for most of the time of the steps",
    LabelNote.WEAK_ANSWER: "no clear answer of one cylinder (gain {gain:.2f})",
    LabelNote.NOT_CONFIDENT: "too uncertain to be used",
    LabelNote.BETWEEN_CYLINDERS: lambda values: (
        f"answers cylinders {_cylinders_text(values['cylinders'])} about alike, as where they share an "
        "injector driver or their gas; step each alone (mixmon identify --plan --single)"
    ),
    LabelNote.ANSWERS_ALIKE: lambda values: (
        f"labels {_cylinders_text(values['labels'])} all answer cylinder "
        f"{_cylinders_text(values['cylinders'])}; look at their wires and at those of the injectors"
    ),
    LabelNote.OTHER_CYLINDER: lambda values: (
        f"labelled {_cylinders_text(values['labelled'])}, sees {_cylinders_text(values['cylinders'])}"
    ),
}


# The census: nodes, buses, wiring.

_CENSUS: Final[Mapping[NoteCode, Sentence]] = {
    CensusNote.RATE_OFF: "{rate_hz:.2f} Hz, {expected_hz:g} expected",
    CensusNote.ECHOED: "every frame comes twice: one bus through two interfaces, or a gateway",
    CensusNote.LONG_GAP: lambda values: f"longest gap {1000 * values['gap_max_s']:.0f} ms",
    CensusNote.RESETS: lambda values: (
        f"{values['resets']} {'reset' if values['resets'] == 1 else 'resets'}: check its supply and connector"
    ),
    CensusNote.ONE_ID_FILLS_BUS: (
        "one identifier fills the bus; a single node that nobody acknowledges repeats its frame without end. "
        'Let the adapter acknowledge on the sensor chain (role = "acknowledge")'
    ),
    WiringNote.ALL_SILENT: (
        "no node sends: the trunk, the adapter, the bit rate or the chain's supply, not the nodes"
    ),
    WiringNote.TAIL_SILENT: (
        "everything after node {before} is silent: a break between node {before} and node {first}"
    ),
    WiringNote.NODE_SILENT: "node {node} alone is silent: its own supply, connector or identifier",
    WiringNote.LAST_NODE_SILENT: (
        "node {node} alone is silent: its own supply, connector or identifier, or the last length of cable"
    ),
    WiringNote.CHECK_CHAIN: (
        "supply of the chain; bit rate and channel; 60 ohm between the bus wires with the power off"
    ),
    WiringNote.CHECK_CABLE: (
        "cable and connectors from node {before} to node {first}: both bus wires, supply and ground"
    ),
    WiringNote.CHECK_NODE: "supply at node {node}, its connector, its identifier",
    WiringNote.CHECK_LAST_NODE: (
        "supply at node {node}, its connector, its identifier, the cable from node {before}"
    ),
    WiringNote.DUPLICATE_MAY_BE_NODE: (
        "two controllers send as node {other}, so node {node} may carry its identifier"
    ),
    WiringNote.UNUSED_PLACE_MAY_BE_NODE: (
        "node {other} sends and is not in the session, so it may be node {node}"
    ),
}


# The ledger of sensors.


def _beside_half(value: float, half: float | None, scale: float = 1.0, decimals: int = 0) -> str:
    """A number with half of its interval, where that is known."""
    known = "" if half is None else f" ± {scale * half:.{decimals}f}"
    return f"{scale * value:.{decimals}f}{known}"


_WORN_OR_OTHER: Final = "not what it claims to be, or worn out"

_KNOWN_BIASES: Final[Mapping[NoteCode, Sentence]] = {
    BalanceNote.BIASES_CORRECTED: lambda values: (
        "readings corrected by the known biases of their sensors, as [sensors] known_bias asks, the same "
        "share of "
        "lambda in every cell: "
        + ", ".join(
            f"{sensor} {percent:+.2f} ± {half:.2f} %"
            for sensor, percent, half in zip(
                values["sensors"], values["percent"], values["half_percent"], strict=True
            )
        )
    ),
    BalanceNote.BIASES_NOT_KNOWN: lambda values: (
        f"[sensors] known_bias, and no bias known of {_join_words(values['sensors'])}: not corrected"
    ),
    BalanceNote.BIASES_NOT_LOOKED_UP: (
        '[sensors] known_bias = "ledger", and nobody looked them up: nothing is corrected; open the log by '
        "mixmon.read_run, or give the numbers"
    ),
}

_LEDGER: Final[Mapping[NoteCode, Sentence]] = {
    LedgerNote.ALREADY_ENTERED: lambda values: (
        f"entered before, and not entered again: {_join_words(values['sensors'])}"
    ),
    LedgerNote.OVERLAPS: lambda values: (
        f"{_join_words(values['sensors'])}: not entered, as its time is in {values['log']}, which was "
        "entered for the "
        "same place: one run recorded twice, or a part of it"
    ),
    LedgerNote.NO_SERIAL: lambda values: (
        f"no serial at position {_join_words(values['positions'])}: nothing is entered for it; add sensor to "
        "its "
        "[[chain.node]]"
    ),
    LedgerNote.TWO_NODES: lambda values: (
        f"{values['sensor']} stands at positions {_join_words(values['positions'])}: nothing is entered for "
        "it, as a "
        "sensor sits in one place; correct the session"
    ),
    LedgerNote.TWO_PLACES_AT_ONCE: (
        "in two places at one time: position {position} of {session} ({log}) and position {other_position} "
        "of "
        "{other_session} ({other_log}); one of both serials is wrong: correct that session, withdraw the run "
        "and add "
        "its log again"
    ),
    LedgerNote.SEEN_ELSEWHERE: lambda values: (
        f"seen elsewhere before: position {values['position']}, cylinder "
        f"{'+'.join(map(str, values['cylinders']))} of {values['session'] or 'a session without a name'}"
    ),
    LedgerNote.NO_DATE: lambda values: (
        f"{counted(values['runs'], 'run')} with stamps that are no dates: runs stand in the order in which "
        "they were "
        "entered, and two places at once are not noticed"
    ),
    LedgerNote.NOT_KNOWN_WITHOUT: lambda values: (
        f"{values['fact']}: not known without {_join_words(values['signals'])}"
    ),
    LedgerNote.SLOWER_THAN_CLASS: lambda values: (
        f"T63 {values['way']}-going {_beside_half(values['t63_s'], values['half_s'], 1e3)} ms, of its class "
        f"{1e3 * values['limit_s']:g} ms at most: {_WORN_OR_OTHER}"
    ),
    LedgerNote.WARMS_UP_SLOWER_THAN_CLASS: lambda values: (
        f"ready after {values['seconds']:.1f} s, of its class {values['limit_s']:g} s at most: "
        f"{_WORN_OR_OTHER}; or "
        "its supply is low"
    ),
    LedgerNote.OFF_IN_AIR: lambda values: (
        f"in air {_beside_half(values['off_percent'], values['half_percent'], 1.0, 1)} % off "
        f"{values['against']}, of "
        f"its class {values['limit_percent']:g} % at most: {_WORN_OR_OTHER}"
    ),
    LedgerNote.MUCH_QUICKER_THAN_BEFORE: lambda values: (
        f"T63 {values['way']}-going {1e3 * values['t63_s']:.0f} ms, {1e3 * values['before_s']:.0f} ms "
        "before: another "
        "sensor, or a serial typed wrong"
    ),
    LedgerNote.TOO_FEW_POINTS: "{points} of {needed} runs at different hours that it needs",
    LedgerNote.HOURS_MISSING: "the hours before {points} of its measurements are not known",
    LedgerNote.NO_TREND: "it does not grow by more than its error",
    LedgerNote.BEYOND_LIMIT: "the limit has been reached",
    LedgerNote.TOO_FAR: "it lies more than {hours:.0f} h ahead, too far beyond the hours seen",
}


# Causes.


def inflation_text(inflation: float) -> str:
    """A variance inflation in words; infinite where other causes explain the column wholly."""
    return (
        f"variance inflation {inflation:.0f}"
        if math.isfinite(inflation)
        else "variance inflation infinite: too few cells for so many causes"
    )


def _describe_dead_time(values: Mapping[str, Any]) -> str:
    way = "later" if values["dead_time_ms"] > 0 else "earlier"
    return (
        f"injector opens {abs(values['dead_time_ms']):.3f} ± {values['half_ms']:.3f} ms {way} than the "
        f"mean, by "
        "the split-pulse test"
    )


_CAUSES: Final[Mapping[NoteCode, Sentence]] = {
    CauseNote.TOO_FEW_CELLS: (
        "needs in fewer than {wanted} cells: what changes from cell to cell cannot be explained"
    ),
    CauseNote.NOTHING_APART: "nothing sure: no cause to look for",
    CauseNote.LEFT_OUT_OF_REFERENCE: lambda values: (
        f"{_LOW_FLOW_CAUSE[values['own_throttles']]} suspected: left out of the mean of the others "
        "at low flow"
    ),
    CauseNote.DEAD_TIME_NOT_SEPARABLE: lambda values: (
        "dead time: not separable by steady readings, as air that changes with the opening looks alike "
        f"({inflation_text(values['inflation'])}); a split-pulse test shows it"
    ),
    CauseNote.DEAD_TIME_FOUND: _describe_dead_time,
    CauseNote.DEAD_TIME_ALIKE: (
        "injector opens like the mean, {dead_time_ms:+.3f} ± {half_ms:.3f} ms, by the split-pulse test"
    ),
    CauseNote.DRIFTS: "its need moved with time as well: look for the cause of that first, and measure again",
    CauseNote.FLOW_BY_SPEED_AND_LOAD: (
        "no injector pulse in the log: flow and pulse are taken from speed and load, and dead times are "
        "not in "
        "ms; map pulse_ms in [engine_signals]"
    ),
    CauseNote.DEAD_TIME_NOT_GIVEN: (
        "no [injection] dead_time_ms: pulses are taken with it for effective ones, and dead times of single "
        "injectors come out too large, by a fifth or more at part load"
    ),
    CauseNote.OTHERS_MAY_LEAK: lambda values: (
        f"{_cylinder_list(values['cylinders'])} {'read' if len(values['cylinders']) > 1 else 'reads'} rich "
        f"at low "
        "flow against the others, or most others leak: peers alone do not say which; a smoke test does"
    ),
    CauseNote.RAIL_NOT_GIVEN: (
        "no [injection] fuel_rails: whether needs go with the place along the fuel rail is not tested"
    ),
    CauseNote.SPLIT_WITHOUT_BASE: (
        "split pulse from {from_s:g} to {to_s:g} s: too little steady time with half pulses, or with whole "
        "ones at "
        "the same speed and load within 20 s; hold the point for 15 s before, during and after"
    ),
    CauseNote.SPLIT_WITHOUT_PULSE: (
        "split pulse from {from_s:g} to {to_s:g} s: the pulse before it is not known, or no longer than "
        "the dead "
        "time; give pulse_ms, or map it in [engine_signals]"
    ),
    CauseNote.SPLIT_NOT_ANSWERED: (
        "split pulse from {from_s:g} to {to_s:g} s: the engine control reports {while_ms:.2f} ms meanwhile "
        "and "
        "{before_ms:.2f} ms before, so pulses were not split; correct the times, or repeat the test"
    ),
    CauseNote.SPLIT_NOT_CONFIRMED: (
        "split pulse from {from_s:g} to {to_s:g} s: no pulse in the log shows that pulses were split; if "
        "they were "
        "not, all dead times look alike"
    ),
}


# What a report answers first.


def _write_farthest(values: Mapping[str, Any]) -> str:
    """The need of a cylinder with its interval."""
    own = " with its sensor's own error" if values["with_sensor_error"] else ", as read"
    low, high = (number(values[end], 1, signed=True) for end in ("from_percent", "to_percent"))
    return f"{number(values['needs_percent'], 1, signed=True)} % fuel (95 %: {low} to {high}{own})"


def _from_whom(values: Mapping[str, Any]) -> str:
    return "from the target" if values["against"] == "target" else "from the others"


def _write_none_sure(values: Mapping[str, Any]) -> str:
    return (
        f"no cylinder is sure to differ {_from_whom(values)}: the farthest, cylinder {values['cylinder']}, "
        f"reads {_write_farthest(values)}"
    )


def _write_events(values: Mapping[str, Any]) -> str:
    """How many events of a kind, and in which cylinders most."""
    kind = _EVENT_NOUNS.get(values["kind"], (values["kind"], f"{values['kind']}s"))
    return f"{counted(values['count'], *kind)}{_write_whom(values)}"


def _write_whom(values: Mapping[str, Any]) -> str:
    """The cylinders in brackets, and how many more there are; empty for none."""
    if not values["cylinders"]:
        return ""
    if values["more"]:
        return f" (cylinders {', '.join(map(str, values['cylinders']))} and {values['more']} more)"
    return f" ({_cylinders_word(values['cylinders'])})"


_EVENT_NOUNS: Final[Mapping[str, tuple[str, str]]] = {
    "node silent": ("silent node", "silent nodes"),
    "no fuel": ("cylinder without fuel", "cylinders without fuel"),
    "not classified": ("event not classified", "events not classified"),
}
"""Nouns of the kinds whose own words have no plural."""


def _write_farthest_in_pull(values: Mapping[str, Any]) -> str:
    half = values["half_interval_percent"]
    sure = abs(values["needs_percent"]) > half
    who = f"{_cylinders_word(values['cylinders'])} {'needs' if len(values['cylinders']) == 1 else 'need'}"
    return (
        f"{who} {number(values['needs_percent'], 1, signed=True)} ± {half_width(half, 1)} % fuel at "
        f"{values['rpm']:.0f} rpm in pull {values['pull']}, farthest {_from_whom(values)}"
        + (
            ", as read: a sensor's own error is not in it"
            if sure
            else ", which is not sure: the interval holds zero, or is not known"
        )
    )


def _write_pulls_kept(values: Mapping[str, Any]) -> str:
    return f"{values['kept']} of {counted(values['pulls'], 'pull')} to keep"


def _write_standing_out(values: Mapping[str, Any]) -> str:
    others = f", and {counted(values['others'], 'other')}" if values["others"] else ""
    return (
        f"the sensor of {_cylinders_word(values['cylinders'])}{others} stands out: T63 "
        f"{number(values['t63_ms'])} ms, {number(values['times_peers'], 2)} times its peers"
    )


def _write_not_measured(values: Mapping[str, Any]) -> str:
    if not values["measured"]:
        return "no sensor was measured: no fuel cut in which it saw air, and no fuel steps"
    return f"not measured: {_cylinders_word(values['cylinders'])}"


def _write_wrong(labels: Sequence[int]) -> str:
    return f"label{'s' * (len(labels) > 1)} {_join_words(labels)} {'are' if len(labels) > 1 else 'is'} wrong"


def _write_disproved(values: Mapping[str, Any]) -> str:
    pairs = _join_words(f"{a} and {b}" for a, b in values["exchanged"]) if values["exchanged"] else ""
    what = f"labels {pairs} are exchanged" if pairs else _write_wrong(values["labels"])
    return f"{what}: not every label sees its cylinder, by {counted(values['steps'], 'fuel step')}"


def _write_likeliest(values: Mapping[str, Any]) -> str:
    others = f", of {counted(values['others'] + 1, 'cylinder')} that differ" if values["others"] else ""
    apart = "" if values["separated"] else ", though these data cannot tell it from others"
    return (
        f"cylinder {values['cylinder']} has the likeliest cause{others}: {values['cause']}, "
        f"{values['percent']:.0f} %{apart}; a guide for the search, no proof"
    )


def _write_changes(values: Mapping[str, Any]) -> str:
    """How many cylinders changed, stayed, or are not shown to do either."""
    shown = f"{_cylinders_word(values['different'])}" if values["different"] else "no cylinder"
    return (
        f"{shown} shown to change by more than {values['margin_percent']:g} %, {values['equivalent']} by "
        f"less, {values['not_shown']} neither, which is no proof of the same"
    )


def _write_trim_effect(values: Mapping[str, Any]) -> str:
    verdict = sentence(Note(EffectVerdict(values["verdict"]), tuple(values.items())))
    slope = f", slope {values['slope']:+.2f}" if math.isfinite(values["slope"]) else ""
    return f"trim of {_cylinders_word(values['cylinders'])}: {verdict}{slope}"


def _write_largest_peak(values: Mapping[str, Any]) -> str:
    lean = "lean" if values["peak_lambda"] > 0 else "rich"
    clear = "" if values["clear"] else ", which may be noise"
    return (
        f"{_cylinders_word(values['cylinders'])} went farthest, {abs(values['peak_lambda']):.3f} lambda "
        f"{lean} of its own settled mixture, in tip {values['tip']}{clear}"
    )


def _write_alarms(values: Mapping[str, Any]) -> str:
    name = f"{values['rule']} {values['misfire']}".rstrip()
    return f"P{values['priority']} {name}: raised {counted(values['count'], 'time')}{_write_whom(values)}"


_ANSWERS: Final[Mapping[NoteCode, Sentence]] = {
    AnswerNote.NOT_SOLVED: "not solvable, so no needs and no biases",
    AnswerNote.SESSIONS_DISAGREE: "the sessions do not agree with each other, so do not rely on this",
    AnswerNote.NOTHING_CHECKS: "nothing checks this result yet: one more session would",
    AnswerNote.LARGEST_BIAS: lambda values: (
        f"of the sensors {values['sensor']} is farthest off, "
        f"{number(values['bias_percent'], 2, signed=True)} "
        f"± {half_width(values['half_interval_percent'], 2)} %"
    ),
    AnswerNote.SESSIONS_PLANNED: lambda values: (
        f"{counted(values['sessions'], 'session')} will make every need known to "
        f"± {half_width(values['half_interval_percent'], 2)} %"
    ),
    AnswerNote.ERROR_NOT_REACHED: "± {wanted_percent:g} % is not reached",
    AnswerNote.NOTHING_COMPARED: "nothing can be compared: the runs share no cell",
    AnswerNote.CONDITIONS_DIFFER: lambda values: (
        f"the runs were not alike ({_join_words(CONDITION_NAMES[one] for one in values['quantities'])})"
    ),
    AnswerNote.TRIM_EFFECT: _write_trim_effect,
    AnswerNote.CHANGES_SHOWN: _write_changes,
    AnswerNote.NO_TIP: lambda values: (
        "no tip found that could be judged"
        if values["unjudged"]
        else "no tip found, so nothing is known of opening and closing the throttle"
    ),
    AnswerNote.LARGEST_PEAK: _write_largest_peak,
    AnswerNote.NO_SENSOR_KNOWN: "no sensor is known yet",
    AnswerNote.LOOK_AT_SENSORS: lambda values: (
        f"{len(values['sensors'])} of {counted(values['of'], 'sensor')} to look at: "
        f"{_join_words(values['sensors'])}"
    ),
    AnswerNote.NO_REMARK_ON_SENSORS: lambda values: (
        f"nothing stands out of {counted(values['sensors'], 'sensor')}"
    ),
    AnswerNote.NO_ALARM_RAISED: "no alarm was raised",
    AnswerNote.ALARMS_RAISED: _write_alarms,
    AnswerNote.MORE_ALARMS: lambda values: f"raised as well: {', '.join(values['rules'])}",
    AnswerNote.NO_NEED_KNOWN: "no need is known of any cylinder",
    AnswerNote.TRIMS_WITHHELD: lambda values: (
        "no trims are offered" + (f", for {values['reasons']} reasons" if values["reasons"] > 1 else "")
    ),
    AnswerNote.FARTHEST_SURE: lambda values: (
        f"cylinder {values['cylinder']} needs {_write_farthest(values)}, "
        + (f"the farthest {_from_whom(values)}" if values["farthest"] else "and is sure to differ")
    ),
    AnswerNote.FARTHEST_OR_SENSOR: lambda values: (
        f"cylinder {values['cylinder']} reads {_write_farthest(values)}"
        + (f", the farthest {_from_whom(values)}" if values["farthest"] else "")
        + "; it repeats, but its sensor's own error alone could make it"
    ),
    AnswerNote.FARTHER_UNSURE: lambda values: (
        f"cylinder {values['cylinder']} reads farther {_from_whom(values)}, {_write_farthest(values)}, "
        "and is less sure to differ"
    ),
    AnswerNote.NONE_SURE: _write_none_sure,
    AnswerNote.SPREAD_AFTER: (
        "the trims bring the spread from {now_percent:.1f} to {after_percent:.1f} %, predicted"
    ),
    AnswerNote.TOO_SHORT: "not to be relied on yet: too short a time, and no cell visited again",
    AnswerNote.TRIMS_TO_TYPE: lambda values: (
        f"{values['changed']} of {counted(values['of'], 'trim')} to be changed"
    ),
    AnswerNote.LABELS_NOT_PROVED: "labels are not proved by fuel steps",
    AnswerNote.EVENTS_FOUND: _write_events,
    AnswerNote.NO_EVENT: "no event found",
    AnswerNote.NO_SAMPLE_COUNTS: "no event could be found: no sample counts",
    AnswerNote.NOT_SURE_WHICH: lambda values: f"{_write_events(values)}: misfire, lean mixture or both",
    AnswerNote.NO_PULL: "no pull found, so nothing is known at full load",
    AnswerNote.ALL_PULLS_REJECTED: lambda values: (
        f"{counted(values['pulls'], 'pull')} found, and none to rely on: each is to be rejected"
    ),
    AnswerNote.FARTHEST_IN_PULL: _write_farthest_in_pull,
    AnswerNote.PULLS_KEPT: _write_pulls_kept,
    AnswerNote.SENSORS_STAND_OUT: _write_standing_out,
    AnswerNote.SENSORS_ALIKE: lambda values: (
        f"no sensor stands out of {counted(values['sensors'], 'sensor')} measured"
    ),
    AnswerNote.SENSORS_NOT_MEASURED: _write_not_measured,
    AnswerNote.BUS_COMPLETE: lambda values: (
        f"all {counted(values['nodes'], 'node')} are there, each by one controller"
    ),
    AnswerNote.BUS_NOT_COMPLETE: lambda values: f"the bus is not complete: {_join_words(values['missed'])}",
    AnswerNote.NODES_FOUND: lambda values: (
        f"{counted(values['nodes'], 'node')} of the project's own message layer among "
        f"{counted(values['ids'], 'identifier')}; without a session nothing is missing or too much"
    ),
    AnswerNote.NODES_WITH_NOTES: lambda values: (
        f"look at node{'s' * (len(values['positions']) > 1)} {_join_words(values['positions'])}"
    ),
    AnswerNote.IN_ONE_STAGE: lambda values: (
        f"all that in the {_STAGE_NAMES[values['injection_stage']]} injection stage alone"
    ),
    AnswerNote.SOME_NOT_MEASURED: lambda values: (
        f"of {_cylinders_word(values['cylinders'])}, without a sensor, nothing is known"
    ),
    AnswerNote.LABELS_PROVED: lambda values: (
        f"proved: all {counted(values['labels'], 'label')} see the cylinder that the session gives"
        f"{', or another of its injector driver' if values['within_pairs'] else ''}, by "
        f"{counted(values['steps'], 'fuel step')}"
    ),
    AnswerNote.LABELS_DISPROVED: _write_disproved,
    AnswerNote.LABELS_UNPROVED: lambda values: f"not proved, by {counted(values['steps'], 'fuel step')}",
    AnswerNote.LIKELIEST_CAUSE: _write_likeliest,
    AnswerNote.NO_CAUSE: "no cylinder is sure to differ, so there is no cause to look for",
    AnswerNote.TEST_NEXT: "next test: {test}, about {minutes:g} minutes",
}


# What a log says against a session.

_QUANTITY_NAMES: Final[Mapping[str, str]] = {
    "oxygen": "oxygen balance",
    "supply": "a supply voltage",
    "battery_v": "a battery voltage",
    "heater": "a heater's duty",
    "rpm": "an engine speed",
    "throttle": "a throttle opening",
    "map_kpa": "an intake pressure",
    "target": "a target",
    "pulse_ms": "a pulse width",
    "coolant_c": "a coolant temperature",
    "intake_c": "an intake air temperature",
    "oil_c": "an oil temperature",
    "baro_kpa": "an ambient pressure",
    "fuel_pressure_kpa": "a fuel pressure",
    "exhaust_kpa": "an exhaust pressure",
    "trim": "a trim",
}
"""What a quantity of the session file is called in a sentence; others by their own name."""


def _name_quantity(values: Mapping[str, Any]) -> str:
    return _QUANTITY_NAMES.get(values["quantity"], str(values["quantity"]).replace("_", " "))


def _write_seen(values: Mapping[str, Any]) -> str:
    """What a signal was seen to do: lowest, highest and middle value, and how many there were."""
    seen = [values[key] for key in ("lowest", "median", "highest")]
    low, middle, high = (f"{one:.4g}" if abs(one) < 9999.5 else f"{one:.0f}" for one in seen)
    unit = "" if values["unit"] in {"yes or no", "lambda"} else f" {values['unit']}"
    samples = counted(values["samples"], "value")
    if low == high:
        return f"{low}{unit} all along ({samples})"
    return f"{low} to {high}{unit}, half of them below {middle} ({samples})"


def _write_remedies(values: Mapping[str, Any], otherwise: str) -> str:
    """What to do: the keys that would make sense of the numbers, or else."""
    remedies = values["remedies"]
    if not remedies:
        return otherwise
    if not remedies[0]:
        return "as sent the values are usual ones; take out scale and offset, or correct the definition"
    keys = " or ".join(f"{{ signal = ..., {remedy} }}" for remedy in filter(None, remedies))
    return f"with {keys} the values are usual ones; check the unit and give it"


def _of_nodes(values: Mapping[str, Any]) -> str:
    """Which nodes it is about, where it is about nodes."""
    positions = values.get("positions") or (() if values["position"] is None else (values["position"],))
    if not positions:
        return ""
    return f"node{'s' if len(positions) > 1 else ''} {_join_words(positions)}: "


def _write_range(values: Mapping[str, Any]) -> str:
    unit = "" if values["unit"] == "lambda" else f" {values['unit']}"
    expected = f"{values['least']:g} to {values['most']:g}{unit}"
    otherwise = "map another signal, or look at its sensor"
    if values["quantity"] == "pulse_ms" and 20.0 < values["highest"] <= 105.0:
        otherwise = "it may be a percentage, which is no pulse width: map another signal, or check the scale"
        values = {**values, "remedies": ()}
    return (
        f"{_of_nodes(values)}{_write_seen(values)}, {values['share_percent']:.0f} % of it outside what "
        f"{_name_quantity(values)} is; expected {expected}; {_write_remedies(values, otherwise)}"
    )


def _write_absent_bus(values: Mapping[str, Any]) -> str:
    channels = _join_words(values["channels"])
    if values["present"]:
        return (
            f"no frame of the mapped messages of bus {values['bus']}; expected some on its channel (the "
            "log has "
            f"{channels}); check log_channel and database (mixmon census LOG shows what is there)"
        )
    return (
        f"no channel of bus {values['bus']} in the log; expected one of those it has ({channels}); correct it"
    )


def _write_absent_signal(values: Mapping[str, Any]) -> str:
    more = f" and {values['others']} like it" if values["others"] else ""
    return (
        f"{values['message']}{more} never came: no {_join_words(values['signals'], ', ')}; expected frames "
        "of it; "
        f"switch its sender on, or take out {_join_words(values['keys'])}"
    )


def _write_oxygen_apart(values: Mapping[str, Any]) -> str:
    otherwise = "check signal, sign and unit of both"
    return (
        f"{_of_nodes(values)}{_write_seen(values)}, which is lambda {values['lambda_by_oxygen']:.3f}, beside "
        f"lambda {values['lam']:.3f} of the same node; expected the same gas, percent wet and negative "
        "when rich; "
        f"{_write_remedies(values, otherwise)}"
    )


def _write_number_as_claim(values: Mapping[str, Any]) -> str:
    different = values["different"]
    many = f"{different} different values" if different else "a measured number"
    return (
        f"{_of_nodes(values)}{many}, {_write_seen(values)}, read as yes or no; expected 0 for no and "
        "another value "
        "for yes; map a flag, or give equals = [...] with the values that mean yes"
    )


def _write_never_ready(values: Mapping[str, Any]) -> str:
    seen = _join_words(f"{value:g}" for value in values["seen"]) if values["seen"] else "many values"
    counted_as = (
        f"; equals has {_join_words(f'{v:g}' for v in values['counted'])}" if values["counted"] else ""
    )
    return (
        "no node was ever ready, while all readings moved like those of warm sensors; seen: "
        f"{seen}{counted_as}; "
        "expected a value that means ready; correct equals, or map another signal"
    )


def _write_slow_speed(values: Mapping[str, Any]) -> str:
    otherwise = "check the scale, and whether it is the crankshaft's"
    return (
        f"{_write_seen(values)}, {values['slow_s']:.0f} s of it below the speed at which an engine runs by "
        f"itself; expected revolutions a minute; {_write_remedies(values, otherwise)}"
    )


def _write_long_pulse(values: Mapping[str, Any]) -> str:
    return (
        f"{_write_seen(values)}; {values['pulse_ms']:.3g} ms at {values['rpm']:.0f} rpm is longer than a "
        "whole "
        f"cycle, {values['cycle_ms']:.3g} ms; expected milliseconds of one injection; a percentage is no "
        "pulse width: map another signal, or check scale, engine speed and strokes"
    )


def _write_throttle_part(values: Mapping[str, Any]) -> str:
    return (
        f"{_write_seen(values)}, also at high speed; expected percent, 100 when open; "
        f"{_write_remedies(values, 'check the scale')}"
    )


def _write_stands_still(values: Mapping[str, Any]) -> str:
    if values["position"] is None:
        return (
            f"{_write_seen(values)}, while the gas of the cylinders changed; expected a value that moves; "
            "map "
            "another signal, or look at its sensor"
        )
    return (
        f"node {values['position']}: {_write_seen(values)}, while others moved; expected a reading that "
        "moves; "
        "check signal, sensor and connector"
    )


def _write_inverted(values: Mapping[str, Any]) -> str:
    if values["quantity"] == "target":
        return (
            f"{_write_seen(values)}, rich where the readings are lean; expected a target that they "
            f'follow; one of the two is fuel to air: unit = "phi" there or in {values["other_key"]}'
        )
    return (
        f"{_of_nodes(values)}{_write_seen(values)}, richer in cuts of fuel ({values['other_key']}); expected "
        'air there; a ratio of fuel to air is read with unit = "phi"; else check which state means a cut'
    )


_PLAUSIBLE: Final[Mapping[NoteCode, Sentence]] = {
    PlausibleNote.NO_BUS: _write_absent_bus,
    PlausibleNote.NO_SIGNAL: _write_absent_signal,
    PlausibleNote.NEVER_GOOD: lambda values: (
        f"{_of_nodes(values)}{counted(values['frames'], 'frame')} and no value in any of them; expected a "
        "number; "
        "check signal and definitions, or look at its sensor"
    ),
    PlausibleNote.RANGE: _write_range,
    PlausibleNote.STANDS_STILL: _write_stands_still,
    PlausibleNote.JUMPS: lambda values: (
        f"{_write_seen(values)}, mostly {values['step']:.3g} from one value to the next; expected a number "
        "that moves in small steps; check byte order, start and length of the signal in its definition"
    ),
    PlausibleNote.COUNTS: lambda values: (
        f"{_write_seen(values)}, in equal steps that begin again; expected a measured value; this is a "
        "counter: map another signal"
    ),
    PlausibleNote.ONE_SIGNAL: (
        "the same signal as {other_key}; expected one of its own; map another signal, or take one of them out"
    ),
    PlausibleNote.TARGET_FOLLOWS: lambda values: (
        f"{_write_seen(values)}, moving with the noise of the readings; expected what the engine control "
        "asks for; a measured lambda is no target: map another signal"
    ),
    PlausibleNote.INVERTED: _write_inverted,
    PlausibleNote.STAMPS: lambda values: (
        f"a value each {values['step_s']:.3g} s; expected milliseconds to seconds, as on any bus; check the "
        "unit of the times in the log"
    ),
    PlausibleNote.SAME_SIGNAL: (
        "nodes {position} and {other} have one signal; expected one of its own for each; correct the names "
        "or "
        "the pattern, or make it one node with both cylinders"
    ),
    PlausibleNote.SAME_VALUES: (
        "nodes {position} and {other}: {other_signal} has the same {samples} values; expected two sensors; "
        "map "
        "another signal"
    ),
    PlausibleNote.OXYGEN_AGAINST_LAMBDA: _write_oxygen_apart,
    PlausibleNote.NUMBER_AS_CLAIM: _write_number_as_claim,
    PlausibleNote.ALWAYS_YES: lambda values: (
        f"{_of_nodes(values)}yes in {values['share_percent']:.0f} % of the log, while the sensors read burnt "
        "gas; expected yes for moments; give equals = [...] with the values that mean yes, or map another "
        "signal"
    ),
    PlausibleNote.NEVER_READY: _write_never_ready,
    PlausibleNote.SLOW_SPEED: _write_slow_speed,
    PlausibleNote.LONG_PULSE: _write_long_pulse,
    PlausibleNote.SHORT_PULSE: lambda values: (
        f"{_write_seen(values)}, mostly less than [injection] dead_time_ms = {values['dead_time_ms']:g}; "
        "expected "
        "longer pulses; check the scale, and the dead time"
    ),
    PlausibleNote.THROTTLE_PART: _write_throttle_part,
    PlausibleNote.THROTTLE_NEVER_SHUT: lambda values: (
        f"{_write_seen(values)}, also at idle; expected a throttle that is nearly shut there; a pressure, "
        "a pedal or "
        "a throttle that counts the other way is none: map another signal, or scale and offset"
    ),
    PlausibleNote.PRESSURE_LOW: lambda values: (
        f"{_write_seen(values)}; expected kilopascals, absolute, about 100 with the engine off; "
        f"{_write_remedies(values, 'check the unit')}"
    ),
    PlausibleNote.RATE: lambda values: (
        f"{values['rate_hz']:.3g} a second, where the definitions tell {values['told_hz']:.3g}; expected "
        "these; "
        "check whether the file is of this version of the sender"
    ),
    PlausibleNote.TOO_SLOW: lambda values: (
        f"{_of_nodes(values)}a value each {values['step_s']:.3g} s, and older ones than [validity] stale_s = "
        f"{values['stale_s']:g} do not count; expected more often; send it faster, or raise stale_s"
    ),
}


# All of them.

SENTENCES: Final[dict[NoteCode, Sentence]] = {
    **_SESSION_GAPS,
    **_MERGES,
    **_CAUTIONS,
    **_BALANCE,
    **_SHEET,
    **_ROTATION,
    **_COMPARISON,
    **_EFFECTS,
    **_PULLS,
    **_RESPONSE,
    **_EDGES,
    **_IDENTITY,
    **_CENSUS,
    **_KNOWN_BIASES,
    **_LEDGER,
    **_CAUSES,
    **_PLAUSIBLE,
    **_ANSWERS,
}
"""One sentence for every code; a test looks for codes that have none."""
