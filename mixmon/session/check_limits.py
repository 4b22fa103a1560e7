"""What the keys about axes, targets, validity, trims and alarms ask of one another."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from mixmon.session import signals
from mixmon.session.keys import LIMIT_KINDS
from mixmon.session.model import Trims, Validity
from mixmon.session.schema import Report, nearest, shown
from mixmon.session.when import ConditionError, names, parse
from mixmon.session.written import Check, Clean, chain_signals, once, rising


def _axes(clean: Clean, report: Report) -> None:
    axes = clean.get("axes", {})
    for name in ("rpm", "load"):
        if name in axes and not rising(axes[name]):
            report(f"axes.{name}", shown(axes[name]), "cell centres that rise")
    throttle = axes.get("load_signal", "throttle") == "throttle" and not report.about("axes.load_signal")
    if throttle and "load" in axes and max(axes["load"]) > 100:
        report("axes.load", shown(axes["load"]), 'throttle from 0 to 100 %, or axes.load_signal = "map_kpa"')


def _targets(clean: Clean, report: Report) -> None:
    rows, axes = clean.get("targets", {}).get("lambda"), clean.get("axes", {})
    if rows is None:
        return
    for name in ("load", "rpm"):
        if name not in axes and not report.about(f"axes.{name}"):
            report(
                "targets.lambda", f"targets without axes.{name}", f"axes.{name}, by which they are laid out"
            )
    if "load" in axes and len(rows) != len(axes["load"]):
        report("targets.lambda", f"{len(rows)} rows", f"{len(axes['load'])}, one for each of axes.load")
    for i, row in enumerate(rows, 1):
        if "rpm" in axes and len(row) != len(axes["rpm"]):
            expected = f"{len(axes['rpm'])}, one for each of axes.rpm"
            report(f"targets.lambda[{i}]", f"{len(row)} columns", expected)


def _validity(clean: Clean, report: Report) -> None:
    rich, lean = _limits_of_reading(clean)
    if rich >= lean:
        report("validity.rich_limit", f"{rich:g}", f"less than the lean limit, {lean:g}")


def _limits_of_reading(clean: Clean) -> tuple[float, float]:
    validity, usual = clean.get("validity", {}), Validity()
    return validity.get("rich_limit", usual.rich_limit), validity.get("lean_limit", usual.lean_limit)


def _trims(clean: Clean, report: Report) -> None:
    trims, usual = clean.get("trims", {}), Trims()
    lowest = trims.get("lowest_percent", usual.lowest_percent)
    highest = trims.get("highest_percent", usual.highest_percent)
    if lowest >= highest:
        report("trims.lowest_percent", f"{lowest:g}", f"less than the highest, {highest:g}")
    now, cylinders = trims.get("now_percent"), clean.get("engine", {}).get("cylinders")
    if now is None:
        return
    if cylinders and len(now) != cylinders:
        report("trims.now_percent", f"{len(now)} trims", f"{cylinders}, one a cylinder")
    for i, trim in enumerate(now, 1):
        if lowest < highest and not lowest <= trim <= highest:
            report(
                f"trims.now_percent[{i}]", f"{trim:g}", f"from {lowest:g} to {highest:g}, the limits above"
            )


def _trim_loads(clean: Clean, report: Report) -> None:
    first, loads = clean.get("trims", {}).get("load_from"), clean.get("axes", {}).get("load")
    if first is not None and loads and first > max(loads):
        expected = f"at most {max(loads):g}, the highest of axes.load: else no cell would decide the trims"
        report("trims.load_from", f"{first:g}", expected)


def _alarms(clean: Clean) -> Iterator[tuple[str, Clean]]:
    for i, alarm in enumerate(clean.get("limits", {}).get("alarm", ()), 1):
        yield f"limits.alarm[{i}]", alarm


def _alarm_names(clean: Clean, report: Report) -> None:
    once([alarm for _, alarm in _alarms(clean)], "name", "limits.alarm", report)


def _one_limit(clean: Clean, report: Report) -> None:
    for where, alarm in _alarms(clean):
        written = [kind for kind in LIMIT_KINDS if kind in alarm or report.about(f"{where}.{kind}")]
        if len(written) != 1:
            found = " and ".join(written) or "no limit"
            report(where, found, f"exactly one of {', '.join(LIMIT_KINDS)}")


def _within_reading(clean: Clean, report: Report) -> None:
    rich, lean = _limits_of_reading(clean)
    for where, alarm in _alarms(clean):
        for kind in ("lambda_above", "lambda_below"):
            if kind in alarm and rich < lean and not rich < alarm[kind] < lean:
                expected = f"between {rich:g} and {lean:g}: readings beyond validity's limits are not counted"
                report(f"{where}.{kind}", f"{alarm[kind]:g}", expected)


def _dead_bands(clean: Clean, report: Report) -> None:
    """A spread or an age is never below nothing, so a dead band as wide as its limit never clears."""
    for where, alarm in _alarms(clean):
        for kind in ("spread_above", "age_s"):
            if kind in alarm and alarm.get("dead_band", 0) >= alarm[kind]:
                found = f"{alarm['dead_band']:g}, with {kind} = {alarm[kind]:g}"
                report(f"{where}.dead_band", found, "less than the limit: such an alarm would never clear")


def _conditions(clean: Clean, report: Report) -> None:
    for where, alarm in _alarms(clean):
        for key in ("when", "suppress_when"):
            if key in alarm:
                _condition(alarm[key], f"{where}.{key}", clean, report)


def _condition(text: str, where: str, clean: Clean, report: Report) -> None:
    try:
        tree = parse(text)
    except ConditionError as error:
        report(where, f"{error.found} at column {error.column} of {shown(text)}", error.expected)
        return
    mapped = clean.get("engine_signals", {})
    for name in names(tree):
        if name in signals.ENGINE_STATES:
            _state(name, where, clean, report)
        elif name not in signals.ENGINE:
            known = (*signals.ENGINE, *signals.ENGINE_STATES)
            report(where, f'"{name}" in {shown(text)}', nearest(name, known))
        elif name not in mapped and not report.about(f"engine_signals.{name}"):
            report(where, f'"{name}", which no signal carries', f"a signal in engine_signals.{name}")


def _state(name: str, where: str, clean: Clean, report: Report) -> None:
    needed = signals.ENGINE_STATES[name]
    told = any(report.about(f"engine_signals.{signal}") for signal in needed)
    if not told and not any(signal in clean.get("engine_signals", {}) for signal in needed):
        expected = f"a signal in engine_signals.{' or engine_signals.'.join(needed)}"
        report(where, f'"{name}", which no signal tells', expected)


def _answerable(clean: Clean, report: Report) -> None:
    """An alarm that lacks what it compares can never ring."""
    has_target = "targets" in clean or "target" in clean.get("engine_signals", {})
    told = report.about("targets") or report.about("engine_signals.target")
    for where, alarm in _alarms(clean):
        for kind in ("over_target", "under_target"):
            if kind in alarm and not has_target and not told:
                report(f"{where}.{kind}", "no target to compare with", "engine_signals.target, or [targets]")
        if "supply_below" in alarm and not _has_supply(clean, report):
            report(f"{where}.supply_below", "no supply to compare", "chain.signals.supply")


def _has_supply(clean: Clean, report: Report) -> bool:
    mapped = {name for _, name, _ in chain_signals(clean)}
    return not mapped or "supply" in mapped or report.about("chain.signals.supply")


CHECKS: Final[tuple[Check, ...]] = (
    _axes,
    _targets,
    _validity,
    _trims,
    _trim_loads,
    _alarm_names,
    _one_limit,
    _within_reading,
    _dead_bands,
    _conditions,
    _answerable,
)
