"""How many DBC files mixmon and cantools can use, as they are and with faults of the wild planted in each.

    python tools/dbc_study.py FOLDER

Every file of the folder is read as it is; then every file that holds a message is read once with each fault.
Printed for each: files read without a notice, with notices, refused, and refused by cantools. A file without
any message is refused by mixmon.
"""

from __future__ import annotations

import argparse
import logging
import re
import tempfile
import warnings
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import cantools.database

from mixmon.errors import DefinitionError
from mixmon.messages.database import decode_text, load_database


def _put(pattern: str, by: str) -> Callable[[str], str]:
    """Put something in the place of the first match."""
    return lambda text: re.sub(pattern, by, text, count=1)


def _add(line: str) -> Callable[[str], str]:
    return lambda text: f"{text}\n{line}\n"


def _float_of_odd_width(text: str) -> str:
    found = re.search(r"BO_ (\d+) \w+ ?: ?\d+ \w+\s*\n\s*SG_ (\w+) [^|\n]*\|(?!32@|64@)", text)
    return f"{text}\nSIG_VALTYPE_ {found[1]} {found[2]} : 1;\n" if found else text


FAULTS: dict[str, Callable[[str], str]] = {
    "a comment without its last quote": _add('CM_ "no end;'),
    "a quote within a comment": _add('CM_ "an "odd" one";'),
    "no semicolon": lambda text: ";".join(text.rsplit(";", 2)[:-1]) + text.rsplit(";", 1)[-1],
    "an attribute without definition": _add('BA_ "Nobody" 5;'),
    "an attribute of the wrong type": _add('BA_DEF_ "N7" INT 0 5;\nBA_ "N7" "word";'),
    "an attribute outside its words": _add('BA_DEF_ "N8" ENUM "a","b";\nBA_ "N8" 7;'),
    "VAL_ of a signal that is not there": _add('VAL_ 1234567 Nobody 0 "x" ;'),
    "SIG_VALTYPE_ of a signal that is not there": _add("SIG_VALTYPE_ 1234567 Nobody : 1;"),
    "a float of odd width": _float_of_odd_width,
    "a signal without bits": _put(r"(SG_ [^:\n]*: ?\d+\|)\d+@", r"\g<1>0@"),
    "a negative start bit": _put(r"(SG_ [^:\n]*: ?)\d+\|", r"\g<1>-1|"),
    "a signal that does not fit": _put(r"(SG_ [^:\n]*: ?)\d+\|", r"\g<1>500|"),
    "a factor written .5": _put(r"\(\d[^,]*,", "(.5,"),
    "a decimal comma": _put(r"\(\d[^,]*,", "(0,5,"),
    "29 bits without their mark": _put(r"BO_ \d+ ", "BO_ 419361024 "),
    "a hexadecimal identifier": lambda text: re.sub(
        r"BO_ (\d+) ", lambda found: f"BO_ {int(found[1]):#x} ", text, count=1
    ),
    "no sending node": _put(r"(BO_ \d+ \w+ ?: ?\d+) \w+", r"\1"),
    "words after a signal": _put(r"(SG_ [^\n]*)", r"\1 odd words"),
    "a line of another format": _add("FOO_ 1 2 3;"),
}


def read_by_mixmon(path: Path) -> str:
    """What became of the file: "clean", "notices" or "refused"."""
    try:
        return "notices" if load_database(path).notices else "clean"
    except DefinitionError:
        return "refused"


def is_refused_by_library(text: str) -> bool:
    """Whether cantools does not read the text, even where it need not be consistent."""
    try:
        cantools.database.load_string(text, "dbc", strict=False)
    except Exception:  # noqa: BLE001 - whatever it raises
        return True
    return False


def study(texts: list[str]) -> Counter[str]:
    """What became of the texts."""
    counts: Counter[str] = Counter()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "studied.dbc"
        for text in texts:
            path.write_text(text, encoding="utf-8")
            counts[read_by_mixmon(path)] += 1
            counts["refused by cantools"] += is_refused_by_library(text)
    return counts


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    logging.disable(logging.CRITICAL)
    warnings.simplefilter("ignore")
    texts = [decode_text(path.read_bytes()) for path in sorted(parser.parse_args().folder.rglob("*.dbc"))]
    columns = ("clean", "notices", "refused", "refused by cantools")
    print(f"{'':44}{'files':>7}" + "".join(f"{name:>{max(9, len(name) + 2)}}" for name in columns))
    whole = [text for text in texts if re.search(r"^\s*BO_ ", text, re.MULTILINE)]
    rows = {"as they are": texts, "those with a message": whole}
    rows |= {name: [fault(t) for t in whole if fault(t) != t] for name, fault in FAULTS.items()}
    for name, chosen in rows.items():
        counts = study(chosen)
        numbers = "".join(f"{counts[column]:>{max(9, len(column) + 2)}}" for column in columns)
        print(f"{name:44}{len(chosen):>7}{numbers}", flush=True)


if __name__ == "__main__":
    main()
