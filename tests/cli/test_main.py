"""The front door: commands, help, complaints of one line, exit statuses."""

import contextlib
import re
import signal
import subprocess
import sys
import threading
from pathlib import Path

import pytest
from command_line import run_command

from mixmon.cli.main import BAD_INPUT, COMMANDS, DONE, INTERRUPTED, LIMIT_NOT_MET


@pytest.mark.parametrize("asked", [["--help"], ["-h"], ["help"]])
def test_help_lists_every_command(asked):
    status, out, err = run_command(*asked)
    assert (status, err) == (DONE, "")
    assert [line.split()[0] for line in out.splitlines() if line.startswith("  ")] == list(COMMANDS)


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_explains_itself_the_same_way_from_both_ends(command):
    one, other = run_command(command, "--help"), run_command("help", command)
    assert one == other
    assert one[0] == DONE
    assert one[1].startswith(f"usage: mixmon {command}")


def test_help_never_promises_safety():
    texts = [run_command("--help")[1], *(run_command(c, "--help")[1] for c in COMMANDS)]
    assert not any("safe" in text.lower() or "ok to continue" in text.lower() for text in texts)


COMPLAINTS = [
    pytest.param([], ["no command given", "mixmon --help"], id="nothing at all"),
    pytest.param(["censsus"], ["no command censsus", "did you mean census?"], id="a mistyped command"),
    pytest.param(["frobnicate"], ["no command frobnicate", "mixmon --help"], id="an unknown command"),
    pytest.param(
        ["--json", "census"], ["option --json before the command"], id="an option before the command"
    ),
    pytest.param(["verify"], ["mixmon verify", "SESSION", "--help"], id="a missing argument"),
    pytest.param(
        ["verify", "--jsn", "x"], ["no option --jsn", "did you mean --json?"], id="a mistyped option"
    ),
    pytest.param(["census", "x.log", "--sess=y"], ["no option --sess", "--session"], id="a shortened option"),
    pytest.param(["verify", "a.toml", "b.toml"], ["b.toml"], id="one argument too many"),
    pytest.param(
        ["census", "x.log", "--from", "soon"], ["--from", "'soon'", "01:30"], id="a word for a number"
    ),
    pytest.param(["census", "x.log", "--to", "nan"], ["--to", "'nan'"], id="not a number"),
    pytest.param(["census", "x.log", "--from", "-1"], ["--from"], id="a negative time"),
    pytest.param(
        ["census", "x.log", "--from", "5", "--to", "5"],
        ["--to 00:05.0", "--from 00:05.0"],
        id="an empty stretch",
    ),
    pytest.param(["census", "x.log", "--bitrate", "fast"], ["'fast'", "500000"], id="a word for a bit rate"),
    pytest.param(["census", "x.log", "--bus-kwargs", "serial"], ["'serial'", "KEY=VALUE"], id="half a pair"),
    pytest.param(["census", "no-such.log"], ["no-such.log", "no such file"], id="a log that is not there"),
    pytest.param(["census", "tests"], ["tests", "folder"], id="a folder for a log"),
    pytest.param(["verify", "no-such.toml"], ["no-such.toml"], id="a session that is not there"),
    pytest.param(["census"], ["no LOG and no live bus"], id="neither log nor bus"),
    pytest.param(["census", "a\x1b[2J.log"], ["a\\x1b[2J.log"], id="an escape sequence is shown, not obeyed"),
    pytest.param(["decode", "two\nlines"], ["mixmon decode"], id="a line break does not break the line"),
]


@pytest.mark.parametrize(("arguments", "words"), COMPLAINTS)
def test_a_complaint_is_one_line_that_says_where_what_and_what_to_do(arguments, words):
    status, out, err = run_command(*arguments)
    assert (status, out, err.count("\n")) == (BAD_INPUT, "", 1)
    assert err.startswith("mixmon")
    assert all(word in err for word in words)


def test_the_version_is_the_distributions():
    from importlib.metadata import version

    assert run_command("--version") == (DONE, f"mixmon {version('mixmon')}\n", "")


def start(*arguments, **pipes):
    return subprocess.Popen([sys.executable, "-m", "mixmon", *arguments], stderr=subprocess.PIPE, **pipes)


LINES = "".join(f"({1000 + i / 1000:.6f}) can0 2A0#{i % 256:02X}40A0300300\n" for i in range(40_000)).encode()


def test_a_full_disk_is_one_line():
    with Path("/dev/full").open("wb") as full:
        process = start("--help", stdout=full)
        _, err = process.communicate()
    assert process.returncode == BAD_INPUT
    assert err.decode() == (
        "mixmon: standard output: No space left on device; expected room for results; "
        "make room or send them elsewhere\n"
    )


def decoding(folder):
    """A decode of a log larger than any pipe; nothing here writes to it while it writes to us."""
    log = folder / "long.log"
    log.write_bytes(LINES)
    return start("decode", str(log), "-d", "mixture_chain.dbc", stdout=subprocess.PIPE)


def test_a_reader_that_has_enough_is_no_error(tmp_path):
    with decoding(tmp_path) as process:
        assert process.stdout.readline() == b"t_s,channel,message,signal,value,unit,quality\n"
        process.stdout.close()
        assert process.wait() == DONE
        assert process.stderr.read() == b""


def unread(*arguments):
    """A command whose reader is gone before it has anything to say."""
    with start(*arguments, stdout=subprocess.PIPE) as process:
        process.stdout.close()
        return process.wait(), process.stderr.read().decode()


def test_what_was_found_stands_in_the_exit_status_though_nobody_reads_it(tmp_path):
    wrong = tmp_path / "wrong.toml"
    wrong.write_text("[engine]\ncylinders = 99\n")
    assert unread("verify", str(wrong))[0] == BAD_INPUT
    examples = Path(__file__).parents[2] / "examples"
    balance = ("balance", str(examples / "foreign.log.gz"), "-s", str(examples / "foreign.toml"))
    status, err = unread(*balance, "--max-spread", "0.1", "--quiet")
    assert status == LIMIT_NOT_MET
    assert err.splitlines()[-1].startswith("mixmon: spread ")
    assert unread("convert", "lambda", "0.9") == (DONE, "")


def feed(pipe):
    """Lines without end, so that whoever reads them is never done."""
    with contextlib.suppress(BrokenPipeError), pipe:
        while True:
            pipe.write(LINES)


def test_an_interrupted_command_leaves_whole_lines_and_no_traceback():
    words = ["decode", "-", "-d", "mixture_chain.dbc"]
    with start(*words, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as process:
        feeder = threading.Thread(target=feed, args=(process.stdin,))
        feeder.start()
        first = process.stdout.readline()
        process.send_signal(signal.SIGINT)
        rest, err = process.stdout.read(), process.stderr.read().decode()
        assert process.wait() == INTERRUPTED
        feeder.join()
    assert err.splitlines() == ["mixmon: interrupted; what had been written is whole"]
    lines = (first + rest).decode().splitlines(keepends=True)
    assert {line.count(",") for line in lines} == {6}
    assert lines[-1].endswith("\n")


def test_quiet_results_without_a_standard_output():
    process = subprocess.run(
        ["sh", "-c", f"exec {sys.executable} -m mixmon --version >&-"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert process.returncode == BAD_INPUT
    assert "standard output" in process.stderr


def test_the_readme_lists_the_commands_as_help_does():
    text = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
    assert re.findall(r"^\| `mixmon (\w+)[^|]*\| (.*) \|$", text, re.MULTILINE) == list(COMMANDS.items())


@pytest.mark.parametrize("name", ["x" * 5000, "a\0b"])
@pytest.mark.parametrize(
    "words",
    [
        "verify @",
        "simulate --out @ --duration 1",
        "simulate --session @ --out a",
        "replay @",
        "decode @ -s examples/alder8.toml",
        "decode tests/conftest.py -d @",
        "census @",
        "balance @",
    ],
)
def test_a_name_that_no_file_can_have_is_told_in_one_line(words: str, name: str) -> None:
    answer = run_command(*words.replace("@", name).split(" "))
    assert answer.status == BAD_INPUT
    assert len(answer.err.splitlines()) == 1
