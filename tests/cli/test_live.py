"""Which live buses a command opens, and under which names; nothing is opened here."""

from argparse import Namespace

import pytest

from mixmon.cli.live import live_buses
from mixmon.cli.options import pair, whole
from mixmon.errors import UsageError
from mixmon.session.load import load_session

NOTHING = {
    "interface": None,
    "channel": None,
    "bitrate": None,
    "fd": False,
    "data_bitrate": None,
    "bus_kwargs": [],
    "acknowledge": False,
}


def named(channel, **given):
    (bus,) = live_buses(Namespace(**NOTHING | given | {"channel": [channel]}), None)
    return bus


@pytest.mark.parametrize(
    ("channel", "name"),
    [("can0", "can0"), ("/dev/ttyACM0", "ttyACM0"), ("COM3", "COM3"), ("\\\\.\\COM12", "COM12")],
)
def test_a_bus_is_named_after_its_channel_without_folders(channel, name):
    assert named(interface="slcan", channel=channel).name == name


def test_listening_only_unless_asked_for():
    assert not named(interface="slcan", channel="can0").acknowledge
    assert named(interface="slcan", channel="can0", acknowledge=True).acknowledge


def test_further_arguments_go_to_python_can_as_what_they_are():
    bus = named(
        interface="vector",
        channel="0",
        bitrate=whole("500000"),
        fd=True,
        data_bitrate=2_000_000,
        bus_kwargs=[pair("app_name=bench"), pair("serial=1234"), pair("gain=0.5"), pair("poll=true")],
    )
    assert bus.bitrate == 500_000
    assert bus.options == {
        "app_name": "bench",
        "serial": 1234,
        "gain": 0.5,
        "poll": True,
        "fd": True,
        "data_bitrate": 2_000_000,
    }


def test_a_sessions_buses_open_under_the_names_that_its_logs_use_and_in_its_roles():
    buses = live_buses(Namespace(**NOTHING), load_session("examples/alder8.toml"))
    assert [(b.name, b.interface, b.acknowledge) for b in buses] == [
        ("can0", "socketcan", True),
        ("can1", "socketcan", False),
    ]


def test_no_bus_anywhere_is_said():
    with pytest.raises(UsageError, match=r"^no live bus: expected --interface"):
        live_buses(Namespace(**NOTHING), None)


def changed(session="examples/alder8.toml", **given):
    return live_buses(Namespace(**NOTHING | given), load_session(session))


def test_options_change_the_sessions_buses_and_leave_their_names():
    chain, engine = changed(interface="virtual", bitrate=250_000)
    assert (chain.name, chain.interface, chain.channel, chain.bitrate) == ("can0", "virtual", "can0", 250_000)
    assert (engine.name, engine.interface, engine.channel) == ("can1", "virtual", "can1")
    assert chain.acknowledge
    assert not engine.acknowledge


def test_a_channel_without_a_bus_is_the_chains_and_the_others_stay_as_declared():
    chain, engine = changed(interface="slcan", channel=["/dev/ttyACM3"], acknowledge=True)
    assert (chain.name, chain.interface, chain.channel) == ("can0", "slcan", "/dev/ttyACM3")
    assert (engine.interface, engine.channel, engine.acknowledge) == ("socketcan", "can1", False)


def test_channels_of_buses_by_name():
    chain, engine = changed(interface="virtual", channel=["engine=b", "chain=a"])
    assert (chain.channel, engine.channel) == ("a", "b")
    with pytest.raises(UsageError, match="no bus gearbox; expected chain or engine"):
        changed(channel=["gearbox=can7"])
