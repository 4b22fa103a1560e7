"""mixmon census, on logs and on a live bus."""

import gzip
import json
import subprocess
import sys
import threading
from pathlib import Path

import can
import pytest
from command_line import run_command, shared_answer

from mixmon.cli.main import BAD_INPUT, DONE, LIMIT_NOT_MET
from mixmon.report.text import cell_width

LOG, SESSION = "examples/alder8_short.log.gz", "examples/alder8.toml"
FOREIGN_LOG, FOREIGN = "examples/foreign.log.gz", "examples/foreign.toml"


def census(*arguments):
    return shared_answer("census", *arguments)


def as_json(*arguments):
    answer = census(*arguments, "--json")
    assert answer.status in {DONE, LIMIT_NOT_MET}
    return json.loads(answer.out)


def counted(path):
    """Frames by channel and identifier, and the longest gap of each, by a plain loop over the text."""
    last, frames, longest = {}, {}, {}
    for line in gzip.decompress(Path(path).read_bytes()).decode().splitlines():
        stamp, channel, frame = line.split()[:3]
        key = channel, int(frame.partition("#")[0], 16)
        t = round(float(stamp[1:-1].partition(".")[0])) * 10**6 + int(stamp[1:-1].partition(".")[2])
        frames[key] = frames.get(key, 0) + 1
        longest[key] = max(longest.get(key, 0), t - last.get(key, t))
        last[key] = t
    return frames, longest


def test_json_has_the_promised_fields():
    found = as_json(LOG, "-s", SESSION)
    assert found["format"] == 2
    assert {"position", "cylinder", "ids", "rate_hz", "gap_max_s", "share_ready", "resets"} <= set(
        found["nodes"][0]
    )
    assert {"checksum_errors", "counter_jumps"} <= set(found["nodes"][0])
    assert {"bus", "id", "rate_hz"} <= set(found["strangers"][0])
    assert {"name", "frames", "error_frames", "load_percent", "load_peak_percent"} <= set(found["bus"][0])
    assert found["silent"] == found["twins"] == []
    assert [(n["position"], n["cylinder"]) for n in found["nodes"]] == [(k, k) for k in range(1, 9)]


@pytest.mark.parametrize(("log", "session"), [(LOG, SESSION), (FOREIGN_LOG, FOREIGN)])
def test_counts_and_gaps_are_those_of_a_plain_loop(log, session):
    frames, longest = counted(log)
    found = as_json(log, "-s", session)
    assert {(i["bus"], i["id"]): i["frames"] for i in found["ids"]} == frames
    assert found["log"]["frames"] == sum(frames.values())
    for i in found["ids"]:
        assert i["gap_max_s"] == pytest.approx(longest[i["bus"], i["id"]] / 1e6, abs=1e-9)


def test_the_drop_out_of_the_demo_engine_shows_as_a_reset_and_a_gap():
    nodes = as_json(LOG, "-s", SESSION)["nodes"]
    assert [n["resets"] for n in nodes] == [0] * 7 + [1]
    assert [n["gap_max_s"] > 0.1 for n in nodes] == [False] * 7 + [True]


@pytest.mark.parametrize("arguments", [[LOG, "-s", SESSION], [FOREIGN_LOG, "-s", FOREIGN], [LOG]])
def test_the_text_fits_eighty_columns(arguments):
    status, out, _ = census(*arguments)
    assert status == DONE
    assert max(map(cell_width, out.splitlines())) <= 80


def test_the_text_reads_like_this():
    out = census(LOG, "-s", SESSION).out
    assert out.startswith("CENSUS  Alder 8\nAll 8 nodes are there, each by one controller; look at node 8; ")
    assert "\n37 917 frames in 38.0 s\n\nnodes: 8 of 8 present\n" in out
    remark = "node 8: 98.95 Hz, 100 expected; longest gap 410 ms; 1 reset: check its supply and connector"
    assert remark in " ".join(out.split())
    assert "2 unknown identifiers, not in the session\n" in out


def test_what_was_heard_for_a_second_in_batches_is_not_called_off_its_rate(tmp_path):
    # an adapter that hands over three frames at a time, 30 ms apart: its first stamps come late
    path = tmp_path / "short.log"
    frames = [f"(1.{int(1e4 * (3 * (i // 3) + 3)):06d}) can0 2A0#FFFFFFFF010B\n" for i in range(90)]
    path.write_text("".join(frames))
    node = as_json(str(path), "-s", SESSION)["nodes"][0]
    assert node["rate_hz"] > 101.5
    assert "Hz, 100 expected" not in census(str(path), "-s", SESSION).out


def without_tail(tmp_path):
    """The example without nodes 7 and 8: their frames are cut out of the text."""
    path = tmp_path / "tail.log"
    kept = [
        line
        for line in gzip.decompress(Path(LOG).read_bytes()).decode().splitlines(keepends=True)
        if line.split()[2][:3] not in {f"{k}A{n}" for k in "246" for n in "67"}
    ]
    path.write_text("".join([*kept[:10], "rubbish\n", *kept[10:]]))
    return str(path)


def test_a_break_in_the_chain_is_named_and_completeness_can_be_asked_for(tmp_path):
    log = without_tail(tmp_path)
    status, out, err = census(log, "-s", SESSION, "--complete")
    assert status == LIMIT_NOT_MET
    assert "nodes: 6 of 8 present" in out
    assert "break between node 6 and node 7" in out.replace("\n", " ")
    assert out.count("SILENT") == 3
    assert "1 line rejected: line 11" in out
    assert err == "mixmon: the bus is not complete: node 7 silent; node 8 silent\n"
    found = as_json(log, "-s", SESSION)
    assert [s["position"] for s in found["silent"]] == [7, 8]
    assert found["diagnoses"][0]["fault"] == "tail"
    assert found["nodes"][7]["rate_hz"] == 0.0
    assert found["nodes"][7]["gap_max_s"] is None
    assert census(LOG, "-s", SESSION, "--complete").status == DONE


def test_without_a_session_every_identifier_is_listed_and_known_ones_are_named():
    out = census(LOG).out
    assert "nodes: 8 found" in out
    assert " Mix01_Fast\n" in out
    assert "7DF" in out
    assert "No load without a bit rate" in out
    found = as_json(LOG, "--bitrate", "500000")
    assert found["session"] is None
    assert found["nodes"][0]["cylinder"] is None
    assert 10 < found["bus"][0]["load_percent"] < 25


def test_a_stretch_is_counted_from_the_first_frame():
    found = as_json(LOG, "-s", SESSION, "--from", "5", "--to", "10")
    assert found["log"]["duration_s"] == pytest.approx(5.0, abs=0.01)
    assert found["log"]["frames_used"] == pytest.approx(5000, abs=100)


def test_a_log_from_standard_input_is_the_same_log():
    command = [sys.executable, "-m", "mixmon", "census", "-", "-s", SESSION, "--json", "--quiet"]
    piped = subprocess.run(command, input=Path(LOG).read_bytes(), capture_output=True, check=True)
    assert json.loads(piped.stdout) == as_json(LOG, "-s", SESSION)
    assert piped.stderr == b""


@pytest.fixture
def talker():
    """A node on python-can's virtual bus that sends until the test is over."""
    done = threading.Event()
    bus = can.Bus(interface="virtual", channel="census")

    def send():
        count = 0
        while not done.wait(0.005):
            bus.send(can.Message(arbitration_id=0x5A5, is_extended_id=False, data=[count & 255]))
            count += 1

    thread = threading.Thread(target=send)
    thread.start()
    yield
    done.set()
    thread.join()
    bus.shutdown()


@pytest.mark.usefixtures("talker")
def test_a_live_bus_is_listened_to_for_as_long_as_asked():
    found = json.loads(
        run_command(
            "census", "--json", "--interface", "virtual", "--channel", "census", "--for", "0.6", "--quiet"
        ).out
    )
    (heard,) = found["ids"]
    assert (heard["bus"], heard["id"]) == ("census", 0x5A5)
    assert 20 < heard["frames"] < 200
    assert "log" not in found


def test_a_live_bus_that_does_not_open_is_one_line():
    status, out, err = run_command("census", "--interface", "socketcan", "--channel", "nosuch0")
    assert (status, out) == (BAD_INPUT, "")
    assert len(err.splitlines()) == 1
    assert "nosuch0" in err


def test_a_session_without_interfaces_is_no_live_bus():
    status, _, err = run_command("census", "-s", FOREIGN)
    assert status == BAD_INPUT
    assert "no LOG and no live bus" in err
