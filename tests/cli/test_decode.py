"""mixmon decode: against cantools, and back from every kind of file."""

import csv
import io
import json
import random
import stat
import sys

import cantools
import pyarrow.parquet as pq
import pytest
from schema_judge import misfits

from mixmon.cli.main import BAD_INPUT, DONE, LIMIT_NOT_MET, main
from mixmon.cli.output import TextOut
from mixmon.frames.logs import open_log
from mixmon.log import Decoding, Definitions
from mixmon.messages.database import load_database
from mixmon.report.tables import long_lines

DBC = "examples/foreign_chain.dbc"
LIBRARY = cantools.database.load_file(DBC)


def frames():
    """Identifier and bytes of 600 frames; some multiplexer values have a branch, some have none."""
    chance = random.Random(4)
    for _ in range(600):
        message = chance.choice(LIBRARY.messages)
        yield message.frame_id, bytes([chance.randrange(8) << 4 | chance.randrange(16), *chance.randbytes(7)])


FRAMES = list(frames())
STAMPS = [f"{1_700_000_000 + i // 50}.{i % 50 * 20000 + 17:06d}" for i in range(len(FRAMES))]
CHANNELS = ["can1" if i % 5 == 3 else "can0" for i in range(len(FRAMES))]
ODD = [
    "(1700000012.500000) can0 123#0102",
    "(1700000012.500001) can0 8C59A000#R8",
    "(1700000012.500002) can0 20000080#0000000000000000",
    "not a frame at all",
]


@pytest.fixture(scope="module")
def log(tmp_path_factory):
    path = tmp_path_factory.mktemp("logs") / "foreign.log"
    rows = zip(STAMPS, CHANNELS, FRAMES, strict=True)
    lines = [f"({t}) {channel} {i:08X}#{d.hex().upper()}" for t, channel, (i, d) in rows]
    path.write_text("\n".join([*lines, *ODD]) + "\n")
    return path


def expected():
    """What cantools makes of the same frames, in order."""
    rows = []
    for stamp, (can_id, data) in zip(STAMPS, FRAMES, strict=True):
        message = LIBRARY.get_message_by_frame_id(can_id, force_extended_id=True)
        try:
            decoded = message.decode(data, decode_choices=False)
        except cantools.database.DecodeError:  # a multiplexer value without a branch: the rest stays
            decoded = {s.name: None for s in message.signals if s.multiplexer_ids is None}
        rows += [(stamp, message.name, name, value) for name, value in decoded.items()]
    return rows


def read(text):
    return list(csv.DictReader(io.StringIO(text)))


def test_every_value_is_cantools_value_bit_for_bit(capsys, log):
    assert main(["decode", str(log), "--database", DBC, "--absolute"]) == DONE
    told = read(capsys.readouterr().out)
    rows = {(r["t_s"], r["message"], r["signal"]): r for r in told}
    channels = dict(zip(STAMPS, CHANNELS, strict=True))
    assert [r["channel"] for r in told] == [channels[r["t_s"][:-3]] for r in told]
    assert [r["t_s"] for r in told] == sorted(r["t_s"] for r in told)
    known = expected()
    assert set(rows) == {(f"{t}000", message, name) for t, message, name, _ in known}
    values = [(rows[f"{t}000", m, n], value) for t, m, n, value in known if value is not None]
    assert len(values) > 1000
    assert all(float(row["value"]) == value for row, value in values if row["quality"] == "good")
    assert all(row["quality"] == "good" for row, _ in values)


def test_what_was_decoded_is_told_signal_by_signal(capsys, log, tmp_path):
    out = tmp_path / "values.csv"
    assert main(["decode", str(log), "--database", DBC, "--json", "--out", str(out), "--quiet"]) == DONE
    told = json.loads(capsys.readouterr().out)
    assert misfits("decode", told) == []
    known = {}
    for stamp, message, name, value in expected():
        known.setdefault((message, name), []).append((float(stamp), value))
    first, of_signal = float(STAMPS[0]), {}
    for one in told["signals"]:
        of_signal.setdefault((one["message"], one["signal"]), []).append(one)
    assert set(of_signal) == set(known)
    compared = 0
    for name, parts in of_signal.items():
        times, values = zip(*known[name], strict=True)
        if None in values:  # cantools has none of a frame with a multiplexer value without a branch
            continue
        compared += 1
        assert sum(one["quality"].get("good", 0) for one in parts) == len(values)
        assert min(one["lowest"] for one in parts) == min(values)
        assert max(one["highest"] for one in parts) == max(values)
        assert min(one["first_s"] for one in parts) == pytest.approx(min(times) - first, abs=1e-6)
        assert max(one["last_s"] for one in parts) == pytest.approx(max(times) - first, abs=1e-6)
    assert compared >= 3
    assert told["values"] == sum(one["values"] for one in told["signals"]) == len(read(out.read_text()))
    assert main(["decode", str(log), "--database", DBC, "--json", "--quiet"]) == DONE
    assert json.loads(capsys.readouterr().out) == {**told, "out": None}


def test_json_tells_of_one_table(capsys, log, tmp_path):
    assert (
        main(["decode", str(log), "-d", DBC, "--json", "--wide", "--out", str(tmp_path / "x")]) == BAD_INPUT
    )
    assert "expected no --wide" in capsys.readouterr().err


def test_what_was_left_aside_is_told(capsys, log):
    main(["decode", str(log), "--database", DBC])
    err = capsys.readouterr().err
    assert "values not in their frames" in err
    assert "1 frame of identifiers without a definition" in err
    main(["decode", str(log), "--database", DBC, "--quiet"])
    assert capsys.readouterr().err == ""


def test_what_the_log_lacks_is_told_as_by_every_command(capsys, tmp_path):
    path = tmp_path / "odd.log"
    lines = [f"({t}) {c} {i:08X}#{d.hex()}" for t, c, (i, d) in zip(STAMPS, CHANNELS, FRAMES, strict=True)]
    lines.insert(100, "not a frame at all")
    lines.insert(200, "DROPCOUNT: dropped 7 CAN frames on 'can0' socket (total drops 7)")
    path.write_text("\n".join([*lines, "(1700000912.5) can0 0C5A2100#00"]))
    troubles = [
        "1 line rejected: line 101 layout",
        "7 frames lost by the recorder",
        "the time stamps jump 1 time",
        "the last line has no end",
    ]
    session = ["--session", "examples/foreign.toml"]
    for command in (["decode", str(path), "--database", DBC], ["census", str(path), *session]):
        assert main(command) == DONE
        heard = capsys.readouterr()
        told = heard.err if command[0] == "decode" else heard.out
        assert [text for text in troubles if text not in " ".join(told.split())] == []
        assert main([*command, "--quiet", "--strict"]) == LIMIT_NOT_MET
        err = capsys.readouterr().err
        assert [text for text in troubles if text not in err] == []


def test_other_traffic_is_counted_and_told_and_is_no_fault(capsys, log, tmp_path):
    mixed = tmp_path / "mixed.log"
    lines = log.read_text().splitlines(keepends=True)[: len(FRAMES)]
    mixed.write_text("".join(lines) + "(1700000020.000000) can0 123#01\n" * 3)
    assert main(["decode", str(mixed), "--database", DBC, "--strict"]) == DONE
    assert "mixmon: 3 frames of identifiers without a definition\n" in capsys.readouterr().err
    session = ["-s", "examples/foreign.toml"]
    assert main(["census", str(mixed), *session, "--strict"]) == DONE
    assert "123" in capsys.readouterr().out


def test_a_log_in_order_passes_strictly(capsys, log, tmp_path):
    whole = tmp_path / "whole.log"
    whole.write_text("".join(log.read_text().splitlines(keepends=True)[: len(FRAMES)]))
    assert main(["decode", str(whole), "--database", DBC, "--quiet", "--strict"]) == DONE
    assert capsys.readouterr().err == ""
    assert main(["decode", str(log), "--database", DBC, "--quiet", "--strict"]) == LIMIT_NOT_MET
    assert "the log is not in order: 2 lines rejected" in capsys.readouterr().err


def test_parquet_holds_the_same_as_csv(capsys, log, tmp_path):
    main(["decode", str(log), "--database", DBC])
    rows = read(capsys.readouterr().out)
    out = tmp_path / "foreign.parquet"
    assert main(["decode", str(log), "--database", DBC, "--out", str(out)]) == DONE
    table = pq.read_table(out).to_pylist()
    assert len(table) == len(rows)
    for got, row in zip(table, rows, strict=True):
        assert [got[n] for n in ("channel", "message", "signal", "unit", "quality")] == [
            row[n] for n in ("channel", "message", "signal", "unit", "quality")
        ]
        assert got["value"] == float(row["value"])
        assert got["t_s"] == float(row["t_s"])
    assert table[0]["t_ns"] == 1_700_000_000_000_017_000


def test_wide_files_hold_the_same(capsys, log, tmp_path):
    main(["decode", str(log), "--database", DBC])
    rows = [
        r for r in read(capsys.readouterr().out) if (r["channel"], r["message"]) == ("can0", "Probes_Left")
    ]
    assert main(["decode", str(log), "--database", DBC, "--wide", "--out", str(tmp_path / "w")]) == DONE
    assert sorted(p.name for p in (tmp_path / "w").iterdir()) == [
        "can0.Probes_Left.csv",
        "can0.Probes_Right.csv",
        "can1.Probes_Left.csv",
        "can1.Probes_Right.csv",
    ]
    wide = read((tmp_path / "w" / "can0.Probes_Left.csv").read_text())
    cells = {(w["t_s"], name.partition(" ")[0], v) for w in wide for name, v in w.items() if v}
    assert {(r["t_s"], r["signal"], r["value"]) for r in rows} == {
        c for c in cells if c[1] not in {"t_s", "quality"}
    }
    assert any("Mixture_2=missing" in w["quality"] for w in wide)


@pytest.mark.parametrize("cut", [1, 7, 100])
def test_cuts_do_not_matter(log, cut):
    def text(step):
        decoding = Decoding(Definitions.of_database("x", load_database(DBC).messages), [])
        pieces = [b.take(slice(i, i + step)) for b in open_log(log) for i in range(0, len(b), step)]
        return "".join(
            long_lines(part.t, columns, raw=True)
            for piece in pieces
            for part, columns in decoding.columns(piece)
        )

    assert text(cut) == text(10**6)


def test_signals_are_chosen_by_name_and_pattern(capsys, log):
    main(["decode", str(log), "--database", DBC, "--quiet", "--signals", "Probes_Left.Mixture_?", "Supply"])
    chosen = {(r["message"], r["signal"]) for r in read(capsys.readouterr().out)}
    assert chosen == {
        *(("Probes_Left", f"Mixture_{n}") for n in (1, 2, 3)),
        ("Probes_Left", "Supply"),
        ("Probes_Right", "Supply"),
    }


def test_a_stretch_counts_from_the_first_frame_and_ends_before_its_end(capsys, log):
    main(["decode", str(log), "--database", DBC, "--quiet", "--from", "1", "--to", "2"])
    times = [float(r["t_s"]) for r in read(capsys.readouterr().out)]
    assert (min(times), max(times)) == (1.0, 1.98)


def test_a_session_gives_each_channel_its_own_definitions(capsys, log, tmp_path):
    elsewhere = tmp_path / "elsewhere.log"
    elsewhere.write_text(log.read_text().replace("can0", "can7"))
    assert main(["decode", str(log), "--session", "examples/foreign.toml", "--quiet"]) == DONE
    assert capsys.readouterr().out.count("\n") > 1200
    assert main(["decode", str(elsewhere), "--session", "examples/foreign.toml"]) == BAD_INPUT
    assert "no frame of the chosen signals" in capsys.readouterr().err


COMPLAINTS = [
    pytest.param([], "--session or --database", id="no definitions"),
    pytest.param(["-d", DBC, "-s", "examples/foreign.toml"], "one of them", id="two kinds of definitions"),
    pytest.param(["-d", DBC, "--signals", "Mixtur_1"], "did you mean Mixture_1", id="a mistyped signal"),
    pytest.param(["-d", DBC, "--out", "x.xlsx"], ".csv or .parquet", id="an unknown kind of file"),
    pytest.param(["-d", DBC, "--wide"], "--out FOLDER", id="wide without a folder"),
    pytest.param(
        ["-d", DBC, "--out", "no/such/folder/x.csv"], "no/such/folder/x.csv", id="a place that is not there"
    ),
    pytest.param(["-d", DBC, "--out", "/dev/full/x.csv"], "/dev/full/x.csv", id="a place that is no folder"),
    pytest.param(["-d", DBC, "--raw", "--out", "x.parquet"], "are for CSV", id="raw values in Parquet"),
    pytest.param(["-d", "no.dbc"], "no.dbc", id="definitions that are not there"),
    pytest.param(["-d", DBC, "--from", "100"], "no frame in the chosen part", id="a stretch beyond the end"),
]


@pytest.mark.parametrize(("arguments", "words"), COMPLAINTS)
def test_complaints(capsys, log, arguments, words):
    assert main(["decode", str(log), *arguments]) == BAD_INPUT
    err = capsys.readouterr().err
    assert words in err
    assert len(err.splitlines()) == 1


def test_a_log_is_never_written_over(capsys, log, tmp_path):
    copy = tmp_path / "copy.csv"
    copy.write_bytes(log.read_bytes())
    assert main(["decode", str(copy), "-d", DBC, "--out", str(copy)]) == BAD_INPUT
    assert "is an input" in capsys.readouterr().err
    assert copy.read_bytes() == log.read_bytes()


@pytest.mark.parametrize("name", ["a.csv", "a.parquet"])
def test_a_file_that_is_there_is_written_over_by_force_alone(capsys, log, tmp_path, name):
    path = tmp_path / name
    path.write_text("mine")
    assert main(["decode", str(log), "-d", DBC, "--out", str(path)]) == BAD_INPUT
    assert "is there already; expected a new file" in capsys.readouterr().err
    assert path.read_text() == "mine"
    assert main(["decode", str(log), "-d", DBC, "--out", str(path), "--force"]) == DONE
    assert path.read_bytes() != b"mine"


def test_a_table_that_is_there_is_written_over_by_force_alone(capsys, log, tmp_path):
    words = ["decode", str(log), "-d", DBC, "--wide", "--out", str(tmp_path)]
    (tmp_path / "can0.Probes_Left.csv").write_text("mine")
    assert main(words) == BAD_INPUT
    assert "can0.Probes_Left.csv: is there already" in capsys.readouterr().err
    assert (tmp_path / "can0.Probes_Left.csv").read_text() == "mine"
    assert main([*words, "--force"]) == DONE


def write_interrupted(path):
    with TextOut(path, force=True) as out:
        out.write("new\n")
        raise KeyboardInterrupt


def test_an_interruption_leaves_the_file_that_was_to_be_written_over(tmp_path):
    path, link = tmp_path / "a.csv", tmp_path / "link.csv"
    path.write_text("old\n")
    path.chmod(0o640)
    link.symlink_to(path)
    with pytest.raises(KeyboardInterrupt):
        write_interrupted(link)
    assert path.read_text() == "old\n"
    with TextOut(link, force=True) as out:
        out.write("new\n")
    assert path.read_text() == "new\n"
    assert stat.S_IMODE(path.stat().st_mode) == 0o640
    assert sorted(tmp_path.iterdir()) == [path, link]
    assert link.is_symlink()


def test_a_log_in_the_folder_of_the_tables_is_not_written_over(capsys, log, tmp_path):
    copy = tmp_path / "can0.Probes_Left.csv"
    copy.symlink_to(log)
    before = log.read_bytes()
    assert main(["decode", str(log), "-d", DBC, "--wide", "--out", str(tmp_path), "--force"]) == BAD_INPUT
    assert "is an input" in capsys.readouterr().err
    assert log.read_bytes() == before


def test_a_decode_that_finds_nothing_leaves_no_file(capsys, log, tmp_path):
    path = tmp_path / "a.csv"
    assert main(["decode", str(log), "-d", "mixture_chain.dbc", "--out", str(path)]) == BAD_INPUT
    assert "no frame of the chosen signals" in capsys.readouterr().err
    assert not path.exists()


def test_without_pyarrow_the_complaint_says_what_to_install(capsys, log, tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    assert main(["decode", str(log), "-d", DBC, "--out", str(tmp_path / "x.parquet")]) == BAD_INPUT
    assert "pip install 'mixmon[parquet]'" in capsys.readouterr().err


def test_messages_of_one_name_are_both_decoded_and_told_apart(tmp_path, capsys):
    """Values by hand: one byte each, the first and the second, factor 1."""
    log = tmp_path / "twins.log"
    log.write_text("(1000.000000) can0 1B9#0200\n(1000.100000) can0 1BA#0003\n")
    assert main(["decode", str(log), "--database", "tests/messages/zoo/duplicates.dbc"]) == DONE
    out, err = capsys.readouterr()
    rows = [row.split(",")[2:5] for row in out.splitlines()[1:]]
    assert rows == [["Twin_1B9", "One", "2.0"], ["Twin_1BA", "Other", "3.0"]]
    assert "called Twin_1B9" in err
