"""DBC texts: read as cantools reads them; each fault named with its line, and what it costs."""

import re
from pathlib import Path

import pytest
from library_reading import facts_of_library, facts_of_plan, library_id, library_messages

from mixmon.frames.block import EXTENDED
from mixmon.messages.chain import CHAIN_FILE, ENGINE_FILE, shipped_database
from mixmon.messages.database import decode_text
from mixmon.messages.dbc import read_dbc
from mixmon.messages.plan import Selector

HERE = Path(__file__).parent
EXAMPLES = sorted((HERE.parents[1] / "examples").glob("*.dbc"))
SAME = [
    *(shipped_database(CHAIN_FILE), shipped_database(ENGINE_FILE)),
    *EXAMPLES,
    # the others of the zoo have what cantools errs about or refuses
    *(
        path
        for path in sorted((HERE / "zoo").glob("*.dbc"))
        if path.stem not in {"lost_multiplex", "two_parents"}
    ),
]


@pytest.mark.parametrize("path", SAME, ids=lambda path: path.stem)
def test_every_message_is_read_as_by_cantools(path):
    text = decode_text(path.read_bytes())
    theirs = {library_id(message): facts_of_library(message) for message in library_messages(text)}
    mine = {definition.plan.can_id: facts_of_plan(definition.plan) for definition in read_dbc(text)[0]}
    assert mine == theirs


MESSAGE = 'BO_ 291 M: 8 X\n SG_ A : 0|32@1+ (1,0) [0|0] "" Y\n'
"""One message, one signal, two lines."""

TOLD = [
    # a statement that stops fitting: the line, the place, what was expected
    (MESSAGE + "FOO_ 1;\n", "line 3: 'FOO_ 1;' is no statement; expected a line that begins with BO_"),
    (MESSAGE + "BO_ 16 N 8 X\n", "line 3: BO_ cannot be read from '8 X' on; expected a colon after the name"),
    (
        MESSAGE + ' SG_ B : 32|8@1 (1,0) [0|0] "" Y\n',
        r"line 3: M.B: SG_ .* from '\(1,0\).* expected \+ \(unsigned\)",
    ),
    (
        MESSAGE + 'CM_ "no end\n',
        "line 3: CM_ .* from '\"no end' on; expected a text between two double quotes",
    ),
    (MESSAGE + 'CM_ "an "odd" one";\n', "line 3: CM_ .* from 'odd\" one\";' on; expected a semicolon"),
    (
        MESSAGE + 'VAL_ 291 A 0 "off" 1;\nCM_ "x";\n',
        "line 3: VAL_ .* from '1;' on; .*; the value table is omit",
    ),
    # a missing semicolon is blamed on the line where it is missing
    (MESSAGE + 'CM_ "a"\nCM_ "b";\n', "line 3: CM_ without its semicolon; .*; taken so"),
    (MESSAGE + 'CM_ "a\nb"\n\nCM_ "c";\n', "line 4: CM_ without its semicolon; .*; taken so"),
    (MESSAGE + 'VAL_ 291 A 0 "off"\n  1 "on"\nCM_ "b";\n', "line 4: VAL_ without its semicolon"),
    # a line cut short does not take the next one for a name
    (MESSAGE + 'CM_ SG_ 291\nCM_ SG_ 291 A "a";\n', "line 3: CM_ .* the comment is omitted"),
    (MESSAGE + 'BO_TX_BU_ 291 :\nCM_ "a";\n', "line 3: BO_TX_BU_ .* expected the names of nodes"),
    # numbers that are written otherwise, or cannot be
    (
        MESSAGE.replace("BO_ 291", "BO_ 0x123"),
        "line 1: BO_ 0x123: expected a decimal number; write 291; taken so",
    ),
    (MESSAGE.replace("(1,", "(0,25,"), r"line 2: M.A: \(0,25,0\); .* as in \(0.25,0\); omitted"),
    (MESSAGE.replace("[0|0]", "[0,0]"), r"line 2: M.A: range \[0,0\]; .*; no range is assumed"),
    (MESSAGE.replace("0|32", "-8|32"), "line 2: M.A: starts at bit -8; expected a bit of a frame"),
    (MESSAGE.replace("0|32", "0|0"), "line 2: M.A: has 0 bits; expected 1 to 64; correct it; omitted"),
    (MESSAGE.replace("291", "2049"), "line 1: M: identifier 0x801 is more than 11 bits; .* write 2147485697"),
    (MESSAGE.replace("291", "4294967295"), "line 1: M: number 4294967295 is no identifier; .*; omitted"),
    # what is left over, what is not there
    (
        MESSAGE.replace(' "" Y', ' "" Y Z'),
        "line 2: 'Z' after the end of SG_; expected nothing there; delete it",
    ),
    (MESSAGE.replace(" X", ""), "line 1: BO_ 291 M without a node; .*; taken so"),
    (MESSAGE.replace(" Y", ""), "line 2: M.A: no receiving node; .*; taken so"),
    # statements about what is not there
    (
        MESSAGE + "SIG_VALTYPE_ 291 B : 1;\n",
        "line 3: SIG_VALTYPE_ 291 B: no such signal in M; .* delete that",
    ),
    (MESSAGE + 'VAL_ 291 B 1 "x" ;\n', "line 3: VAL_ 291 B: no such signal in M"),
    (
        MESSAGE + 'CM_ BO_ 5 "x";\nCM_ SG_ 5 S "x";\n',
        r"line 3: CM_ 5 \(and 1 more\): no message has that number",
    ),
    (MESSAGE + 'BA_ "Own" BO_ 291 1;\n', 'line 3: attribute "Own" is not defined; .* write one; ignored'),
    # other contradictions
    (MESSAGE + "SIG_VALTYPE_ 291 A 1;\n", "line 3: .* without a colon before the type; .*; taken so"),
    (MESSAGE + "VAL_ 291 A Words ;\n", "line 3: VAL_ 291 A names the table Words, which is not there"),
    (MESSAGE + 'VAL_ 291 A 1 "x" 1 "y" ;\n', "line 3: VAL_ 291 A: 1 is described twice; .* the last is used"),
    (
        MESSAGE.replace("0|32", "0|16") + "SIG_VALTYPE_ 291 A : 1;\n",
        "line 2: M.A is a float of 16 bits; expected 32",
    ),
    (MESSAGE.replace(" A :", " A x1 :"), "line 2: M.A: marker x1; expected nothing, M, or m and a number"),
    (
        MESSAGE + 'BA_DEF_ BO_ "VFrameFormat" ENUM "a","b";\nBA_ "VFrameFormat" BO_ 291 14;\n',
        'line 4: attribute "VFrameFormat" is 14; expected one of its words',
    ),
]


@pytest.mark.parametrize(("text", "expected"), TOLD)
def test_a_fault_is_told_with_its_line_and_what_to_write(text, expected):
    definitions, _, notices = read_dbc(text)
    assert len(definitions) == (0 if "4294967295" in text else 1)
    assert [bool(re.match(expected, str(notice))) for notice in notices] == [True]


def test_all_faults_of_a_file_are_told_at_once_in_its_order():
    text = (
        MESSAGE
        + "FOO_ 1;\n"
        + 'CM_ "no end\nVAL_ 291 A 0 "x"\nVAL_ 5 B 0 "y" ;\nBO_ 7 N: 8 X\n SG_ C 0|8@1+\n'
    )
    definitions, _, notices = read_dbc(text)
    assert [notice.line for notice in notices] == [3, 4, 5, 6, 8]
    assert [definition.plan.name for definition in definitions] == ["M", "N"]


class TestTakenNevertheless:
    def read(self, text):
        [definition], _, _ = read_dbc(text)
        return definition.plan

    def test_numbers_without_a_digit_before_the_point_and_with_exponents(self):
        plan = self.read(MESSAGE.replace("(1,0) [0|0]", "(.25,-0) [1e-05|1E+3]"))
        [signal] = plan.signals
        assert (signal.scale, signal.offset, signal.minimum, signal.maximum) == (0.25, 0.0, 1e-05, 1000.0)

    def test_an_identifier_that_has_29_bits_only(self):
        assert self.read(MESSAGE.replace("291", "2049")).can_id == 2049 | EXTENDED

    def test_a_value_table_by_its_name(self):
        text = 'VAL_TABLE_ Words 0 "off" 1 "on" ;\n' + MESSAGE + "VAL_ 291 A Words ;\n"
        assert self.read(text).signals[0].choices == {0: "off", 1: "on"}

    def test_codes_and_names_whose_definition_is_unreadable(self):
        text = MESSAGE + 'BA_DEF_ BO_ "VFrameFormat ENUM "a";\nBA_ "VFrameFormat" BO_ 291 3;\n'
        [definition], _, notices = read_dbc(text)
        assert definition.attributes["VFrameFormat"] == "J1939PG"
        assert [notice.line for notice in notices] == [3, 4]

    def test_a_comment_whose_lines_look_like_statements(self):
        [definition], _, notices = read_dbc(MESSAGE + 'CM_ BO_ 291 "first\nBO_ 5 N: 8 X\nlast";\n')
        assert definition.plan.comment == "first\nBO_ 5 N: 8 X\nlast"
        assert notices == ()

    def test_a_comment_of_the_file_in_the_middle_of_a_statement(self):
        [definition], _, notices = read_dbc("BO_ 291 M: // , a : ;\n 8 X // BO_ 1 N: 8 X\n")
        assert (definition.plan.size, notices) == (8, ())


PAGES = (
    "BO_ 291 M: 8 X\n"
    ' SG_ Page M : 0|8@1+ (1,0) [0|0] "" Y\n'
    ' SG_ A m0 : 8|8@1+ (1,0) [0|0] "" Y\n'
    ' SG_ B m1 : 8|8@1+ (1,0) [0|0] "" Y\n'
    ' SG_ C : 16|8@1+ (1,0) [0|0] "" Y\n'
)


@pytest.mark.parametrize(
    ("found", "put", "names"),
    [
        ("SG_ Page M :", "SG_ Page M", ["C"]),  # a multiplexer is lost: its branches would be read as one
        ("SG_ Page M : 0|", "SG_ Page M : 0 ", ["C"]),
        ("SG_ Page M :", "S_ Page M :", ["C"]),  # a line that may have been one
        (
            "SG_ A m0 :",
            "SG_ A m0",
            ["Page", "B", "C"],
        ),  # its name is known not to be a multiplexer's once it has a colon
        ("SG_ A m0 : 8|", "SG_ A m0 : 8 ", ["Page", "B", "C"]),
        ("SG_ C : 16|", "SG_ C : 16 ", ["Page", "A", "B"]),
    ],
)
def test_branches_of_a_lost_multiplexer_are_omitted(found, put, names):
    [definition], _, notices = read_dbc(PAGES.replace(found, put))
    if put == "SG_ A m0":  # nothing says that this was no multiplexer
        names = ["Page", "C"]
    assert [signal.name for signal in definition.plan.signals] == names
    assert notices
    for signal in definition.plan.signals:
        assert signal.selectors == (
            (Selector("Page", ((int(signal.name == "B"),) * 2,)),) if signal.name in "AB" else ()
        )


def test_signals_below_an_unreadable_message_are_not_given_to_the_one_above():
    [definition], _, notices = read_dbc(MESSAGE + "BO 5 N: 8 X\n" + ' SG_ B : 32|8@1+ (1,0) [0|0] "" Y\n')
    assert [signal.name for signal in definition.plan.signals] == ["A"]
    assert [notice.line for notice in notices] == [3, 4]
