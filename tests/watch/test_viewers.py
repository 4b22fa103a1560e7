"""Several viewers of one worker: each is told everything, and only looks unless it may act."""

import pytest
from dashboard.scenes import session, snapshot

from mixmon.watch.commands import Acknowledge, Mark, NoteText, Pause, Quit, RecordOff, Remark
from mixmon.watch.viewers import CHANGES_NOTHING, MOST_WAITING, Audience


class Source:
    """Something to be watched that is no worker: it has one snapshot and keeps what is sent to it."""

    live = True

    def __init__(self):
        self.session, self.snapshot = session(8), snapshot(8)
        self.items, self.sent, self.closed = [], [], False
        self.send = self.sent.append

    def drain(self):
        taken, self.items = self.items, []
        return taken

    def start(self):
        raise AssertionError("a viewer starts nothing")

    def close(self):
        self.closed = True


def test_each_viewer_is_told_all_that_happens_from_when_it_came():
    source = Source()
    audience = Audience(source)
    source.items = [Remark(1, "before")]
    first = audience.viewer(acts=False)
    source.items = [Remark(2, "one")]
    second = audience.viewer(acts=False)
    source.items = [Remark(3, "two")]
    assert [item.text for item in second.drain()] == ["two"]
    assert [item.text for item in first.drain()] == ["one", "two"]
    assert first.drain() == second.drain() == []


def test_one_that_leaves_stops_nothing_and_one_that_sleeps_holds_a_bounded_number():
    source = Source()
    audience = Audience(source)
    asleep, gone = audience.viewer(acts=True), audience.viewer(acts=True)
    gone.start()
    gone.close()
    gone.close()
    source.items = [Remark(i, str(i)) for i in range(MOST_WAITING + 5)]
    audience.collect()
    assert gone.drain() == []
    assert not source.closed
    assert [asleep.drain()[0].t, len(source.sent)] == [5, 0]


@pytest.mark.parametrize(
    "command", [Acknowledge("rule"), Mark(), NoteText("words"), Pause(), RecordOff(), Quit()]
)
def test_whatever_an_onlooker_sends_is_refused(command):
    source = Source()
    audience = Audience(source)
    onlooker, remote = audience.viewer(acts=False), audience.viewer(acts=True)
    onlooker.send(command)
    assert source.sent == []
    assert [item.text for item in onlooker.drain()] == [CHANGES_NOTHING]
    assert remote.drain() == []
    remote.send(command)
    assert source.sent == [command]
