"""An alarm of one's own, at idle over a twentieth leaner than the target: own_alarm.py SESSION LOG."""

import sys

import mixmon

rule = {"when": "rpm < 1400", "on_delay_s": 0.5, "unit": "of target", "cause": "air leak"}
session = mixmon.load_session(sys.argv[1])
session = mixmon.with_alarm(session, "lean idle", lambda rows: rows.lam / rows.target, 1.05, **rule)
for record in mixmon.alarms(mixmon.read_run(session, sys.argv[2], end_s=12.0)):
    print(record.rule, record.cylinders, record.what.value, f"{record.value:.3f} {record.unit}")
