"""mixmon response as scripts and people use it, on the logs of the examples."""

import gzip
from pathlib import Path

import pytest
from command_line import read_json, shared_answer

EXAMPLES = Path(__file__).parents[2] / "examples"
EIGHT = [str(EXAMPLES / "alder8_short.log.gz"), "-s", str(EXAMPLES / "alder8.toml"), "--quiet"]
WITHOUT_CUT = [*EIGHT, "--to", "34"]
WITH_CUT = [str(EXAMPLES / "foreign.log.gz"), "-s", str(EXAMPLES / "foreign.toml"), "--quiet"]
T63_S = 0.092
"""Of all sensors of the second log: 70 ms behind a filter of 20 ms, by the scenario it was made from; its
readings end at lambda 2."""


def response(*arguments):
    return shared_answer("response", "--quiet", *arguments)


def codes_of(notes):
    return {one["code"] for one in notes}


def found(*arguments):
    return read_json(response(*arguments, "--json"))


def test_json_has_every_field_that_scripts_rely_on():
    told = found(*WITH_CUT, "--compare", "1", "2")
    assert list(told) == [
        "format", "session", "log", "element_shape", "sensors", "cuts", "unclear_cuts", "fuel_steps",
        "steps_refused", "delay", "comparisons", "answer",
    ]  # fmt: skip
    assert told["format"] == 2
    assert told["sensors"][0].keys() == {
        "position", "cylinders", "sensor", "lean", "rich", "t63_s", "times_peers", "uneven", "uneven_half",
        "air_percent", "air_half_percent", "air_to_peers_percent", "air_to_expected_percent", "warm_up_s",
        "warm_up_times_peers", "left_out", "flags",
    }  # fmt: skip
    assert told["sensors"][0]["lean"].keys() == {
        "t63_s", "half_s", "own_half_s", "tau_s", "cuts", "steps",
    }  # fmt: skip
    assert told["cuts"][0].keys() == {"t_s", "seconds", "lean", "rich", "air"}
    assert told["cuts"][0]["lean"].keys() == {
        "t_s", "command", "rpm", "load", "after_spark_cut", "nodes",
    }  # fmt: skip
    assert told["delay"].keys() == {"refusal", "model", "measured", "cells"}
    assert told["delay"]["cells"][0].keys() == {
        "rpm", "load", "dead_s", "dead_half_s", "delay_s", "delay_half_s",
    }  # fmt: skip
    assert told["comparisons"][0].keys() == {
        "t_s", "faster", "slower", "lag_s", "lag_sd_s", "tau_s", "peak_faster", "peak_slower", "recovered",
        "missed", "missed_area", "residual", "explained",
    }  # fmt: skip


def test_a_log_with_lambda_alone_that_clips_still_tells_every_sensor():
    told = found(*WITH_CUT)
    assert [one["cylinders"] for one in told["sensors"]] == [[c] for c in range(1, 7)]
    for one in told["sensors"]:
        for way in ("lean", "rich"):
            assert one[way]["t63_s"] == pytest.approx(T63_S, rel=0.1)
            assert abs(one[way]["t63_s"] - T63_S) < one[way]["half_s"]
        assert one["flags"] == []
    (cut,) = told["cuts"]
    assert all(node["clipped"] and node["percent"] is None for node in cut["air"])
    assert cut["t_s"] == pytest.approx(48.1, abs=0.1)


def test_text_fits_eighty_columns_and_names_the_event():
    status, out, _ = response(*WITH_CUT)
    assert status == 0
    assert max(map(len, out.splitlines())) <= 80
    for words in (
        "RESPONSE  Six",
        "1 fuel cut",
        "fuel cut, lean-going",
        "fuel back, rich-going",
        "DELAY",
        "T63",
    ):
        assert words in out
    assert "safe" not in out.lower()


def test_without_cut_and_steps_it_says_so_and_what_would_help():
    status, out, _ = response(*WITHOUT_CUT)
    assert status == 0
    assert max(map(len, out.splitlines())) <= 80
    plain = " ".join(out.split())
    assert "no response: no fuel cut" in plain
    assert "only noise to fit" in plain
    told = found(*WITHOUT_CUT)
    assert told["delay"]["model"] is None
    assert "random pattern" in told["delay"]["refusal"]["text"]
    # the old sensor warms up slowly all the same
    assert [one["sensor"] for one in told["sensors"] if "slow_to_warm_up" in codes_of(one["flags"])] == [
        "S-088"
    ]


def test_two_sensors_are_compared_by_cylinder_or_serial():
    status, out, _ = response(*WITH_CUT, "--compare", "1", "2")
    assert status == 0
    assert "RESPONSE OF TWO SENSORS" in out
    assert max(map(len, out.splitlines())) <= 80
    told = found(*WITH_CUT, "--compare", "1", "2")["comparisons"]
    assert len(told) == 2
    assert {told[0]["faster"], told[0]["slower"]} == {1, 2}
    assert abs(told[0]["lag_s"]) < 0.03  # alike; one of them fires a third of a cycle later
    _, out, _ = response(*WITHOUT_CUT, "--compare", "1", "S-088", "--at", "20")
    assert "nothing to compare" in out or "S-088" in out


def test_a_moment_is_compared_even_where_no_cut_was():
    told = found(*WITH_CUT, "--compare", "1", "2", "--at", "48.1")["comparisons"]
    assert len(told) == 1
    assert told[0]["t_s"] == pytest.approx(48.1, abs=0.02)
    assert told[0]["explained"] > 0.9


def test_the_filter_that_is_told_is_used():
    told = found(*WITH_CUT, "--filter", "0.02")
    nodes = told["cuts"][0]["lean"]["nodes"]
    assert [node["filter_s"] for node in nodes] == pytest.approx([0.02] * 6, rel=0.02)


USELESS = [
    (["--compare", "1", "1"], "one sensor twice"),
    (["--compare", "1", "17"], "no such sensor"),
    (["--at", "4"], "--compare"),
    (["--compare", "1", "2", "--at", "01:04", "--from", "65"], "--at 01:04.0: before --from 01:05.0"),
    (["--air", "25"], "C/RH"),
    (["--air", "25/x"], "C/RH"),
    (["--air", "25/160"], "relative humidity"),
    (["--filter", "3"], "0.001 to 0.2"),
    (["--from", "900"], "no frame"),
]


@pytest.mark.parametrize(("arguments", "words"), USELESS, ids=[" ".join(a) for a, _ in USELESS])
def test_what_cannot_be_done_is_said_in_one_line(arguments, words):
    status, out, err = response(*WITH_CUT, *arguments)
    assert (status, out, err.count("\n")) == (2, "", 1)
    assert words in err


def test_a_cut_in_which_the_engine_is_stopped_tells_the_slow_sensor_lean_going():
    old = found(*EIGHT)["sensors"][4]
    # 300 ms behind a filter of 20 ms, by the scenario the log was made from: their step takes 321 ms to 63 %
    assert old["lean"]["t63_s"] == pytest.approx(0.321, rel=0.05)
    assert old["rich"]["t63_s"] is None
    assert "slow" in codes_of(old["flags"])


def test_cuts_without_the_engine_bus_are_not_denied_where_the_delay_is_refused(tmp_path):
    log = tmp_path / "chain.log"
    with gzip.open(EIGHT[0], "rt") as lines:
        log.write_text("".join(line for line in lines if " can0 " in line), "utf-8")
    status, out, err = response(str(log), *EIGHT[1:])
    words = " ".join(out.split())
    assert (status, err) == (0, "")
    assert "from 1 fuel cut" in words
    assert "no fuel cut was seen" not in words
    assert "record the engine bus beside the chain" in words
    assert "note: Engine_Fast never came on bus engine: no rpm" in words


def test_stamps_of_two_buses_that_are_apart_give_no_delay_and_their_difference(tmp_path):
    frames = []
    for line in gzip.decompress(Path(EIGHT[0]).read_bytes()).decode().splitlines(keepends=True):
        stamp, rest = line[1:].split(")", 1)
        frames.append((float(stamp) + (0.100 if rest.split()[0] == "can1" else 0.0), rest))
    log = tmp_path / "apart.log"
    log.write_text("".join(f"({t:.6f}){rest}" for t, rest in sorted(frames)))
    delay = found(str(log), *EIGHT[1:])["delay"]
    assert (delay["cells"], delay["model"]) == ([], None)
    why = delay["refusal"]
    assert (why["code"], why["engine_bus"], why["chain_bus"]) == ("clocks_apart", "engine", "chain")
    assert abs(why["late_s"] - 0.100) < why["half_s"] < 0.06
