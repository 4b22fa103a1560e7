"""The spread of every log in a folder: python examples/loop_folder.py SESSION FOLDER."""

import sys
from pathlib import Path

import mixmon

session = mixmon.load_session(sys.argv[1])
for log in sorted(Path(sys.argv[2]).glob(f"{Path(sys.argv[1]).stem}*.log.gz")):
    found = mixmon.balance(mixmon.read_run(session, log))
    print(f"{log.name}: spread {found.spread.value:.1f} %, {found.spread.interval95}")
