"""mixmon report: the page of a run and of two, what it refuses, and what it says it wrote."""

from __future__ import annotations

import hashlib
import json
import re
import stat
from dataclasses import replace
from html import unescape
from pathlib import Path

import numpy as np
import pytest
from check_page import contrast, contrast_faults, page_faults
from command_line import run_command
from laws import everything

import mixmon
from mixmon.beside.beside import Beside, keep_beside
from mixmon.cli.main import BAD_INPUT, DONE
from mixmon.findings.balance.notes import BalanceNote
from mixmon.findings.events.event import Events, Kind
from mixmon.frames.adapters.interfaces import BusOptions
from mixmon.frames.logs import open_log
from mixmon.note import note
from mixmon.record.recorder import Recorder
from mixmon.report.handover.gather import HandOver, gather
from mixmon.report.handover.html import escaped
from mixmon.report.handover.sections import WITNESS, handover_page
from mixmon.report.handover.style import style_sheet
from mixmon.report.page import TextPage, laid_for
from mixmon.report.units import unit_named

ALDER = ("examples/alder8_short.log.gz", "-s", "examples/alder8.toml", "--from", "14", "--to", "37.5")
FOREIGN = ("-s", "examples/foreign.toml", "--ledger", ":memory:", "--quiet")


def text_of(page: str) -> str:
    """What a reader sees, without tags."""
    return unescape(re.sub(r"<[^>]+>", " ", page.split("</style>")[1]))


def row_of(page: str, name: str) -> list[str]:
    """The cells of the row with that id."""
    (row,) = re.findall(rf'<tr id="{name}">(.*?)</tr>', page)
    return [unescape(re.sub(r"<[^>]+>", "", cell)) for cell in re.findall(r"<t[hd].*?</t[hd]>", row)]


@pytest.fixture(scope="module")
def run() -> mixmon.Run:
    """A part of the example: a dwell, a pull with a misfire, and a fuel cut."""
    session = mixmon.load_session("examples/alder8.toml")
    return mixmon.read_run(session, Path(ALDER[0]).resolve(), begin_s=14.0, end_s=37.5)


@pytest.fixture(scope="module")
def found(run) -> HandOver:
    """What is known of it."""
    return gather(run, unit_named("lambda", run.binding.fuel, run.binding.stoich_afr))


@pytest.fixture(scope="module")
def alder(tmp_path_factory) -> tuple[str, dict]:
    """Its page, and what the command said of it."""
    place = tmp_path_factory.mktemp("page") / "page.html"
    answer = run_command("report", *ALDER, "--ledger", ":memory:", "-o", str(place), "--json", "--quiet")
    assert (answer.status, answer.err) == (DONE, "")
    return place.read_text(), json.loads(answer.out)


@pytest.fixture(scope="module")
def both(tmp_path_factory) -> str:
    """The page of a run and the one before it, the first 30 seconds of both."""
    place = tmp_path_factory.mktemp("page") / "both.html"
    logs = ("examples/foreign.log.gz", "examples/foreign_after.log.gz")
    words = (*FOREIGN, "--entered", "5=4", "--to", "30", "-o", str(place))
    assert run_command("report", *logs, *words).status == DONE
    return place.read_text()


def test_a_page_has_no_fault_that_the_tool_finds(alder, both):
    assert page_faults(alder[0]) == []
    assert page_faults(both) == []


def test_the_answer_stands_first_and_the_page_says_what_it_is_not(alder):
    seen = text_of(alder[0])
    assert re.search(r"cylinder 4 needs \+\d\.\d % fuel", seen[: seen.index("Job")])
    assert "from 00:14.0 to 00:37.5" in seen
    assert seen.count(WITNESS) == 2
    assert "Placeholder limits" in seen
    assert not re.search(r"\bsafe\b", seen, re.IGNORECASE)


def test_findings_are_those_of_their_own_functions(run, found):
    """One reading for balance, trims and alarms, and one for events and pulls, give what each gives alone."""
    assert everything(found.balance) == everything(mixmon.balance(run))
    assert everything(found.alarms) == everything(mixmon.alarms(run))
    assert everything(found.events) == everything(mixmon.events(run, found.lags))
    assert len(found.alarms) > 0
    assert len(found.pulls.pulls) == 1


def test_needs_events_and_pulls_stand_in_the_page(alder, found):
    page = alder[0]
    for one in found.balance.cylinders:
        cells = row_of(page, f"need-{one.cylinder}")
        total = [f"{end:+.1f}" for end in one.total_interval95_percent]
        assert (cells[3], cells[6:8], cells[8]) == (f"{one.needs_percent:+.1f}", total, f"{one.usable_s:.1f}")
    kinds = [one.kind.value for one in found.events]
    assert [row_of(page, f"event-{i}")[1] for i in range(1, len(kinds) + 1)] == kinds
    assert row_of(page, "pull-1")[3] == f"{found.pulls.pulls[0].from_rpm:.0f}"
    assert page.count('<svg id="picture-event-') == kinds.count("misfire") == 1


def test_a_cylinder_that_surely_differs_is_named_before_one_that_reads_farther(found):
    """The answer never says that none differs while the table below it shows one."""
    wide = {"interval95_percent": (-1.0, 61.0), "total_interval95_percent": (-2.0, 62.0)}
    first, *others = found.balance.cylinders
    people = (replace(first, needs_percent=30.0, **wide), *others)
    page = text_of(handover_page(replace(found, balance=replace(found.balance, cylinders=people))))
    assert re.search(r"cylinder 4 needs \+\d\.\d % fuel \([^)]*\), and is sure to differ", page)
    assert "cylinder 1 reads farther from the others, +30.0 % fuel" in page
    assert "no cylinder is sure" not in page


def test_numbers_lead_to_cells_with_visits_and_seconds(alder, found):
    """Every cell of the balance has a row; the steady time of a cell is at least what counts in it."""
    assert found.balance.cells
    for one in found.balance.cells:
        cells = row_of(alder[0], f"cell-{one.rpm:g}-{one.load:g}-all")
        assert int(cells[3]) == cells[4].count(" for ")
        assert float(cells[2]) >= one.usable_s - 0.05
        assert float(cells[4 + one.cylinder]) == pytest.approx(one.usable_s, abs=0.051)


def test_made_again_it_is_the_same_whatever_the_terminal(alder, found):
    with laid_for(TextPage(columns=40, signs=False, colour=True)):
        assert handover_page(found) == alder[0]


def test_what_was_written_is_told_with_its_checksum(alder):
    page, told = alder
    (file,) = told["files"]
    assert file["bytes"] == len(page.encode())
    assert file["sha256"] == hashlib.sha256(page.encode()).hexdigest()
    assert told["answer"][0]["code"] == "too_short_to_rely_on"
    assert told["doubt"] is True
    sums = {name: hashlib.sha256(Path(name).read_bytes()).hexdigest() for name in (ALDER[0], ALDER[2])}
    assert all(digest in page for digest in sums.values())


def test_before_and_after(both):
    seen = text_of(both)
    assert "Before and after" in seen
    assert "trim of cylinder 5" in seen.lower()
    assert len(row_of(both, "change-5")) == 10
    assert 'id="picture-change"' in both
    assert "examples/" not in both


def test_of_many_events_those_that_are_drawn_and_the_gravest_are_listed(found):
    """A thousand tips before and after the others are counted, and the misfire stands among those listed."""
    opening = {"from_opening_percent": 10.0, "to_opening_percent": 60.0}
    tip = replace(found.events[0], kind=Kind.TIP_IN, evidence=opening)
    many = Events([*[replace(tip, t=tip.t + i) for i in range(500)], *found.events, *[tip] * 500])
    page = handover_page(replace(found, events=many))
    assert page_faults(page) == []
    listed = [row_of(page, f"event-{i}")[1] for i in range(1, 151)]
    assert 'id="event-151"' not in page
    assert listed.count("misfire") == 1
    assert f"{len(many) - 150} further events" in text_of(page)


def test_findings_by_label_say_so_where_labels_see_other_cylinders(found):
    """Needs and trims then go by the cylinders seen; alarms, pulls and events do not."""
    seen = note(BalanceNote.BY_CYLINDERS_SEEN, labels=((3, 4, 4), (4, 3, 3)))
    notes = (*found.balance.notes, seen)
    page = handover_page(replace(found, balance=replace(found.balance, notes=notes)))
    assert handover_page(found).count("By label, not by cylinder") == 0
    assert page.count("By label, not by cylinder") == 3


@pytest.fixture
def spoilt_run(tmp_path) -> Path:
    """A recorded run whose name, sensor and mark hold markup and an escape sequence."""
    text = Path("examples/foreign.toml").read_text()
    text = re.sub(r'(?m)^name = ".*"$', lambda _: f'name = "{EVIL}\\u001b[2J"', text, count=1)
    serial = f"sensor = '\"><b>S{'x' * 60}'"
    text = text.replace("\ncylinder = 1\n", f"\ncylinder = 1\n{serial}\n", 1)
    names = ("foreign_chain.dbc", "foreign_engine.dbc")
    files = {name: Path("examples", name).read_bytes() for name in names}
    options = (BusOptions("can0", "socketcan", "can0", 500_000),)
    recorder = Recorder(tmp_path, name="evil", buses=options, files={"session.toml": text.encode(), **files})
    assert recorder.start("asked for")
    frames = next(iter(open_log("examples/foreign.log.gz")))
    recorder.write(frames)
    recorder.note(int(frames.t[0]) + 2_000_000_000, "mark", text=f"spike {EVIL}")
    recorder.close()
    (run,) = tmp_path.iterdir()
    t = frames.t[0] + np.arange(1, 3) * 1_000_000_000
    speed, torque = np.array([2000.0, 2100.0]), np.array([[300.0], [310.0]])
    nan = float("nan")
    keep_beside(
        run,
        Beside(
            "d.csv", ("torque",), ("N m",), t, speed, torque, 0.0, nan, int(t[0]), 0.0, nan, "stamps", nan, {}
        ),
    )
    return run


EVIL = "</title><script>alert(1)</script><img src=x onerror=alert(2)>&"


def test_text_of_files_cannot_become_markup(spoilt_run, monkeypatch):
    """Made within the folder of the run, whose name stands in the page all the same."""
    place = spoilt_run.parent / "evil.html"
    monkeypatch.chdir(spoilt_run)
    words = ("--ledger", ":memory:", "--quiet", "-o", str(place))
    assert run_command("report", ".", *words).status == DONE
    page = place.read_text()
    assert page_faults(page) == []
    assert f"spike {EVIL}" in text_of(page)
    assert f"Run {spoilt_run.name}; begun" in text_of(page)
    assert hashlib.sha256((spoilt_run / "beside-d.csv").read_bytes()).hexdigest() in page
    assert f"{spoilt_run.name}: every file agrees with its checksum" in text_of(page)
    assert 'class="l long">&quot;&gt;&lt;b&gt;S' in page  # may be divided: a table stays on the paper
    for sign in ("<script", "<img", "<b>", "\x1b"):
        assert sign not in page


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("no_such_run", *FOREIGN, "-o", "x.html"), "no_such_run: no such file or folder"),
        (("examples/foreign.log.gz", *FOREIGN), "--out: not given"),
        (("examples/foreign.log.gz", *FOREIGN, "-o", "-"), "--out -: standard output has what"),
        (("-", *FOREIGN, "-o", "x.html"), "-: standard input can be read once"),
        (("examples/foreign.log.gz", "examples/foreign.log.gz", *FOREIGN, "-o", "x.html"), "named twice"),
        (("examples/foreign.log.gz", "-o", "x.html"), "no session"),
        (
            ("examples/foreign.log.gz", *FOREIGN, "--entered", "5=4", "-o", "x.html"),
            "--entered: no run before",
        ),
        (("examples/foreign.log.gz", *FOREIGN, "--from", "9000", "-o", "x.html"), "no frame in the chosen"),
        (("examples/foreign.log.gz", "-s", "examples/alder8.toml", "-o", "x.html"), "none of the session's"),
        (("examples/foreign.log.gz", *FOREIGN, "-o", "no_folder/x.html"), "no folder no_folder"),
        (("examples/foreign.log.gz", *FOREIGN, "-o", "examples"), "is a folder"),
        (("examples/foreign.log.gz", *FOREIGN, "-o", "examples/foreign.toml", "--force"), "is an input"),
        (("examples/foreign.log.gz", *FOREIGN, "-o", "README.md"), "is there already"),
    ],
)
def test_what_cannot_be_done_is_one_clear_line(words, said):
    answer = run_command("report", *words)
    assert answer.status == BAD_INPUT
    lines = [line for line in answer.err.splitlines() if "frames read" not in line]
    assert len(lines) == 1
    assert said in lines[0]
    assert not Path("x.html").exists()


def test_a_pdf_needs_a_browser_on_the_path(tmp_path, monkeypatch):
    """A stand-in for a browser writes what it was asked to print; without one, one line says so."""
    words = ("examples/foreign.log.gz", *FOREIGN, "--to", "4", "-o", str(tmp_path / "p.html"))
    monkeypatch.setenv("PATH", str(tmp_path))
    answer = run_command("report", *words, "--pdf", str(tmp_path / "p.pdf"))
    assert answer.status == BAD_INPUT
    assert answer.err.startswith("mixmon: --pdf: no browser") or "--pdf: no browser" in answer.err
    assert not (tmp_path / "p.html").exists()
    browser = tmp_path / "chromium"
    browser.write_text(
        '#!/bin/sh\nfor a in "$@"; do case $a in --print-to-pdf=*) echo "%PDF $a" > "${a#*=}";; esac; done\n'
    )
    browser.chmod(browser.stat().st_mode | stat.S_IXUSR)
    told = json.loads(run_command("report", *words, "--pdf", str(tmp_path / "p.pdf"), "--json").out)
    assert (tmp_path / "p.pdf").read_bytes().startswith(b"%PDF --print-to-pdf=")
    assert [Path(one["path"]).name for one in told["files"]] == ["p.html", "p.pdf"]


def test_numbers_after_words_from_the_right_keep_their_place():
    """By the Unicode bidirectional algorithm, a number that follows Hebrew would stand before it."""
    assert escaped("\u05d0 \u05d1 +5.0 % <b>") == "\u05d0 \u05d1\u200e +5.0 % &lt;b&gt;"


def test_contrast_is_that_of_the_guidelines():
    """WCAG 2.2: black on white is 21:1; #767676 is the lightest grey with 4.5:1 on white (from memory)."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#767676", "#ffffff") >= 4.5 > contrast("#777777", "#ffffff")
    assert contrast_faults(style_sheet()) == []


def test_a_pale_text_is_noticed():
    pale = style_sheet().replace("--text-quiet:#4a525b", "--text-quiet:#8d949b")
    assert any("text-quiet on back" in fault for fault in contrast_faults(pale))
