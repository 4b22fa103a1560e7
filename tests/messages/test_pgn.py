"""Messages matched by SAE J1939 parameter group, and its codes by request. Groups are those of cantools."""

import json

import cantools.j1939
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from mixmon.cli.main import DONE, main
from mixmon.frames.block import EXTENDED, FrameBlock
from mixmon.messages.database import load_database
from mixmon.messages.decode import Decoder
from mixmon.messages.plan import parameter_groups

BROADCAST = 0x0CF00400  # PF F0: the next byte belongs to the group
DIRECTED = 0x18EA2131  # PF EA: the next byte is the destination
TEXT = "".join(
    f'BO_ {number} {name}: 8 X\n SG_ Value : 0|16@1+ (1,0) [0|0] "" X\n'
    for number, name in ((EXTENDED | BROADCAST, "Broad"), (EXTENDED | DIRECTED, "Directed"), (0x123, "Short"))
)


@given(st.lists(st.integers(0, 0x1FFF_FFFF), min_size=1, max_size=20))
def test_groups_are_those_of_cantools(identifiers):
    expected = [cantools.j1939.pgn_from_frame_id(identifier) for identifier in identifiers]
    assert parameter_groups(np.array(identifiers, np.uint32)).tolist() == expected
    marked = np.array(identifiers, np.uint32) | np.uint32(EXTENDED)
    assert parameter_groups(marked).tolist() == expected


def decoded(path, identifiers, **how):
    """The message that each frame was taken for, None for no message; its number rises from 0."""
    n = len(identifiers)
    data = np.zeros((n, 8), np.uint8)
    data[:, 0] = np.arange(n)
    zeros, size = np.zeros(n, np.uint8), np.full(n, 8, np.uint8)
    block = FrameBlock(
        np.arange(n), np.array(identifiers, np.uint32), zeros, size, size, zeros, data, ("can0",)
    )
    decoder = Decoder([(0, load_database(path, **how).messages)])
    found = [None] * n
    for part in decoder.decode(block, np.zeros(1, np.uint8)):
        assert part.values[0].tolist() == part.rows.tolist()
        for row in part.rows.tolist():
            found[row] = part.message.name
    assert decoder.unknown == found.count(None)
    return found


@pytest.fixture
def path(tmp_path):
    path = tmp_path / "truck.dbc"
    path.write_text(TEXT)
    return path


OTHERS = [
    (EXTENDED | 0x18F00431, "Broad"),  # other priority and source
    (EXTENDED | 0x0CEAFF00, "Directed"),  # other priority, destination and source
    (EXTENDED | 0x0CF00500, None),  # another group
    (EXTENDED | 0x0DF00400, None),  # another data page
    (0x123, "Short"),
    (EXTENDED | 0x123, None),
]


def test_by_group_priority_source_and_destination_do_not_matter(path):
    names = [name for _, name in OTHERS]
    assert decoded(path, [number for number, _ in OTHERS], by_pgn=True) == names
    assert decoded(path, [number for number, _ in OTHERS]) == [None] * 4 + ["Short", None]


def test_an_identifier_goes_before_its_group_and_a_shared_group_decides_nothing(path):
    other = EXTENDED | 0x0CF00401
    path.write_text(TEXT + f'BO_ {other} Second: 8 X\n SG_ Value : 0|16@1+ (1,0) [0|0] "" X\n')
    frames = [EXTENDED | BROADCAST, other, EXTENDED | 0x0CF00402]
    assert decoded(path, frames, by_pgn=True) == ["Broad", "Second", None]
    [told] = load_database(path, by_pgn=True).notices
    assert "Broad, Second: one parameter group, 61444 (0xf004)" in str(told)


LOG = "(1000.0) can0 18F00431#FFFF000000000000\n(1000.1) can0 0CF00400#0100000000000000\n"


@pytest.mark.parametrize(
    ("asked", "expected"),
    [
        ([], ["1.0,,good"]),
        (["--j1939-codes", "on"], ["1.0,,good"]),
        (["--match", "pgn"], ["65535.0,,good", "1.0,,good"]),
        (["--match", "pgn", "--j1939-codes", "off"], ["65535.0,,good", "1.0,,good"]),
        (["--match", "pgn", "--j1939-codes", "on"], [",,not available", "1.0,,good"]),
    ],
)
def test_decode_by_group_and_with_codes_when_asked(path, capsys, asked, expected):
    log = path.with_suffix(".log")
    log.write_text(LOG)
    assert main(["decode", str(log), "--database", str(path), *asked]) == DONE
    out, err = capsys.readouterr()
    assert [row.split("Broad,Value,")[1] for row in out.splitlines()[1:]] == expected
    assert ("from 2 source addresses taken together: 00, 31" in err) == ("pgn" in asked)


SESSION = """\
[engine]
cylinders = 1
[[bus]]
name = "b"
database = "truck.dbc"
match = "pgn"
j1939_codes = true
[chain.signals]
lambda = { signal = "Broad.Value", scale = 0.001 }
"""


def test_a_session_says_so_by_bus_and_options_go_before(path, capsys):
    log, session = path.with_suffix(".log"), path.with_suffix(".toml")
    log.write_text(LOG)
    session.write_text(SESSION)
    assert main(["decode", str(log), "--session", str(session)]) == DONE
    assert [row.rsplit(",", 1)[1] for row in capsys.readouterr().out.splitlines()[1:]] == [
        "not available",
        "good",
    ]
    main(["decode", str(log), "--session", str(session), "--match", "identifier", "--j1939-codes", "off"])
    assert [row.rsplit(",", 1)[1] for row in capsys.readouterr().out.splitlines()[1:]] == ["good"]


def test_the_census_knows_frames_by_their_group(path, capsys):
    log, session = path.with_suffix(".log"), path.with_suffix(".toml")
    log.write_text("".join(f"({1000 + i / 10:.1f}) can0 18F00431#0100000000000000\n" for i in range(20)))
    session.write_text(SESSION)
    assert main(["census", str(log), "--session", str(session), "--json"]) == DONE
    told = json.loads(capsys.readouterr().out)
    assert told["strangers"] == []
    assert [node["ids"] for node in told["nodes"]] == [[BROADCAST]]
    session.write_text(SESSION.replace('match = "pgn"\n', ""))
    main(["census", str(log), "--session", str(session), "--json"])
    assert [one["id"] for one in json.loads(capsys.readouterr().out)["strangers"]] == [0x18F00431]


def test_codes_can_be_asked_for_and_refused(path):
    on, off = (load_database(path, j1939_codes=codes).messages[0].signals[0] for codes in (True, False))
    assert on.not_available == ((0xFF00, 0xFFFF),)
    assert off.not_available == ()
    assert load_database(path).messages[0].signals[0].not_available == ()
    assert load_database(path, j1939_codes=True).message("Short").signals[0].not_available == ()
