"""Names that mean two things: public classes and constants defined more than once, and one-word helpers.

    python tools/check_names.py            exit status 1 where a name has two meanings without a reason
    python tools/check_names.py --helpers  also the private functions named by a single word, by file

Definitions that are equal to the letter would be one definition; so what is listed differs. A reason
for a name that stands twice is given in `REASONS`.
"""

from __future__ import annotations

import argparse
import ast
import functools
import sys
from collections import defaultdict
from pathlib import Path

ROOT = Path(__file__).parents[1]

REASONS: dict[str, str] = {}
"""Why a name may stand in more than one module."""


@functools.cache
def modules() -> list[tuple[str, ast.Module]]:
    """Every module of the package by its path."""
    files = sorted((ROOT / "mixmon").rglob("*.py"))
    return [(str(path.relative_to(ROOT)), ast.parse(path.read_text(encoding="utf-8"))) for path in files]


def defined(tree: ast.Module) -> list[str]:
    """Classes and constants of a module, private ones included."""
    names = []
    for node in tree.body:
        if isinstance(node, ast.ClassDef):
            names.append(node.name)
        targets = node.targets if isinstance(node, ast.Assign) else []
        targets = [node.target] if isinstance(node, ast.AnnAssign) else targets
        names += [t.id for t in targets if isinstance(t, ast.Name) and t.id.lstrip("_").isupper()]
    return names


def twice() -> dict[str, list[str]]:
    """Names that several modules define, with those modules; an underscore makes no other name."""
    where = defaultdict(list)
    for path, tree in modules():
        for name in defined(tree):
            where[name.lstrip("_")].append(path)
    return {name: paths for name, paths in sorted(where.items()) if len(paths) > 1}


def helpers() -> dict[str, list[str]]:
    """Private functions whose name is one word, by module."""
    found = {}
    for path, tree in modules():
        names = [
            node.name
            for node in ast.walk(tree)
            if isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef)) and node.name.startswith("_")
        ]
        found[path] = [n for n in names if not n.startswith("__") and "_" not in n.strip("_")]
    return found


def private_count() -> int:
    """All private functions."""
    return sum(
        isinstance(node, ast.FunctionDef) and node.name.startswith("_") and not node.name.startswith("__")
        for _, tree in modules()
        for node in ast.walk(tree)
    )


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--helpers", action="store_true", help="list one-word helpers too")
    arguments = parser.parse_args()
    unexplained = {name: paths for name, paths in twice().items() if name not in REASONS}
    for name, paths in unexplained.items():
        print(f"{name}: {', '.join(paths)}")
    one_word = helpers()
    if arguments.helpers:
        for path, names in one_word.items():
            print(f"{path}: {' '.join(names)}")
    several = private_count() - sum(map(len, one_word.values()))
    print(
        f"{len(unexplained)} names with two meanings; {100 * several // private_count()} % of private helpers"
    )
    print("have a name of several words")
    return 1 if unexplained else 0


if __name__ == "__main__":
    sys.exit(main())
