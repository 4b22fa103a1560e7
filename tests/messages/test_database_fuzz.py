"""No text breaks the loader: a file is taken, with remarks, or refused with a DefinitionError."""

from pathlib import Path

import numpy as np
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from mixmon.errors import DefinitionError
from mixmon.frames.block import FrameBlock
from mixmon.messages.database import load_database
from mixmon.messages.decode import Decoder

TEXTS = [path.read_bytes() for path in sorted((Path(__file__).parent / "zoo").glob("*.dbc"))]
WORDS = [
    *(b"BO_", b"SG_", b"SG_MUL_VAL_", b"VAL_", b"SIG_VALTYPE_", b"BA_", b"CM_", b" M ", b" m1 ", b" m3M "),
    *(
        b":",
        b";",
        b'"',
        b"//",
        b"\n",
        b" ",
        b"0",
        b"7",
        b"64",
        b"-",
        b"4294967296",
        b"|",
        b"@0-",
        b"[",
        b"1e999",
        b"9" * 5000,
        "²".encode(),
    ),
]
EDITS = st.lists(
    st.tuples(st.floats(0, 1), st.integers(0, 30), st.sampled_from(WORDS)), min_size=1, max_size=4
)


def taken_or_refused(path):
    try:
        return load_database(path).messages, ""
    except DefinitionError as refusal:
        return (), str(refusal)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(text=st.sampled_from(TEXTS), edits=EDITS)
def test_spoilt_files_are_taken_or_refused(tmp_path, text, edits):
    for place, removed, word in edits:
        at = int(place * len(text))
        text = text[:at] + word + text[at + removed :]
    path = tmp_path / "spoilt.dbc"
    path.write_bytes(text)
    messages, refusal = taken_or_refused(path)
    if refusal:
        assert refusal.startswith(f"{path}:")
        return
    chance = np.random.default_rng(len(text))
    ids = np.array([message.can_id for message in messages for _ in range(3)], np.uint32)
    n = len(ids)
    size = chance.choice(np.array([0, 3, 8, 64], np.uint8), n)
    data = np.where(np.arange(64) < size[:, None], chance.integers(0, 256, (n, 64)), 0).astype(np.uint8)
    zeros = np.zeros(n, np.uint8)
    block = FrameBlock(np.arange(n), ids, zeros, size, zeros, zeros, data, ("can0",))
    decoder = Decoder([(0, messages)])
    found = decoder.decode(block, np.zeros(1, np.uint8))
    assert sum(map(len, found)) == 3 * sum(bool(message.signals) for message in messages)
