"""Every stage of the findings keeps the Protocol, and the loops drive any of them."""

import ast
import importlib
import pkgutil
from pathlib import Path

import pytest

import mixmon.findings
from mixmon.findings.stage import StretchStage, feed_on_the_way, run_side_by_side, run_through, sum_up

ROOT = Path(mixmon.findings.__file__).parent
OTHER_ANSWERS = {"settle", "report", "table", "pending"}

PARTS = {
    "AlarmDetector": "holds nothing back: all edges are certain with their rows; `AlarmBook` gives records",
    "MisfireWatch": "a part of `Alarms`: says at once which rows may be of a misfire",
    "NodeWatch": "a part of `Census`, which answers for it",
    "OnlineLags": "answers for a moment: `at`",
    "StepGuide": "answers for a moment: `now`",
    "Traffic": "a part of `Census`, which answers for it",
}
"""Classes that are fed blocks and are no stages of their own, with the reason."""

AT_ONCE = {"SplitPulseStage"}
"""Stages with a result that also say of each row of a block, at once, whether it is theirs."""


def fed_blocks():
    """Public classes of the findings with `feed(self, block)` for a block of rows or frames."""
    for found in pkgutil.walk_packages(mixmon.findings.__path__, "mixmon.findings."):
        module = importlib.import_module(found.name)
        for name, value in vars(module).items():
            home = getattr(value, "__module__", "")
            if not isinstance(value, type) or home != found.name or name.startswith("_"):
                continue
            feed = getattr(value, "feed", None)
            notes = [] if feed is None else [v for k, v in feed.__annotations__.items() if k != "return"]
            fed = (["CylinderBlock"], ["FrameBlock"], ["CylinderBlock", "Sequence[Event]"])
            if notes in fed and home != "mixmon.findings.stage":
                yield pytest.param(value, id=name)


@pytest.mark.parametrize("stage", list(fed_blocks()))
def test_every_stage_flushes_what_it_gives_or_has_a_result(stage):
    if stage.__name__ in PARTS:
        assert not hasattr(stage, "flush")
        assert not hasattr(stage, "result")
        return
    gives = stage.feed.__annotations__["return"]
    if gives == "None":
        assert stage.result.__annotations__["return"] != "None"
    elif issubclass(stage, StretchStage):
        assert not stage.__abstractmethods__
    elif stage.__name__ in AT_ONCE:
        assert gives == "Bools"
        assert stage.result.__annotations__["return"] != "None"
    else:
        assert stage.flush.__annotations__["return"] == gives
    assert not OTHER_ANSWERS & set(dir(stage))


def test_stages_are_found_and_parts_exist():
    names = {param.id for param in fed_blocks()}
    assert {"EventStage", "PullStage", "BalanceStage", "Alarms", "Census", "ResponseReviewer"} <= names
    assert set(PARTS) <= names


def test_no_module_of_the_findings_drives_a_stage_by_a_loop_of_its_own():
    """`for block in blocks: ... stage.feed(block)` stands in `stage` alone."""
    loops = {
        path.name
        for path in ROOT.rglob("*.py")
        if "in blocks" in (text := path.read_text(encoding="utf-8"))
        for node in ast.walk(ast.parse(text))
        if isinstance(node, ast.For) and ast.unparse(node.iter) == "blocks" and ".feed(" in ast.unparse(node)
    }
    assert loops == {"stage.py"}


class Doubled:
    """Gives each number once the next has come, and their sum."""

    def __init__(self):
        self.held, self.total = [], 0

    def feed(self, block):
        given, self.held = self.held, [2 * block]
        self.total += block
        return given

    def flush(self):
        given, self.held = self.held, []
        return given

    def result(self):
        return self.total


def test_everything_that_a_stage_finds_is_given_in_order():
    assert list(run_through(Doubled(), [1, 2, 3])) == [2, 4, 6]
    assert list(run_through(Doubled(), [])) == []


def test_what_is_certain_is_given_before_the_next_block_is_asked_for():
    asked = []

    def blocks():
        for number in (1, 2, 3):
            asked.append(number)
            yield number

    found = run_through(Doubled(), blocks())
    assert next(found) == 2
    assert asked == [1, 2]


def test_two_stages_share_a_stream_that_can_be_read_once():
    assert run_side_by_side(Doubled(), Doubled(), iter([1, 2])) == ([2, 4], [2, 4])


def test_a_summary_on_the_way_has_taken_a_block_before_it_is_given_on():
    summary = Doubled()
    assert [(block, summary.total) for block in feed_on_the_way([1, 2], summary)] == [(1, 1), (2, 3)]


def test_a_summary_answers_for_the_whole_stream():
    assert sum_up(Doubled(), [1, 2, 3]) == 6
