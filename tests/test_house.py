"""The house from outside: what a fresh interpreter loads, and how fast the door opens."""

import json
import subprocess
import sys
from pathlib import Path

import check_names
import print_house
import pytest

from mixmon.cli.main import COMMANDS

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


PACKAGE = Path(__file__).parents[1] / "mixmon"


def test_the_floor_plan_of_the_documentation_is_printed_from_the_code():
    _, plan, _ = print_house.in_developers()
    assert plan.strip() == print_house.printed().strip(), "python tools/print_house.py --write"


def test_the_glossary_of_the_guide_has_the_words_of_the_documentation():
    assert print_house.GLOSSARY.read_text(encoding="utf-8") == print_house.glossary(), (
        "tools/print_house.py --write"
    )


def test_no_folder_is_crowded():
    """Modules of commands are not counted: each is a row of the table of commands, where it is looked up."""
    folders = [path for path in (PACKAGE, *PACKAGE.rglob("*")) if (path / "__init__.py").exists()]
    counts = {
        f.name: len([p for p in f.glob("*.py") if p.parent.name != "cli" or p.stem not in COMMANDS])
        for f in folders
    }
    assert {name: count for name, count in counts.items() if count > 25} == {}


def test_functions_are_short():
    """None over sixty lines, nine of ten at most twenty."""
    functions = check_names.functions()
    lengths = sorted(function.lines for function in functions)
    assert [function.name for function in functions if function.lines > 60] == []
    assert lengths[len(lengths) * 9 // 10] <= 20


def test_a_name_has_one_meaning_or_a_reason():
    assert [name for name in check_names.twice() if name not in check_names.REASONS] == []


def test_every_reason_for_a_name_that_stands_twice_is_needed():
    assert [name for name in check_names.REASONS if name not in check_names.twice()] == []


def test_private_helpers_are_named_by_verb_and_object():
    """At least four of ten have a name of several words."""
    one_word = sum(map(len, check_names.helpers().values()))
    assert one_word <= 0.6 * check_names.private_count()
