"""Every turn of the session's live buses, for some seconds: live_callback.py SESSION SECONDS."""

import sys

import mixmon


def show(turn: mixmon.Turn) -> None:
    """Writes how things stand, and what is new."""
    print(f"{turn.t_s:.2f} s: spread {turn.snapshot.spread:.1f} %", *[alarm.rule for alarm in turn.alarms])


with mixmon.watch(mixmon.load_session(sys.argv[1]), for_s=float(sys.argv[2])) as watching:
    watching.run(show)
