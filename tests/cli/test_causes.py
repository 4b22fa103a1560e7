"""mixmon causes as scripts and people use it, on a simulated split-pulse test with its truth."""

import json

import numpy as np
import pytest
from command_line import read_json, run_command

pytestmark = pytest.mark.usefixtures("findings_made_once")


@pytest.fixture(scope="module")
def played(tmp_path_factory):
    """The demo engine with half pulses at one point: log, session and times, from the truth."""
    folder = tmp_path_factory.mktemp("causes")
    places = {name: folder / name for name in ("log", "truth.json", "session.toml", "splits.toml")}
    words = ["simulate", "--scenario", "alder8-split", "--seed", "2", "--quiet", "--out", str(places["log"])]
    words += ["--truth", str(places["truth.json"]), "--write-session", str(places["session.toml"])]
    assert run_command(*words).status == 0
    truth = json.loads(places["truth.json"].read_text())
    (split,) = truth["split_pulses"]
    places["splits.toml"].write_text(f"[[split_pulse]]\nfrom_s = {split['from_s']}\nto_s = {split['to_s']}\n")
    return places, truth


def answer(places, *words, splits=True):
    given = ["--split-pulse", str(places["splits.toml"])] if splits else []
    return run_command(
        "causes", str(places["log"]), "-s", str(places["session.toml"]), "--quiet", *given, *words
    )


def test_dead_times_the_leak_and_the_next_test(played):
    places, truth = played
    told = read_json(answer(places, "--json"))
    late = np.array(truth["differences"]["dead_time_ms"])
    found = np.array([one["dead_time_ms"] for one in told["cylinders"]])
    assert found == pytest.approx(late - late.mean(), abs=0.02)
    sixth = told["cylinders"][5]
    assert {"leak", "throttle sync"} <= {cause["code"] for cause in sixth["causes"]}
    assert ["leak", "throttle sync"] in [sorted(group) for group in sixth["not_separated"]]
    assert max(sixth["variance_inflation"].values()) > 10
    assert 6 in told["left_out_of_reference"]  # and 8, whose throttle is out of step, if that shows enough
    assert set(told["left_out_of_reference"]) <= {6, 8}
    codes = [test["code"] for test in told["tests"]]
    assert "smoke test" in codes
    assert "split pulse" not in codes  # it was done
    assert told["next_test"] == told["tests"][0]
    gains = [test["gain_per_minute"] for test in told["tests"]]
    assert gains == sorted(gains, reverse=True)


def test_without_the_test_no_dead_time_is_claimed_and_it_is_asked_for(played):
    places, _ = played
    told = read_json(answer(places, "--json", splits=False))
    assert all(one["dead_time_ms"] is None for one in told["cylinders"])
    first = told["cylinders"][0]
    assert "dead_time_not_separable" in {flag["code"] for flag in first["flags"]} or not first["causes"]
    assert "split pulse" in [test["code"] for test in told["tests"]]


def test_the_text_says_what_cannot_be_told_apart_and_warns(played):
    places, _ = played
    said = answer(places)
    assert said.status == 0
    words = " ".join(said.out.split())
    assert "these data cannot tell them apart (variance inflation" in words
    assert "injector opens" in words
    assert "a leak or throttle sync is suspected" in words
    assert "next test: " in words
    assert "Exhaust parts are hot" in words
    assert max(map(len, said.out.splitlines())) <= 80


def test_a_file_of_times_with_mistakes_is_refused(played, tmp_path):
    places, _ = played
    places["splits.toml"].with_name("wrong.toml").write_text("[[split_pulse]]\nfrom_s = 3\n")
    said = run_command(
        "causes", str(places["log"]), "-s", str(places["session.toml"]), "--quiet", "--split-pulse",
        str(places["splits.toml"].with_name("wrong.toml")),
    )  # fmt: skip
    assert said.status != 0
    assert "split_pulse[1].to_s" in said.err
    missing = run_command("causes", str(places["log"]), "--split-pulse", str(tmp_path / "none.toml"))
    assert missing.status != 0
    assert "none.toml" in missing.err
