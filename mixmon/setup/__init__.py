"""Setting up: whether a session file is right and a log bears it out, and a session made from a log."""
