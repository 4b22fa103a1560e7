"""Settings of the screens: read, told where they cannot be used, written whole with all else kept."""

import tomllib
from pathlib import Path

import pytest

from mixmon.cli.settings import KEYS, keep_settings, load_settings


@pytest.fixture
def file(tmp_path: Path) -> Path:
    return tmp_path / "folder" / "settings.toml"


def write(file: Path, text: str) -> Path:
    file.parent.mkdir()
    file.write_text(text, "utf-8")
    return file


def test_without_a_file_nothing_is_set_and_nothing_is_wrong(file: Path) -> None:
    found = load_settings(file)
    assert (found.values, found.faults) == ({}, ())
    assert found.get("palette", "print") == "print"
    assert not file.exists()


def test_what_has_changed_is_read_again(file: Path) -> None:
    changed = {"palette": "dark", "scale": 6.0, "bell": False, "sound": 'say "a b"'}
    assert keep_settings(load_settings(file), changed) == ""
    assert dict(load_settings(file).values) == changed
    assert [p.name for p in file.parent.iterdir()] == ["settings.toml"]


def test_comments_other_keys_and_tables_are_kept(file: Path) -> None:
    text = '# mine\nlater = [1, 2]\npalette = "dark"  # at night\n\n[other]\norder = "of another table"\n'
    found = load_settings(write(file, text))
    assert len(found.faults) == 2
    assert all("not known here, kept" in fault for fault in found.faults)
    assert keep_settings(found, {"palette": "mono", "unit": "phi"}) == ""
    after = file.read_text("utf-8")
    assert tomllib.loads(after) == {**tomllib.loads(text), "palette": "mono", "unit": "phi"}
    assert after.startswith("# mine\n")


def test_a_key_of_a_table_is_not_taken_for_one_of_the_settings(file: Path) -> None:
    text = '[other]\norder = "of another table"\n'
    found = load_settings(write(file, text))
    assert keep_settings(found, {"order": "bank"}) == ""
    assert tomllib.loads(file.read_text("utf-8")) == {**tomllib.loads(text), "order": "bank"}


@pytest.mark.parametrize("text", ["palette = ", "\x00", "a = 1\na = 2\n", "x" * 200_000])
def test_a_damaged_file_is_told_and_left_as_it_is(file: Path, text: str) -> None:
    found = load_settings(write(file, text))
    assert found.values == {}
    assert str(file) in found.faults[0]
    assert "mend it or remove it" in found.faults[0]
    assert "not kept" in keep_settings(found, {"palette": "dark"})
    assert file.read_text("utf-8") == text


@pytest.mark.parametrize(
    "line",
    [
        "palette = 7",
        'palette = "pink"',
        'palette = ["dark"]',
        'order = "random"',
        "scale = 7",
        "scale = true",
        'unit = "lambdas"',
        "screen_inch = nan",
        "distance_m = 0",
        'bell = "yes"',
        'sound = " "',
    ],
)
def test_a_value_that_will_not_do_is_told_with_what_is_expected(file: Path, line: str) -> None:
    found = load_settings(write(file, f"{line}\nmouse = false\n"))
    assert dict(found.values) == {"mouse": False}
    key = line.split(" ", maxsplit=1)[0]
    assert found.faults[0].startswith(f"{file}: {key} = ")
    assert KEYS[key].expected in found.faults[0]


def test_a_place_that_cannot_be_written_to_is_told(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("", "utf-8")
    found = load_settings(tmp_path / "file" / "settings.toml")
    assert "not kept" in keep_settings(found, {"palette": "dark"})
