"""Keys that are accepted and do nothing are named with what they need; in a full session all do something."""

from __future__ import annotations

from pathlib import Path

import pytest

from mixmon.session.ignored import ignored_keys
from mixmon.session.load import load_session

FULL = (Path(__file__).parent / "full.toml").read_text(encoding="utf-8")
EXAMPLES = Path(__file__).parents[2] / "examples"


@pytest.fixture
def ignored_after(tmp_path: Path):
    """The keys without effect after changes of the full file, each with what it needs or is overruled by."""

    def found(*changes: tuple[str, str]) -> dict[str, object]:
        text = FULL
        for old, new in changes:
            assert text.count(old) == 1, old
            text = text.replace(old, new)
        path = tmp_path / "session.toml"
        path.write_text(text, encoding="utf-8")
        keys = ignored_keys(path)
        lines = text.splitlines()
        assert all(one.key.rpartition(".")[2] in lines[(one.line or 0) - 1] for one in keys)
        return {one.key: one.needs or one.overruled_by for one in keys}

    return found


SESSIONS = [path for path in sorted(EXAMPLES.glob("*.toml")) if "[chain]" in path.read_text("utf-8")]


@pytest.mark.parametrize("path", SESSIONS, ids=lambda path: path.stem)
def test_every_key_of_the_examples_has_an_effect(path: Path) -> None:
    load_session(path)
    assert ignored_keys(path) == []


def test_every_key_of_the_full_file_has_an_effect(ignored_after) -> None:
    assert ignored_after() == {}


RPM, THROTTLE = 'rpm      = "engine/Engine_Fast.Speed"\n', 'throttle = "engine/Engine_Fast.Throttle"\n'
SPEED, LOAD = ("engine_signals.rpm",), ("engine_signals.throttle",)


def test_without_speed_nothing_that_is_laid_out_by_it_has_an_effect(ignored_after) -> None:
    assert ignored_after((RPM, "")) == {
        "engine.displacement_l": SPEED,
        "exhaust.primary_bore_mm": SPEED,
        "exhaust.sensor_distance_mm": SPEED,
        "axes.rpm": SPEED,
        "targets.lambda": SPEED,
        "validity.rpm_band": SPEED,
        "validity.overrun": SPEED,
    }


def test_without_the_load_signal_nothing_that_is_laid_out_by_it_has_an_effect(ignored_after) -> None:
    assert ignored_after((THROTTLE, "")) == {
        "axes.load": LOAD,
        "targets.lambda": LOAD,
        "validity.load_band": LOAD,
        "validity.overrun": LOAD,
    }


@pytest.mark.parametrize(
    ("change", "key", "told"),
    [
        (
            'pulse_ms = "engine/Engine_Fuel.PulseWidth"\n',
            "injection.dead_time_ms",
            ("engine_signals.pulse_ms",),
        ),
        (
            'coolant_c = "engine/Engine_Slow.Coolant"\n',
            "validity.warm_coolant_c",
            ("engine_signals.coolant_c",),
        ),
    ],
)
def test_a_key_without_its_signal(ignored_after, change, key, told) -> None:
    assert ignored_after((change, "")) == {key: told}


def test_trims_that_nobody_can_set(ignored_after) -> None:
    found = ignored_after(('timing = "sequential"', 'timing = "batch"'))
    assert set(found.values()) == {'injection.timing = "batch"'}
    assert {"trims.step_percent", "trims.lowest_percent", "trims.ask_above_percent"} <= found.keys()
    assert "trims.now_percent" not in found


def test_a_scale_beside_the_values_that_count_as_yes(ignored_after) -> None:
    change = (
        'Mix{position:02d}_Fast.State", equals = [3]',
        'Mix{position:02d}_Fast.State", scale = 2, equals = [3]',
    )
    assert ignored_after(change) == {"chain.signals.ready.scale": "chain.signals.ready.equals"}
