"""Results as plain data, Arrow tables and pages of a notebook."""

import html.parser
import json
import sys
from dataclasses import replace
from pathlib import Path

import pyarrow as pa
import pytest

import mixmon
from mixmon.cli.main import main
from mixmon.forms import _RESULT_FORMS, _value_at, result_dict
from mixmon.result import Result

LOG, SESSION = "examples/foreign.log.gz", "examples/foreign.toml"
ALDER = "examples/alder8_short.log.gz", "examples/alder8.toml"


@pytest.fixture(autouse=True)
def at_the_root(monkeypatch):
    monkeypatch.chdir(Path(__file__).parents[1])


@pytest.fixture(scope="module")
def found():
    """Some result of most kinds; of parts of the logs, as only their shape is looked at."""
    root = Path(__file__).parents[1]
    session = mixmon.load_session(root / SESSION)
    run = mixmon.read_run(session, root / LOG, begin_s=26.0, end_s=32.0)
    eight = mixmon.read_run(mixmon.load_session(root / ALDER[1]), root / ALDER[0], begin_s=32.0)
    known = mixmon.lags(eight, 0.1)
    return [
        mixmon.balance(run),
        mixmon.trims(run),
        mixmon.alarms(eight),
        mixmon.events(eight, known),
        mixmon.pulls(eight, known),
        mixmon.response(eight),
        mixmon.census(mixmon.read_frames(root / LOG, end_s=2.0), session),
        mixmon.design_rotation(4),
        mixmon.verify(root / SESSION),
        known,
    ]


def test_every_kind_of_result_has_a_form():
    kinds = {one.__name__ for one in Result.__subclasses__()}
    assert kinds <= set(_RESULT_FORMS)
    assert kinds <= set(mixmon.__all__)


def test_tables_have_the_fields_of_the_rows_and_their_own_types(found):
    for one in found:
        fields = result_dict(one)
        json.dumps(fields, allow_nan=False)
        for name, table in _RESULT_FORMS[type(one).__name__].tables.items():
            rows, made = list(table.rows(fields)), one.to_arrow(name)
            assert made.num_rows == len(rows)
            assert not any(pa.types.is_null(kind) for kind in made.schema.types)
            for column in table.columns.split():
                path = column.partition(":")[0]
                if rows and path.partition(".")[0] != "evidence":
                    assert all(path.partition(".")[0] in row for row in rows), (name, path)
                if column.endswith((":f", ":i", ":s", ":b")):
                    assert made[path.replace(".", "_")].to_pylist() == [_value_at(row, path) for row in rows]


def test_a_table_without_rows_has_the_same_columns(found):
    events = found[3]
    none = type(events)((), events.origin)
    assert none.to_arrow().schema.equals(events.to_arrow().schema)
    assert none.to_arrow().num_rows == 0


def test_times_are_named_from_the_first_frame_and_as_stamped(found):
    events = found[3]
    table = events.to_arrow()
    assert table["t_ns"].to_pylist() == [event.t for event in events]
    first = int(table.schema.metadata[b"first_ns"])
    assert table["t_s"].to_pylist() == pytest.approx([(event.t - first) / 1e9 for event in events])
    assert table.schema.field("duration_s").metadata == {b"unit": b"s"}


def test_the_capsule_is_taken_by_another_reader(found):
    for one in found:
        assert pa.RecordBatchReader.from_stream(one).read_all().equals(one.to_arrow())


class Tags(html.parser.HTMLParser):
    """Refuses tags that are not closed in turn."""

    def __init__(self):
        super().__init__()
        self.open, self.seen = [], []

    def handle_starttag(self, tag, _attrs):
        self.open.append(tag)
        self.seen.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag


def test_pages_are_whole_and_lines_are_one(found):
    for one in found:
        page = Tags()
        page.feed(one._repr_html_())
        assert page.open == []
        assert page.seen.count("table") == 1
        assert "\n" not in repr(one)
        assert type(one).__name__ in repr(one)


def test_names_from_files_cannot_write_html(tmp_path):
    path = tmp_path / "odd.toml"
    path.write_text('format = 1\n["<script>"]\nx = 1\n', "utf-8")
    assert "<script>" not in mixmon.verify(path)._repr_html_()


@pytest.mark.parametrize("command", ["census", "verify"])
def test_data_is_what_the_command_prints(capsys, command):
    if command == "census":
        given = mixmon.census(mixmon.read_frames(LOG, end_s=2.0), mixmon.load_session(SESSION))
        main(["census", LOG, "-s", SESSION, "--to", "2", "--json", "--quiet"])
    else:
        given = mixmon.verify(SESSION)
        main(["verify", SESSION, "--json"])
    assert json.loads(capsys.readouterr().out) == given.to_dict()


def test_refusals_say_what_to_do(found, monkeypatch):
    balance = found[0]
    with pytest.raises(mixmon.UsageError, match="no such table; expected cells or cylinders or"):
        balance.to_arrow("rows")
    with pytest.raises(AttributeError, match="do not change"):
        found[3].origin = None
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    with pytest.raises(mixmon.UsageError, match=r"pip install 'mixmon\[arrow\]'"):
        balance.to_arrow()


def test_a_result_without_a_run_says_so(found):
    alone = replace(found[0], origin=None)
    assert repr(alone) == "<Balance>"
    with pytest.raises(mixmon.UsageError, match="does not know its run"):
        alone.to_dict()
