"""Mutation testing: small mistakes are planted in a module, and its own tests must notice each.

    python tools/mutate.py                        so many mutants of each module below, chosen by seed
    python tools/mutate.py book --most 500        all of one

A mutant changes one comparison, sum, product, `and`, `not`, constant or condition. The module's own tests
run until the first failure, those of hypothesis last; a mutant that makes them work for too long counts as
noticed. Mutants that nothing notices are listed with their line. Annotations, decorators, docstrings and
texts of errors are left alone.
"""

from __future__ import annotations

import argparse
import ast
import copy
import os
import random
import resource
import shutil
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
MODULES = {
    "latch": ("mixture/validity.py", ["tests/mixture/test_validity*.py"]),
    "book": ("findings/alarms/book.py", ["tests/findings/alarms/test_book.py"]),
    "trims": ("findings/balance/trims.py", ["tests/findings/balance/test_*trims.py"]),
    "steps": (
        "findings/balance/steps.py",
        ["tests/findings/balance/test_steps.py", "tests/findings/balance/test_trims.py"],
    ),
    "two-way fit": ("findings/stats.py", ["tests/findings/test_stats*.py"]),
    "columns": (
        "frames/candump_fast.py",
        ["tests/frames/test_candump.py", "tests/frames/test_candump_fast*.py"],
    ),
}
COMPARISONS = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.In: ast.NotIn, ast.NotIn: ast.In,  # codespell:ignore notin
}  # fmt: skip
SUMS = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult, ast.FloorDiv: ast.Mult,
    ast.Mod: ast.Mult, ast.Pow: ast.Mult, ast.BitAnd: ast.BitOr, ast.BitOr: ast.BitAnd,
    ast.BitXor: ast.BitAnd, ast.LShift: ast.RShift, ast.RShift: ast.LShift,
}  # fmt: skip
LONGEST_S = 60
"""Of processor time, so that a busy machine notices nothing: some times what the slowest tests need."""


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("modules", nargs="*", help=f"of {', '.join(MODULES)}")
    parser.add_argument("--most", type=int, default=40, help="mutants of each module")
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory() as place:
        copied = Path(place)
        for name in ("mixmon", "tests", "tools", "examples", "dbc"):
            shutil.copytree(
                ROOT / name, copied / name, ignore=shutil.ignore_patterns("__pycache__", "stored")
            )
        for name in ("pyproject.toml", "README.md", "requirements.lock", "DEVELOPERS.md"):
            shutil.copy(ROOT / name, copied)
        os.chdir(copied)
        sys.path.insert(0, str(copied))
        sys.dont_write_bytecode = True
        load_libraries()
        for name in arguments.modules or MODULES:
            try_module(name, copied, arguments.most, arguments.seed)
    return 0


def load_libraries() -> None:
    """What every test needs, once: mutants are tried in children of this process."""
    import can  # noqa: F401
    import numpy as np  # noqa: F401
    import pytest  # noqa: F401
    import scipy.optimize
    import scipy.stats  # noqa: F401


def try_module(name: str, copied: Path, most: int, seed: int) -> None:
    """Prints the score of one module, and its mutants that nothing noticed."""
    path, patterns = MODULES[name]
    module = copied / "mixmon" / path
    tests = [str(found) for pattern in patterns for found in sorted(copied.glob(pattern))]
    original = module.read_text(encoding="utf-8")
    if notices(tests):
        raise SystemExit(f"{name}: its tests fail without any mutant")
    every = list(mutants(original))
    chosen = every if len(every) <= most else random.Random(seed).sample(every, most)
    survived, began = [], time.monotonic()
    try:
        for text, what in chosen:
            module.write_text(text, encoding="utf-8")
            if not notices(tests):
                survived.append(what)
                print(f"  not noticed: {path}:{what}", flush=True)
    finally:
        module.write_text(original, encoding="utf-8")
    noticed = len(chosen) - len(survived)
    print(
        f"{name}: {noticed} of {len(chosen)} noticed, {100 * noticed / len(chosen):.0f} %; "
        f"{len(every)} possible, seed {seed}; {time.monotonic() - began:.0f} s",
        flush=True,
    )


def notices(tests: list[str]) -> bool:
    """Whether the tests fail."""
    child = os.fork()
    if child == 0:
        resource.setrlimit(resource.RLIMIT_CPU, (LONGEST_S, LONGEST_S))
        run_tests(tests)
    return os.waitpid(child, 0)[1] != 0


def run_tests(tests: list[str]) -> None:
    """Runs the tests and ends this process with their status; failing examples are not made smaller."""
    import pytest

    class Quick:
        @staticmethod
        def pytest_configure() -> None:
            from hypothesis import Phase, settings

            phases = (Phase.explicit, Phase.generate)
            settings.register_profile(
                "mutants", deadline=None, phases=phases, database=None, derandomize=True
            )
            settings.load_profile("mutants")

        @staticmethod
        def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
            items.sort(key=lambda item: getattr(getattr(item, "obj", None), "is_hypothesis_test", False))

    silence = os.open(os.devnull, os.O_WRONLY)
    os.dup2(silence, 1)
    os.dup2(silence, 2)
    options = ["-x", "-q", "-n", "0", "-p", "no:randomly", "-p", "no:cacheprovider"]
    os._exit(int(pytest.main([*options, *tests], plugins=[Quick()])))


def mutants(text: str) -> Iterator[tuple[str, str]]:
    """Each mutant of a module: its text, and what was changed where."""
    tree = ast.parse(text)
    for node in places(tree):
        for changed in variants(node):
            what = f"{node.lineno}: {ast.unparse(node)} -> {ast.unparse(changed)}"
            yield ast.unparse(exchanged(tree, node, changed)), what


def places(tree: ast.Module) -> Iterator[ast.expr]:
    """Expressions that do something: none of annotations, docstrings, or texts of errors."""
    for node in ast.iter_child_nodes(tree):
        yield from inside(node)


def inside(node: ast.AST) -> Iterator[ast.expr]:
    if isinstance(node, ast.Raise | ast.Import | ast.ImportFrom | ast.JoinedStr):
        return
    if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
        return
    if isinstance(node, ast.expr):
        yield node
    for field, value in ast.iter_fields(node):
        if field in {"annotation", "returns", "decorator_list", "ctx"}:
            continue
        for child in value if isinstance(value, list) else [value]:
            if isinstance(child, ast.AST):
                yield from inside(child)


def variants(node: ast.expr) -> Iterator[ast.expr]:
    """What an expression may be changed to."""
    changed = copy.copy(node)
    if isinstance(node, ast.Compare) and type(node.ops[0]) in COMPARISONS:
        changed.ops = [COMPARISONS[type(node.ops[0])](), *node.ops[1:]]
        yield changed
    elif isinstance(node, ast.BinOp) and type(node.op) in SUMS:
        changed.op = SUMS[type(node.op)]()
        yield changed
    elif isinstance(node, ast.BoolOp):
        changed.op = ast.Or() if isinstance(node.op, ast.And) else ast.And()
        yield changed
    elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not | ast.USub | ast.Invert):
        yield node.operand
    elif isinstance(node, ast.IfExp):
        changed.body, changed.orelse = node.orelse, node.body
        yield changed
    elif isinstance(node, ast.Constant) and isinstance(node.value, bool):
        changed.value = not node.value
        yield changed
    elif isinstance(node, ast.Constant) and isinstance(node.value, int | float):
        changed.value = node.value + 1
        yield changed


def exchanged(tree: ast.Module, node: ast.expr, changed: ast.expr) -> ast.Module:
    """The tree with one node exchanged."""

    class Exchange(ast.NodeTransformer):
        def visit(self, found: ast.AST) -> ast.AST:
            return changed if found is node else self.generic_visit(found)

    fresh = copy.deepcopy(tree, {id(node): node})
    return ast.fix_missing_locations(Exchange().visit(fresh))


if __name__ == "__main__":
    sys.exit(main())
