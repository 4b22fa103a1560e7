"""What quantities are called in message definitions: words of names, and what units speak for them.

Names are taken apart into words (`EngineSpeed`, `eng_spd`, `TPS1`). The words are trade usage and common
abbreviations of English and German (common practice, no source); a name without any is no candidate.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from itertools import permutations
from typing import Final

from mixmon.messages.plan import SignalPlan

Words = tuple[frozenset[str], ...]


def _sets(*names: str) -> Words:
    return tuple(frozenset(name.split()) for name in names)


NAMES: Final[Mapping[str, Words]] = {
    "lambda": _sets(
        "lambda",
        "lam",
        "afr",
        "a f",
        "mixture",
        "wideband",
        "wb",
        "ego",
        "uego",
        "phi",
        "equivalence",
        "equiv",
        "eqr",
        "air fuel",
        "gemisch",
    ),
    "oxygen": _sets("oxygen", "o2", "o 2", "oxygen balance", "sauerstoff"),
    "ready": _sets("ready", "state", "status", "valid", "bereit", "zustand"),
    "supply": _sets("supply", "voltage", "volts", "vbat", "ubat", "battery", "batt", "spannung"),
    "heater": _sets("heater", "heat", "heizung"),
    "resets": _sets("reset", "resets", "restarts", "boot", "boots", "starts"),
    "over_temperature": _sets("over temperature", "overtemperature", "overtemp", "over temp", "too hot"),
    "rpm": _sets(
        "rpm",
        "engine speed",
        "eng speed",
        "eng spd",
        "engine spd",
        "crank speed",
        "revolutions",
        "revs",
        "rev",
        "nmot",
        "n eng",
        "neng",
        "drehzahl",
        "motordrehzahl",
        "speed",
    ),
    "throttle": _sets(
        "throttle",
        "tps",
        "thr",
        "thr pos",
        "tp",
        "pedal",
        "plate",
        "drosselklappe",
        "dk",
        "throttle position",
    ),
    "map_kpa": _sets(
        "map",
        "manifold",
        "plenum",
        "intake pressure",
        "inlet pressure",
        "boost",
        "saugrohr",
        "saugrohrdruck",
        "manifold pressure",
        "ladedruck",
        "p intake",
    ),
    "target": _sets(
        "lambda target",
        "target lambda",
        "afr target",
        "target",
        "lambda wanted",
        "wanted",
        "lambda setpoint",
        "lambda set",
        "lambda desired",
        "lambda soll",
        "lam soll",
        "lam tgt",
        "lambda tgt",
        "afr tgt",
        "lambda demand",
        "lambda cmd",
        "lambda aim",
        "lam aim",
        "phi cmd",
        "phi target",
        "equivalence cmd",
        "equiv cmd",
        "eqr cmd",
    ),
    "pulse_ms": _sets(
        "pulse",
        "pulse width",
        "pulsewidth",
        "pw",
        "injection",
        "injection time",
        "inj time",
        "inj pw",
        "injector pw",
        "inj",
        "injector time",
        "einspritzzeit",
        "ti",
        "opening time",
    ),
    "coolant_c": _sets(
        "coolant",
        "clt",
        "engine coolant",
        "water",
        "water temp",
        "kuehlmittel",
        "kühlmittel",
        "kuehlmittel temperatur",
        "kühlmittel temperatur",
        "wasser",
        "wasser temperatur",
        "tmot",
    ),
    "intake_c": _sets(
        "iat",
        "intake",
        "air temp",
        "intake temp",
        "inlet temp",
        "intake air",
        "act",
        "ansaugluft",
        "ansaugluft temperatur",
        "manifold temp",
        "manifold temperature",
        "air",
        "mat",
    ),
    "oil_c": _sets(
        "oil temp", "oil temperature", "oil", "t oil", "öl temperatur", "öl", "oel temperatur", "oel"
    ),
    "baro_kpa": _sets(
        "baro", "barometer", "barometric", "ambient pressure", "atmospheric", "ambient", "umgebungsdruck"
    ),
    "fuel_pressure_kpa": _sets(
        "fuel pressure", "fuel press", "rail pressure", "fp", "kraftstoffdruck", "fuelpressure"
    ),
    "battery_v": _sets("battery", "batt", "vbat", "ubat", "ub", "battery voltage", "bordspannung", "supply"),
    "exhaust_kpa": _sets("exhaust pressure", "back pressure", "emap", "exhaust press", "abgasgegendruck"),
    "fuel_cut": _sets("fuel cut", "fuelcut", "fuel cutoff", "dfco", "overrun cut", "schubabschaltung", "cut"),
    "spark_cut": _sets("spark cut", "sparkcut", "ignition cut", "ign cut", "zuendausblendung", "cut"),
    "closed_loop": _sets("closed loop", "closedloop", "loop", "regulated", "lambda control", "regelung"),
    "trim": _sets("trim", "fuel trim", "cyl trim"),
}
"""By quantity: sets of words, each of which is a name for it, the whole set together."""

_ASKED = frozenset(
    {"target", "tgt", "set", "setpoint", "wanted", "desired", "demand", "soll", "cmd", "aim", "ref"}
)
_NEVER_MEANT = frozenset(
    [
        "counter",
        "checksum",
        "crc",
        "limit",
        "max",
        "min",
        "error",
        "fault",
        "raw",
        "spare",
        "reserved",
        "threshold",
        "delta",
        "rate",
        "gradient",
    ]
)
_MEANS_OTHER: Final[Mapping[str, frozenset[str]]] = {
    "lambda": frozenset(
        [
            "correction",
            "corr",
            "trim",
            "control",
            "loop",
            "state",
            "status",
            "heater",
            "temp",
            "temperature",
            "supply",
        ]
    ),
    "oxygen": frozenset(["heater", "temp", "temperature", "state", "status", "supply"]),
    "rpm": frozenset(
        ["vehicle", "wheel", "road", "turbo", "idle", "fan", "pump", "gearbox", "shaft", "ground", "gps"]
    ),
    "throttle": frozenset(["temp", "pressure", "idle"]),
    "map_kpa": frozenset(["temp", "temperature", "fuel", "oil", "exhaust", "baro", "ambient"]),
    "target": frozenset(["boost", "idle", "speed", "pressure", "rpm"]),
    "pulse_ms": frozenset(["angle", "duty", "dead", "pressure", "temp", "phase", "end"]),
    "coolant_c": frozenset(["pressure", "press", "fan", "level"]),
    "intake_c": frozenset(["pressure", "press", "fuel", "mass", "flow", "kpa", "coolant", "water"]),
    "oil_c": frozenset(["pressure", "press", "level"]),
    "fuel_pressure_kpa": frozenset(["temp"]),
    "supply": frozenset(["low", "temp"]),
    "heater": frozenset(["open", "short", "temp"]),
    "ready": frozenset(),
    "fuel_cut": frozenset({"spark", "ignition", "ign"}),
    "spark_cut": frozenset({"fuel"}),
}
"""Words that say that something else is meant, by quantity."""

_WORD_OF_NAME = re.compile(r"[A-ZÄÖÜ]+(?![a-zäöüß])|[A-ZÄÖÜ]?[a-zäöüß]+|[0-9]+|[λφ]")


_GOES_WITH: Final[Mapping[str, frozenset[str]]] = {
    "throttle": frozenset(["pedal", "accel", "accelerator"]),
}
"""Words of what only goes with the quantity, by quantity: any other candidate is better."""


def words_of(name: str) -> list[str]:
    """The words of a name, in lower case; numbers are words.

    >>> words_of("EngSpd_rpm2"), words_of("MAPSensor")
    (['eng', 'spd', 'rpm', '2'], ['map', 'sensor'])
    """
    return [word.lower() for word in _WORD_OF_NAME.findall(name)]


def name_score(quantity: str, message: str, signal: str) -> int:
    """How well a name fits a quantity: 3 by the signal's, 2 with its message's, 1 more for several words."""
    own = words_of(signal)
    said, beside = set(own), {*own, *words_of(message)}
    pressure = quantity == "intake_c" and "manifold" in said and not said & {"temp", "temperature"}
    if pressure or said & _NEVER_MEANT or said & _MEANS_OTHER.get(quantity, frozenset()):
        return 0
    if quantity != "target" and said & _ASKED:
        return 0
    joined = {"".join(own[i:j]) for i in range(len(own)) for j in range(i + 1, len(own) + 1)}
    best = 0
    for name in NAMES.get(quantity, ()):
        longer = min(len(name) - 1, 1)
        if name <= said or _joined_words(name) & joined:
            best = max(best, 3 + longer)
        elif name <= beside and name & said:
            best = max(best, 2 + longer)
    if quantity == "target" and best and not (said & _ASKED):
        return 0
    return best


def goes_with(quantity: str, signal: str) -> bool:
    """Whether a name is of what only goes with the quantity, as a pedal does with its throttle.

    >>> goes_with("throttle", "AccelPedalPos"), goes_with("throttle", "ThrottleValvePos")
    (True, False)
    """
    return bool(set(words_of(signal)) & _GOES_WITH.get(quantity, frozenset()))


def is_named_phi(signal: str) -> bool:
    """Whether a name tells of the ratio of fuel to air (phi), and not of lambda or an air-fuel ratio.

    >>> is_named_phi("PhiCyl2"), is_named_phi("CmdEquivRatio"), is_named_phi("LambdaPhi")
    (True, True, False)
    """
    said = set(words_of(signal))
    return bool(said & {"phi", "φ", "equivalence", "equiv", "eqr"}) and not said & {
        "lambda",
        "lam",
        "afr",
        "λ",
    }


def _joined_words(name: frozenset[str]) -> frozenset[str]:
    """The words written as one, in any order, where there are two at most."""
    return frozenset("".join(order) for order in permutations(name)) if len(name) <= 2 else frozenset()


_READY = re.compile(
    r"\b(ready|measur\w*|operat\w*|ok|valid|normal|running|regulat\w*|messbereit|bereit)\b", re.IGNORECASE
)
_NOT = re.compile(r"\b(not|no|in|un|nicht)\b|unavailable|invalid|error|fault|heating|warm", re.IGNORECASE)
_CUT: Final[Mapping[str, re.Pattern[str]]] = {
    "fuel_cut": re.compile("fuel|both|all", re.IGNORECASE),
    "spark_cut": re.compile("spark|ignition|both|all", re.IGNORECASE),
}


def states_meaning(quantity: str, signal: SignalPlan) -> tuple[float, ...]:
    """The raw states of a signal whose text says yes to the quantity; none where no text does.

    >>> heat = SignalPlan("State", 0, 3, False, choices={0: "cold", 1: "heating", 2: "measuring"})
    >>> states_meaning("ready", heat)
    (2.0,)
    """
    if quantity == "ready":
        yes = [raw for raw, text in signal.choices.items() if _READY.search(text) and not _says_no(text)]
    elif quantity in _CUT:
        yes = [raw for raw, text in signal.choices.items() if _CUT[quantity].search(text)]
    else:
        return ()
    return tuple(signal.scale * raw + signal.offset for raw in yes)


def _says_no(text: str) -> bool:
    """Whether a text takes back what it says; what stands behind a comma is a remark."""
    return bool(_NOT.search(text.partition(",")[0]))
