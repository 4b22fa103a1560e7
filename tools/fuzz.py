"""Long fuzzing of everything that comes from outside; what the tests do for a moment, for as long as wanted.

    python tools/fuzz.py edits --seconds 60             every target by edits of its seeds, so long each
    python tools/fuzz.py lines --millions 10            so many lines of candump text of every kind

`lines` makes each line by chance from the grammar, and spoils one in three. Every line must be a frame or
in a counter, and the columns must give what the strict reader of single lines gives, in every field. An input
that fails a check is kept in the present folder as fuzz-TARGET-DIGEST, and its error is shown; `--again FILE`
repeats one. Guided by coverage: tools/fuzz_guided.py.
"""

from __future__ import annotations

import argparse
import hashlib
import random
import sys
import time
import traceback
from collections import Counter
from pathlib import Path

from fuzz_targets import TARGETS, Target, same_frames, strict_block
from strict_lines import line_by_line

from mixmon.frames.block import concat
from mixmon.frames.candump import CandumpReader

LINES_AT_ONCE = 20_000
SPOILT = 1 / 3
MOST_EDITS = 6


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("mode", choices=("edits", "lines"))
    parser.add_argument("targets", nargs="*", help=f"of {', '.join(TARGETS)}; all by default")
    parser.add_argument("--seconds", type=float, default=10.0)
    parser.add_argument("--millions", type=float, default=10.0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--again", type=Path, metavar="FILE", help="check this input alone")
    arguments = parser.parse_args()
    names = arguments.targets or list(TARGETS)
    if arguments.again:
        TARGETS[names[0]].check(arguments.again.read_bytes())
        return 0
    if arguments.mode == "lines":
        return check_lines(round(arguments.millions * 1e6), arguments.seed)
    return sum(edit(name, arguments.seconds, arguments.seed) for name in names) > 0


def edited(chance: random.Random, target: Target, seeds: list[bytes]) -> bytes:
    """A seed with some edits: words put in, bytes changed, parts left out, repeated or taken from another."""
    data = chance.choice(seeds)
    for _ in range(chance.randint(1, MOST_EDITS)):
        at = chance.randint(0, len(data))
        end = min(len(data), at + chance.choice((0, 1, 2, 8, 40)))
        kind = chance.randrange(5)
        if kind == 0:
            new = chance.choice(target.words)
        elif kind == 1:
            new = bytes(chance.randrange(256) for _ in range(end - at))
        elif kind == 2:
            new = b""
        elif kind == 3:
            new = data[at:end] * 3
        else:
            other = chance.choice(seeds)
            begin = chance.randint(0, len(other))
            new = other[begin : begin + chance.randint(0, 60)]
        data = data[:at] + new + data[end:]
    return data


def edit(name: str, seconds: float, seed: int) -> int:
    """Checks edits of a target's seeds for some time; how many different errors there were."""
    target, chance = TARGETS[name], random.Random(seed)
    seeds = target.seeds()
    for data in seeds:
        target.check(data)
    errors: Counter[str] = Counter()
    end, count = time.monotonic() + seconds, 0
    while time.monotonic() < end:
        data = edited(chance, target, seeds)
        count += 1
        try:
            target.check(data)
        except Exception as error:  # noqa: BLE001 - whatever it is, it was not promised
            where = traceback.extract_tb(error.__traceback__)[-1]
            found = f"{type(error).__name__} in {Path(where.filename).name}:{where.lineno}: {str(error)[:80]}"
            if not errors[found]:
                digest = hashlib.sha256(data).hexdigest()[:8]
                Path(f"fuzz-{name}-{digest}").write_bytes(data)
                print(f"  fuzz-{name}-{digest}: {found}", flush=True)
            errors[found] += 1
    print(f"{name}: {count} inputs in {seconds:g} s, {len(errors)} kinds of error", flush=True)
    return len(errors)


class Lines:
    """Lines of candump text by chance."""

    def __init__(self, seed: int) -> None:
        self.chance = random.Random(seed)
        self.style = 0
        self.t = 1_436_509_052_000_000_000

    def text(self, count: int) -> bytes:
        """So many lines; some layouts hold on for a while, as in logs."""
        return b"".join(self.line() + b"\n" for _ in range(count))

    def line(self) -> bytes:
        chance = self.chance
        roll = chance.random()
        if roll < 0.02:
            return self.odd()
        if roll < 0.021:
            self.style = chance.randrange(4)
        line = f"({self.stamp()}) {chance.choice(INTERFACES)} {self.frame()}".encode()
        if chance.random() < SPOILT:
            at = chance.randrange(len(line) + 1)
            new = bytes([chance.choice(BYTES)]) * chance.choice((0, 1, 1, 2))
            line = line[:at] + new + line[at + chance.choice((0, 1, 1, 3)) :]
        return line

    def stamp(self) -> str:
        self.t += self.chance.randrange(0, 2_000_000)
        s, ns = divmod(self.t, 1_000_000_000)
        if self.style == 0:
            return f"{s:010d}.{ns // 1000:06d}"
        if self.style == 1:
            return f"{s:010d}.{ns:09d}"
        if self.style == 2:
            return f"{s % 1000:03d}.{ns // 1000:06d}"
        return f"{s}.{ns // 1_000_000}"

    def frame(self) -> str:
        chance = self.chance
        bits = chance.getrandbits(29)
        head = f"{bits & 0x7FF:03X}" if chance.random() < 0.7 else f"{bits:08X}"
        roll = chance.random()
        if roll < 0.8:
            size = 8 if roll < 0.6 else chance.randrange(9)
            return (
                f"{head}#{chance.getrandbits(64) & ((1 << 8 * size) - 1):0{2 * size}X}"
                if size
                else f"{head}#"
            )
        if roll < 0.9:
            size = chance.choice((0, 3, 8, 12, 16, 20, 24, 32, 48, 64))
            data = chance.randbytes(size).hex().upper()
            return f"{head}##{chance.randrange(16):X}{data}"
        if roll < 0.94:
            return f"{head}#R{chance.choice(('', '0', '8', '3', '8_9', 'F'))}"
        if roll < 0.97:
            return f"{head}#{chance.randbytes(chance.randrange(9)).hex()} {chance.choice('RT')}"
        return f"{0x20000000 | bits & 0x1FF:08X}#{chance.randbytes(8).hex().upper()}"

    def odd(self) -> bytes:
        chance = self.chance
        return chance.choice(
            (
                b"",
                b"# note",
                b"  can0  123   [2]  11 22",
                b"x" * chance.choice((10, 300, 5000)),
                chance.randbytes(chance.randrange(80)).replace(b"\n", b"?"),
                b"DROPCOUNT: dropped %d CAN frames on 'can0' socket (total drops 9)" % chance.randrange(9),
            )
        )


INTERFACES = ("can0", "can0", "can0", "can1", "vcan-of-the-engine", " can0", "slcan0 ")
BYTES = bytes(range(256)).replace(b"\n", b"") + b"0123456789ABCDEF#(). R_" * 12


def check_lines(count: int, seed: int) -> int:
    """Reads so many lines by columns and one by one; prints what they were."""
    lines, counts, began = Lines(seed), Counter[str](), time.monotonic()
    for at in range(0, count, LINES_AT_ONCE):
        text = lines.text(min(LINES_AT_ONCE, count - at))
        rows, expected = line_by_line(text)
        reader = CandumpReader()
        step = lines.chance.choice((*[len(text)] * 5, 65_536, 65_536, 4_097))
        pieces = [text[i : i + step] for i in range(0, len(text), step)]
        block = concat([*map(reader.feed, pieces), reader.flush()])
        report = reader.report
        same_frames(block, strict_block(rows))
        assert report.rejected == expected.rejected
        assert report.first_rejected == expected.first_rejected
        assert report.skipped == expected.skipped
        lost = sum(text_line.startswith(b"DROPCOUNT") for text_line in text.split(b"\n"))
        assert len(report.losses) <= lost
        assert report.lines == text.count(b"\n")
        assert report.lines == report.frames + report.skipped + len(report.losses) + report.rejected_lines
        counts.update({"frames": report.frames, "skipped": report.skipped, "losses": len(report.losses)})
        counts.update({f"rejected, {why}": n for why, n in report.rejected.items()})
    print(f"{count} lines, seed {seed}: all alike by columns and one by one, all counted", end="; ")
    print(", ".join(f"{name} {n}" for name, n in counts.most_common()), end="; ")
    print(f"{time.monotonic() - began:.0f} s")
    return 0


if __name__ == "__main__":
    sys.exit(main())
