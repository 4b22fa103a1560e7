"""mixmon trims as people and scripts use it, on the example of a six-cylinder engine with known trims."""

from __future__ import annotations

import csv
import io
import json
import math
import shutil
from dataclasses import replace
from pathlib import Path

import pytest
from command_line import read_json, run_command

import mixmon
from mixmon.cli.main import BAD_INPUT, DONE
from mixmon.findings.balance.balance import BalanceStage
from mixmon.findings.balance.notes import BalanceNote
from mixmon.findings.proof.pairs import RunSide
from mixmon.findings.trims.sheet import make_sheet
from mixmon.report.trims import trims_aloud, trims_csv, trims_text
from mixmon.report.words import sentence
from mixmon.run import Run, with_entry
from mixmon.session.model import TrimEntry

pytestmark = pytest.mark.usefixtures("findings_made_once")

ROOT = Path(__file__).parents[2]
EXAMPLES = ROOT / "examples"
LOG = str(EXAMPLES / "foreign.log.gz")
AFTER = str(EXAMPLES / "foreign_after.log.gz")
SIX = str(EXAMPLES / "foreign.toml")
ENTRY = TrimEntry("a.log", "f", 1_700_000_000 * 10**9, 1_700_000_060 * 10**9, "today", None, (None,) * 6,
                  (0.0,) * 6, (0.0, 0.0, 0.0, 0.0, 4.0, 0.0))  # fmt: skip
OFFERED = [-1.0, -2.0, -2.0, 1.0, 4.0, 0.0]


@pytest.fixture
def session(tmp_path):
    """The example's session in a folder of its own, with more keys; its path."""

    def write(**keys: str) -> str:
        for name in ("foreign_chain.dbc", "foreign_engine.dbc"):
            shutil.copy(EXAMPLES / name, tmp_path / name)
        text = Path(SIX).read_text(encoding="utf-8")
        for table, more in keys.items():
            assert f"[{table}]\n" in text
            text = text.replace(f"[{table}]\n", f"[{table}]\n{more}\n")
        path = tmp_path / "six.toml"
        path.write_text(text, encoding="utf-8")
        return str(path)

    return write


@pytest.fixture(scope="module")
def run() -> Run:
    return mixmon.read_run(mixmon.load_session(SIX), LOG)


@pytest.fixture(scope="module")
def balance(run):
    return mixmon.balance(run)


def test_json_has_every_field_and_the_trims_of_the_balance(balance):
    told = read_json(run_command("trims", LOG, "-s", SIX, "--json", "--quiet"))
    assert list(told) == [
        "format", "session", "log", "shape", "step_percent", "identity", "by_label", "sheet", "banks", "map",
        "parts", "whole_engine_fuel", "outlook", "staged", "staging_steps", "withheld", "notes", "answer",
    ]  # fmt: skip
    assert list(told["sheet"][0]) == [
        "output", "cylinder", "position", "sensor", "bank", "needs_percent", "interval95_percent",
        "now_percent", "new_percent", "difference_percent", "certainty", "why",
    ]  # fmt: skip
    assert list(told["parts"]) == ["whole_engine", "banks", "cylinders"]
    assert [row["new_percent"] for row in told["sheet"]] == OFFERED
    assert [one.trim_new_percent for one in balance.cylinders] == OFFERED


def test_the_sheet_stands_in_the_order_of_the_outputs(run, balance):
    injection = replace(run.session.injection, output_order=(1, 5, 3, 6, 2, 4))
    sheet = make_sheet(replace(run.session, injection=injection), balance)
    assert [(row.output, row.cylinder) for row in sheet.rows] == list(enumerate((1, 5, 3, 6, 2, 4), 1))
    assert trims_aloud(sheet).splitlines() == [
        "output 1, cylinder 1: minus one, was zero.",
        "output 2, cylinder 5: plus four, was zero.",
        "output 3, cylinder 3: minus two, was zero.",
        "output 4, cylinder 6: leave zero.",
        "output 5, cylinder 2: minus two, was zero.",
        "output 6, cylinder 4: plus one, was zero.",
        "end of sheet: 5 changed, 1 left. save.",
    ]
    assert "order of the cylinders" not in trims_text(sheet, run)


def test_csv_reads_back_equal_and_its_header_names_units(run, balance):
    sheet = make_sheet(run.session, balance)
    head, *rows = csv.reader(io.StringIO(trims_csv(sheet, "kPa")))
    assert head == [
        "output", "cylinder", "bank", "sensor", "speed [1/min]", "load [kPa]", "needs [% of fuel]",
        "needs from [% of fuel]", "needs to [% of fuel]", "trim now [%]", "trim new [%]", "difference [%]",
        "how sure", "why",
    ]  # fmt: skip
    assert len(rows) == 6
    for row, one in zip(rows, sheet.rows, strict=True):
        numbers = [one.needs_percent, *one.interval95_percent, one.now_percent, one.new_percent]
        assert [float(text) for text in row[6:11]] == numbers
        assert (row[1], row[2], row[3], row[12]) == (str(one.cylinder), one.bank, one.sensor or "", "clear")


def test_labels_that_nobody_proved_give_needs_and_nothing_to_type(run, session, tmp_path):
    path = Path(session())
    text = path.read_text(encoding="utf-8").replace('identity = "stated"', 'identity = "required"')
    path.write_text(text, encoding="utf-8")
    place = tmp_path / "sheet.csv"
    sheet = mixmon.trims(mixmon.read_run(mixmon.load_session(path), LOG))
    assert (sheet.by_label, sheet.identity) == (True, "unproved")
    assert [one.code for one in sheet.withheld] == ["identity_not_proved"]
    assert all(math.isnan(row.new_percent) for row in sheet.rows)
    assert sheet.rows[4].needs_percent > 4
    assert sheet.outlook == ()
    text = " ".join(trims_text(sheet, run).split())
    assert "takes two minutes" in text
    assert "needs: by label" in text
    assert trims_aloud(sheet).startswith("nothing to type: ")
    assert trims_csv(sheet, "kPa").splitlines()[5].split(",")[10:12] == ["", ""]
    words = ("trims", LOG, "-s", str(path), "--quiet", "--csv", str(place), "--entered-as-offered")
    refused = run_command(*words)
    assert (refused.status, "no trims are offered" in refused.err) == (BAD_INPUT, True)
    assert "label (not proved" in place.read_text(encoding="utf-8")
    again = run_command(*words)
    assert (again.status, "is there already" in again.err) == (BAD_INPUT, True)


def test_what_was_entered_is_kept_and_read_by_later_commands(session, tmp_path):
    path = session()
    kept = tmp_path / "six.trims.json"
    words = ("trims", LOG, "-s", path, "--quiet", "--json")
    assert run_command(*words, "--entered", "5=4,4=1", "6=-0.5", "--by", "A. Tuner").status == DONE
    (entry,) = json.loads(kept.read_text())["entries"]
    assert (entry["log"], entry["by"]) == ("foreign.log.gz", "A. Tuner")
    assert entry["before"] == [0.0] * 6
    assert entry["after"] == [0.0, 0.0, 0.0, 1.0, 4.0, -0.5]
    assert len(entry["fingerprint"]) == 64
    assert entry["first_ns"] < entry["last_ns"]
    later = dict(entry, first_ns=entry["first_ns"] - 10**12, last_ns=entry["last_ns"] - 10**12)
    kept.write_text(json.dumps({"format": 1, "entries": [later]}))
    found = read_json(run_command(*words))
    assert [row["now_percent"] for row in found["sheet"]] == [0.0, 0.0, 0.0, 1.0, 4.0, -0.5]
    (told,) = (one for one in found["notes"] if one["code"] == "trims_now_from_entry")
    assert (told["after"], told["by"]) == (True, "A. Tuner")
    assert found["sheet"][4]["new_percent"] in {8.0, 9.0}  # 4.36 % on 4.0 is 8.5; by hand


def test_a_session_that_says_otherwise_counts_and_is_warned_of(run, balance):
    stage = BalanceStage(replace(run.session, entries=(ENTRY,)))
    stage.first_ns = stage.last_ns = ENTRY.first_ns
    assert stage.session_held.trims.now_percent == ENTRY.before
    (told,) = stage.notes_on_entries()
    assert told.code is BalanceNote.TRIMS_NOW_FROM_ENTRY
    stage.session = replace(stage.session, trims=replace(run.session.trims, now_percent=(0, 0, 0, 0, 3, 0)))
    assert stage.session_held.trims.now_percent == (0, 0, 0, 0, 3, 0)
    (told,) = stage.notes_on_entries()
    assert told.code is BalanceNote.TRIMS_AGAINST_ENTRY
    assert "as they were before what was entered after a.log (kept today)" in sentence(told)


def test_logs_before_and_after_an_entry_are_not_mixed(run):
    stage = BalanceStage(replace(run.session, entries=(ENTRY,)))
    stage.first_ns, stage.last_ns = ENTRY.first_ns, ENTRY.last_ns + 1
    assert [one.code for one in stage.result().withheld if "changed" in one.code] == ["trims_changed_between"]


def test_compare_reads_what_was_entered_after_the_first_run(run):
    """The example's second log begins anew with its stamps; the first is known again by its frames."""
    entry = replace(ENTRY, fingerprint=run.fingerprint())
    silent = replace(run.session, entries=(entry,))
    runs = mixmon.read_run(silent, LOG), mixmon.read_run(silent, AFTER)
    side = RunSide("a", silent, {}, {})
    held = [one.session.trims.now_percent for one in with_entry(runs, (side, side))]
    assert held == [entry.before, entry.after]
    told = replace(silent, trims=replace(silent.trims, now_percent=(0.0,) * 6))
    runs = mixmon.read_run(silent, LOG), mixmon.read_run(told, AFTER)
    second = with_entry(runs, (side, replace(side, session=told)))[1]
    assert second.session.trims.now_percent == (0.0,) * 6
    other = replace(silent, entries=(ENTRY,))
    runs = mixmon.read_run(other, LOG), mixmon.read_run(other, AFTER)
    assert with_entry(runs, (side, side)) == (side, side)


@pytest.mark.parametrize(
    ("words", "why"),
    [
        (["--entered", "5=4", "--entered-as-offered"], "expected one of both"),
        (["--entered", "7=4"], "cylinder 7; expected 1 to 6"),
        (["--entered", "5"], "no trim; expected a cylinder and percent"),
        (["--entered", "5=4,5=3"], "cylinder 5 was given"),
        (["--by", "A. Tuner"], "nothing to keep"),
        (["--read-aloud", "--json"], "expected one of both"),
    ],
)
def test_words_that_do_not_fit_are_refused(session, tmp_path, words, why):
    answer = run_command("trims", LOG, "-s", session(), "--quiet", *words)
    assert (answer.status, answer.out) == (BAD_INPUT, "")
    assert why in answer.err
    assert not (tmp_path / "six.trims.json").exists()
