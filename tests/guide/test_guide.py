"""The texts of the guide: every example in them runs, every reference to a topic leads somewhere.

Commands that need a live bus or a terminal are only understood here, not started; what they do has tests of
its own. One simulated log serves all the others.
"""

import contextlib
import io
import re
import shlex
import tomllib
from pathlib import Path

import pytest
from command_line import run_command, shared_answer

from mixmon.cli.guide import guide_topics
from mixmon.cli.main import COMMANDS, parser_of
from mixmon.guide.markdown import blocks, laid_out
from mixmon.guide.references import alarms_text
from mixmon.guide.topics import WRITTEN, written_text
from mixmon.report.page import TextPage, laid_for
from mixmon.report.text import cell_width
from mixmon.session.keys import SESSION_TABLE
from mixmon.session.load import load_session
from mixmon.session.schema import MistakeReport
from mixmon.session.when import parse

ROOT = Path(__file__).parents[2]
NEEDS_A_BUS_OR_A_TERMINAL = {"demo", "record", "watch"}
TEXTS = {**{name: written_text(name) for name in WRITTEN}, "alarms": alarms_text()}


def examples(language):
    return [
        pytest.param(block.text, id=f"{name}-{i}")
        for name, text in TEXTS.items()
        for i, block in enumerate(blocks(text))
        if block.kind == "code" and block.language == language
    ]


LINES = dict.fromkeys(line for example in examples("sh") for line in example.values[0].splitlines())


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Where the log of the first day lies; its first half is enough for all that is typed afterwards."""
    place = tmp_path_factory.mktemp("guide")
    first = next(line for line in LINES if " simulate " in line)
    with contextlib.chdir(place):
        assert run_command(*shlex.split(first)[1:], "--duration", "30").status == 0
    return place


@pytest.mark.parametrize("line", LINES)
def test_a_command_of_the_guide_runs(line, folder):
    words = shlex.split(line)[1:]
    if words[0] in NEEDS_A_BUS_OR_A_TERMINAL or "--interface" in words:
        parser_of(words[0]).parse(words[1:])
    elif words[0] != "simulate":
        with contextlib.chdir(folder):
            answer = run_command(*words)
        assert answer.status == 0, answer.err
        assert answer.out


@pytest.mark.parametrize("source", examples("python"))
def test_python_of_the_guide_runs_and_says_something(source, folder):
    said = io.StringIO()
    with contextlib.chdir(folder), contextlib.redirect_stdout(said):
        exec(compile(source, "guide", "exec"), {})
    assert said.getvalue()


@pytest.mark.parametrize("source", examples("toml"))
def test_keys_in_the_guide_are_keys_of_a_session(source):
    raw, report = tomllib.loads(source), MistakeReport()
    SESSION_TABLE.read(raw, "", report)
    assert [
        m for m in report.mistakes if (m.where, m.found) not in {("engine", "missing"), ("chain", "missing")}
    ] == []
    for rule in raw.get("limits", {}).get("alarm", ()):
        for condition in ("when", "suppress_when"):
            parse(rule.get(condition, "rpm > 0"))


def test_signals_in_the_guide_are_signals_of_the_examples():
    sessions = ("alder8", "foreign", "ecu_lambda", "ecu_volts")
    known = "".join((ROOT / f"examples/{name}.toml").read_text("utf-8") for name in sessions)
    named = re.findall(r'"([^"\n]+\.[A-Z][^"\n]+)"', "".join(e.values[0] for e in examples("toml")))
    assert named
    assert [name for name in named if name not in known] == []


def test_the_whole_session_of_the_guide_is_one(tmp_path):
    whole = [e.values[0] for e in examples("toml") if e.values[0].startswith("format")]
    for source in whole:
        (tmp_path / "session.toml").write_text(source, "utf-8")
        assert load_session(tmp_path / "session.toml").engine.cylinders == 4
    assert len(whole) == 1


def test_every_topic_that_a_text_names_is_there():
    topics = guide_topics()
    named = {
        m for text in TEXTS.values() for m in re.findall(r"mixmon guide ([a-z-]+)(?: ([a-z_.]+))?", text)
    }
    assert len(named) > 5
    for name, part in named:
        assert name in topics
        assert not part or part in topics[name].parts()
    commands = {c for text in TEXTS.values() for c in re.findall(r"`mixmon ([a-z]+)\b", text)}
    assert commands - set(COMMANDS) == set()


@pytest.mark.parametrize("columns", [40, 80, 200])
def test_no_line_is_wider_than_the_page_but_code_that_stays_whole(columns):
    with laid_for(TextPage(columns)):
        for name, topic in guide_topics().items():
            text = "" if topic.as_is else topic.write(None)
            assert max(map(cell_width, laid_out(text).splitlines()), default=0) <= max(
                columns,
                *(
                    cell_width(f"    {line}")
                    for b in blocks(text)
                    if b.kind == "code"
                    for line in b.text.splitlines()
                ),
                0,
            ), name
    for example in examples("sh") + examples("toml"):
        assert max(map(len, example.values[0].splitlines())) <= 76


def test_headings_are_bold_on_a_terminal_and_underlined_elsewhere():
    with laid_for(TextPage(colour=True)):
        assert laid_out("# One\n\ntwo **three**") == "\x1b[1mOne\x1b[0m\n\ntwo three\n"
    assert laid_out("# One\n\n- a\n- b c\n\n| x | y |\n| --- | --- |\n| 1 | 2 |\n") == (
        "One\n===\n\n- a\n- b c\n\nx y\n1 2\n".replace("x y", "x  y").replace("1 2", "1  2")
    )


def test_the_list_of_topics_has_all_of_them():
    listed = shared_answer("guide").out
    assert all(f"`{name}`" in listed for name in guide_topics())


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["pullz"], "did you mean pull or pulls"),
        (["keys", "dead_tme_ms"], "dead_time_ms"),
        (["completion", "bsh"], "did you mean bash"),
        (["first-day", "evening"], "expected one of its parts"),
    ],
)
def test_what_is_not_there_is_refused_with_what_comes_near(words, said):
    answer = run_command("guide", *words)
    assert (answer.status, answer.out) == (2, "")
    assert said in answer.err
    assert answer.err.count("\n") == 1


@pytest.mark.parametrize(
    ("word", "said"),
    [("balance", "--max-spread"), ("stale_s", "validity.stale_s"), ("spread", "highest need less lowest")],
)
def test_a_command_a_key_or_a_word_is_looked_up(word, said):
    assert said in run_command("guide", word).out


def test_json_has_the_markdown_of_a_topic():
    answer = run_command("guide", "statuses", "--json")
    assert '"topic": "statuses"' in answer.out
    assert "| 130 | interrupted |" in answer.out


def test_a_word_without_an_entry_is_found_where_it_stands():
    answer = run_command("guide", "misfire")
    assert answer.status == 0
    assert {"fooled", "pull", "when"} <= set(re.findall(r"^[`]?([a-z-]+)[`]? {2,}", answer.out, re.MULTILINE))
    assert run_command("guide", "MISFIRE").out.lower() == answer.out.lower()
    assert run_command("guide", "nosuchword").status == 2
    assert "did you mean stale_s" in run_command("guide", "stale").out
