"""The proof beside a session: read back equal, void when the chain changes, and never half understood."""

import json
from dataclasses import replace

import pytest

from mixmon.errors import SessionError, SourceError
from mixmon.session.evidence import (
    IdentityState,
    evidence_path,
    evidence_text,
    identity_standing,
    load_evidence,
    node_address,
)
from mixmon.session.load import load_session
from mixmon.session.model import IdentifiedNode, IdentityEvidence

LEAST = "[engine]\ncylinders = 4\n[chain]\n"
NODES = "".join(f'[[chain.node]]\nposition = {i}\ncylinder = {i}\nsensor = "S-{i}"\n' for i in range(1, 5))
STATED = '[trims]\nidentity = "stated"\nidentity_by = "A. Tuner"\nidentity_reason = "plugs traced by hand"\n'


@pytest.fixture
def session(tmp_path):
    def load(text=LEAST + NODES):
        (tmp_path / "s.toml").write_text(text)
        return load_session(tmp_path / "s.toml")

    return load


def evidence(session, sees=(1, 2, 3, 4), confidence=0.999):
    nodes = tuple(
        IdentifiedNode(
            n.position, n.sensor, node_address(session, n), (c,) if c else (), confidence * bool(c)
        )
        for n, c in zip(session.chain.nodes, sees, strict=True)
    )
    return IdentityEvidence("steps.log", 1_700_000_000_000_000_000, 40_000, nodes)


def with_evidence(session, **more):
    return replace(session, identity=evidence(session, **more))


def test_what_is_written_is_read_by_whoever_loads_the_session(session, tmp_path):
    made = session()
    assert made.identity is None
    evidence_path(tmp_path / "s.toml").write_text(evidence_text(evidence(made)))
    assert session().identity == evidence(made)
    assert load_evidence(tmp_path / "other.toml") is None


def test_labels_are_proved_disproved_or_neither(session):
    made = session()
    assert identity_standing(made).state is IdentityState.UNPROVED
    assert identity_standing(with_evidence(made)).state is IdentityState.PROVED
    exchanged = identity_standing(with_evidence(made, sees=(1, 2, 4, 3)))
    assert (exchanged.state, exchanged.odd) == (IdentityState.DISPROVED, ((3, 3, 4), (4, 4, 3)))
    partly = identity_standing(with_evidence(made, sees=(1, 2, 0, 4)))
    assert (partly.state, partly.open) == (IdentityState.UNPROVED, (3,))
    assert identity_standing(with_evidence(made, confidence=0.98)).state is IdentityState.UNPROVED


def test_a_session_put_right_is_proved_by_the_same_evidence(session):
    kept = evidence(session(), sees=(1, 2, 4, 3))
    mended = LEAST + NODES.replace("cylinder = 3", "cylinder = x").replace("cylinder = 4", "cylinder = 3")
    made = replace(session(mended.replace("cylinder = x", "cylinder = 4")), identity=kept)
    assert identity_standing(made).state is IdentityState.PROVED


@pytest.mark.parametrize(
    ("before", "after", "changed"),
    [
        ('sensor = "S-2"', 'sensor = "S-9"', (2,)),
        ("position = 2\n", "position = 7\n", (7,)),
        ("[chain]\n", '[chain]\nsignals = { lambda = "Mix{position:02d}_Slow.Lambda" }\n', (1, 2, 3, 4)),
    ],
)
def test_a_changed_serial_position_or_address_voids_it(session, before, after, changed):
    kept = evidence(session())
    text = LEAST + NODES
    assert before in text
    standing = identity_standing(replace(session(text.replace(before, after)), identity=kept))
    assert (standing.state, standing.changed) == (IdentityState.UNPROVED, changed)


def test_a_word_counts_where_there_is_no_proof_and_not_against_one(session):
    made = session(LEAST + NODES + STATED)
    assert identity_standing(made).state is IdentityState.STATED
    assert identity_standing(with_evidence(made)).state is IdentityState.PROVED
    assert identity_standing(with_evidence(made, sees=(2, 1, 3, 4))).state is IdentityState.DISPROVED
    assert identity_standing(with_evidence(made, sees=(1, 2, 3, 0))).state is IdentityState.STATED


@pytest.mark.parametrize("missing", ["identity_by", "identity_reason"])
def test_who_states_it_gives_a_name_and_a_reason(session, missing):
    lines = [line for line in (LEAST + NODES + STATED).splitlines() if not line.startswith(missing)]
    with pytest.raises(SessionError, match=rf"trims\.{missing} .*: missing"):
        session("\n".join(lines))


@pytest.mark.parametrize(
    "damage",
    [
        lambda text: text[:-30],
        lambda _: "[]",
        lambda text: text.replace('"format": 1', '"format": 2'),
        lambda text: text.replace('"address"', '"place"'),
        lambda text: text.replace('"position": 1', '"position": "first"'),
        lambda _: "\x00",
    ],
)
def test_a_damaged_or_newer_file_is_refused_and_named(session, tmp_path, damage):
    made = session()
    path = evidence_path(tmp_path / "s.toml")
    text = evidence_text(evidence(made))
    assert json.loads(text)["format"] == 1
    path.write_text(damage(text))
    with pytest.raises(SourceError, match="expected what mixmon identify --keep writes"):
        load_evidence(tmp_path / "s.toml")
    with pytest.raises(SessionError, match=r"s\.identity\.json"):
        session()
