"""Compares what every command and screen gives with what is stored, byte by byte; --write stores it anew.

python tools/store_outputs.py            exit status 1 where a byte differs, with the lines that do
python tools/store_outputs.py --write    after a word or a number was changed on purpose
"""

from __future__ import annotations

import argparse
import difflib
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))

from stored_outputs import FOLDER, clean_environment, every, path


def differences(name: str, now: str) -> list[str]:
    """Lines of a unified comparison, at most thirty."""
    before = path(name).read_text(encoding="utf-8") if path(name).exists() else ""
    if before == now:
        return []
    lines = difflib.unified_diff(_parts(before), _parts(now), f"stored {name}", "now", lineterm="", n=0)
    return [line[:300] for line in lines][:30]


def _parts(told: str) -> list[str]:
    """Its lines; the one line of JSON at its commas."""
    return told.replace(', "', ',\n"').splitlines()


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--write", action="store_true", help="store what is given now")
    arguments = parser.parse_args()
    clean_environment()
    found, count = [], 0
    FOLDER.mkdir(exist_ok=True)
    for name, now in every():
        count += 1
        if arguments.write:
            path(name).write_text(now, encoding="utf-8")
        else:
            found += differences(name, now)
    print(*found, sep="\n")
    print(f"{count} texts, {'written' if arguments.write else 'all equal' if not found else 'some differ'}")
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main())
