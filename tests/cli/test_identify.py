"""mixmon identify as scripts and people use it, on simulated logs with their truth."""

import json
import tomllib
from itertools import pairwise
from pathlib import Path

import pytest
from command_line import read_json, run_command

from mixmon.live.kept_files import run_files
from mixmon.record.run_folder import load_kept_session
from mixmon.session.evidence import IdentityState, evidence_text, identity_standing, node_address
from mixmon.session.fuel_steps import load_fuel_steps
from mixmon.session.load import load_session
from mixmon.session.model import IdentifiedNode, IdentityEvidence

ROOT = Path(__file__).parents[2]
ALDER = str(ROOT / "examples" / "alder8.toml")

TRIMS_DBC = "\n".join(
    [
        'VERSION ""',
        "BU_: ECU",
        *(
            f'BO_ {900 + c} Trim{c:02d}: 8 ECU\n SG_ Percent : 0|16@1+ (0.01,-100) [-100|500] "%" ECU'
            for c in range(1, 9)
        ),
        'BA_DEF_ BO_ "GenMsgCycleTime" INT 0 60000;',
        'BA_DEF_DEF_ "GenMsgCycleTime" 20;',
    ]
)
"""One message a cylinder, in hundredths of a percent."""


@pytest.fixture(scope="module")
def played(tmp_path_factory):
    """The demo engine to the end of its steps: log, session and steps, from the truth."""
    folder = tmp_path_factory.mktemp("identify")
    places = {name: folder / name for name in ("log", "truth.json", "session.toml", "steps.toml")}
    words = ["simulate", "--scenario", "alder8-short", "--seed", "3", "--duration", "40", "--quiet"]
    words += ["--out", str(places["log"]), "--truth", str(places["truth.json"])]
    assert run_command(*words, "--write-session", str(places["session.toml"])).status == 0
    truth = json.loads(places["truth.json"].read_text())
    lines = []
    steps = truth["fuel_steps"]
    for step, following in pairwise(steps):
        if any(step["percent"]):
            percent = ", ".join(f'"{c}" = {by}' for c, by in enumerate(step["percent"], 1))
            lines += ["[[step]]", f"from_s = {step['t_s']}", f"to_s = {following['t_s']}"]
            lines.append(f"fuel_percent = {{ {percent} }}")
    places["steps.toml"].write_text("\n".join(lines))
    return places, truth


def answer(places, *words, steps=True):
    given = ["--steps", str(places["steps.toml"])] if steps else []
    return run_command(
        "identify", str(places["log"]), "-s", str(places["session.toml"]), "--quiet", *given, *words
    )


def test_json_has_every_field_and_finds_the_planted_exchange(played):
    places, truth = played
    told = read_json(answer(places, "--json"))
    assert list(told) == [
        "format", "session", "log", "state", "proved", "labels", "exchanged", "other_reading", "steps_used",
        "crosstalk_percent", "crosstalk_half_percent", "notes", "answer",
    ]  # fmt: skip
    assert list(told["labels"][0]) == [
        "position", "sensor", "labelled", "cylinder", "confidence", "gain", "gain_half", "delay_s", "lag_s",
        "flags",
    ]  # fmt: skip
    assert (told["format"], told["state"], told["proved"]) == (2, "disproved", False)
    assert told["exchanged"] == [[3, 4]]
    assert told["steps_used"] == 4
    assert [(one["labelled"], one["cylinder"]) for one in told["labels"]] == [
        (one["label"], one["cylinder"]) for one in truth["identity"]
    ]
    assert min(one["confidence"] for one in told["labels"]) > 0.999
    assert told["crosstalk_percent"] == [[None] * 8] * 8


def test_text_names_the_exchange_and_what_to_do(played):
    places, _ = played
    text = " ".join(answer(places).out.split())
    assert "disproved: not every label sees the cylinder that the session gives it; by 4 fuel steps" in text
    assert "labels 3 and 4 are exchanged: exchange their plugs, or their cylinders" in text
    assert "labelled 3, sees 4" in text


def test_a_session_with_the_cylinders_as_found_is_proved(played, tmp_path):
    places, _ = played
    session = places["session.toml"].read_text()
    for position, cylinder in ((3, 4), (4, 3)):
        before = f"position = {position}\ncylinder = {position}\n"
        assert before in session
        session = session.replace(before, f"position = {position}\ncylinder = {cylinder}\n")
    (tmp_path / "mended.toml").write_text(session)
    words = ("identify", str(places["log"]), "-s", str(tmp_path / "mended.toml"), "--quiet", "--json")
    told = read_json(run_command(*words, "--steps", str(places["steps.toml"])))
    assert (told["state"], told["exchanged"]) == ("proved", [])


def test_evidence_is_kept_once_and_makes_the_balance_withhold_or_offer(played, tmp_path):
    places, _ = played
    text = without_trims(places["session.toml"])
    (tmp_path / "s.toml").write_text(text)
    words = [str(places["log"]), "-s", str(tmp_path / "s.toml"), "--quiet"]
    before = read_json(run_command("balance", *words, "--json"))
    assert before["identity"] == "unproved"
    assert "identity_not_proved" in {n["code"] for n in before["withheld"]}
    keep = ["identify", *words, "--steps", str(places["steps.toml"]), "--keep"]
    assert run_command(*keep).status == 0
    kept = json.loads((tmp_path / "s.identity.json").read_text())
    assert [node["cylinders"] for node in kept["nodes"]] == [[c] for c in (1, 2, 4, 3, 5, 6, 7, 8)]
    assert kept["log"] == "log"
    again = run_command(*keep)
    assert (again.status, again.out) == (2, "")
    assert "is there already" in again.err
    assert run_command(*keep, "--force").status == 0
    assert read_json(run_command("balance", *words, "--json"))["identity"] == "disproved"
    mended = text.replace("position = 3\ncylinder = 3", "position = 3\ncylinder = 0")
    mended = mended.replace("position = 4\ncylinder = 4", "position = 4\ncylinder = 3")
    (tmp_path / "s.toml").write_text(mended.replace("cylinder = 0", "cylinder = 4"))
    after = read_json(run_command("balance", *words, "--json"))
    assert after["identity"] == "proved"
    assert not {n["code"] for n in after["withheld"]} & {"identity_not_proved", "identity_disproved"}


def without_trims(session: Path) -> str:
    """The session of an engine control that keeps its trims to itself."""
    lines = session.read_text().splitlines(keepends=True)
    kept = [line for line in lines if not line.startswith("trim = ")]
    assert len(kept) == len(lines) - 1
    return "".join(kept)


def test_a_log_with_steps_that_the_engine_control_reports_proves_its_own_labels(played):
    places, _ = played
    words = ("balance", str(places["log"]), "-s", str(places["session.toml"]), "--quiet")
    told = read_json(run_command(*words, "--json"))
    assert (told["identity"], told["identity_by_own_steps"]) == ("proved", True)
    assert [one["position"] for one in told["cylinders"]] == [1, 2, 4, 3, 5, 6, 7, 8]
    assert "by_cylinders_seen" in {one["code"] for one in told["notes"]}
    assert "identity" not in str({one["code"] for one in told["withheld"]})
    text = " ".join(run_command(*words).out.split())
    assert "label 3 sees cylinder 4 and label 4 sees cylinder 3" in text
    part = read_json(run_command(*words, "--to", "20", "--json"))  # before the steps
    assert (part["identity"], part["identity_by_own_steps"]) == ("unproved", False)
    assert part["cylinders"][2]["position"] == 3


def test_steps_listed_beside_a_log_prove_right_labels_and_withhold_wrong_ones(played, tmp_path):
    places, _ = played
    (tmp_path / "my.log").write_bytes(places["log"].read_bytes())
    (tmp_path / "my.log.steps.toml").write_text(places["steps.toml"].read_text())
    session = without_trims(places["session.toml"])
    (tmp_path / "s.toml").write_text(session)
    words = ("balance", str(tmp_path / "my.log"), "-s", str(tmp_path / "s.toml"), "--quiet", "--json")
    told = read_json(run_command(*words))
    assert (told["identity"], told["identity_by_own_steps"]) == ("disproved", True)
    [why] = [one for one in told["withheld"] if one["code"] == "identity_disproved"]
    assert why["labels"] == [[3, 3, 4], [4, 4, 3]]
    assert "this log then proves them" in why["text"]
    for position, cylinder in ((3, 4), (4, 3)):
        before = f"position = {position}\ncylinder = {position}\n"
        session = session.replace(before, f"position = {position}\ncylinder = {cylinder}\n")
    (tmp_path / "s.toml").write_text(session)
    mended = read_json(run_command(*words))
    assert (mended["identity"], mended["identity_by_own_steps"]) == ("proved", True)


def test_a_run_holds_the_evidence_of_its_session(tmp_path):
    (tmp_path / "s.toml").write_text("[engine]\ncylinders = 2\n[chain]\n")
    without = load_session(tmp_path / "s.toml")
    assert set(run_files(without)) == {"session.toml"}
    nodes = tuple(
        IdentifiedNode(n.position, n.sensor, node_address(without, n), n.cylinders, 0.999)
        for n in without.chain.nodes
    )
    (tmp_path / "s.identity.json").write_text(evidence_text(IdentityEvidence("log", 0, 1, nodes)))
    (tmp_path / "run").mkdir()
    for name, content in run_files(load_session(tmp_path / "s.toml")).items():
        (tmp_path / "run" / name).write_bytes(content)
    kept = load_kept_session(tmp_path / "run")
    assert kept is not None
    assert identity_standing(kept).state is IdentityState.PROVED


def test_nothing_is_kept_where_nothing_was_shown(played, tmp_path):
    places, _ = played
    (tmp_path / "s.toml").write_text(places["session.toml"].read_text())
    words = ["identify", str(places["log"]), "-s", str(tmp_path / "s.toml"), "--quiet", "--to", "20"]
    refused = run_command(*words, "--steps", str(places["steps.toml"]), "--keep")
    assert refused.status == 2
    assert "nothing was shown of any label" in refused.err
    assert not (tmp_path / "s.identity.json").exists()


def test_the_part_of_a_log_before_its_steps_claims_nothing(played):
    places, _ = played
    told = read_json(answer(places, "--json", "--to", "21"))
    assert [n["code"] for n in told["notes"]] == ["steps_elsewhere"]
    assert {one["cylinder"] for one in told["labels"]} == {None}


def test_steps_count_from_the_log_s_first_frame_also_in_a_part_of_it(played):
    places, _ = played
    assert read_json(answer(places, "--json", "--from", "20.5"))["exchanged"] == [[3, 4]]


def test_without_steps_and_trims_the_line_says_what_to_give(played, tmp_path):
    places, _ = played
    (tmp_path / "s.toml").write_text(without_trims(places["session.toml"]))
    refused = run_command("identify", str(places["log"]), "-s", str(tmp_path / "s.toml"), "--quiet")
    assert (refused.status, refused.out) == (2, "")
    assert "--steps FILE" in refused.err
    assert "{cylinder:02d}" in refused.err


def test_trims_on_the_bus_need_no_file(tmp_path):
    """The engine control sends its trims by definitions of its own; the simulator plays through them."""
    (tmp_path / "trims.dbc").write_text(TRIMS_DBC)
    both = 'database = ["engine_bus.dbc", "trims.dbc"]'
    session = Path(ALDER).read_text().replace('database = "engine_bus.dbc"', both)
    trim = '[engine_signals]\ntrim = "engine/Trim{cylinder:02d}.Percent"\n'
    (tmp_path / "s.toml").write_text(session.replace("[engine_signals]\n", trim))
    words = ["simulate", "--scenario", "alder8-short", "--seed", "3", "--duration", "40", "--quiet"]
    words += ["--through", str(tmp_path / "s.toml"), "--out", str(tmp_path / "log"), "--trims"]
    assert run_command(*words, "1.5,-2,0,3,0,0,-1,0.5").status == 0
    words = ["identify", str(tmp_path / "log"), "-s", str(tmp_path / "s.toml"), "--quiet", "--json"]
    told = read_json(run_command(*words))
    assert (told["state"], told["exchanged"], told["steps_used"]) == ("disproved", [[3, 4]], 4)


@pytest.mark.parametrize("more", [(), ("--single",), ("--percent", "2")])
def test_a_plan_is_a_file_of_steps(tmp_path, more):
    planned = run_command("identify", "--plan", "-s", ALDER, *more)
    assert (planned.status, planned.err) == (0, "")
    (tmp_path / "plan.toml").write_text(planned.out)
    steps = load_fuel_steps(tmp_path / "plan.toml", 8)
    assert len(steps) == (16 if "--single" in more else 5)
    assert (
        tomllib.loads(planned.out)["step"]
        == read_json(run_command("identify", "--plan", "-s", ALDER, "--json", *more))["steps"]
    )


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ((), "identify: no LOG"),
        (("--plan",), "--plan: no session"),
        (("log", "--plan", "-s", ALDER), "it reads no log"),
        (("log", "--single"), "they shape a plan"),
        (("log", "--keep"), "--keep: no session"),
        (("--plan", "-s", ALDER, "--percent", "20"), "--percent 20: expected above 0, at most 10"),
    ],
)
def test_options_that_do_not_belong_together(words, said):
    refused = run_command("identify", *words)
    assert (refused.status, refused.out) == (2, "")
    assert said in refused.err
