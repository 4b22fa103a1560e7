"""The house from outside: what a fresh interpreter loads, and how fast the door opens."""

import json
import subprocess
import sys

import pytest

CORE = [
    "mixmon.errors",
    "mixmon.findings",
    "mixmon.frames.bits",
    "mixmon.frames.block",
    "mixmon.frames.candump",
    "mixmon.frames.clock",
    "mixmon.gas",
    "mixmon.messages.decode",
    "mixmon.messages.encode",
    "mixmon.mixture",
    "mixmon.pipeline",
    "mixmon.session.model",
]

ALLOWED = {"mixmon", "numpy", *sys.stdlib_module_names}
FORBIDDEN = {"asyncio", "multiprocessing", "socket", "threading", "time"}

# Runs in the fresh interpreter. Lists what mixmon's own modules ask for, by the name of the
# module that asks: the list of loaded modules would not do, as NumPy itself loads `time`.
LISTER = """
import builtins, importlib, json, pkgutil, sys
asked, plain = set(), builtins.__import__

def noting(name, globals=None, locals=None, fromlist=(), level=0):
    if (globals or {}).get("__name__", "").startswith("mixmon") and not level:
        asked.add(name.partition(".")[0])
    return plain(name, globals, locals, fromlist, level)

builtins.__import__ = noting
module = importlib.import_module(sys.argv[1])
for found in pkgutil.iter_modules(getattr(module, "__path__", [])):
    importlib.import_module(f"{module.__name__}.{found.name}")
print(json.dumps({"asked": sorted(asked), "loaded": sorted({m.partition(".")[0] for m in sys.modules})}))
"""


def loaded_by(program, *arguments):
    command = [sys.executable, "-c", program, *arguments]
    return json.loads(subprocess.run(command, capture_output=True, text=True, check=True).stdout)


@pytest.mark.parametrize("module", CORE)
def test_the_core_knows_no_clock_thread_device_format_or_screen(module):
    listed = loaded_by(LISTER, module)
    assert set(listed["asked"]) <= ALLOWED - FORBIDDEN
    assert not {"can", "cantools", "rich", "textual"} & set(listed["loaded"])


HELP = """
import contextlib, io, json, sys
from mixmon.cli.main import main
with contextlib.redirect_stdout(io.TextIOWrapper(io.BytesIO())):
    main(["--help"])
print(json.dumps(sorted({m.partition(".")[0] for m in sys.modules})))
"""


def test_help_loads_nothing_heavy():
    assert not {"can", "cantools", "numpy", "pyarrow", "rich", "textual"} & set(loaded_by(HELP))
