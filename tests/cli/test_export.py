"""mixmon export: what is written is read back equal by asammdf, pyarrow, the csv module and python-can."""

import csv
import json
import resource
import sys
from pathlib import Path

import asammdf
import can
import numpy as np
import pyarrow.parquet as pq
import pytest
from schema_judge import misfits

import mixmon
from mixmon.cli.main import BAD_INPUT, DONE, main
from mixmon.frames.logs import open_log
from mixmon.mixture.block import SampleState

SESSION = "examples/alder8.toml"
FIRST = 1_700_000_025_000_000_000
LAG = ("--lag", "0.1")
"""Lags are given, so that no reading is needed to measure them."""


@pytest.fixture(scope="module")
def log(tmp_path_factory):
    """Ten seconds with a pull, a misfire and a node that falls silent; stamps of nine decimals."""
    path = tmp_path_factory.mktemp("log") / "part.log"
    lines = []
    for block in open_log("examples/alder8_short.log.gz"):
        keep = np.flatnonzero((block.t >= FIRST) & (block.t < FIRST + 10 * 10**9))
        for i in keep.tolist():
            whole, part = divmod(int(block.t[i]) + i % 1000, 10**9)
            data = block.data[i, : block.size[i]].tobytes().hex().upper()
            lines.append(
                f"({whole}.{part:09d}) {block.channels[block.bus[i]]} {block.can_id[i]:03X}#{data}\n"
            )
    path.write_text("".join(lines))
    return path


@pytest.fixture(scope="module")
def rows(log):
    """What the run itself says, all blocks joined."""
    run = mixmon.read_run(mixmon.load_session(SESSION), log)
    blocks = list(run)

    def joined(of):
        return np.concatenate([of(block) for block in blocks])

    return joined, run.log.first_ns


@pytest.fixture(scope="module")
def written(log, tmp_path_factory):
    """The same log in every format."""
    folder = tmp_path_factory.mktemp("written")
    common = ["export", str(log), "-s", SESSION, "--quiet", *LAG]
    for tables, out in (
        (("rows", "frames", "trims"), ["all.mf4"]),
        (("rows", "frames", "events"), ["parquet", "--to", "parquet"]),
        (("rows", "events"), ["csv", "--to", "csv"]),
    ):
        assert main([*common, "--tables", *tables, "--out", str(folder / out[0]), *out[1:]]) == DONE
    frames = ["export", str(log), "--to", "candump", "--out", str(folder / "frames.log"), "--quiet"]
    assert main(frames) == DONE
    return folder


@pytest.fixture(scope="module")
def mdf(written):
    with asammdf.MDF(written / "all.mf4") as file:
        yield file


def groups(mdf):
    return {group.channel_group.acq_name: i for i, group in reversed(list(enumerate(mdf.groups)))}


def test_asammdf_reads_the_rows_back_equal(mdf, rows):
    joined, first = rows
    group = groups(mdf)["rows"]
    seconds = (joined(lambda b: b.t) - first) / 1e9
    for name, unit, expected in [
        ("t_ns", "ns", joined(lambda b: b.t)),
        ("rpm", "rpm", joined(lambda b: b.now["rpm"])),
        ("lambda_3", "lambda", joined(lambda b: b.lam[:, 2])),
        ("oxygen_percent_8", "percent", joined(lambda b: b.oxygen[:, 7])),
        ("age_s_8", "s", joined(lambda b: np.where(b.age[:, 7] < 0, np.nan, b.age[:, 7] / 1e9))),
        ("target_1", "lambda", joined(lambda b: b.shifted["target"][:, 0])),
        ("supply_2", "V", joined(lambda b: b.aux["supply"][:, 1])),
    ]:
        signal = mdf.get(name, group=group)
        assert signal.unit == unit
        np.testing.assert_array_equal(signal.samples, expected)
        np.testing.assert_array_equal(signal.timestamps, seconds)


def test_a_table_without_time_counts_its_rows(mdf):
    signal = mdf.get("cylinder", group=groups(mdf)["trims"])
    assert signal.samples.tolist() == list(range(1, 9))
    assert signal.timestamps.tolist() == list(range(8))
    assert mdf.get("new_percent", group=groups(mdf)["trims"]).unit == "percent"


def test_every_sample_is_there_with_its_state(mdf, rows, written):
    joined, _ = rows
    state = joined(lambda b: b.state)
    group = groups(mdf)["rows"]
    table = pq.read_table(written / "parquet" / "rows.parquet")
    for node in range(8):
        words = [SampleState(i).word for i in state[:, node].tolist()]
        assert [word.decode() for word in mdf.get(f"state_{node + 1}", group=group).samples] == words
        assert table.column(f"state_{node + 1}").to_pylist() == words
    assert {"valid", "warming", "silent"} <= set(table.column("state_8").to_pylist())


def test_needs_are_those_of_valid_samples_alone(written, rows):
    """100 (lambda / reference - 1); the peers' lambda is all air over all fuel, so 1 / mean(1 / lambda)."""
    joined, _ = rows
    lam = np.where(joined(lambda b: b.state) == SampleState.VALID, joined(lambda b: b.lam), np.nan)
    table = pq.read_table(written / "parquet" / "rows.parquet")
    known = np.isfinite(lam).sum(axis=1)
    assert table.column("cylinders_valid").to_pylist() == known.tolist()
    peers = known / np.maximum(np.nansum(1 / lam, axis=1), 1e-9)
    vs_peers = np.where(known > 1, 100 * (lam[:, 6] / peers - 1), np.nan)
    vs_target = 100 * (lam[:, 6] / joined(lambda b: b.shifted["target"][:, 6]) - 1)
    for name, expected in (("peers", vs_peers), ("target", vs_target)):
        column = table.column(f"needs_vs_{name}_percent_7").to_numpy(zero_copy_only=False)
        np.testing.assert_allclose(column, expected, rtol=0, atol=1e-9)
        assert 300 < np.isfinite(column).sum() < len(column)


def test_parquet_has_nulls_and_says_units_and_words(written):
    schema = pq.read_schema(written / "parquet" / "rows.parquet")
    assert schema.field("lambda_1").metadata[b"unit"] == b"lambda"
    assert "valid" in json.loads(schema.field("state_1").metadata[b"words"])
    about = json.loads(schema.metadata[b"mixmon"])
    assert about["session"] == "Alder 8"
    assert "those that do not count too" in about["about"]
    table = pq.read_table(written / "parquet" / "rows.parquet", columns=["needs_vs_target_percent_1"])
    assert table.column(0).null_count > 0


@pytest.mark.parametrize("name", ["rows", "events"])
def test_csv_says_what_parquet_says(written, name):
    table = pq.read_table(written / "parquet" / f"{name}.parquet")
    with (written / "csv" / f"{name}.csv").open(newline="") as file:
        lines = list(csv.reader(file))
    assert [head.partition(" [")[0] for head in lines[0]] == table.column_names
    told = [["" if v is None else str(v) for v in column.to_pylist()] for column in table.columns]
    assert lines[1:] == [list(row) for row in zip(*told, strict=True)]
    assert len(lines) > 1


def test_cells_and_trims_name_the_weak_cylinder(tmp_path):
    """Cylinder 5 of the example needs 4 % in every cell; its README tells it."""
    words = ["export", "examples/foreign.log.gz", "-s", "examples/foreign.toml", "--quiet"]
    assert main([*words, "--tables", "cells", "trims", "--to", "csv", "--out", str(tmp_path / "out")]) == DONE
    texts = [(tmp_path / "out" / f"{name}.csv").read_text().splitlines() for name in ("cells", "trims")]
    cells, trims = (list(csv.DictReader(text)) for text in texts)
    used = [cell for cell in cells if cell["cylinder"] == "5" and cell["used_for_trims"] == "yes"]
    assert used
    assert all(float(cell["needs_percent [percent]"]) > 3 for cell in used)
    assert {cell["against"] for cell in cells if cell["cylinder"]} == {"peers"}
    (weak,) = [trim for trim in trims if trim["cylinder"] == "5"]
    assert (weak["now_percent [percent]"], weak["new_percent [percent]"]) == ("0.0", "4.0")


def test_events_are_those_of_the_command(written, capsys, log):
    main(["events", str(log), "-s", SESSION, "--json", "--quiet", *LAG])
    found = json.loads(capsys.readouterr().out)["events"]
    table = pq.read_table(written / "parquet" / "events.parquet").to_pylist()
    assert [(e["kind"], round(e["t_s"], 6)) for e in table] == [(e["kind"], e["t_s"]) for e in found]
    assert [json.loads(e["evidence"]) for e in table] == [e["evidence"] for e in found]


def test_frames_are_those_that_python_can_reads(written, log):
    """From MDF 4, from candump text and from Parquet, beside python-can's own reading of the log."""
    with can.CanutilsLogReader(str(log)) as reader:
        expected = [(m.timestamp, m.arbitration_id, bytes(m.data), m.channel) for m in reader]
    with can.LogReader(written / "all.mf4") as reader:
        found = [(m.timestamp, m.arbitration_id, bytes(m.data), f"can{m.channel}") for m in reader]
    assert [frame[1:] for frame in found] == [frame[1:] for frame in expected]
    np.testing.assert_allclose([f[0] for f in found], [e[0] for e in expected], rtol=0, atol=1e-6)
    table = pq.read_table(written / "parquet" / "frames.parquet").to_pylist()
    assert [(r["identifier"], bytes.fromhex(r["data"]), r["channel"]) for r in table] == [
        frame[1:] for frame in expected
    ]
    (read,) = open_log(log)
    (cut,) = open_log(written / "frames.log")
    assert cut.t.tolist() == (read.t // 1000 * 1000).tolist()
    assert np.array_equal(cut.data, read.data)
    lines = (written / "frames.log").read_text().splitlines()
    assert {line.index(")") - line.index(".") for line in lines} == {7}


def test_a_pull_is_cut_out_of_rows_that_were_judged_whole(written, log, tmp_path, capsys):
    out = tmp_path / "pull.parquet"
    words = ["export", str(log), "-s", SESSION, "--pull", "1", "--cylinder", "7", "--out", str(out)]
    assert main([*words, "--json", "--quiet", *LAG]) == DONE
    told = json.loads(capsys.readouterr().out)
    assert misfits("export", told) == []
    assert (told["part"]["pull"], told["part"]["cylinders"]) == (1, [7])
    (one,) = told["tables"]
    part = pq.read_table(out)
    assert one["rows"] == len(part) == sum(told["samples"].values())
    whole = pq.read_table(written / "parquet" / "rows.parquet")
    first = whole.column("t_ns").to_pylist().index(part.column("t_ns")[0].as_py())
    assert part.equals(whole.slice(first, len(part)).select(part.column_names).combine_chunks())
    assert 200 < len(part) < len(whole) - 150
    assert "lambda_7" in part.column_names
    assert "lambda_1" not in part.column_names


def test_what_is_not_valid_is_told(log, tmp_path, capsys):
    assert main(["export", str(log), "-s", SESSION, "--to", "csv", "--to", "1", "--cylinder", "1"]) == DONE
    heard = capsys.readouterr()
    assert len(heard.out.splitlines()) > 90
    assert "every one with its state" in " ".join(heard.err.split())


TWO = ["--tables", "rows", "events"]
WRONG = {
    "no such run": (["{tmp}/nowhere"], "{tmp}/nowhere: no such file or folder"),
    "no session": (["{log}"], "no session; expected --session"),
    "another session": (["{log}", "-s", "examples/foreign.toml"], "none of the session's"),
    "an empty part": (["{log}", "-s", SESSION, "--from", "500"], "no frame in the chosen part"),
    "no such pull": (["{log}", "-s", SESSION, "--pull", "9", *LAG], "--pull 9: no such pull; expected 1 to"),
    "no such cylinder": (["{log}", "-s", SESSION, "--cylinder", "9"], "expected 1 to 8"),
    "a folder that is not there": (
        ["{log}", "-s", SESSION, "-o", "{tmp}/none/rows.csv"],
        "No such file or directory",
    ),
    "no room": (["{log}", "-s", SESSION, "--to", "1", "--to", "mdf", "-o", "/dev/full"], "No space left"),
    "a file that is there": (["{log}", "-s", SESSION, "-o", "{there}"], "is there already"),
    "the log itself": (["{log}", "--to", "candump", "-o", "{log}", "--force"], "is an input of this command"),
    "an unknown end": (["{log}", "-s", SESSION, "-o", "{tmp}/a.xls"], "expected a name that ends in .csv"),
    "two formats": (["{log}", "-s", SESSION, "-o", "{tmp}/a.mf4", "--to", "csv"], "--to says csv"),
    "no place for Parquet": (["{log}", "-s", SESSION, "--to", "parquet"], "no --out"),
    "several in one file": (["{log}", "-s", SESSION, "-o", "{tmp}/a.csv", *TWO], "expected --out FOLDER"),
    "several from standard input": (["-", "-s", SESSION, "-o", "{tmp}/a.mf4", *TWO], "can be read once"),
    "cells of a pull": (["{log}", "-s", SESSION, "--pull", "1", "--tables", "cells"], "of steady time"),
    "frames of a cylinder": (["{log}", "--tables", "frames", "--cylinder", "1"], "frames are of no cylinder"),
    "rows as candump": (["{log}", "--to", "candump", "--tables", "rows"], "holds frames alone"),
    "neither format nor time": (["{log}", "--to", "excel"], "expected csv, parquet, mdf, candump, or a time"),
}


@pytest.mark.parametrize("case", WRONG)
def test_wrong_input_is_one_line(case, log, tmp_path, capsys):
    there = tmp_path / "there.csv"
    there.write_text("kept")
    places = {"log": str(log), "tmp": str(tmp_path), "there": str(there)}
    words, said = WRONG[case]
    before = log.stat().st_size
    assert main(["export", *(word.format(**places) for word in words), "--quiet"]) == BAD_INPUT
    err = capsys.readouterr().err
    assert said.format(**places) in err
    assert len(err.splitlines()) == 1
    assert [path.name for path in tmp_path.iterdir()] == ["there.csv"]
    assert (there.read_text(), log.stat().st_size) == ("kept", before)


@pytest.mark.parametrize("end", ["csv", "parquet", "mf4", "log"])
def test_a_table_that_does_not_become_whole_leaves_no_file(end, log, tmp_path, capsys):
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (10_000, before[1]))
    try:
        status = main(["export", str(log), "-s", SESSION, "--to", "1", "-o", str(tmp_path / f"out.{end}")])
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
    assert status == BAD_INPUT
    assert "File too large" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


def test_runs_of_different_sessions_are_not_one_export(tmp_path, capsys):
    for name in ("one", "two"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "run.json").write_text("{}")
        (tmp_path / name / "frames.log").write_text("(1.5) can0 123#00\n")
        (tmp_path / name / "session.toml").write_text(f"# {name}\n" + Path(SESSION).read_text())
    assert (
        main(["export", str(tmp_path / "one"), str(tmp_path / "two"), "-o", str(tmp_path / "a.csv")])
        == BAD_INPUT
    )
    assert "was recorded with another session" in capsys.readouterr().err


@pytest.mark.parametrize(("library", "end"), [("pyarrow", ".parquet"), ("asammdf", ".mf4")])
def test_a_missing_library_is_named(library, end, tmp_path, monkeypatch, capsys):
    monkeypatch.setitem(sys.modules, library, None)
    words = ["export", "examples/alder8_short.log.gz", "-s", SESSION, "--out", str(tmp_path / f"a{end}")]
    assert main(words) == BAD_INPUT
    assert "pip install 'mixmon[" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


def test_what_is_there_is_written_over_when_asked(log, tmp_path, capsys):
    out = tmp_path / "rows.csv"
    out.write_text("old")
    words = ["export", str(log), "-s", SESSION, "--to", "1", "--out", str(out), "--quiet"]
    assert main(words) == BAD_INPUT
    assert main([*words, "--force"]) == DONE
    assert out.read_text().startswith("t_s [s],t_ns [ns],")
    assert "table" in capsys.readouterr().out


def test_a_table_whose_time_goes_back_goes_on_in_a_group_of_its_own(tmp_path):
    """The time of a group never goes back (ASAM MDF 4.1, master channels)."""
    lines = [f"({second}.{i:02d}0000) can0 2A0#{'00' * 8}\n" for second in (50, 10) for i in range(100)]
    log = tmp_path / "back.log"
    log.write_text("".join(lines))
    out = tmp_path / "back.mf4"
    assert main(["export", str(log), "-s", SESSION, "--quiet", "--out", str(out)]) == DONE
    with asammdf.MDF(out) as file:
        times = [file.get_master(i) for i in range(len(file.groups))]
    assert len(times) == 2
    assert all((np.diff(t) > 0).all() for t in times)
