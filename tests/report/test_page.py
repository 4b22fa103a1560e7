"""Every report on pages of 40 to 200 columns: the answer first, no line wider, no style but on a terminal."""

import contextlib
import fcntl
import json
import os
import pty
import re
import struct
import subprocess
import sys
import termios
from dataclasses import replace
from pathlib import Path

import pytest

import mixmon
from mixmon.findings.census.census import Census
from mixmon.findings.census.nodes import from_binding
from mixmon.findings.events.event import Kind
from mixmon.findings.events.tips import Repeated, Tip, TipGroup, TipMeasure, TipReview
from mixmon.findings.lags import lags_by_cylinder
from mixmon.findings.pulls.review import review_run
from mixmon.findings.response.response import ResponseReviewer
from mixmon.findings.response.sensors import compare
from mixmon.findings.stage import sum_up
from mixmon.frames.logs import open_log
from mixmon.grade.item import judged
from mixmon.report.alarms import alarm_limits_text, alarm_line
from mixmon.report.balance import balance_json, balance_text
from mixmon.report.causes import causes_text
from mixmon.report.census import census_text
from mixmon.report.comparison import comparison_text
from mixmon.report.events import events_text
from mixmon.report.grade import grade_text
from mixmon.report.identity import identity_text
from mixmon.report.page import TextPage, bar_lines, current_page, laid_for, page_of, stress
from mixmon.report.pulls import pulls_text
from mixmon.report.response import pairs_text, response_text
from mixmon.report.rotation import design_text, rotation_text
from mixmon.report.sensors import sensors_text
from mixmon.report.text import Column, cell_width, listed, paragraph, table, to_json
from mixmon.report.tips import tips_text
from mixmon.report.trims import trims_text
from mixmon.report.units import unit_named

ROOT = Path(__file__).parents[2]
WIDTHS = (40, 80, 120, 200)
AS_JSON = "json"


def test_text_is_laid_for_eighty_columns_without_a_terminal():
    assert current_page() == TextPage(80, signs=True, colour=False)
    with Path(os.devnull).open("w", encoding="utf-8") as nowhere:
        assert page_of(nowhere, {"COLUMNS": "33", "TERM": "xterm"}) == TextPage()
    with Path(os.devnull).open("w", encoding="ascii") as nowhere:
        assert page_of(nowhere, {}) == TextPage(signs=False)


def test_paragraphs_stay_readable_on_a_wide_page():
    with laid_for(TextPage(200)):
        assert max(map(len, paragraph("word " * 100).splitlines())) <= 100


def test_what_cannot_be_shown_is_spelled_in_ascii():
    with laid_for(TextPage(signs=False)):
        assert paragraph("needs ± 1") == "needs +- 1\n"
        assert table([Column("±", left=True)], [["±2"]]) == "+-\n+-2\n"
        assert "".join(bar_lines([(1.0, 0.5, 1.5)], 30, "%")).isascii()


COLUMNS = (
    Column("rpm"),
    Column("load"),
    Column("need", 1, signed=True),
    Column("±", 1),
    Column("remark", left=True, wraps=True),
)
ROWS = ((1000, 20, 1.5, 0.3, "too short, and two cylinders are missing in it"), (2000, 40, -2.5, 0.1, ""))


def test_a_table_breaks_between_columns_and_repeats_what_a_row_is_about():
    assert table(COLUMNS, ROWS, keys=2, width=33) == (
        " rpm  load  need    ±\n"
        "1000    20  +1.5  0.3\n"
        "2000    40  -2.5  0.1\n"
        " rpm load remark\n"
        "1000   20 too short, and two\n"
        "          cylinders are missing\n"
        "          in it\n"
    )


@pytest.mark.parametrize("width", [20, 30, 40, 80])
def test_no_line_of_a_table_is_wider_than_the_page_and_nothing_is_lost(width):
    shown = table(COLUMNS, ROWS, keys=1, width=width)
    assert max(map(cell_width, shown.splitlines())) <= width
    joined = "".join(shown.split())
    for value in ("1.5", "0.3", "-2.5", "missing"):
        assert value in joined


def test_a_bar_reaches_from_end_to_end_of_its_interval_over_its_scale():
    scale, sure, unknown = bar_lines([(2.0, 1.0, 3.0), (float("nan"),) * 3], 41, "%")
    assert [sure.index(sign) for sign in "│├●┤"] == [0, 13, 27, 40]
    assert (scale.index("0"), scale.index("+1"), scale.index("+2")) == (0, 12, 26)
    assert unknown.strip() == "│"
    times, _ = bar_lines([(200.0, 190.0, 210.0)], 41, "ms")
    assert times.split() == ["0", "50", "100", "150", "ms"]
    assert "+" not in times


@pytest.fixture(scope="module")
def reports():
    """Every report of one log as a maker of its text, made of findings that are found once."""
    session = mixmon.load_session(ROOT / "examples/alder8.toml")
    run = mixmon.read_run(session, ROOT / "examples/alder8_short.log.gz")
    known = mixmon.lags(run)
    rung = mixmon.alarms(run)
    balance, sheet, causes = mixmon.balance(run), mixmon.trims(run), mixmon.causes(run)
    events, identity = mixmon.events(run), mixmon.identify(run, ROOT / "examples/alder8_steps.toml")
    rotation, unit = mixmon.rotation([run]), unit_named("lambda", run.binding.fuel, None)
    return {
        AS_JSON: lambda: to_json(balance_json(balance, run)),
        "balance": lambda: balance_text(balance, run, unit, every_cell=True),
        "trims": lambda: trims_text(sheet, run),
        "causes": lambda: causes_text(causes, run),
        "events": lambda: events_text(events, known, run, unit),
        "identity": lambda: identity_text(identity, run),
        "rotation": lambda: rotation_text(rotation, [run.log]),
        "ledger": lambda: sensors_text(":memory:", ()),
        "grade": lambda: grade_text(
            [judged("needs", "1", "1", "0", right=True), judged("delay", "1", "9", "0", right=False)],
            "plain",
            1,
        ),
        "design": lambda: design_text(mixmon.design_rotation(8, error_percent=0.35)),
        **reports_of_transients(run, known),
        **report_of_comparison(),
        **report_of_census(session, run),
        "alarms": lambda: (
            "".join(listed(alarm_line(one, run.log.first_ns)) for one in rung) + alarm_limits_text(session)
        ),
    }


def reports_of_transients(run, known):
    """Pulls, tips, response, and two sensors compared on the way into a cut."""
    session, fuel = run.session, run.binding.fuel
    review = review_run(session, fuel, run, lags_by_cylinder(known))
    tips = repeated_tips(len(session.chain.nodes))
    response = sum_up(ResponseReviewer(run.binding, traces=True), run)
    pairs = [compare(cut.way_in, 4, 0) for cut in response.cuts]
    assert review.pulls
    assert all(pairs)
    return {
        "pulls": lambda: pulls_text(review, known, run, range(len(review.pulls)), "peers"),
        "tips": lambda: tips_text(tips, known, run),
        "response": lambda: response_text(response, run),
        "pairs": lambda: pairs_text(pairs, run),
    }


def repeated_tips(nodes):
    """Three tips of all nodes that repeat each other, of widths that numbers can have."""
    measures = tuple(TipMeasure(0.004 * 2**i, 0.31, 0.0125 * i, 1.25, 0.08, 0.002) for i in range(nodes))
    tip = Tip(
        Kind.TIP_IN, 1_700_000_030 * 10**9, 8.0, 100.0, 840.0, 3120.0, 4480.0, 2.4, 0.32, None, measures
    )
    group = TipGroup((0, 1, 2), tuple(Repeated(one, 3, 0.0125, 0.004) for one in measures))
    return TipReview((tip, tip, replace(tip, misfired=(6,))), (group,), too_short=2, unjudged=1)


def report_of_comparison():
    session = mixmon.load_session(ROOT / "examples/foreign.toml")
    names = ("foreign.log.gz", "foreign_after.log.gz")
    runs = [mixmon.read_run(session, ROOT / "examples" / name) for name in names]
    found = mixmon.compare(*runs, entered={5: 4.0})
    unit = unit_named("lambda", runs[0].binding.fuel, None)
    return {"comparison": lambda: comparison_text(found, [one.log for one in runs], unit)}


def report_of_census(session, run):
    census = Census(from_binding(run.binding))
    for block in open_log(ROOT / "examples/alder8_short.log.gz"):
        census.feed(block)
    found = census.result(run.log.first_ns)
    return {"census": lambda: census_text(found, session.name, run.log)}


ANSWERED = {
    "balance": "Not to be relied on yet",
    "trims": "Not to be relied on yet",
    "causes": "Cylinder 4",
    "events": "1 misfire (cylinder 7)",
    "identity": "Not proved, by 1 fuel step",
    "rotation": "Not solvable, so no needs and no biases",
    "design": "3 sessions will make every need known to ± 0.31 %.",
    "ledger": "No sensor is known yet.",
    "grade": "1 right, 1 WRONG, 0 not yet, 0 does not apply",
}
"""How the answers begin: what speaks against the result comes first."""


@pytest.mark.parametrize("columns", WIDTHS)
def test_no_line_of_a_report_is_wider_than_its_page(reports, columns):
    for name, made in [item for item in reports.items() if item[0] != AS_JSON]:
        with laid_for(TextPage(columns, is_read_by_programs=False)):
            lines = made().splitlines()
        assert max(map(cell_width, lines)) <= columns, name
        assert "\x1b" not in "".join(lines), name
        if name in ANSWERED:
            assert " ".join(lines[1:3]).startswith(ANSWERED[name]), name


def test_the_bars_of_a_report_stand_in_the_order_of_its_numbers(reports):
    """Sensor 5 of the example is the slow one, and cylinder 4 the one that needs most."""
    for name, farthest in [("response", "5"), ("causes", "4")]:
        bars = [line for line in reports[name]().splitlines() if "●" in line]
        assert max(bars, key=lambda line: line.index("●")).split()[0] == farthest
        assert len(bars) >= 7


def test_an_answer_is_stressed_on_a_terminal_alone_and_says_the_same(reports):
    plain = reports["balance"]()
    with laid_for(TextPage(colour=True)):
        shown = reports["balance"]()
    assert "\x1b[38;5;16;48;5;220mNot to be" in shown
    assert re.sub(r"\x1b\[[0-9;]*m", "", shown) == plain


def luminance(red, green, blue):
    """WCAG 2.2, relative luminance of sRGB."""
    parts = [
        c / 255 / 12.92 if c / 255 <= 0.04045 else ((c / 255 + 0.055) / 1.055) ** 2.4
        for c in (red, green, blue)
    ]
    return 0.2126 * parts[0] + 0.7152 * parts[1] + 0.0722 * parts[2]


def test_the_doubt_is_legible_whatever_the_colours_of_the_terminal():
    """Colours 16 to 231 are a cube of 6 levels a channel: 0, 95, 135, 175, 215, 255 (as xterm has them)."""
    with laid_for(TextPage(colour=True)):
        styled = stress("look\n", doubt=True)
    ink, paper = (int(n) - 16 for n in re.findall(r"[34]8;5;(\d+)", styled))
    levels = (0, 95, 135, 175, 215, 255)
    ink, paper = (luminance(*(levels[n // k % 6] for k in (36, 6, 1))) for n in (ink, paper))
    assert (paper + 0.05) / (ink + 0.05) >= 4.5


def shown_on_a_terminal(columns, **environ):
    """What `mixmon verify` writes to a terminal of that width."""
    ours, theirs = pty.openpty()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 24, columns, 0, 0))
    subprocess.run(
        [sys.executable, "-m", "mixmon", "verify", "examples/alder8.toml"],
        stdout=theirs,
        stdin=subprocess.DEVNULL,
        cwd=ROOT,
        check=True,
        env={**os.environ, "TERM": "xterm", "NO_COLOR": "", **environ},
    )
    os.close(theirs)
    shown = b""
    with contextlib.suppress(OSError):  # the other end is closed
        while part := os.read(ours, 65536):
            shown += part
    os.close(ours)
    return shown.decode().splitlines()


@pytest.mark.parametrize(("environ", "styled"), [({}, True), ({"NO_COLOR": "1"}, False)])
def test_a_terminal_has_its_own_width_and_styles_where_they_are_wanted(environ, styled):
    lines = shown_on_a_terminal(44, **environ)
    assert any("\x1b[" in line for line in lines) is styled
    widths = [cell_width(re.sub(r"\x1b\[[0-9;]*m", "", line)) for line in lines]
    assert widths[0] > 30
    assert max(widths) <= 44


def test_a_script_finds_the_codes_of_the_answer(reports):
    told = json.loads(reports[AS_JSON]())["answer"]
    codes = ["too_short_to_rely_on", "farthest_sure", "spread_after_trims", "labels_not_proved"]
    assert [one["code"] for one in told] == codes
    assert told[1]["cylinder"] == 4
