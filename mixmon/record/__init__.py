"""Runs on disk: raw frames first, then everything that was noted beside them.

A run is a folder (format 1):

    2026-11-25T09-30-12Z-alder-8-before/     start in UTC, and the session's name
        run.json      what this is: the fields of `Manifest`
        frames.log    the frames, as candump text, microseconds; all buses, in order of arrival
        notes.jsonl   marks, notes and events, one JSON object a line: {"t": ns, "kind": "...", ...}
        session.toml  the session file as it was used, byte for byte; message definitions likewise
        SHA256SUMS    written at the end; `sha256sum -c SHA256SUMS` checks the folder

`frames.log` and `notes.jsonl` only ever grow. Every block of frames is handed to the operating
system before it is decoded, so that a killed program loses no frame that it had received; once a second
the files are forced to the disk, so that a power cut loses about a second. A run that was cut
off has no SHA256SUMS and opens all the same, up to its last whole line.
"""
