"""Watching: the stage behind every screen, what a screen and the worker say to each other, the snapshot."""
