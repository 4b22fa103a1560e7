"""Alarm conditions: against Python's own reading where all is known, and Kleene's tables where not."""

import ast
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from mixmon.errors import UsageError
from mixmon.session import when
from mixmon.session.when import ConditionError, names, parse, true_and_false

NAN = float("nan")
NAMES = ("rpm", "throttle", "map_kpa", "fuel_cut", "spark_cut")
SIGNS = ("<", "<=", ">", ">=", "==", "!=")
ONE = {"rpm": 3000.0, "throttle": 80.0, "fuel_cut": 0.0, "spark_cut": 1.0, "coolant_c": -5.0}


def known_true(text, columns):
    true, _ = true_and_false(parse(text), columns)
    return true


def at(text, **values):
    return bool(np.ravel(known_true(text, {name: np.array([value]) for name, value in values.items()}))[0])


TRUE = (
    "rpm > 2500",
    "2500 < rpm",
    "rpm >= 3000 and rpm <= 3000",
    "rpm == 3000.0",
    "rpm != 2999",
    "throttle > 60 and rpm > 2500",
    "spark_cut",
    "not fuel_cut",
    "not not spark_cut",
    "fuel_cut or spark_cut",
    "rpm < 1000 or throttle > 60 and rpm > 2500",
    "not (rpm < 1000 and throttle > 60)",
    "((rpm)) and ( throttle>60)",
    "coolant_c > -10",
    "coolant_c > -1e1 and coolant_c < +.5",
    "rpm > throttle",
)
FALSE = (
    "rpm < 2500",
    "fuel_cut",
    "not spark_cut",
    "fuel_cut and spark_cut",
    "(fuel_cut or spark_cut) and rpm < 1000",
    "not rpm > 2500",
    "coolant_c > 0",
    "throttle > rpm",
)


@pytest.mark.parametrize("text", TRUE)
def test_conditions_that_hold(text):
    assert at(text, **ONE)


@pytest.mark.parametrize("text", FALSE)
def test_conditions_that_do_not_hold(text):
    assert not at(text, **ONE)


def texts(depth):
    operand = st.sampled_from(NAMES)
    number = st.sampled_from(("0", "1", "2.5", "-1", "1e0"))
    leaf = st.one_of(
        operand,
        st.tuples(operand, st.sampled_from(SIGNS), st.one_of(number, operand)).map(" ".join),
        st.tuples(number, st.sampled_from(SIGNS), operand).map(" ".join),
    )
    if depth == 0:
        return leaf
    inner = texts(depth - 1)
    return st.one_of(
        leaf,
        inner.map("({})".format),
        inner.map("not ({})".format),
        st.tuples(inner, st.sampled_from(("and", "or")), inner).map(" ".join),
    )


@given(texts(3), st.lists(st.sampled_from((0.0, 1.0, 2.5, -1.0)), min_size=5, max_size=5))
def test_where_all_is_known_a_condition_reads_as_python_does(text, values):
    """Oracle: Python's parser and precedence, which agree with the grammar on these texts."""
    scalars = dict(zip(NAMES, values, strict=True))
    assert at(text, **scalars) is bool(eval(text, {}, scalars))


KLEENE = {
    # Kleene's strong tables, from memory: true, false, unknown as 1, 0, NaN.
    "a and b": {(1, 1): 1, (1, 0): 0, (1, NAN): NAN, (0, 0): 0, (0, NAN): 0, (NAN, NAN): NAN},
    "a or b": {(1, 1): 1, (1, 0): 1, (1, NAN): 1, (0, 0): 0, (0, NAN): NAN, (NAN, NAN): NAN},
}


@pytest.mark.parametrize("text", KLEENE)
def test_and_or_not_follow_the_three_valued_tables(text):
    for (a, b), expected in KLEENE[text].items():
        for x, y in {(a, b), (b, a)}:
            assert at(text, a=x, b=y) is (expected == 1)
            assert at(f"not ({text})", a=x, b=y) is (expected == 0)


@pytest.mark.parametrize("sign", SIGNS)
def test_a_comparison_with_nothing_is_unknown_both_ways(sign):
    for text in (f"rpm {sign} 100", f"100 {sign} rpm", f"rpm {sign} rpm"):
        assert not at(text, rpm=NAN)
        assert not at(f"not {text}", rpm=NAN)


def test_a_signal_that_is_not_there_is_unknown():
    assert not at("throttle > 60", rpm=3000.0)
    assert not at("not throttle > 60", rpm=3000.0)
    assert at("rpm > 2500 or throttle > 60", rpm=3000.0)
    assert not known_true("fuel_cut", {})


def test_columns_of_rows_stand_beside_columns_of_rows_and_cylinders():
    columns = {"rpm": np.array([[1000.0, 3000.0], [3000.0, NAN]]), "fuel_cut": np.array([[0.0], [0.0]])}
    assert known_true("rpm > 2500 and not fuel_cut", columns).tolist() == [[False, True], [True, False]]
    assert known_true("not fuel_cut", columns).tolist() == [[True], [True]]


def test_names_come_once_in_the_order_of_the_text():
    tree = parse("throttle > 60 and (rpm > 2500 or rpm < throttle) and not fuel_cut")
    assert names(tree) == ("throttle", "rpm", "fuel_cut")


def test_trees_are_equal_when_the_texts_say_the_same():
    assert parse("rpm>2500") == parse("rpm > 2500")
    assert hash(parse("rpm > 2500 or fuel_cut"))


WRONG = {
    "nothing": ("", 1, "the end", "a signal name"),
    "blanks": ("   ", 4, "the end", "a signal name"),
    "no right side": ("rpm >", 6, "the end", "a number or a signal name"),
    "no left side": ("> 2500", 1, "'>'", "a signal name"),
    "one equals sign": ("rpm = 3", 5, "'='", "'=='"),
    "signs of another language": ("rpm > 1 && fuel_cut", 9, "'&'", "'and'"),
    "exclamation mark": ("!fuel_cut", 1, "'!'", "'not'"),
    "open parenthesis": ("(rpm > 1", 9, "the end", "')'"),
    "close parenthesis": ("rpm > 1)", 8, "')'", "the end"),
    "chain": ("1000 < rpm < 2000", 12, "'<'", "'and'"),
    "two claims side by side": ("fuel_cut spark_cut", 10, "'spark_cut'", "'and'"),
    "a number alone": ("rpm > 1 and 3", 14, "the end", "after a number"),
    "two numbers": ("rpm > 1 and 3 > 2", 13, "two numbers", "a signal"),
    "number with a unit": ("rpm > 60rpm", 7, "'60rpm'", "numbers"),
    "two points": ("rpm > 1.2.3", 7, "'1.2.3'", "numbers"),
    "endless number": ("rpm > 1e999", 7, "'1e999'", "a finite number"),
    "signed name": ("rpm > -throttle", 8, "'throttle'", "a finite number"),
    "a call": ("exit()", 5, "'('", "'and'"),
    "an attribute": ("rpm.real > 1", 4, "'.real'", "signal names"),
    "a quote": ("rpm > '1'", 7, "'''", "signal names"),
    "not without a claim": ("rpm > 1 and not", 16, "the end", "a signal name"),
}


@pytest.mark.parametrize(("text", "column", "found", "expected"), WRONG.values(), ids=WRONG)
def test_mistakes_are_located(text, column, found, expected):
    with pytest.raises(ConditionError) as caught:
        parse(text)
    assert caught.value.column == column
    assert found in caught.value.found
    assert expected in caught.value.expected
    assert f"column {column}: " in str(caught.value)
    assert isinstance(caught.value, UsageError)


@pytest.mark.parametrize("text", ["(" * 500 + "rpm" + ")" * 500, "not " * 5000 + "fuel_cut"])
def test_nesting_without_end_is_refused(text):
    with pytest.raises(ConditionError, match="inside one another"):
        parse(text)


def test_forty_deep_is_read():
    assert at("(" * 39 + "rpm > 1" + ")" * 39, rpm=2.0)


@given(
    st.lists(st.sampled_from((*NAMES, "and", "or", "not", "(", ")", "1", "-", *SIGNS, "#", ".")), max_size=9)
)
def test_any_text_is_read_or_refused_in_words(words):
    text, column = " ".join(words), 1
    try:
        tree = parse(text)
    except ConditionError as error:
        column = error.column
    else:
        assert set(names(tree)) <= set(NAMES)
    assert 1 <= column <= len(text) + 1


ATTACKS = (
    "__import__('os').system('touch owned')",
    "().__class__.__bases__[0].__subclasses__()",
    "rpm.__class__",
    "eval('1')",
    "exec",
    "open('/etc/passwd')",
    "lambda: rpm",
    "[rpm for rpm in (1, 2)]",
    "rpm if fuel_cut else 1",
    "(rpm := 3) > 1",
    "rpm > 1; import os",
    "rpm > 1\nimport os",
    "rpm > 1 # and so on",
    "{rpm}",
    "f'{rpm}'",
    "rpm > 9**9**9",
    "rpm > 1 + 1",
    "rpm > 0x10",
    "rpm > 1_000",
    "rpm > 1j",
    "rpm > inf",
    "rpm > True",
    "None",
    "rpm is not None",
    "rpm in throttle",
    "rpm > throttle()",
    "globals",
    "__builtins__",
    "\x00",
    "rpm > \u0661",
    "\u2160 > 1",
)
"""What a language that is run would do something with."""


@pytest.mark.parametrize("text", ATTACKS)
def test_what_would_be_code_elsewhere_is_refused_or_is_a_signal_that_nobody_knows(text):
    try:
        tree = parse(text)
    except ConditionError:
        return
    assert not set(names(tree)) <= set(NAMES)


@pytest.mark.parametrize("text", ["exec", "globals", "__builtins__", "__class__", "keys", "values"])
def test_a_name_is_looked_up_among_the_columns_and_nowhere_else(text):
    tree = parse(text)
    assert names(tree) == (text,)
    assert not known_true(text, {"rpm": np.array([1.0, 2.0])})


def test_nothing_of_the_reader_runs_text():
    """By the reader's own syntax trees: no eval, exec, compile, import or attribute by name."""
    called = set()
    for module in (when,):
        for node in ast.walk(ast.parse(Path(module.__file__).read_text("utf-8"))):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
                called.add(node.func.id)
    assert not called & {"eval", "exec", "compile", "__import__", "getattr", "globals", "open", "vars"}
    assert "parse" not in called  # not Python's parser either


def test_a_long_text_takes_no_longer_than_its_length_asks_for():
    text = " or ".join(["rpm > 1 and not (throttle > 60)"] * 5000)
    assert names(parse(text)) == ("rpm", "throttle")
    with pytest.raises(ConditionError, match="column 100001"):
        parse("rpm" + " " * 99_997 + "$")


def test_every_pair_of_signs_and_order_agrees_with_numpy():
    values = np.array([-1.0, 0.0, 1.0])
    for sign, ufunc in zip(
        SIGNS, (np.less, np.less_equal, np.greater, np.greater_equal, np.equal, np.not_equal), strict=True
    ):
        for limit in values:
            out = known_true(f"rpm {sign} {limit}", {"rpm": values})
            assert out.tolist() == ufunc(values, limit).tolist()
