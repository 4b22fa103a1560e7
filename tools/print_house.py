"""The floor plan of DEVELOPERS.md, printed from the code: floors, rooms, modules and what each is.

    python tools/print_house.py            print it
    python tools/print_house.py --write    put it into DEVELOPERS.md between its two marks; and the words
                                           of DEVELOPERS.md into the guide of the package, as its glossary

Floors are the layers of the import contract in pyproject.toml; what a room or a module is, is the first
sentence of its docstring. A test compares DEVELOPERS.md with what is printed.
"""

from __future__ import annotations

import argparse
import itertools
import tomllib
from pathlib import Path

ROOT = Path(__file__).parents[1]
BEGIN, END = "<!-- floor plan: tools/print_house.py --write -->", "<!-- end of the floor plan -->"


def floors() -> list[list[str]]:
    """Modules and rooms on each floor, the highest floor first."""
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    layers = settings["tool"]["importlinter"]["contracts"][0]["layers"]
    return [[name.strip() for name in layer.split("|")] for layer in layers]


def summary(path: Path) -> str:
    """The first sentence of a module's docstring, on one line."""
    with path.open(encoding="utf-8") as lines:  # every module begins with one, ruff sees to that
        paragraph = "".join(itertools.takewhile(str.strip, lines))
    return " ".join(paragraph.split('"""')[1].split()).rstrip(".")


def modules(room: Path) -> list[str]:
    """One line for each module of a room, rooms within it after their own modules."""
    lines = [
        f"- `{path.name}`: {summary(path)}" for path in sorted(room.glob("*.py")) if path.stem != "__init__"
    ]
    for inner in sorted(path for path in room.iterdir() if (path / "__init__.py").exists()):
        lines.append(f"- **{inner.name}/** {summary(inner / '__init__.py')}")
        lines += [f"  {line}" for line in modules(inner)]
    return lines


def printed() -> str:
    """The whole plan."""
    lines = []
    for number, names in zip(range(len(floors()), 0, -1), floors(), strict=True):
        lines.append(f"\nFloor {number}\n")
        for name in names:
            path = ROOT / name.replace(".", "/")
            if path.is_dir():
                lines += [f"**{path.name}/** {summary(path / '__init__.py')}\n", *modules(path), ""]
            else:
                lines.append(f"**{path.name}.py** {summary(path.with_suffix('.py'))}\n")
    return "\n".join(lines).strip() + "\n"


GLOSSARY = ROOT / "mixmon/guide/glossary.md"


def glossary() -> str:
    """The glossary of the guide: the words of DEVELOPERS.md with their meanings."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    rows = [
        line for line in text.split("\n## Words", 1)[1].split("\n## ", 1)[0].splitlines() if line[:1] == "|"
    ]
    cells = [row.split("|")[1:3] for row in rows]
    return "# Words\n\nEach word means the same in text, JSON, screens and messages.\n\n" + "".join(
        f"|{word}|{meaning.rstrip()} |\n" for word, meaning in cells
    )


def in_developers() -> tuple[str, str, str]:
    """DEVELOPERS.md before the plan, the plan as it stands there, and what follows it."""
    before, _, rest = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").partition(BEGIN + "\n")
    plan, _, after = rest.partition(END)
    return before, plan, after


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument(
        "--write", action="store_true", help="put it into DEVELOPERS.md, and words into the guide"
    )
    if not parser.parse_args().write:
        print(printed(), end="")
        return
    GLOSSARY.write_text(glossary(), encoding="utf-8")
    before, _, after = in_developers()
    (ROOT / "DEVELOPERS.md").write_text(f"{before}{BEGIN}\n\n{printed()}\n{END}{after}", encoding="utf-8")


if __name__ == "__main__":
    main()
