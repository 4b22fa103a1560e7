"""What each finding costs on an hour of sixteen nodes and an engine bus, in seconds of processor time.

    python tools/bench_findings.py [--seconds 3600]

The log is that of `bench_balance`. One process reads it once; the time within every stage is added
up by itself. "findings" is what alarms, events with tip-ins, pulls with their review, and response
cost on top of reading and balance.
"""

from __future__ import annotations

import argparse
import time
from collections import Counter
from collections.abc import Callable, Iterator
from typing import TypeVar

from bench_balance import made

from mixmon.findings.alarms.alarms import Alarms
from mixmon.findings.balance.balance import BalanceStage
from mixmon.findings.events.events import EventStage
from mixmon.findings.pulls.pulls import PullStage
from mixmon.findings.pulls.review import review
from mixmon.findings.response.response import ResponseReviewer
from mixmon.run import Run, read_run
from mixmon.session.default_limits import limits_in_force
from mixmon.session.load import load_session

T = TypeVar("T")


class Meter:
    """Seconds of processor time by name."""

    def __init__(self) -> None:
        self.spent: Counter[str] = Counter()

    def __call__(self, name: str, work: Callable[[], T]) -> T:
        began = time.process_time()
        result = work()
        self.spent[name] += time.process_time() - began
        return result

    def over(self, name: str, run: Run) -> Iterator:
        """The blocks of a run, the time in which each is made counted."""
        blocks = iter(run)
        while (block := self(name, lambda: next(blocks, None))) is not None:
            yield block


def measured(run: Run) -> tuple[Meter, Counter[str]]:
    """Time by stage, and how much each stage found."""
    session, meter, found = run.session, Meter(), Counter()
    balance, pulls, pulled = BalanceStage(session), PullStage(session), []
    events, response = EventStage(session, run.binding.fuel), ResponseReviewer(run.binding)
    alarms = Alarms(limits_in_force(session).alarms, session.chain.nodes)
    for block in meter.over("reading", run):
        meter("balance", lambda block=block: balance.feed(block))
        found["events"] += len(meter("events", lambda block=block: events.feed(block)))
        found["alarms"] += len(meter("alarms", lambda block=block: alarms.feed(block)))
        pulled += meter("pulls", lambda block=block: pulls.feed(block))
        meter("response", lambda block=block: response.feed(block))
    found["balance"] = len(meter("balance", balance.result).cylinders)
    found["events"] += len(meter("events", events.flush))
    found["alarms"] += len(meter("alarms", alarms.flush))
    pulled += meter("pulls", pulls.flush)
    found["pulls"] = len(meter("pulls", lambda: review(session, pulled)).pulls)
    found["response"] = len(meter("response", response.result).cuts)
    return meter, found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seconds", type=int, default=3600, help="length of the log")
    arguments = parser.parse_args()
    log, session, frames = made(arguments.seconds)
    meter, found = measured(read_run(load_session(session), log))
    print(f"{arguments.seconds} s, {frames:,d} frames; seconds of processor time")
    for name, seconds in meter.spent.items():
        print(f"{name:10}{seconds:8.2f}" + (f"   found {found[name]}" if name in found else ""))
    findings = sum(meter.spent[name] for name in ("events", "alarms", "pulls", "response"))
    print(f"{'findings':10}{findings:8.2f}")


if __name__ == "__main__":
    main()
