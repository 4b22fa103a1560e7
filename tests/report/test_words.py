"""Every code of a note has one sentence, and every sentence a code."""

import importlib
import pkgutil

import mixmon
from mixmon.note import NoteCode
from mixmon.report.words import SENTENCES


def codes() -> set[NoteCode]:
    for found in pkgutil.walk_packages(mixmon.__path__, "mixmon."):
        importlib.import_module(found.name)
    return {code for room in NoteCode.__subclasses__() for code in room}


def test_every_code_has_one_sentence():
    assert set(SENTENCES) == codes()


def test_no_two_rooms_use_one_code():
    values = [code.value for code in codes()]
    assert len(values) == len(set(values))
