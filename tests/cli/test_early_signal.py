"""A signal in the first tenths of a second, while modules are still loaded, ends the process quietly.

A module of Python's library, or a package that a command needs, stands in the folder in which the process
is started, in the place of the real one: it sends the signal from within its own loading.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from mixmon.cli.main import COMMANDS
from mixmon.cli.stopping import INTERRUPTED

HERE = str(Path.cwd())
SIGNALS = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
LOADED_BY_ALL, LOADED_BY_A_COMMAND = "argparse", "numpy"
STARTS = {
    "module": ["-m", "mixmon"],
    "script": ["-c", "import sys; from mixmon.__main__ import start; sys.exit(start())"],
}
"""The second is what an installer writes for `[project.scripts]`."""


def end_of(start: str, command: str, loaded: str, number: int, place: Path) -> tuple[int, str, str]:
    """Status, standard output and standard error of the command, signalled while it loads the module."""
    (place / f"{loaded}.py").write_text(
        f"import os\nos.kill(os.getpid(), {int(number)})\nimport no_such_module\n"
    )
    words = [sys.executable, *STARTS[start], command, "no.log"]
    paths = {"PYTHONPATH": f"{place}{os.pathsep}{HERE}"}
    done = subprocess.run(
        words, cwd=place, env=os.environ | paths, capture_output=True, text=True, check=False
    )
    return done.returncode, done.stdout, done.stderr


@pytest.mark.parametrize("loaded", [LOADED_BY_ALL, LOADED_BY_A_COMMAND])
@pytest.mark.parametrize(
    ("start", "number"), [("module", SIGNALS[0]), ("script", SIGNALS[1]), ("script", SIGNALS[2])]
)
def test_it_ends_quietly(start: str, number: int, loaded: str, tmp_path: Path) -> None:
    assert end_of(start, "balance", loaded, number, tmp_path) == (INTERRUPTED, "", "")


@pytest.mark.parametrize("command", [name for name in COMMANDS if name != "convert"])
def test_every_command_is_loaded_so(command: str, tmp_path: Path) -> None:
    """`convert` needs no arrays."""
    assert end_of("module", command, LOADED_BY_A_COMMAND, signal.SIGINT, tmp_path) == (INTERRUPTED, "", "")


def test_the_program_is_started_so() -> None:
    import tomllib

    project = tomllib.loads(Path("pyproject.toml").read_text())["project"]
    assert project["scripts"] == {"mixmon": "mixmon.__main__:start"}
