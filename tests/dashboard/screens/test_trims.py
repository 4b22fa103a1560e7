"""The trim sheet on the screen: the order of typing, reasons where nothing is offered, what was typed."""

from dataclasses import replace

import pytest
from dashboard.scenes import OPTIONS, balance, scene, session, snapshot, text

from mixmon.dashboard.controls import Controls
from mixmon.dashboard.keys import Asked, Page
from mixmon.dashboard.screens.pages import State, draw
from mixmon.dashboard.screens.trims import entered_text
from mixmon.findings.balance.notes import BalanceNote
from mixmon.findings.trims.notes import Certainty
from mixmon.findings.trims.sheet import make_sheet
from mixmon.note import note
from mixmon.session.model import Injection, Trims
from mixmon.watch.commands import NoteText


def drawn(shown, size=(80, 24), count=8, first=0, **changes):
    seen = scene(shown, count=count, **changes)
    return text(draw(seen, State(seen.options, page=Page.TRIMS, first=first), *size))


def told(lines):
    return " ".join(" ".join(lines).split())


def of_session(declared, found=None):
    found = balance(len(declared.chain.nodes)) if found is None else found
    return snapshot(len(declared.chain.nodes), balance=found, sheet=make_sheet(declared, found))


def test_rows_stand_in_the_order_of_the_engine_control_s_outputs():
    order = (1, 5, 3, 7, 4, 8, 2, 6)
    declared = replace(session(), injection=Injection(output_order=order))
    rows = [
        line.split()
        for line in drawn(of_session(declared))[2:]
        if line[:4].strip().isdigit() and "more" not in line
    ]
    assert [(int(row[0]), int(row[1])) for row in rows] == list(enumerate(order, 1))
    third = rows[2]
    assert third[2:9] == ["+5.3", "+5.0", "to", "+5.6", "0.00", "+5.50", "+5.50"]  # now, new, change


def test_reasons_stand_above_the_table_and_nothing_can_be_typed():
    why = (note(BalanceNote.IDENTITY_NOT_PROVED, changed_positions=(), open_positions=()),)
    lines = drawn(of_session(session(), replace(balance(), withheld=why)))
    assert lines[1].startswith(" no trims offered: no fuel step has shown yet")
    assert "needs are by label" in told(lines[:6])
    heading = next(i for i, line in enumerate(lines) if "needs %" in line and "95 %" in line)
    assert lines[heading].split()[0] == "lab"
    third = lines[heading + 3].split()
    assert third[:7] == ["3", "+5.3", "+5.0", "to", "+5.6", "0.00", "--"]
    assert "+5.50" not in told(lines)


def test_parts_and_the_fuel_that_is_left_stand_apart():
    lines = told(drawn(snapshot(), (110, 60)))
    assert "bank A +0.4 ±0.2 %" in lines
    assert "whole engine, for the base map: at most -0.7 ±0.2 %" in lines
    assert "these trims change the engine's fuel by +0.02 %; -0.02 % in the base map keeps it" in lines
    assert "spread 8.3 % (7.9 to 8.7) of 8, predicted 0.6 % (0.4 to 0.9)" in lines


def test_a_map_tells_what_changes_of_the_cylinder_that_was_picked():
    trims = Trims(identity="stated", shape="map", map_rpm=(2000.0, 4000.0), map_load=(18.0, 60.0))
    declared = replace(session(), trims=trims)
    lines = told(
        drawn(of_session(declared), (110, 60), declared=declared, options=replace(OPTIONS, chosen=3))
    )
    assert "cyl 3, by rpm/load: 2000/18" in lines


@pytest.mark.parametrize("count", [8, 16])
@pytest.mark.parametrize("size", [(80, 24), (200, 60)])
def test_every_cylinder_has_a_row(count, size):
    lines = drawn(snapshot(count), size, count)
    rows = [line.split() for line in lines if line[:5].strip().isdigit() and "more" not in line]
    assert [int(row[0]) for row in rows] == list(range(1, count + 1))
    assert (len(lines), {len(line) for line in lines}) == (size[1], {size[0]})


def pressed(shown, *keys):
    sent = []
    seen = scene(shown)
    controls = Controls(State(OPTIONS, page=Page.TRIMS), (OPTIONS.unit,), sent.append)
    for key in keys:
        controls.press(key, seen, 1.0)
    return sent, controls.state


def test_what_was_typed_is_noted_with_its_author_and_shown():
    sent, state = pressed(snapshot(), "enter")
    assert (sent, state.prompt.asked) == ([], Asked.ENTERED)
    sent, _ = pressed(snapshot(), "enter", *"Kim", "enter")
    (said,) = sent
    assert said == NoteText(entered_text(snapshot().sheet, "Kim"), standing=True)
    assert said.text.startswith("trims entered by Kim: cyl 1 0.00 to -0.50, cyl 2 0.00 to -2.50")
    shown = snapshot(remarks=((240 * 10**9, f"note: {said.text}"),))
    assert "04:00.0 trims entered by Kim: cyl 1" in told(drawn(shown, (110, 60)))


def test_where_nothing_is_offered_nothing_is_noted():
    kept = replace(balance(), withheld=(note(BalanceNote.TOO_FEW_NEEDS, known=1, cylinders=8),))
    sent, state = pressed(of_session(session(), kept), "enter")
    assert (sent, state.prompt) == ([], None)
    assert "nothing to type" in state.message


def test_no_note_stands_twice_and_what_is_within_error_is_said_once():
    seen = note(BalanceNote.BY_CYLINDERS_SEEN, labels=((3, 3, 4), (4, 4, 3)))
    found = replace(balance(), notes=(seen,))
    sheet = make_sheet(session(), found)
    why = {"certainty": note(Certainty.WITHIN_ERROR), "why": (note(BalanceNote.WITHIN_ERROR_OF_ZERO),)}
    sheet = replace(sheet, rows=(replace(sheet.rows[0], **why), *sheet.rows[1:]))
    lines = told(drawn(snapshot(balance=found, sheet=sheet), (110, 60)))
    assert lines.count("label 3 sees cylinder 4") == 1
    assert "within error" in lines
    assert "within error of zero" not in lines


def test_the_sheet_of_one_injection_stage_says_so_where_it_is_typed_from():
    staged = of_session(session(), replace(balance(), injection_stage=1))
    assert "injection stage 1 alone; mixmon trims LOG has both" in told(drawn(staged))
    assert "injection stage" not in told(drawn(of_session(session())))
