"""View models are text: no terminal library behind them, no clock, and their examples run."""

import json
import pkgutil
import subprocess
import sys

import mixmon.dashboard

DRAWS = {"app", "browser", "commands", "server"}
"""The modules that know the terminal library."""

MODULES = sorted(
    found.name.removeprefix("mixmon.dashboard.")
    for found in pkgutil.walk_packages(mixmon.dashboard.__path__, "mixmon.dashboard.")
)

LISTER = """
import importlib, json, sys
for name in json.loads(sys.argv[1]):
    importlib.import_module(f"mixmon.dashboard.{name}")
print(json.dumps(sorted({name.partition(".")[0] for name in sys.modules})))
"""


def test_view_models_load_no_terminal_library():
    wanted = json.dumps([name for name in MODULES if name not in DRAWS])
    command = [sys.executable, "-c", LISTER, wanted]
    loaded = json.loads(subprocess.run(command, capture_output=True, text=True, check=True).stdout)
    assert not {"rich", "textual", "can", "cantools"} & set(loaded)
