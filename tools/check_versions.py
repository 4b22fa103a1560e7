"""What pyproject.toml allows is what passes: every Python, with the oldest and with the newest dependencies.

    python tools/check_versions.py                              all of it, some minutes a row
    python tools/check_versions.py --only 3.13 -- tests/gas     newest dependencies on one Python, some tests

Each row of the table is a fresh virtual environment: the newest of all dependencies on every Python that is
found here, the oldest of the direct ones on the oldest Python, and requirements.lock with its hashes on every
Python (which holds no test tools: only simulations are made with it). Every row makes the same simulations;
their bytes must be one and the same. Where a Python is missing, its rows say so.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import re
import shutil
import subprocess
import sys
import tempfile
import tomllib
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
PYTHONS = ("3.11", "3.12", "3.13")
SIMULATIONS = ("plain", "six", "alder8", "alder8-glimpse")
SHOWN = ("numpy", "cantools", "python-can", "textual", "asammdf", "pyarrow")


@dataclass(frozen=True, slots=True)
class Row:
    """One environment: its Python, and how its dependencies are chosen."""

    python: str
    chosen: str


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--only", choices=PYTHONS, action="append", help="on this Python; may be repeated")
    parser.add_argument("--chosen", choices=("newest", "oldest", "lock"), action="append")
    parser.add_argument("tests", nargs="*", help="which tests; all by default")
    arguments = parser.parse_args()
    rows = [Row(python, chosen) for chosen in ("newest", "lock") for python in PYTHONS]
    rows.insert(0, Row(PYTHONS[0], "oldest"))
    rows = [r for r in rows if r.python in (arguments.only or PYTHONS)]
    rows = [r for r in rows if r.chosen in (arguments.chosen or ("newest", "oldest", "lock"))]
    found = {row: check_row(row, arguments.tests or ["tests"]) for row in rows}
    digests = {digest for _, digest, _ in found.values() if digest}
    print(f"simulations: {'the same bytes in every row' if len(digests) == 1 else sorted(digests)}")
    return 0 if len(digests) == 1 and all(right for right, _, _ in found.values()) else 1


def check_row(row: Row, tests: list[str]) -> tuple[bool, str, str]:
    """Whether all is well, the digest of the simulations, and the line that is printed."""
    with tempfile.TemporaryDirectory() as place:
        try:
            python = install(row, Path(place))
            digest = simulations(python)
            said = versions(python)
            passed, tested = (True, "") if row.chosen == "lock" else run_tests(python, tests)
        except (OSError, subprocess.CalledProcessError) as error:
            passed, digest, said, tested = False, "", "", f"not checked: {why(error)}"
    line = f"{row.python:5} {row.chosen:7} {digest[:8]:8} {said}; {tested}"
    print(line, flush=True)
    return passed, digest, line


def why(error: Exception) -> str:
    if isinstance(error, subprocess.CalledProcessError):
        return (error.stderr or error.stdout or str(error)).strip().splitlines()[-1]
    return str(error)


def install(row: Row, place: Path) -> Path:
    """A fresh environment with the package and its dependencies; its Python.

    Raises:
        OSError: there is no such Python here.
        CalledProcessError: the dependencies cannot be installed together.
    """
    found = shutil.which(f"python{row.python}")
    if found is None:
        raise OSError(f"no python{row.python} here")
    run(found, "-m", "venv", str(place / "venv"))
    python = place / "venv" / "bin" / "python"
    pip = [python, "-m", "pip", "install", "-q", "--disable-pip-version-check"]
    if row.chosen == "lock":
        run(*pip, "--require-hashes", "-r", ROOT / "requirements.lock")
        run(*pip, "--no-deps", ROOT)
        return python
    bounds = place / "bounds.txt"
    bounds.write_text(oldest() if row.chosen == "oldest" else "")
    run(*pip, "-c", bounds, "-e", f"{ROOT}[test]")
    return python


def oldest() -> str:
    """Constraints: each direct dependency at its lower bound."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    asked = [*project["dependencies"], *project["optional-dependencies"]["test"]]
    return "".join(f"{name}=={bound}\n" for name, bound in re.findall(r"([\w-]+)>=([\w.]+)", " ".join(asked)))


def run(*command: object, **options: object) -> str:
    words = [str(word) for word in command]
    result = subprocess.run(
        words, check=True, capture_output=True, text=True, cwd=ROOT, env=beside(), **options
    )  # type: ignore[call-overload]
    return str(result.stdout)


def beside() -> dict[str, str]:
    """The environment in which the source beside this tool is what is imported."""
    return {
        **os.environ,
        "PYTHONPATH": str(ROOT),
        "PYTHONDONTWRITEBYTECODE": "1",
        "OPENBLAS_NUM_THREADS": "1",
    }


def simulations(python: Path) -> str:
    """A digest over logs and truths of a minute of each simulation."""
    digest = hashlib.sha256()
    with tempfile.TemporaryDirectory() as place:
        for name in SIMULATIONS:
            log, truth = Path(place) / f"{name}.log", Path(place) / f"{name}.json"
            words = ("--scenario", name, "--seed", "3", "--duration", "60", "--out", log, "--truth", truth)
            run(python, "-m", "mixmon", "simulate", *words, "--quiet")
            digest.update(log.read_bytes() + truth.read_bytes())
    return digest.hexdigest()


def versions(python: Path) -> str:
    code = (
        "import sys, importlib.metadata as m; print(*(f'{n} {m.version(n)}' for n in sys.argv[1:]), sep=', ')"
    )
    return run(python, "-c", code, *SHOWN).strip()


def run_tests(python: Path, tests: list[str]) -> tuple[bool, str]:
    """Whether the tests pass, and pytest's last line with the names of those that do not."""
    command = [str(python), "-m", "pytest", "-q", "-n", "1", "-p", "no:cacheprovider", *tests]
    result = subprocess.run(command, capture_output=True, text=True, cwd=ROOT, env=beside(), check=False)
    lines = result.stdout.strip().splitlines() or result.stderr.strip().splitlines()
    failed = [line for line in lines if line.startswith(("FAILED", "ERROR"))]
    return result.returncode == 0, "; ".join([lines[-1], *failed])


if __name__ == "__main__":
    sys.exit(main())
