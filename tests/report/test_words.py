"""Every code of a note has one sentence, and every sentence a code."""

import importlib
import pkgutil
from collections import Counter

import pytest

import mixmon
from mixmon.findings.balance.notes import BalanceNote
from mixmon.findings.causes.notes import CauseNote
from mixmon.messages.gaps import CHAIN_SIGNALS_MISSED, ENGINE_SIGNALS_MISSED, Gap
from mixmon.note import NoteCode, note
from mixmon.report.text import plain
from mixmon.report.words import SENTENCES, WITHOUT_SIGNAL, note_object, sentence, sentences


def codes() -> list[NoteCode]:
    """All of them; a set would drop the second of two that rooms spell alike, as they are equal."""
    for found in pkgutil.walk_packages(mixmon.__path__, "mixmon."):
        importlib.import_module(found.name)
    return [code for room in NoteCode.__subclasses__() for code in room]


def test_every_code_has_one_sentence():
    assert set(SENTENCES) == set(codes())


def test_no_two_rooms_use_one_code():
    spelled = Counter(code.value for code in codes())
    assert [code for code, rooms in spelled.items() if rooms > 1] == []


def test_what_a_signal_is_needed_for_is_said_of_every_one_that_is_missed():
    assert set(WITHOUT_SIGNAL) == {*CHAIN_SIGNALS_MISSED, *ENGINE_SIGNALS_MISSED}


def test_a_note_is_an_object_of_code_text_and_values_in_json():
    noted = note(BalanceNote.SHARED_SENSOR, with_cylinders=(2, 3))
    text = "set with cylinders 2 and 3: one sensor, one need, the same change of trim; the split is not known"
    assert plain([noted]) == [{"code": "shared_sensor", "text": text, "with_cylinders": [2, 3]}]
    assert list(note_object(noted)) == ["code", "text", "with_cylinders"]


MISFIRE = {"missed_cycles": 7, "events": 2}
NEEDS = {"needs_percent": 1.0, "needs_counted_percent": 1.5}
TRIMS = {"trim_new_percent": 1.0, "trim_counted_percent": 1.25}
NO_TRIMS = dict.fromkeys(TRIMS, float("nan"))
MESSAGE = {"message": "Mix03_Fast", "bus": "chain", "signals": ("lambda", "oxygen")}
AT_LIMITS = {"rich": (2, 5), "lean": (7,)}
AT_RICH = {"rich": (2,), "lean": ()}
SUSPECTS = {"cells": 2, "shift_percent": 1.4, "rpm": 1100.0, "load": 3.0}
SAID = [
    (
        note(BalanceNote.REFERENCE_WITHOUT_SUSPECTS, cylinders=(6, 8), **SUSPECTS, own_throttles=True),
        (
            "cylinders 6 and 8: a leak or throttle sync is suspected, so they are left out of the mean in 2 "
            "cells of low flow; with them the others would read 1.4 % too rich at 1100 rpm, load 3, if they "
            "leak (mixmon causes LOG says what else it may be)"
        ),
    ),
    (
        note(CauseNote.LEFT_OUT_OF_REFERENCE, own_throttles=False),
        "a leak suspected: left out of the mean of the others at low flow",
    ),
    (
        note(CauseNote.DEAD_TIME_NOT_SEPARABLE, inflation=float("inf")),
        (
            "dead time: not separable by steady readings, as air that changes with the opening looks alike "
            "(variance inflation infinite: too few cells for so many causes); a split-pulse test shows it"
        ),
    ),
    (
        note(BalanceNote.CYLINDERS_AT_LIMIT, **AT_LIMITS),
        (
            "no need is known of cylinders that stood at a limit of their sensors (at the rich limit: "
            "cylinders 2 and 5, and at the lean limit: cylinder 7), so the mean of the others is not the "
            "engine's, and trims by it may have the wrong sign: bring these cylinders within the range "
            "first, by the base map or by hand, or fit sensors with a wider range, and record again"
        ),
    ),
    (
        note(BalanceNote.REFERENCE_WITHOUT_LIMITED, **AT_RICH, least_percent=2.26),
        (
            "without cylinders at a limit (at the rich limit: cylinder 2) all needs against the mean are too "
            "low, by 2.3 % at least: by how much more is not known"
        ),
    ),
    (
        note(BalanceNote.REFERENCE_WITHOUT_LIMITED, **AT_RICH, least_percent=None),
        (
            "without cylinders at a limit (at the rich limit: cylinder 2) all needs against the mean are "
            "off, too high or too low: by how much is not known"
        ),
    ),
    (note(BalanceNote.MISFIRE_EXCLUDED, **MISFIRE), "misfire excluded: 7 cycles in 2 events"),
    (
        note(BalanceNote.MISFIRE_EXCLUDED, **MISFIRE, **NEEDS, **TRIMS),
        (
            "misfire excluded: 7 cycles in 2 events; needs +1.0 % (new trim +1.00) without, "
            "+1.5 % (new trim +1.25) with it"
        ),
    ),
    (
        note(BalanceNote.MISFIRE_EXCLUDED, **MISFIRE, **NEEDS, **NO_TRIMS),
        "misfire excluded: 7 cycles in 2 events; needs +1.0 % without, +1.5 % with it",
    ),
    (
        note(BalanceNote.SHARED_SENSOR, with_cylinders=(2, 3)),
        "set with cylinders 2 and 3: one sensor, one need, the same change of trim; the split is not known",
    ),
    (
        note(
            BalanceNote.FREQUENT_MISFIRE,
            cylinders=(3, 4),
            events=5,
            used_s=12.3,
            share_percent=1.25,
            lean_least_percent=0.65,
            lean_most_percent=0.94,
        ),
        (
            "misfire in the data: cylinder 3 and 4, 5 times in 12 s used, 1.2 % of its cycles, which alone "
            "read 0.7 to 0.9 % lean; repair the ignition before adding fuel"
        ),
    ),
    (
        note(BalanceNote.CELLS_EXCLUDED_BY_OPERATOR, rpm=(3000.0, 6000.0), load=(50.0, 100.0)),
        "cells excluded by the operator: rpm 3000 load 50, rpm 6000 load 100",
    ),
    (
        note(BalanceNote.CELLS_EXCLUDED_BY_OPERATOR, rpm=(3000.0,), load=None),
        "cells excluded by the operator: rpm 3000",
    ),
    (
        note(Gap.MESSAGES_MISSING, **MESSAGE, others=2, needed_for_steady=()),
        "Mix03_Fast and 2 like it never came on bus chain: no lambda, oxygen",
    ),
    (
        note(Gap.MESSAGES_LATE, **MESSAGE, others=0, needed_for_steady=("rpm", "throttle")),
        (
            "Mix03_Fast never came in time on bus chain: no lambda, oxygen; "
            "without rpm and throttle no time counts as steady"
        ),
    ),
    (note(Gap.NO_SIGNAL, signal="heater"), "no heater signal: heater effort is not compared"),
]


@pytest.mark.parametrize(("noted", "text"), SAID, ids=[str(noted.code) for noted, _ in SAID])
def test_words_that_depend_on_the_values(noted, text):
    assert sentence(noted) == text


def test_several_notes_are_one_text():
    notes = (note(BalanceNote.TRIM_AT_LIMIT), note(BalanceNote.OUTLIERS_EXCLUDED, seconds=0.25))
    assert sentences(notes) == "trim at its limit; 0.25 s of outliers excluded"


def test_a_value_that_is_not_known_is_no_number():
    said = sentence(note(BalanceNote.CELLS_DISAGREE, least_percent=float("nan"), most_percent=1.0))
    assert said == "needs -- to +1.0 % by cell: one trim cannot suit all cells"
