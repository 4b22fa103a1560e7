"""mixmon sensors: the ledger, what is known of every sensor by its serial."""

from __future__ import annotations

import argparse

from mixmon.cli import options
from mixmon.cli.console import conclude, talk
from mixmon.cli.main import BAD_INPUT, DONE
from mixmon.cli.runs import log_status, opened_run
from mixmon.errors import SessionError, SourceError, UsageError, nearest
from mixmon.ledger.entries import Entry
from mixmon.ledger.ledger import Ledger
from mixmon.ledger.lessons import enter_run
from mixmon.ledger.standing import ClassLimits, SensorRecord, records
from mixmon.report.balance import log_troubles
from mixmon.report.sensors import (
    TaughtLog,
    lessons_text,
    sensor_text,
    sensors_json,
    sensors_text,
    withdrawal_text,
)
from mixmon.report.text import to_json


def configure(parser: argparse.ArgumentParser) -> None:
    """SERIAL, what to enter, the file, and what the class of the sensors keeps."""
    parser.add_argument(
        "serial", metavar="SERIAL", nargs="?", help="the sensor to tell in full; without, all"
    )
    entering = parser.add_argument_group("entering")
    entering.add_argument(
        "--add",
        dest="log",
        metavar="LOG",
        nargs="+",
        help="enter what each of these logs or runs teaches, once only for a log",
    )
    options.add_session(entering)
    entering.add_argument(
        "--air",
        metavar="C/RH[/KPA]",
        help="with --add and --air-check: the air of that day, such as 25/60; levels in air are then kept "
        "against the oxygen that it holds",
    )
    entering.add_argument(
        "--air-check",
        metavar=("SERIAL", "PCT"),
        nargs=2,
        help="enter what a sensor read in free air, engine off, percent of oxygen; needs --air",
    )
    entering.add_argument(
        "--bias",
        metavar=("SERIAL", "PCT", "HALF"),
        nargs=3,
        help="enter a sensor's own error: percent of lambda (+ reads lean), and half of its 95 %% interval",
    )
    entering.add_argument(
        "--withdraw",
        metavar="NUMBER",
        type=options.whole,
        help="an entry that counts no more; it stays in the file",
    )
    entering.add_argument(
        "--reason", metavar="TEXT", help="with --bias and --withdraw: where it is from, or why"
    )
    _add_limits(parser)
    options.add_ledger(parser)
    options.add_json(parser)
    options.add_strict(parser)
    options.add_quiet(parser)
    parser.set_defaults(leave_out=[], begin=0.0, end=None)


def _add_limits(parser: argparse.ArgumentParser) -> None:
    group = parser.add_argument_group(
        "limits", "of the sensors' class, by their maker's sheet; the defaults are common practice, no source"
    )
    usual = ClassLimits()
    group.add_argument(
        "--t63-limit",
        metavar="S",
        type=options.seconds,
        default=usual.t63_s,
        help=f"T63, s (default {usual.t63_s:g})",
    )
    group.add_argument(
        "--warm-up-limit",
        metavar="S",
        type=options.seconds,
        default=usual.warm_up_s,
        help=f"from heating to ready, s (default {usual.warm_up_s:g})",
    )
    group.add_argument(
        "--air-limit",
        metavar="PCT",
        type=options.percent,
        default=usual.air_percent,
        help=f"percent off in air (default {usual.air_percent:g})",
    )


def run(arguments: argparse.Namespace) -> int:
    """Enters what is asked for, and tells what is known then."""
    _check_options(arguments)
    limits = ClassLimits(arguments.t63_limit, arguments.warm_up_limit, arguments.air_limit)
    with Ledger(arguments.ledger) as ledger:
        lessons, status = _add_logs(ledger, arguments)
        if arguments.bias:
            _add_bias(ledger, *arguments.bias, reason=arguments.reason)
        if arguments.air_check:
            _add_air_check(ledger, *arguments.air_check, air=arguments.air)
        withdrawn: tuple[Entry, ...] = ()
        if arguments.withdraw is not None:
            withdrawn = ledger.withdraw(arguments.withdraw, reason=arguments.reason)
        sensors = _choose_sensors(records(ledger.entries(), limits), arguments)
        place = str(ledger.path)
    if arguments.json:
        return conclude(to_json(sensors_json(place, sensors, lessons, withdrawn)), status)
    told = lessons_text(lessons) + (withdrawal_text(withdrawn) if withdrawn else "")
    whole = sensor_text(place, sensors[0]) if arguments.serial else sensors_text(place, sensors)
    return conclude(f"{whole}\n{told}" if told else whole, status)


def _check_options(arguments: argparse.Namespace) -> None:
    """Refuses options that exclude each other, or that say nothing.

    Raises:
        UsageError: with what is wrong.
    """
    doing = [name for name in ("log", "bias", "air_check", "withdraw") if getattr(arguments, name)]
    if len(doing) > 1:
        raise UsageError(
            "--add, --bias, --air-check, --withdraw: several at once; expected one of them; choose one"
        )
    needs_reason = {"bias", "withdraw"} & set(doing)
    if needs_reason and not (arguments.reason or "").strip():
        raise UsageError(f"--{doing[0]}: no reason; expected --reason TEXT beside it; say where it is from")
    if arguments.reason is not None and not needs_reason:
        raise UsageError(
            "--reason: nothing to give it for; expected --bias or --withdraw; add one or omit it"
        )
    if arguments.log is None and arguments.session is not None:
        raise UsageError("--session: no log; expected --add LOG beside it; add it or omit the session")
    if arguments.air is not None and arguments.log is None and arguments.air_check is None:
        raise UsageError("--air: nothing was in it; expected --add LOG or --air-check; add one or omit it")
    if arguments.air_check is not None and arguments.air is None:
        raise UsageError(
            "--air-check: no air; expected --air C/RH beside it, as damp air holds less oxygen; add it"
        )


def _add_logs(ledger: Ledger, arguments: argparse.Namespace) -> tuple[list[TaughtLog], int]:
    """Enters what the logs teach; gives the exit status too.

    One of several that cannot be read is told, and the others are entered.

    Raises:
        MixmonError: the only log cannot be read.
    """
    logs, lessons, status = arguments.log or (), [], DONE
    for log in logs:
        try:
            taught, one_status = _add_log(ledger, log, arguments)
        except (SourceError, SessionError, UsageError) as error:
            if len(logs) == 1:
                raise
            talk(f"{log}: not entered: {error}")
            status = BAD_INPUT
        else:
            lessons.append(taught)
            status = max(status, one_status)
    return lessons, status


def _add_log(ledger: Ledger, log: str, arguments: argparse.Namespace) -> tuple[TaughtLog, int]:
    """Enters what one log teaches; gives the exit status by --strict too."""
    air = None if arguments.air is None else options.air_oxygen(arguments.air)
    one = argparse.Namespace(**{**vars(arguments), "log": log})
    with opened_run(one) as found:
        lesson = enter_run(ledger, found, air)
    return TaughtLog(lesson, found.log), log_status(one, log_troubles(found.log))


def _add_bias(ledger: Ledger, serial: str, percent: str, half: str, *, reason: str) -> None:
    """Enters a bias that was typed.

    Raises:
        UsageError: these are no numbers, or impossible ones.
    """
    try:
        numbers = float(percent), float(half)
    except ValueError:
        raise UsageError(
            f"--bias {serial} {percent} {half}: no numbers; expected percent and half interval, such as 0.6 "
            "0.3; "
            "correct it"
        ) from None
    number = ledger.add_bias(serial, *numbers, reason=reason)
    talk(f"entry {number} about {serial}")


def _add_air_check(ledger: Ledger, serial: str, percent: str, *, air: str) -> None:
    """Enters a check in free air.

    Raises:
        UsageError: this is no number, or no reading of air.
    """
    try:
        read = float(percent)
    except ValueError:
        raise UsageError(
            f"--air-check {serial} {percent}: no number; expected percent of oxygen, such as 20.3; correct it"
        ) from None
    number = ledger.add_air_check(serial, read, options.air_oxygen(air))
    talk(f"entry {number} about {serial}")


def _choose_sensors(
    known: tuple[SensorRecord, ...], arguments: argparse.Namespace
) -> tuple[SensorRecord, ...]:
    """All of them, or the one that is named.

    Raises:
        UsageError: none is named so.
    """
    if arguments.serial is None:
        return known
    chosen = tuple(one for one in known if one.serial == arguments.serial)
    if not chosen:
        guess = nearest(arguments.serial, [one.serial for one in known])
        raise UsageError(
            f"{arguments.serial}: nothing is known of it; expected a serial of the ledger; {guess}"
            "mixmon sensors lists them"
        )
    return chosen
