"""`mixmon simulate`: a log, its truth and its session, from the command line."""

import gzip
import json
import shutil

import pytest

from mixmon.cli import simulate as command
from mixmon.cli.main import BAD_INPUT, COMMANDS, DONE, CommandParser, main
from mixmon.errors import OutputError, UsageError
from mixmon.session.load import load_session

SHORT = ["--scenario", "plain", "--cylinders", "4", "--duration", "3", "--quiet"]


def run(*arguments):
    parser = CommandParser("mixmon simulate", COMMANDS["simulate"])
    command.configure(parser)
    return command.run(parser.parse([str(a) for a in arguments]))


def test_log_truth_and_session_belong_together(tmp_path):
    log, truth, session = (tmp_path / name for name in ("run.log", "run.json", "run.toml"))
    assert (
        run(
            *SHORT,
            "--seed",
            5,
            "--trims",
            "0,-1.5,6,0",
            "--out",
            log,
            "--truth",
            truth,
            "--write-session",
            session,
        )
        == 0
    )
    assert log.read_text().startswith("(1700000000.")
    told = json.loads(truth.read_text())
    assert (told["seed"], told["trims_held_percent"]) == (5, [0, -1.5, 6, 0])
    assert load_session(session).trims.now_percent == (0, -1.5, 6, 0)


def test_a_packed_log_is_the_same_log_and_the_same_file_each_time(tmp_path):
    plain, packed, again = (tmp_path / name for name in ("a.log", "a.log.gz", "b.log.gz"))
    for path in (plain, packed, again):
        assert run(*SHORT, "--out", path) == 0
    assert gzip.decompress(packed.read_bytes()) == plain.read_bytes()
    assert packed.read_bytes() == again.read_bytes()


def test_a_log_can_go_to_standard_output(capfdbinary, tmp_path):
    assert run(*SHORT, "--out", tmp_path / "a.log") == 0
    assert run(*SHORT, "--out", "-") == 0
    assert capfdbinary.readouterr().out == (tmp_path / "a.log").read_bytes()


def test_every_scenario_is_listed(capsys):
    assert run("--list") == 0
    names = [line.split()[0] for line in capsys.readouterr().out.splitlines()]
    assert {"alder8", "alder8-after", "alder8-short", "plain"} <= set(names)


def test_mistakes_of_a_scenario_are_told_one_a_line(capsys, tmp_path):
    path = tmp_path / "wrong.toml"
    path.write_text("[engine]\ncylinders = 99\n[fuel]\nname = 1\n[map]\n[[profile]]\nkind = 'x'\n")
    assert run("--scenario", path, "--out", tmp_path / "a.log") == 2
    lines = capsys.readouterr().err.splitlines()
    assert len(lines) >= 4
    assert all("expected" in line for line in lines)


@pytest.mark.parametrize(
    "wrong",
    [
        ["--scenario", "nothing", "--out", "a"],
        ["--scenario", "plain"],
        [*SHORT, "--trims", "1,x", "--out", "a"],
        [*SHORT, "--trims", "1e9,0,0,0", "--out", "a"],
        [*SHORT, "--trims", "-95,0,0,0", "--out", "a"],
        ["--scenario", "alder8", "--cylinders", "4", "--out", "a"],
    ],
    ids=[
        "no such scenario",
        "nothing to write",
        "trims that are no numbers",
        "a trim of a thousand million",
        "a trim that leaves no fuel",
        "another size for an engine with faults of its own",
    ],
)
def test_bad_use_is_said(wrong):
    with pytest.raises(UsageError, match="expected"):
        run(*wrong)


@pytest.mark.parametrize("count", ["3", "17", "0", "-4", "four", "4.0"])
def test_a_number_of_cylinders_that_is_not_played_is_refused(capsys, count):
    assert main(["simulate", "--scenario", "plain", f"--cylinders={count}", "--out", "a"]) == 2
    assert f"found '{count}'; expected a whole number from 4 to 16" in capsys.readouterr().err


OUTPUTS = ["--out", "--truth", "--write-session"]


@pytest.mark.parametrize("option", OUTPUTS)
def test_a_file_that_is_there_is_written_over_by_force_alone(capsys, tmp_path, option):
    path = tmp_path / "there.log"
    path.write_text("mine")
    assert main(["simulate", *SHORT, option, str(path)]) == BAD_INPUT
    assert "is there already; expected a new file" in capsys.readouterr().err
    assert path.read_text() == "mine"
    assert main(["simulate", *SHORT, option, str(path), "--force"]) == DONE
    assert path.read_text() != "mine"


def test_session_reads_as_in_every_command(capsys, tmp_path):
    session, log = tmp_path / "mine.toml", tmp_path / "a.log"
    assert run(*SHORT, "--write-session", session) == DONE
    before = session.read_bytes()
    assert run(*SHORT, "--session", session, "--out", log) == DONE
    assert session.read_bytes() == before
    assert log.exists()
    assert main(["simulate", *SHORT, "--session", str(tmp_path / "new.toml"), "--out", str(log)]) == BAD_INPUT
    assert "--write-session writes one" in capsys.readouterr().err
    assert not (tmp_path / "new.toml").exists()


@pytest.mark.parametrize("option", OUTPUTS)
def test_what_is_read_is_not_written_over_by_force_either(capsys, tmp_path, option):
    session = tmp_path / "mine.toml"
    assert run(*SHORT, "--write-session", session) == DONE
    before = session.read_bytes()
    words = ["simulate", *SHORT, "--session", str(session), option, str(session), "--force"]
    assert main(words) == BAD_INPUT
    assert "is an input of this command" in capsys.readouterr().err
    assert session.read_bytes() == before


@pytest.mark.parametrize("option", OUTPUTS)
def test_a_database_that_the_session_names_is_not_written_over_either(capsys, tmp_path, option):
    shutil.copytree("examples", tmp_path / "examples")
    session, database = tmp_path / "examples" / "foreign.toml", tmp_path / "examples" / "foreign_chain.dbc"
    words = ["simulate", *SHORT, "--session", str(session), option, str(database), "--force"]
    before = database.read_bytes()
    assert main(words) == BAD_INPUT
    assert f"{database}: is an input of this command" in capsys.readouterr().err
    assert database.read_bytes() == before


def test_one_place_for_two_things_is_refused(capsys, tmp_path):
    place = str(tmp_path / "a")
    assert main(["simulate", *SHORT, "--out", place, "--truth", place]) == BAD_INPUT
    assert "is named twice" in capsys.readouterr().err


def test_a_device_takes_a_log_without_force():
    assert run(*SHORT, "--out", "/dev/null") == DONE


def test_a_place_that_cannot_be_written_is_said(tmp_path):
    with pytest.raises(OutputError, match="expected a place"):
        run(*SHORT, "--out", tmp_path / "nowhere" / "a.log")
