"""The scripts of a tuning session: short, by public names alone, and they run."""

import ast
import re
import runpy
import sys
from pathlib import Path

import pytest
from live_rig import Player, glimpse

import mixmon

ROOT = Path(__file__).parents[1]
SIX = ("examples/foreign.toml", "examples/foreign.log.gz")
EIGHT = ("examples/alder8.toml", "examples/alder8_short.log.gz")
SCRIPTS = ("loop_folder", "cells_frame", "live_callback", "own_alarm", "custom_fuel")


def run_script(name, monkeypatch, *arguments):
    monkeypatch.chdir(ROOT)
    monkeypatch.setattr(sys, "argv", [name, *map(str, arguments)])
    runpy.run_path(f"examples/{name}.py")


@pytest.mark.parametrize("name", SCRIPTS)
def test_scripts_are_short_and_use_public_names(name):
    tree = ast.parse((ROOT / "examples" / f"{name}.py").read_text(encoding="utf-8"))
    body = [node for node in ast.walk(tree) if isinstance(node, ast.stmt)]
    plain = [n for n in body if not (isinstance(n, ast.Expr) and isinstance(n.value, ast.Constant))]
    own = [node for node in plain if not isinstance(node, ast.Import | ast.ImportFrom)]
    assert len(own) <= 8
    used = {
        node.attr
        for node in ast.walk(tree)
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and node.value.id == "mixmon"
    }
    assert used <= set(mixmon.__all__)
    imported = {alias.name for n in plain if isinstance(n, ast.Import) for alias in n.names}
    assert not any(module.startswith("mixmon.") for module in imported)


def test_every_log_of_a_folder(monkeypatch, capsys):
    run_script("loop_folder", monkeypatch, SIX[0], "examples")
    spreads = [float(s) for s in re.findall(r"spread (\S+) %", capsys.readouterr().out)]
    assert len(spreads) == 2
    assert spreads[0] - spreads[1] == pytest.approx(4, abs=1)  # cylinder 5 got 4 % more fuel in the second


def test_cells_as_data_frames(monkeypatch, capsys):
    run_script("cells_frame", monkeypatch, *SIX)
    told = capsys.readouterr().out
    assert re.search(r"^4500.0 100.0( +-?[0-9.]+){6}", told, re.MULTILINE)
    assert "shape: (6, 2)" in told


def test_an_alarm_of_ones_own(monkeypatch, capsys):
    run_script("own_alarm", monkeypatch, *EIGHT)
    raised = re.findall(r"lean idle \((\d),\) raised ([0-9.]+) of target", capsys.readouterr().out)
    assert {cylinder for cylinder, _ in raised} >= {"4", "6"}
    assert all(float(value) > 1.05 for _, value in raised)


def test_a_fuel_of_ones_own(monkeypatch, capsys):
    run_script("custom_fuel", monkeypatch, *SIX)
    pairs = re.findall(r"lambda ([0-9.]+), air-fuel ratio ([0-9.]+)", capsys.readouterr().out)
    fuel = mixmon.blend({"gasoline": 0.6, "ethanol": 0.3, "toluene": 0.1})
    assert len(pairs) >= 3
    for lam, ratio in pairs:
        assert float(ratio) / float(lam) == pytest.approx(fuel.stoich_afr, rel=2e-3)


def test_a_callback_from_live_buses(monkeypatch, capsys, tmp_path):
    names = ("scripts chain", "scripts engine")
    text = (ROOT / EIGHT[0]).read_text(encoding="utf-8")
    for channel, name in zip(("can0", "can1"), names, strict=True):
        text = text.replace(f'\nchannel = "{channel}"', f'\nchannel = "{name}"')
    path = tmp_path / "live.toml"
    path.write_text(text.replace('interface = "socketcan"', 'interface = "virtual"'), "utf-8")
    with Player(glimpse(18.0, 38.0), names):
        run_script("live_callback", monkeypatch, path, 1.0)
    times = [float(t) for t in re.findall(r"^(\S+) s: spread", capsys.readouterr().out, re.MULTILINE)]
    assert times == sorted(times)
    assert 0.2 < times[-1] < 5.0
