"""A bus whose frames cantools lays out: two wide-range sensors, the engine, and what else somebody measures.

`LogWriter` takes columns of signals by message and gives candump text; the session texts name the signals.
Nothing here uses the package.
"""

from __future__ import annotations

from pathlib import Path

import cantools
import numpy as np

EPOCH_S = 1_700_000_000
DEFINITIONS = """VERSION ""
NS_ :
BS_:
BU_: Box
BO_ 256 Mix: 8 Box
 SG_ Lambda1 : 0|16@1+ (0.001,0) [0|3] "lambda" Box
 SG_ Lambda2 : 16|16@1+ (0.001,0) [0|3] "lambda" Box
 SG_ Volt1 : 32|16@1+ (0.001,0) [0|6] "V" Box
 SG_ Volt2 : 48|16@1+ (0.001,0) [0|6] "V" Box
BO_ 512 Engine: 8 Box
 SG_ Speed : 0|16@1+ (0.25,0) [0|16000] "rpm" Box
 SG_ Throttle : 16|8@1+ (0.5,0) [0|100] "%" Box
 SG_ Boost : 24|16@1+ (1,0) [0|6000] "mbar" Box
BO_ 768 Extra: 8 Box
 SG_ Gas : 0|16@1+ (0.1,-40) [-40|1400] "degC" Box
 SG_ Torque : 16|16@1- (0.1,0) [-1000|2000] "Nm" Box
 SG_ Knocks : 32|8@1+ (1,0) [0|255] "" Box
 SG_ Pump : 40|8@1+ (1,0) [0|255] "" Box
BA_DEF_ BO_ "GenMsgCycleTime" INT 0 65535;
BA_DEF_DEF_ "GenMsgCycleTime" 0;
BA_ "GenMsgCycleTime" BO_ 256 20;
BA_ "GenMsgCycleTime" BO_ 512 20;
BA_ "GenMsgCycleTime" BO_ 768 100;
"""

SESSION = """format = 1
name = "own bus"
[engine]
cylinders = 2
[[bus]]
name = "car"
database = "own.dbc"
[chain]
bus = "car"
[[chain.node]]
position = 1
cylinder = 1
[[chain.node]]
position = 2
cylinder = 2
[engine_signals]
rpm = "car/Engine.Speed"
throttle = "car/Engine.Throttle"
[axes]
rpm = [2000, 3000]
load = [50, 100]
"""

BY_LAMBDA = '\n[chain.signals]\nlambda = "Mix.Lambda{position}"\n'


class LogWriter:
    """Frames of messages, gathered and written as candump text in the order of time."""

    def __init__(self, definitions: str = DEFINITIONS) -> None:
        self._definitions = definitions
        self._database = cantools.database.load_string(definitions, "dbc")
        self._lines: list[tuple[float, str]] = []

    def add(self, message: str, t: np.ndarray, **signals: np.ndarray) -> None:
        """Frames at times `t` in s; signals are columns as long, or numbers."""
        known = self._database.get_message_by_name(message)
        columns = {s.name: np.broadcast_to(signals.get(s.name, 0.0), t.shape) for s in known.signals}
        for i, at in enumerate(t.tolist()):
            data = known.encode({name: float(c[i]) for name, c in columns.items()}, strict=False)
            self._lines.append((at, f"({EPOCH_S + at:.6f}) can0 {known.frame_id:03X}#{data.hex().upper()}"))

    def write(self, folder: Path, session: str) -> tuple[Path, Path]:
        """The session and the log in a folder."""
        (folder / "own.dbc").write_text(self._definitions)
        (folder / "own.toml").write_text(session)
        return folder / "own.toml", self.write_log(folder / "own.log")

    def write_log(self, path: Path) -> Path:
        """The log alone."""
        path.write_text("\n".join(line for _, line in sorted(self._lines)) + "\n")
        return path
