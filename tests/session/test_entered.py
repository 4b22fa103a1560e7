"""What was typed, kept beside a session: read back equal, placed by stamps of logs, never half understood."""

import json
from dataclasses import replace

import pytest

from mixmon.errors import SessionError
from mixmon.live.kept_files import run_files
from mixmon.session.entered import entered_path, entered_text, load_entries, trims_held
from mixmon.session.load import load_session
from mixmon.session.model import TrimEntry

SECOND = 1_000_000_000
MORNING = 1_700_000_000 * SECOND
LEAST = "[engine]\ncylinders = 2\n[chain]\n"
FIRST = TrimEntry("a.log", "f1", MORNING, MORNING + 60 * SECOND, "2023-11-14T23:00:00+00:00", "A. Tuner",
                  ("S-1", None), (0.0, 0.0), (1.5, -1.5))  # fmt: skip
SECOND_ENTRY = replace(FIRST, log="b.log", first_ns=MORNING + 600 * SECOND, last_ns=MORNING + 660 * SECOND,
                       before=(1.5, -1.5), after=(2.0, -1.5))  # fmt: skip


@pytest.fixture
def session(tmp_path):
    def load(*entries, more=""):
        (tmp_path / "s.toml").write_text(LEAST + more)
        if entries:
            entered_path(tmp_path / "s.toml").write_text(entered_text(entries))
        return load_session(tmp_path / "s.toml")

    return load


def test_what_is_written_is_read_by_whoever_loads_the_session(session, tmp_path):
    assert session().entries == ()
    assert session(FIRST, SECOND_ENTRY).entries == (FIRST, SECOND_ENTRY)
    assert load_entries(tmp_path / "other.toml") == ()


@pytest.mark.parametrize(
    ("after_s", "percent", "after"),
    [(-1000, (0, 0), False), (0, (0, 0), False), (30, (0, 0), False), (61, (1.5, -1.5), True),
     (630, (1.5, -1.5), True), (661, (2, -1.5), True), (1e6, (2, -1.5), True)],
)  # fmt: skip
def test_a_log_holds_the_trims_of_its_time(session, after_s, percent, after):
    """Also where the entries do not stand in the order of time."""
    for entries in ((FIRST, SECOND_ENTRY), (SECOND_ENTRY, FIRST)):
        held = trims_held(session(*entries), MORNING + int(after_s) * SECOND)
        assert (held.percent, held.after, held.against, held.undated) == (percent, after, False, False)


def test_a_log_that_an_entry_rests_on_holds_what_that_entry_says_of_it(session):
    """Something else was typed between two entries; a correction by the same log changes nothing there."""
    typed = replace(SECOND_ENTRY, before=(3.0, 0.0))
    corrected = replace(typed, before=(2.0, -1.5), after=(2.5, -1.5))
    held = trims_held(session(FIRST, typed, corrected), MORNING + 630 * SECOND)
    assert (held.percent, held.entry, held.after) == ((3.0, 0.0), typed, False)
    later = trims_held(session(FIRST, typed, corrected), MORNING + 700 * SECOND)
    assert (later.percent, later.after) == ((2.5, -1.5), True)


@pytest.mark.parametrize("number", [float("nan"), float("inf"), -100.0])
def test_trims_that_are_no_numbers_are_refused(session, number):
    with pytest.raises(SessionError, match="trims\\.json: no record of trims"):
        session(replace(FIRST, after=(1.5, number)))


def test_what_the_session_says_counts_and_what_is_against_it_is_told(session):
    said = "[trims]\nnow_percent = [1.5, -1.5]\n"
    agrees = trims_held(session(FIRST, more=said), MORNING + 100 * SECOND)
    assert (agrees.percent, agrees.entry, agrees.against) == ((1.5, -1.5), None, False)
    against = trims_held(session(FIRST, more=said), MORNING)
    assert (against.percent, against.entry, against.against) == ((1.5, -1.5), FIRST, True)


def test_a_log_without_a_date_is_not_placed(session):
    held = trims_held(session(FIRST), 5 * SECOND)
    assert (held.percent, held.undated) == (None, True)
    undated = replace(FIRST, first_ns=0, last_ns=60 * SECOND)
    assert trims_held(session(undated), MORNING).undated
    assert not trims_held(session(FIRST, more="[trims]\nnow_percent = [0, 0]\n"), 5 * SECOND).undated


def test_a_run_keeps_what_was_entered(session, tmp_path):
    files = run_files(session(FIRST))
    assert files["session.trims.json"].decode() == entered_text((FIRST,))
    assert "session.trims.json" not in run_files(replace(session(), entries=()))


def test_an_entry_of_another_engine_tells_nothing(session):
    assert trims_held(session(replace(FIRST, before=(0.0,), after=(1.0,))), MORNING).percent is None


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"format": 1}', '{"format": 1, "entries": [{}]}', "\x00"])
def test_what_is_no_record_is_refused(session, tmp_path, text):
    session()
    entered_path(tmp_path / "s.toml").write_text(text)
    with pytest.raises(SessionError, match="trims\\.json: no record of trims"):
        load_session(tmp_path / "s.toml")


def test_a_newer_format_is_refused(session, tmp_path):
    session(FIRST)
    raw = json.loads(entered_path(tmp_path / "s.toml").read_text())
    entered_path(tmp_path / "s.toml").write_text(json.dumps(raw | {"format": 2}))
    with pytest.raises(SessionError, match="format 2, 1 is known"):
        load_session(tmp_path / "s.toml")
