"""Names come from files of others: what is in them is shown, never obeyed by a terminal (ECMA-48)."""

import re
import tomllib
from pathlib import Path

import pytest

from mixmon.cli.main import main

LOG = "examples/alder8_short.log.gz"
BAD = r"\u001b[31m\u009b5m\n[x]\u0007"
CONTROLS = re.compile(r"[\x00-\x09\x0b-\x1f\x7f-\x9f]")


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The example session with controls in every name that is free."""
    text = Path("examples/alder8.toml").read_text()
    for name in ("Alder 8", "lean under load", "node silent", "chain"):
        text = text.replace(f'"{name}"', f'"{name}{BAD}"')
    assert "\x1b" in tomllib.loads(text)["bus"][0]["name"]
    path = tmp_path_factory.mktemp("names") / "session.toml"
    path.write_text(text)
    return path


@pytest.mark.parametrize(
    "command",
    [
        ["balance", LOG, "--to", "26"],
        ["census", LOG],
        ["events", LOG, "--to", "26"],
        ["pulls", LOG],
        ["pulls", LOG, "--transients"],
        ["response", LOG],
        ["response", LOG, "--compare", "1", "2"],
        ["replay", LOG, "--text"],
        ["watch", "-i", "virtual", "--text", "--accept-caution", "--no-record", "--for", "1.2"],
    ],
    ids=lambda command: " ".join(command[::2]),
)
def test_no_text_sends_a_control_character(capfd, tmp_path, monkeypatch, session, command):
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    assert main([*command, "-s", str(session), "--quiet"]) == 0
    said = capfd.readouterr()
    assert said.out
    assert CONTROLS.findall(said.out + said.err) == []
