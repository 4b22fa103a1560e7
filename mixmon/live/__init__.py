"""Watching: a source of frames, a recorder, the pipeline and the observer, worked by one thread.

`worker.Worker` is what a screen watches; `buses.BusSource` and `replay.ReplaySource` are the two
hands that feed it. The same frames give the same findings, whichever hand they come from.
"""
