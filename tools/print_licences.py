"""The licences of all packages in requirements.lock, as the installed packages declare them.

pip install --require-hashes -r requirements.lock && python tools/print_licences.py
"""

from __future__ import annotations

import re
import sys
from collections import defaultdict
from importlib.metadata import PackageNotFoundError, metadata
from pathlib import Path

LOCK = Path(__file__).resolve().parents[1] / "requirements.lock"


def main() -> int:
    packages: dict[str, list[str]] = defaultdict(list)
    for name in sorted(set(re.findall(r"^([\w.-]+)==", LOCK.read_text(encoding="utf-8"), re.MULTILINE))):
        packages[licence(name)].append(name)
    for words, names in sorted(packages.items()):
        print(f"{words}: {', '.join(names)}")
    return "not installed" in packages


def licence(name: str) -> str:
    """What a package says, in its newest field that says anything."""
    try:
        facts = metadata(name)
    except PackageNotFoundError:
        return "not installed"
    classes = [
        text.split("::")[-1].strip() for text in facts.get_all("Classifier") or [] if "License ::" in text
    ]
    return (
        facts.get("License-Expression")
        or ", ".join(classes)
        or (facts.get("License") or "not said").split("\n")[0]
    )


if __name__ == "__main__":
    sys.exit(main())
