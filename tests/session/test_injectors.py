"""Paired injection asks for pairs: cylinders that fire half a cycle apart and hold one trim."""

from pathlib import Path

import pytest

from mixmon.findings.balance.trims import plan_trims
from mixmon.findings.stats import Estimate
from mixmon.messages.cautions import Caution, cautions, pairing_cautions
from mixmon.session.injectors import partner_of
from mixmon.session.load import load_session, read_session
from mixmon.session.model import Session


def written(tmp_path: Path, engine: str, more: str, timing: str) -> Path:
    path = tmp_path / "session.toml"
    text = f'[engine]\n{engine}\n[injection]\ntiming = "{timing}"\n{more}\n[chain]\n'
    path.write_text(text, encoding="utf-8")
    return path


def mistakes_of(
    tmp_path: Path, engine: str, more: str = "", timing: str = "paired"
) -> list[tuple[str, str, str]]:
    return [(m.where, m.found, m.expected) for m in read_session(written(tmp_path, engine, more, timing))[1]]


def session_of(tmp_path: Path, engine: str, more: str) -> Session:
    return load_session(written(tmp_path, engine, more, "paired"))


FOUR = "cylinders = 4\nfiring_order = [1, 3, 4, 2]"
HELD = "[trims]\nnow_percent = [1.5, 0, {}, 1.5]"


def test_pairs_that_share_their_trims_are_no_mistake(tmp_path: Path) -> None:
    assert mistakes_of(tmp_path, FOUR) == []
    assert mistakes_of(tmp_path, FOUR, HELD.format(0)) == []
    assert mistakes_of(tmp_path, f"{FOUR}\nfiring_angles_deg = [0, 180, 360, 540]") == []


@pytest.mark.parametrize("timing", ["sequential", "batch"])
def test_other_timings_ask_for_no_pairs(tmp_path: Path, timing: str) -> None:
    assert mistakes_of(tmp_path, "cylinders = 5", timing=timing) == []


@pytest.mark.parametrize(
    ("engine", "held", "code", "cylinders"),
    [
        ("cylinders = 4", "", Caution.PAIRS_UNKNOWN, None),
        ("cylinders = 5\nfiring_order = [1, 2, 4, 5, 3]", "", Caution.PAIRS_INCOMPLETE, (1, 2, 3, 4, 5)),
        (f"{FOUR}\nfiring_angles_deg = [0, 180, 360, 500]", "", Caution.PAIRS_INCOMPLETE, (2, 3)),
        (FOUR, "[trims]\nnow_percent = [1.5, 2, 0, 1.5]", Caution.PAIR_HOLDS_TWO_TRIMS, (2, 3)),
    ],
    ids=[
        "no firing order",
        "an odd number of cylinders",
        "angles without a partner",
        "two trims on one driver",
    ],
)
def test_pairs_that_cannot_have_a_trim_are_a_caution_and_no_mistake(
    tmp_path: Path, engine: str, held: str, code: Caution, cylinders: tuple[int, ...] | None
) -> None:
    """The session loads, as before pairs were asked for; no trims are offered, with the reason."""
    session = session_of(tmp_path, engine, held)
    (found,) = pairing_cautions(session)
    assert (found.code, dict(found.values).get("cylinders")) == (code, cylinders)
    assert found in cautions(session)
    needs = tuple(Estimate(0.01 * k, 0.002, 0.001, 40.0) for k in range(len(session.chain.nodes)))
    assert found in plan_trims(session, needs).withheld


def test_pairs_that_can_have_one_trim_are_no_caution(tmp_path: Path) -> None:
    assert pairing_cautions(session_of(tmp_path, FOUR, HELD.format(0))) == ()


def test_a_wrong_firing_order_is_told_once(tmp_path: Path) -> None:
    (mistake,) = mistakes_of(tmp_path, "cylinders = 4\nfiring_order = [1, 3, 4, 4]")
    assert mistake[0] == "engine.firing_order"


def test_a_partner_is_found_across_the_end_of_the_cycle() -> None:
    assert partner_of(3, 4, (0.0, 180.0, 360.0, 540.5), 4) == 1
    assert partner_of(1, 2, (0.5, 360.0), 4) == 0
    assert partner_of(0, 2, (0.2, 719.9), 4) is None
