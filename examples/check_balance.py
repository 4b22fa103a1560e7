"""Is the engine balanced? For a script in a tuning session: exits 0 if it is, 1 if not, 2 on bad input.

    python examples/check_balance.py SESSION LOG [LARGEST_SPREAD_PERCENT]

The answer counts only if the whole interval of the spread lies on one side of the limit;
otherwise the script asks for more data and exits 1.
"""

from __future__ import annotations

import sys

import mixmon


def main(arguments: list[str]) -> int:
    """Balances the log and judges the spread."""
    try:
        limit = float(arguments[2]) if len(arguments) > 2 else 3.0
    except ValueError:
        limit = -1.0
    if len(arguments) not in {2, 3} or limit < 0:
        print("check_balance.py: expected SESSION LOG and perhaps a percentage", file=sys.stderr)
        return 2
    try:
        session = mixmon.load_session(arguments[0])
        balance = mixmon.balance(mixmon.read_run(session, arguments[1]))
    except mixmon.MixmonError as error:
        print(error, file=sys.stderr)
        return 2
    low, high = balance.spread.interval95
    print(f"spread {balance.spread.value:.1f} % (95 %: {low:.1f} to {high:.1f}), limit {limit:g} %")
    for cylinder in balance.cylinders:
        print(
            f"cylinder {cylinder.cylinder}: needs {cylinder.needs_percent:+.1f} %, "
            f"trim {cylinder.trim_now_percent:+.1f} -> {cylinder.trim_new_percent:+.1f} %"
        )
    if high <= limit:
        print("within the limit")
        return 0
    print("over the limit" if low > limit else "not decided: record more steady time")
    return 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
