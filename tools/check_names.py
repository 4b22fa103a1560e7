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
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[1]

REASONS: dict[str, str] = {}
"""Why a name may stand in more than one module."""


@dataclass(frozen=True)
class Function:
    """A function, and over how many lines it goes."""

    name: str
    lines: int

    @property
    def private(self) -> bool:
        """Whether it is a helper of its module or class."""
        return self.name.startswith("_") and not self.name.startswith("__")


@dataclass(frozen=True)
class Module:
    """What a module defines: its classes and constants, private ones included, and all functions."""

    path: str
    names: tuple[str, ...]
    functions: tuple[Function, ...]


@functools.cache
def modules() -> tuple[Module, ...]:
    """Every module of the package."""
    return tuple(map(_read_module, sorted((ROOT / "mixmon").rglob("*.py"))))


def _read_module(path: Path) -> Module:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    functions = [
        Function(node.name, (node.end_lineno or node.lineno) - node.lineno + 1)
        for node in _statements(tree.body)
        if isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef))
    ]
    return Module(str(path.relative_to(ROOT)), tuple(_defined(tree)), tuple(functions))


def _statements(body: Iterable[ast.AST]) -> Iterator[ast.AST]:
    """All statements, those within statements too."""
    for node in body:
        yield node
        for part in ("body", "orelse", "handlers", "finalbody", "cases"):
            yield from _statements(getattr(node, part, ()))


def _defined(tree: ast.Module) -> Iterator[str]:
    """Classes and constants of a module, private ones included."""
    for node in tree.body:
        if isinstance(node, ast.ClassDef):
            yield node.name
        targets = node.targets if isinstance(node, ast.Assign) else []
        targets = [node.target] if isinstance(node, ast.AnnAssign) else targets
        yield from (t.id for t in targets if isinstance(t, ast.Name) and t.id.lstrip("_").isupper())


def functions() -> list[Function]:
    """Every function of the package."""
    return [function for module in modules() for function in module.functions]


def twice() -> dict[str, list[str]]:
    """Names that several modules define, with those modules; an underscore makes no other name."""
    where = defaultdict(list)
    for module in modules():
        for name in module.names:
            where[name.lstrip("_")].append(module.path)
    return {name: paths for name, paths in sorted(where.items()) if len(paths) > 1}


def helpers() -> dict[str, list[str]]:
    """Private functions whose name is one word, by module."""
    return {
        module.path: [f.name for f in module.functions if f.private and "_" not in f.name.strip("_")]
        for module in modules()
    }


def private_count() -> int:
    """All private functions."""
    return sum(function.private for function in functions())


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
