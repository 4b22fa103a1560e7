"""mixmon pulls: the text fits the page, the JSON is whole, mistakes are answered."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from command_line import Answer, run_command, shared_answer

pytestmark = pytest.mark.usefixtures("findings_made_once")


@pytest.fixture(scope="module")
def log(tmp_path_factory: pytest.TempPathFactory) -> tuple[str, str]:
    """The short demo from its first pull on, and its session file."""
    folder = tmp_path_factory.mktemp("short")
    out, session = folder / "short.log", folder / "short.toml"
    arguments = ["--scenario", "alder8-short", "--seed", "51", "--out", str(out)]
    arguments += ["--write-session", str(session)]
    assert run_command("simulate", "--quiet", *arguments).status == 0
    return str(out), str(session)


@pytest.fixture(scope="module")
def sixteen(tmp_path_factory: pytest.TempPathFactory) -> tuple[str, str]:
    """The largest chain, and its session file."""
    folder = tmp_path_factory.mktemp("sixteen")
    out, session = folder / "x.log", folder / "x.toml"
    arguments = ["--scenario", "sixteen", "--out", str(out), "--write-session", str(session)]
    assert run_command("simulate", "--quiet", *arguments).status == 0
    return str(out), str(session)


def pulls(log: tuple[str, str], *more: str) -> Answer:
    return shared_answer("pulls", log[0], "-s", log[1], "--quiet", *more)


def test_the_text_lists_all_pulls_and_shows_their_tables(log: tuple[str, str]) -> None:
    status, out, err = pulls(log)
    assert (status, err) == (0, "")
    assert max(map(len, out.splitlines())) <= 80
    assert "PULL 1 of 2" in out
    assert "PULL 2 of 2" in out
    assert "##" in out  # the burst
    assert ".." in out  # the node that lost its supply
    assert "against pull 1: needs differ by" in out
    assert "s measured in this log, cylinder 5 0.3" in " ".join(out.split())
    rows = [line.split() for line in out.splitlines() if line.startswith("4 ")]
    assert len(rows) == 2
    assert all(4.5 < float(need) < 7.5 for row in rows for need in row[2:-1])  # the weak injector


@pytest.mark.parametrize("against", ["peers", "target"])
def test_sixteen_cylinders_and_twelve_bands_fit_the_page(sixteen: tuple[str, str], against: str) -> None:
    status, out, _ = pulls(sixteen, "--against", against, "--lag", "0.105")
    assert status == 0
    assert max(map(len, out.splitlines())) <= 80
    assert sum(line.startswith(tuple(f"{i} " for i in range(1, 17))) for line in out.splitlines()) >= 16


def test_one_pull_against_the_target(log: tuple[str, str]) -> None:
    status, out, _ = pulls(log, "--pull", "2", "--against", "target", "--lag", "5=0.32/0.24")
    assert status == 0
    assert "PULL 1 of 2" not in out
    assert "PULL 2 of 2" in out
    assert "lean at rpm" in " ".join(out.split())
    assert "0.320 s lean-going and 0.240 s rich-going as given for cylinder 5" in " ".join(out.split())


def test_the_json_is_whole(log: tuple[str, str]) -> None:
    status, out, _ = pulls(log, "--json")
    found = json.loads(out)
    assert (status, found["format"], len(found["pulls"])) == (0, 2, 2)
    first, second = found["pulls"]
    assert (first["pull"], first["ended_by"], first["suggestion"]) == (1, "throttle lift", "keep")
    assert first["t_s"] == pytest.approx(63.0, abs=0.1)
    assert first["to_s"] == pytest.approx(71.4, abs=0.1)
    bands = len(found["bands_rpm"])
    assert 8 <= bands <= 14
    for key in ("needs_percent", "half_interval_percent", "counted_s", "share", "left_out"):
        assert all(len(node[key]) == bands for node in first["nodes"])
    assert [node["cylinders"] for node in first["nodes"]] == [[i] for i in range(1, 9)]
    assert first["nodes"][3]["worst"]["needs_percent"] == pytest.approx(6.0, abs=1.0)
    assert second["repeat"]["against"] == 1
    assert second["repeat"]["rms_percent"] < 0.5
    assert first["repeat"] is None
    assert {len(first["spread_percent"]), len(first["engine"]["lambda"])} == {bands}
    assert json.loads(pulls(log, "--json", "--pull", "2")[1])["pulls"] == [second]


def test_tip_ins_as_text_and_as_json(log: tuple[str, str]) -> None:
    status, out, _ = pulls(log, "--transients")
    assert status == 0
    assert max(map(len, out.splitlines())) <= 80
    assert "mean of 2 repeats" in out
    assert "without a cylinder that was valid throughout" in " ".join(out.split())  # into the fuel cuts
    found = json.loads(pulls(log, "--transients", "--json")[1])
    first = found["tips"][0]
    assert (found["format"], first["kind"], first["t_s"]) == (2, "tip-in", pytest.approx(63.0, abs=0.1))
    assert [node["cylinders"] for node in first["nodes"]] == [[i] for i in range(1, 9)]
    assert first["nodes"][0]["measures"]["peak"] > 0
    assert found["repeats"][0]["tips"] == [1, 2]


def test_a_part_of_the_log_without_pulls(log: tuple[str, str]) -> None:
    before = ("--from", "40", "--to", "60")
    status, out, _ = pulls(log, *before)
    assert status == 0
    assert "no pull found" in out
    assert "no tip found" in pulls(log, *before, "--transients")[1]
    assert json.loads(pulls(log, *before, "--json")[1])["pulls"] == []


def test_a_session_without_speed_says_so(log: tuple[str, str], tmp_path: Path) -> None:
    text = Path(log[1]).read_text("utf-8")
    bare = tmp_path / "bare.toml"
    lines = text[: text.index("[[limits.alarm]]")].splitlines()  # alarms ask for the speed
    bare.write_text("\n".join(line for line in lines if not line.startswith("rpm = {")), "utf-8")
    status, out, err = pulls((log[0], str(bare)), "--to", "20")
    assert (status, err) == (0, "")
    assert "the session names no rpm" in " ".join(out.split())


def test_a_log_without_the_engine_bus_says_what_never_came(log: tuple[str, str], tmp_path: Path) -> None:
    chain = tmp_path / "chain.log"
    lines = Path(log[0]).read_text("utf-8").splitlines(keepends=True)
    chain.write_text("".join(line for line in lines[: len(lines) // 8] if " can0 " in line), "utf-8")
    for more in ([], ["--transients"]):
        status, out, _ = pulls((str(chain), log[1]), *more)
        assert status == 0
        assert "note: Engine_Fast never came on bus engine: no rpm, throttle" in " ".join(out.split())


def test_one_cylinder_has_no_peers_and_the_table_says_so(log: tuple[str, str]) -> None:
    alone = ["--from", "60", "--to", "75", "--leave-out", *"1234567"]
    _, out, _ = pulls(log, *alone)
    assert "no other cylinder to compare with: use --against target" in " ".join(out.split())
    assert "-- % of 1" not in out
    _, out, _ = pulls(log, *alone, "--against", "target")
    assert "no other cylinder" not in out


@pytest.mark.parametrize(
    ("more", "answer"),
    [
        (["--pull", "3"], "--pull 3: no such pull; expected 1 to 2; omit it to list all pulls"),
        (["--lag", "fast"], "--lag fast: no lag; expected seconds"),
        (["--lag", "9=0.1"], "--lag 9=0.1: no such cylinder; expected 1 to 8"),
        (["--lag", "3"], "sensor lag: 3 s; expected 0 to 1 s"),
    ],
)
def test_mistakes_are_answered_in_one_line(log: tuple[str, str], more: list[str], answer: str) -> None:
    status, out, err = pulls(log, *more)
    assert (status, out) == (2, "")
    assert answer in err
    assert err.count("\n") == 1
