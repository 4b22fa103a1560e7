"""mixmon identify: which label is which cylinder, and the fuel steps that show it."""

from __future__ import annotations

import argparse
from pathlib import Path

import mixmon
from mixmon.cli import options
from mixmon.cli.console import conclude
from mixmon.cli.main import DONE
from mixmon.cli.output import check_places, write_evidence
from mixmon.cli.runs import log_status, opened_run
from mixmon.errors import UsageError
from mixmon.findings.identity.identity import Identity, evidence_of
from mixmon.findings.identity.plan import USUAL_STEP_PERCENT, plan_steps
from mixmon.report.balance import log_troubles
from mixmon.report.identity import identity_text, plan_json, plan_text
from mixmon.report.text import to_json
from mixmon.run import Run
from mixmon.session.evidence import evidence_path
from mixmon.session.injectors import trimmed_together

_LARGEST_STEP_PERCENT = 10.0
"""Our choice: a larger step shows nothing more, and an engine at part load runs badly with it."""


def configure(parser: argparse.ArgumentParser) -> None:
    """LOG with its steps, or --plan for the steps to type."""
    options.add_log(parser, optional=True)
    options.add_session(parser)
    parser.add_argument(
        "--steps",
        metavar="FILE",
        help="fuel steps as they were typed, TOML; default: the trims that the engine control reports",
    )
    parser.add_argument(
        "--keep",
        action="store_true",
        help="keep the result beside the session file, as NAME.identity.json; it counts from then on",
    )
    options.add_force(parser)
    options.add_leave_out(parser)
    options.add_window(parser)
    group = parser.add_argument_group("plan", "without LOG: what to type, and when, as a file for --steps")
    group.add_argument("--plan", action="store_true", help="print the steps to type, in coded groups")
    group.add_argument(
        "--single",
        action="store_true",
        help="with --plan: one cylinder at a time; longer, and shows what each sensor sees of every cylinder",
    )
    group.add_argument(
        "--percent",
        metavar="PCT",
        type=options.percent,
        help=f"with --plan: size of a step (default {USUAL_STEP_PERCENT:g})",
    )
    options.add_json(parser)
    options.add_strict(parser)
    options.add_quiet(parser)


def run(arguments: argparse.Namespace) -> int:
    """Prints the plan, or what the steps in the log say of every label."""
    _check_options(arguments)
    return _print_plan(arguments) if arguments.plan else _print_identity(arguments)


def _check_options(arguments: argparse.Namespace) -> None:
    """Refuses options that do not belong together.

    Raises:
        UsageError: with what is wrong.
    """
    if arguments.plan and (arguments.log or arguments.steps):
        raise UsageError("--plan: it reads no log and no steps; expected --plan alone, with --session")
    if arguments.plan and not arguments.session:
        raise UsageError("--plan: no session; expected --session, for the engine's cylinders; give one")
    if not arguments.plan and not arguments.log:
        raise UsageError("identify: no LOG; expected one, or --plan; give one of both")
    if arguments.keep and not arguments.session:
        raise UsageError("--keep: no session; expected --session, beside which the result is kept; give one")
    if not arguments.plan and (arguments.single or arguments.percent is not None):
        raise UsageError("--single, --percent: they shape a plan; expected --plan beside them; add it")
    percent = arguments.percent
    if percent is not None and not 0 < percent <= _LARGEST_STEP_PERCENT:
        raise UsageError(
            f"--percent {percent:g}: expected above 0, at most {_LARGEST_STEP_PERCENT:g}; correct it"
        )


def _print_plan(arguments: argparse.Namespace) -> int:
    session = mixmon.load_session(arguments.session)
    percent = USUAL_STEP_PERCENT if arguments.percent is None else arguments.percent
    steps = plan_steps(trimmed_together(session), single=arguments.single, percent=percent)
    made = to_json(plan_json(steps, session)) if arguments.json else plan_text(steps, session)
    return conclude(made, DONE)


def _print_identity(arguments: argparse.Namespace) -> int:
    kept = evidence_path(Path(arguments.session)) if arguments.keep else None
    check_places({"--keep": kept}, [arguments.log, arguments.steps], session=None, force=arguments.force)
    with opened_run(arguments) as opened:
        found = mixmon.identify(opened, arguments.steps)
    if kept is not None:
        _keep_evidence(found, opened, arguments.log, kept, force=arguments.force)
    text = to_json(found.to_dict()) if arguments.json else identity_text(found, opened)
    return conclude(text, log_status(arguments, log_troubles(opened.log)))


def _keep_evidence(found: Identity, opened: Run, log: str, place: Path, *, force: bool) -> None:
    """Writes what the steps say of each node beside the session file; nothing where they say nothing.

    Raises:
        UsageError: nothing was claimed of any label, or the file is there already.
        OutputError: it cannot be written.
    """
    evidence = evidence_of(
        opened.session, found, log=Path(log).name, first_ns=opened.log.first_ns or 0, frames=opened.log.frames
    )
    if evidence is None:
        raise UsageError(f"--keep {place}: nothing was shown of any label; expected steps that were answered")
    write_evidence(place, evidence, force=force)
