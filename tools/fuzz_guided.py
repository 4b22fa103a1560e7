"""One target of the fuzzer, guided by coverage of the package. Needs atheris (pip install atheris).

    python tools/fuzz_guided.py session --seconds 600

An input that fails is kept in the present folder as crash-DIGEST; `tools/fuzz.py edits TARGET --again FILE`
repeats it.
"""

from __future__ import annotations

import argparse
import sys

import atheris

with atheris.instrument_imports(include=["mixmon"]):
    from fuzz_targets import TARGETS, place


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("target", choices=TARGETS)
    parser.add_argument("--seconds", type=int, default=60)
    arguments = parser.parse_args()
    target = TARGETS[arguments.target]
    corpus = place() / f"corpus-{arguments.target}"
    corpus.mkdir()
    for number, data in enumerate(target.seeds()):
        (corpus / str(number)).write_bytes(data)
    escaped = ["".join(map("\\x{:02x}".format, word[:60])) for word in target.words]
    words = corpus.with_suffix(".words")
    words.write_text("".join(f'"{word}"\n' for word in escaped))
    options = (f"-max_total_time={arguments.seconds}", f"-dict={words}", "-max_len=20000")
    atheris.Setup([sys.argv[0], str(corpus), *options], target.check)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
