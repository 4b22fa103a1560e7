"""Several viewers of one Watching: one listener, one record and one analysis, however many look.

    audience = Audience(worker)
    viewer = audience.viewer(acts=False)      # a Watching: a screen takes it in the place of the worker
    ...
    viewer.close()                            # leaves; the worker goes on

What happens is handed to each viewer; what a viewer sends reaches the worker only where it may act.
"""

from __future__ import annotations

import threading
from collections import deque
from typing import Final

from mixmon.session.model import Session
from mixmon.watch.commands import Command, Item, Remark, Watching
from mixmon.watch.snapshot import Snapshot

MOST_WAITING: Final = 1000
"""Items that wait for a viewer who does not take them; our choice: more than any screen shows at once."""

CHANGES_NOTHING: Final = "this view only looks: nothing was changed"


class Audience:
    """Gives each viewer all that happens from when it came, as `drain` of a Watching gives an item once.

    Invariant: nobody else drains `watching`.
    """

    def __init__(self, watching: Watching) -> None:
        self.watching = watching
        self._viewers: list[Viewer] = []
        self._lock = threading.Lock()

    def viewer(self, *, acts: bool) -> Viewer:
        """One more viewer; what happened before it came is in the snapshot alone."""
        self.collect()
        viewer = Viewer(self, acts=acts)
        with self._lock:
            self._viewers.append(viewer)
        return viewer

    def collect(self) -> None:
        """Hands what has happened to all viewers."""
        with self._lock:
            for item in self.watching.drain():
                for viewer in self._viewers:
                    viewer.waiting.append(item)

    def leave(self, viewer: Viewer) -> None:
        """Forgets a viewer."""
        with self._lock:
            if viewer in self._viewers:
                self._viewers.remove(viewer)


class Viewer:
    """One viewer; see `watch.commands.Watching`. It neither starts nor stops what it looks at.

    acts     its commands reach the worker; otherwise each is refused, whatever it is
    waiting  what has happened and was not taken yet, the newest `MOST_WAITING`
    """

    def __init__(self, audience: Audience, *, acts: bool) -> None:
        self._audience = audience
        self.acts = acts
        self.waiting: deque[Item] = deque(maxlen=MOST_WAITING)

    @property
    def session(self) -> Session:
        """What the user declared."""
        return self._audience.watching.session

    @property
    def live(self) -> bool:
        """True for buses."""
        return self._audience.watching.live

    @property
    def snapshot(self) -> Snapshot:
        """The newest one."""
        return self._audience.watching.snapshot

    def drain(self) -> list[Item]:
        """What has happened since the last call, oldest first."""
        self._audience.collect()
        return [self.waiting.popleft() for _ in range(len(self.waiting))]

    def send(self, command: Command) -> None:
        """Passes a command on, or refuses it with a Remark to this viewer alone."""
        if self.acts:
            self._audience.watching.send(command)
        else:
            self.waiting.append(Remark(self.snapshot.t or 0, CHANGES_NOTHING))

    def start(self) -> None:
        """Nothing: it is watched already."""

    def close(self) -> None:
        """Leaves. Harmless when done twice."""
        self._audience.leave(self)
