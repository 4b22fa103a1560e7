"""`mixmon simulate`: a log, its truth and its session, from the command line."""

import gzip
import json

import pytest

from mixmon.cli import simulate as command
from mixmon.cli.main import COMMANDS, CommandParser, main
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
            *SHORT, "--seed", 5, "--trims", "0,-1.5,6,0", "--out", log, "--truth", truth, "--session", session
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


def test_a_place_that_cannot_be_written_is_said(tmp_path):
    with pytest.raises(OutputError, match="expected a place"):
        run(*SHORT, "--out", tmp_path / "nowhere" / "a.log")
