"""Coverage of the package by lines and branches, a row a room. Needs pytest-cov.

    python tools/print_coverage.py                     with the whole suite; some minutes
    python tools/print_coverage.py tests/frames        with some tests

What runs in other processes (a command started by a test) is not counted.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
from collections import defaultdict
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
COUNTS = ("covered_lines", "num_statements", "covered_branches", "num_branches")


def main() -> int:
    with tempfile.TemporaryDirectory() as place:
        report = Path(place) / "coverage.json"
        measure = ("--cov=mixmon", "--cov-branch", f"--cov-report=json:{report}")
        command = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", *measure]
        beside = {**os.environ, "PYTHONPATH": str(ROOT), "COVERAGE_FILE": str(Path(place) / "data")}
        status = subprocess.run([*command, *sys.argv[1:]], cwd=ROOT, env=beside, check=False).returncode
        files = json.loads(report.read_text())["files"]
    rooms: dict[str, list[int]] = defaultdict(lambda: [0] * len(COUNTS))
    for name, found in files.items():
        folder = "/".join(Path(name).parts[1:-1]) or "the package itself"
        for room in (folder, "all"):
            rooms[room] = [a + found["summary"][key] for a, key in zip(rooms[room], COUNTS, strict=True)]
    print(f"{'room':24} {'lines':>6} {'':>6} {'branches':>8}")
    for room, (lines, of_lines, branches, of_branches) in sorted(rooms.items()):
        print(
            f"{room:24} {of_lines:6} {share(lines, of_lines)} {of_branches:8} {share(branches, of_branches)}"
        )
    return status


def share(part: int, whole: int) -> str:
    return f"{100 * part / whole:5.1f} %" if whole else "      -"


if __name__ == "__main__":
    sys.exit(main())
