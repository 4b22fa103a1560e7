"""What the keys of a scenario file ask of one another, after `keys` has cleaned each by itself."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Final

from mixmon.session.schema import Check, Clean, Report, rising, shown
from mixmon.simulate.keys import FAULT_KEYS, NEEDS_POINT

_GRIDS = ("target", "pulse_ms", "base_error_percent", "exhaust_k")


def _cylinder_count(clean: Clean) -> int:
    return int(clean.get("engine", {}).get("cylinders", 0))


def _strokes(clean: Clean, report: Report) -> None:
    if clean.get("engine", {}).get("strokes") == 2:
        report("engine.strokes", "2", "4: two-stroke engines are not simulated")


def _one_each(clean: Clean, report: Report) -> None:
    """Values by cylinder: as many as cylinders, or under numbers that exist."""
    n = _cylinder_count(clean)
    for section in ("cylinders", "sensors"):
        for key, value in clean.get(section, {}).items():
            where = f"{section}.{key}"
            if key == "sync_share" or not n:
                continue
            if isinstance(value, tuple) and len(value) != n:
                report(where, f"{len(value)} values", f"{n}, one a cylinder")
            if isinstance(value, dict):
                for number in value:
                    if number not in {str(i) for i in range(1, n + 1)}:
                        report(where, f'"{number}"', f"cylinder numbers from 1 to {n}")


def _map_axes(clean: Clean, report: Report) -> None:
    table = clean.get("map", {})
    for name in ("rpm", "load"):
        if name in table and not rising(table[name]):
            report(f"map.{name}", shown(table[name]), "values that rise")


def _map_size(clean: Clean, report: Report) -> None:
    table = clean.get("map", {})
    if "rpm" not in table or "load" not in table:
        return
    columns, rows = len(table["rpm"]), len(table["load"])
    for key in _GRIDS:
        grid = table.get(key)
        if isinstance(grid, tuple) and not _fits(grid, rows, columns):
            expected = f"{columns} values, one a speed, or {rows} such rows, one a load"
            report(f"map.{key}", shown(grid), expected)
    share = clean.get("cylinders", {}).get("sync_share")
    if share is not None and len(share) != rows:
        report("cylinders.sync_share", f"{len(share)} values", f"{rows}, one a load of the map")


def _fits(grid: tuple[Any, ...], rows: int, columns: int) -> bool:
    """Whether a grid is one row for all loads, or one row a load."""
    if not isinstance(grid[0], tuple):
        return len(grid) == columns
    return len(grid) == rows and all(len(row) == columns for row in grid)


def _controllers(clean: Clean, report: Report) -> None:
    n, groups = _cylinder_count(clean), clean.get("controllers", {}).get("heater_groups", ())
    members = [position for group in groups for position in group]
    if groups and n and sorted(members) != list(range(1, n + 1)):
        report("controllers.heater_groups", shown(members), f"each position from 1 to {n} once")


def _faults(clean: Clean, report: Report) -> None:
    n, names = _cylinder_count(clean), {part.get("name") for part in clean.get("profile", ())}
    for i, fault in enumerate(clean.get("fault", ()), 1):
        where = f"fault[{i}]"
        for key in FAULT_KEYS.get(fault.get("kind", ""), ()):
            if key not in fault and not report.about(f"{where}.{key}"):
                report(f"{where}.{key}", "missing", f"a value: {fault['kind']} needs it")
        for key in ("cylinder", "position"):
            if n and fault.get(key, 0) > n:
                report(f"{where}.{key}", str(fault[key]), f"at most {n}")
        if "during" in fault and fault["during"] not in names:
            report(f"{where}.during", shown(fault["during"]), "the name of a part of the profile")
        _fault_lists(fault, where, n, report)


def _leaks(clean: Clean, report: Report) -> None:
    leaks = [(i, f) for i, f in enumerate(clean.get("fault", ()), 1) if f.get("kind") == "leak"]
    seen: set[int] = set()
    for i, leak in leaks:
        if leak.get("cylinder") in seen:
            report(f"fault[{i}].cylinder", str(leak["cylinder"]), "one leak a cylinder")
        seen |= {leak["cylinder"]} if "cylinder" in leak else set()


def _fault_lists(fault: Clean, where: str, n: int, report: Report) -> None:
    positions = fault.get("positions", (1, 2))
    if len(set(positions)) != 2 or len(positions) != 2 or (n and max(positions) > n):
        report(f"{where}.positions", shown(positions), f"two different positions, at most {n}")
    if fault.get("kind") == "leak":
        lists = [fault.get(key, ()) for key in ("rpm", "load", "percent")]
        if any(isinstance(values, float) for values in lists) or len({len(values) for values in lists}) != 1:
            report(where, "rpm, load and percent of different lengths", "three lists of one length")
    elif isinstance(fault.get("rpm"), tuple):
        report(f"{where}.rpm", shown(fault["rpm"]), "one speed")


def _parts(clean: Clean, report: Report) -> None:
    for i, part in enumerate(clean.get("profile", ()), 1):
        where, kind = f"profile[{i}]", part.get("kind")
        if ("seconds" in part) == ("until" in part) and not report.about(where):
            report(where, "both" if "seconds" in part else "neither", "one of seconds and until")
        for key in NEEDS_POINT.get(kind, ()):
            if key not in part and not report.about(f"{where}.{key}"):
                report(f"{where}.{key}", "missing", f"a value: {kind} needs it")
    if clean.get("profile") == ():
        report("profile", "no parts", "at least one [[profile]]")


def _names(clean: Clean, report: Report) -> None:
    names: set[str] = set()
    for i, part in enumerate(clean.get("profile", ()), 1):
        if part.get("name") in names:
            report(f"profile[{i}].name", shown(part["name"]), "a name used once")
        names |= {part["name"]} if "name" in part else set()
    again = clean.get("repeat_from")
    if again is not None and again not in names:
        report("repeat_from", shown(again), "the name of a part of the profile")


def _limits(clean: Clean, report: Report) -> None:
    for where, low, high in _pairs(clean):
        if low is not None and high is not None and not low < high:
            report(where, f"{low:g} and {high:g}", "the first smaller than the second")


def _pairs(clean: Clean) -> Iterator[tuple[str, Any, Any]]:
    warm_up = clean.get("warm_up", {})
    yield "warm_up.start_c", warm_up.get("start_c"), warm_up.get("end_c")


CHECKS: Final[tuple[Check, ...]] = (
    _strokes,
    _one_each,
    _map_axes,
    _map_size,
    _controllers,
    _faults,
    _leaks,
    _parts,
    _names,
    _limits,
)
