"""The watch screen as text: what stands where."""

from dataclasses import replace

import numpy as np
import pytest
from dashboard.scenes import (
    NEEDS,
    OPTIONS,
    UNITS,
    alarm_list,
    cylinders,
    nothing,
    replayed,
    scene,
    session,
    snapshot,
    text,
)

from mixmon.dashboard.keys import Page
from mixmon.dashboard.screens.bars import BarTrack
from mixmon.dashboard.screens.pages import State, draw
from mixmon.mixture.block import SampleState
from mixmon.session.model import Limits, OwnChannel, SignalChoice
from mixmon.watch.observer import make_strip

SIXTEEN = """\
 LIVE   REC 04:12  valid 15/16  chain 19 % 8 ms  engine 4 % 20 ms
 LIMIT             LEANEST needs fuel %   ALL needs %     SPREAD %     rpm/1000
█▀█ █ █ █▀▀ █▀█    ▀▀█      ▄  █▀▀   ▀▀█      █▀█   ▀▀█   █▀█   ▀▀█    █▀▀   ▀▀█
█ █ █ █ █▀  █▀▄    ▀▀█     ▀█▀ ▀▀█   ▀▀█  ▀▀▀ █ █     █   █▀█     █    █▀█     █
█▄█ ▀▄▀ █▄▄ █ █    ▄▄█      ▀  ▄▄█ ▄ ▄▄█      █▄█ ▄   █   █▄█ ▄   █    █▄█ ▄   █
cyl  lambda  needs % -12 RICH        target        LEAN +12  state           age
  1   0.864   -0.7 R       ┊         ━━●│      ┊             V  valid       8 ms
  2   0.847   -2.6 R       ┊      ━━●━  │      ┊             V  valid       8 ms
  3   0.916   +5.3 L       ┊            │      ┊●━━          V! over        8 ms
  4   0.853   -2.0 R       ┊       ━━●━ │      ┊             V  valid       8 ms
  5   0.875   +0.6 L       ┊            │●━    ┊             V  valid       8 ms
  6   0.855   -1.7 R       ┊        ━●━━│      ┊             V  valid       8 ms
  7   0.860   -1.1 R       ┊         ━●━│      ┊             V  valid       8 ms
  8   0.852   -2.1 R       ┊       ━━●━ │      ┊             V  valid       8 ms
  9   0.873   +0.3 L       ┊           ━●━━    ┊             V  valid       8 ms
 10   0.887   +1.9 L       ┊            │ ━●━  ┊             V  valid       8 ms
 11   0.867   -0.4 R       ┊          ━●│━     ┊             V  valid       8 ms
 12   0.889   +2.2 L       ┊            │ ━●━━ ┊             V  valid       8 ms
 13   0.840   -3.4 R       ┊     ━━●━   │      ┊             V  valid       8 ms
 14   0.878   +0.9 L       ┊            │●━━   ┊             V  valid       8 ms
 15   0.868   -0.2 R       ┊          ━━●━     ┊             V  valid       8 ms
 16      --     --         ┊            │      ┊             X  silent     2.4 s
 04:11.0  P1 cyl 3 lean under load  0.046 (limit 0.040 lambda)            UNACK
 a ack  space mark  f freeze  b balance  l alarms  h bus  t trims        ? keys
"""


def page(shown, width=80, height=24, options=OPTIONS):
    return [line.rstrip() for line in text(draw(shown, State(options), width, height))]


def row_of(lines, cylinder):
    return next(line for line in lines if line.lstrip().startswith(f"{cylinder}  "))


def test_sixteen_cylinders_at_80_by_24():
    """Lambda by hand: 0.87 (1 + needs / 100)."""
    assert page(scene(count=16)) == SIXTEEN.splitlines()


def test_cylinders_stand_in_firing_order_or_bank_by_bank():
    def order(options):
        lines = page(scene(options=options))
        return [int(line[:3]) for line in lines if line[3:5] == "  " and line[:3].strip().isdigit()]

    assert order(OPTIONS) == [1, 5, 3, 7, 4, 8, 2, 6]
    assert order(replace(OPTIONS, order="bank")) == [1, 2, 3, 4, 5, 6, 7, 8]


def test_lean_is_right_of_the_target_and_rich_is_left_and_each_has_its_sign_and_letter():
    lines = page(scene())
    middle = row_of(lines, 8).index("│")
    lean, rich = row_of(lines, 3), row_of(lines, 2)
    assert lean.index("●") > middle
    assert "+5.3 L" in lean
    assert rich.index("●") < middle
    assert "-2.6 R" in rich


@pytest.mark.parametrize(
    ("percent", "cell"), [(0.0, 18), (12.0, 36), (-12.0, 0), (6.0, 27), (40.0, 36), (-40.0, 0)]
)
def test_a_bar_of_37_cells_over_12_percent(percent, cell):
    """18 cells to either side: by hand, two thirds of a percent each."""
    assert BarTrack(37, 12.0, None, None).at(percent) == cell


def test_what_lies_beyond_the_bar_points_outwards():
    now = cylinders([20.0, -20.0, 0.0, 0.0])
    lines = page(scene(snapshot(4, cylinders=now), count=4))
    assert row_of(lines, 1)[21:].rstrip().split("V")[0].rstrip().endswith("▶")
    assert row_of(lines, 2)[21:].startswith("◀")


@pytest.mark.parametrize(
    ("state", "letter", "word"),
    [
        (SampleState.COLD, "W", "cold"),
        (SampleState.WARMING, "W", "warming"),
        (SampleState.SETTLING, "W", "settling"),
        (SampleState.HELD, "H", "held"),
        (SampleState.SILENT, "X", "silent"),
        (SampleState.AT_RICH_LIMIT, "R", "rich end"),
        (SampleState.AT_LEAN_LIMIT, "L", "lean end"),
        (SampleState.OVERRUN, "C", "overrun"),
        (SampleState.SPARK_CUT, "C", "spark cut"),
        (SampleState.SUSPECT, "V?", "suspect"),
        (SampleState.LEFT_OUT, "-", "left out"),
    ],
)
def test_what_is_not_valid_has_no_number_no_mark_and_says_why(state, letter, word):
    states = [SampleState.VALID] * 8
    states[3] = state
    line = row_of(page(scene(snapshot(cylinders=cylinders(NEEDS[:8], state=states)))), 4)
    assert line.split()[1:3] == ["--", "--"]
    assert "●" not in line
    assert f" {letter:<2} {word}" in line


def test_peaks_are_shown_when_asked_for():
    """Cylinder 3's worst is +6.8 %: one cell beyond the bar's end."""
    assert "▹" not in "".join(page(scene()))
    line = row_of(page(scene(options=replace(OPTIONS, peaks=True))), 3)
    assert line.index("▹") > line.index("●")


@pytest.mark.parametrize(
    ("unit", "heading", "number"),
    [
        ("lambda", "lambda", "0.916"),
        ("phi", "phi", "1.092"),  # 1 / 0.91611, by hand
        ("afr", "AFR/14.01", "12.83"),  # 0.91611 x 14.008, by hand
        ("oxygen", "O2 %", "-1.7"),  # about 0.21 (1 - 1 / 0.916) of the air burnt, wet
    ],
)
def test_units_stand_in_the_heading_and_a_ratio_with_its_stoichiometric_one(unit, heading, number):
    lines = page(scene(options=replace(OPTIONS, unit=UNITS[unit])))
    assert heading in next(line for line in lines if line.startswith("cyl"))
    assert row_of(lines, 3).split()[1].startswith(number)


def test_digits_precision():
    assert row_of(page(scene(options=replace(OPTIONS, decimals=2))), 3).split()[1] == "0.92"


def test_before_the_first_frame_there_is_no_data_and_no_number():
    lines = page(scene(nothing()))
    assert "█▄ █ █▀█   █▀▄ █▀█ ▀█▀ █▀█" in lines[2]
    assert "nothing received yet" in lines[5]
    assert all(line.split()[1:3] == ["--", "--"] for line in lines if line[:3].strip().isdigit())


def test_without_a_target_needs_are_against_peers_and_say_so():
    lines = page(scene(snapshot(target=np.nan, all_vs_target=np.nan, alarms=alarm_list())))
    assert "peers" in next(line for line in lines if line.startswith("cyl"))
    assert "+5.8 L" in row_of(lines, 3)
    assert "┊" not in "".join(lines)


def test_limits_without_a_source_are_marked():
    shown = scene(declared=session(limits=Limits(None, ())))
    assert "placeholder limits" in page(shown)[0]


def test_under_80_columns_the_bars_go_first():
    lines = page(scene(), 79, 24)
    assert "●" not in "".join(lines)
    assert "+5.3 L   V! over" in row_of(lines, 3)


def test_events_go_before_keys_and_keys_before_cylinders():
    shown = scene(count=16)
    kept = {height: "\n".join(page(shown, 80, height)) for height in (24, 23, 22, 15)}
    assert "UNACK" in kept[24]
    assert "UNACK" not in kept[23]
    assert "? keys" in kept[23]
    assert "? keys" not in kept[22]
    assert "●" in kept[15]


def test_at_200_by_60_everything_is_there_at_once():
    lines = "\n".join(page(scene(), 200, 60))
    for words in (
        "LEAN +12",
        "ALL cylinders",
        "FROM ABOVE",
        "bank B",
        "CELLS cyl 3",
        "HOLD 6000 rpm",
        "S-108",
    ):
        assert words in lines
    assert "pull began" in lines
    assert "? keys" in lines
    assert any(0x2800 < ord(char) < 0x2900 for char in lines)
    nobody = scene(snapshot(leanest=None, cylinders=cylinders([0.0] * 8, silent=range(8))))
    assert "CELLS cyl 1" in "\n".join(page(nobody, 200, 60))  # as on the balance screen


def test_ascii_draws_the_same_things_in_ascii():
    shown = scene(options=replace(OPTIONS, ascii=True))
    for size in ((40, 10), (80, 24), (100, 40), (200, 60)):
        assert all(line.isascii() for line in page(shown, *size))
    line = row_of(page(shown), 3)
    assert "+5.3 L" in line
    assert ":O--" in line


def test_a_stopped_worker_is_a_state_of_the_screen():
    lines = page(scene(snapshot(failure="no space left on device", recording="not recording")))
    assert lines[0].startswith(" STOPPED   not recording")
    assert "no space left on device" in lines[5]
    assert "5.3" not in "\n".join(lines)


WHY = "the analysis stopped: ValueError: operands could not be broadcast together with shapes (3,) (4,)"


@pytest.mark.parametrize("size", [(40, 10), (80, 24), (200, 60)])
@pytest.mark.parametrize("shown_page", [Page.WATCH, Page.BUS, Page.BALANCE])
def test_a_failed_analysis_and_a_record_that_goes_on_are_both_said_loudly(size, shown_page):
    shown = scene(snapshot(failure=WHY))
    rows = draw(shown, State(OPTIONS, page=shown_page), *size)
    loud = "".join(words for words, style in rows[0] if style in {"status-badge", "status-alert"})
    assert "STOPPED" in loud
    assert "STILL RECORDING" in loud
    squeezed = " ".join(" ".join(text(rows)).split())
    assert "silent" not in squeezed.replace("P2 cyl 8 node silent", "")
    if shown_page is Page.WATCH and size != (40, 10):
        assert squeezed.count(WHY) == 1
        assert squeezed.count("not known") >= 8


def test_what_nobody_looks_at_has_no_age_and_no_dwell():
    lines = page(scene(snapshot(failure=WHY)), 200, 60)
    row = row_of(lines, 3)
    assert row.split()[:6] == ["3", "--", "--", "┊", "│", "┊"]
    assert "?  not known     --" in row
    assert "steady" not in "\n".join(lines)
    assert "HOLD" not in "\n".join(lines)


def test_a_long_name_of_a_run_leaves_room_for_loads_and_ages():
    shown = snapshot(recording="recording 2026-11-25T12-55-04Z-alder-8-short")
    declared = session(limits=Limits(None, ()))
    line = page(scene(shown, declared=declared))[0]
    assert line.startswith(" LIVE   REC 04:12  valid 7/8  placeholder limits  chain 19 % 8 ms")
    wide = page(scene(shown, declared=declared), 120)[0]
    assert wide.startswith(" LIVE   recording 2026-11-25T12-55-04~ 04:12  valid 7/8")
    assert "engine 4 % 20 ms" in wide


@pytest.mark.parametrize("why", ["the run's folder is gone", "No space left on device"])
def test_why_nothing_is_recorded_any_more_can_be_read_at_80_columns(why):
    declared = session(limits=Limits(None, ()))
    line = page(scene(snapshot(recording=f"recording failed: {why}"), declared=declared))[0]
    assert f"recording failed: {why}  " in line
    assert "7/8" in line


def test_a_frozen_picture_says_so():
    assert "FROZEN 12 s" in page(scene(frozen=12.0))[0]


def test_a_replay_tells_its_place_and_when_it_is_held():
    assert page(scene(replayed()))[0].startswith(" REPLAY 04:12.0")
    assert page(scene(replayed(), paused=True))[0].startswith(" PAUSED 04:12.0")


def test_while_recording_its_length_stands_in_the_status():
    shown = scene(snapshot(recording_s=3725.0))
    assert page(shown)[0].startswith(" LIVE   REC 1:02:05  valid")
    assert " recording run 7 1:02:05 " in page(shown, width=120)[0]


def test_the_strip_has_now_on_top_and_lean_to_the_right():
    """A step from rich to lean ten seconds ago: the upper half lies right of the middle, the lower left."""
    from mixmon.dashboard.screens.watch import strip_rows

    t = np.arange(-200, 0) / 10.0
    engine = np.where(t > -10, 0.87 * 1.06, 0.87 * 0.94)
    strip = make_strip(t, np.full(200, 0.87), engine, engine)
    for plain in (False, True):
        shown = scene(snapshot(strip=strip), options=replace(OPTIONS, ascii=plain))
        rows = text(strip_rows(shown, 60, 14))[2:]
        pane = [line[6:32] for line in rows]
        trace = [next(i for i, c in enumerate(line) if c not in " │┊|:") for line in pane]
        assert all(x > 13 for x in trace[:6])
        assert all(x < 13 for x in trace[6:])


@pytest.mark.parametrize("banks", [{}, {"A": tuple(range(1, 17))}], ids=["no bank", "one bank"])
def test_the_plan_shows_every_cylinder_of_a_row_of_sixteen(banks):
    declared = session(16)
    declared = replace(declared, engine=replace(declared.engine, banks=banks))
    lines = page(scene(count=16, declared=declared), 200, 60)
    top = next(i for i, line in enumerate(lines) if "FROM ABOVE" in line)
    plan = [line[lines[top].index("FROM ABOVE") :].split() for line in lines[top + 1 : top + 19]]
    assert [row[0] for row in plan if row and row[0].isdigit()] == [str(c) for c in range(1, 17)]


@pytest.mark.parametrize(
    ("shown_page", "size", "there"),
    [
        (Page.WATCH, (120, 40), True),
        (Page.WATCH, (200, 60), True),
        (Page.WATCH, (119, 40), False),
        (Page.WATCH, (80, 24), False),
        (Page.BUS, (80, 24), True),
    ],
)
def test_own_channels_stand_where_there_is_room(shown_page, size, there):
    gas = OwnChannel(SignalChoice("engine", "Extra", "Gas", unit="degC"))
    knocks = OwnChannel(SignalChoice("engine", "Extra", "Knocks"))
    pump = OwnChannel(SignalChoice("engine", "Extra", "Pump", equals=(2.0,)))
    declared = replace(session(), channels={"egt": gas, "knocks": knocks, "pump": pump})
    shown = snapshot()
    shown = replace(shown, engine={**shown.engine, "egt": 812.34, "pump": 1.0})
    lines = text(draw(scene(shown, declared=declared), State(OPTIONS, page=shown_page), *size))
    assert any("egt 812 degC  knocks NO DATA  pump yes" in line for line in lines) is there
