"""Which raw values mean "not available" and "error", under each convention."""

from __future__ import annotations

Ranges = tuple[tuple[int, int], ...]
"""Inclusive ranges of raw values."""


def top_two(length: int) -> tuple[Ranges, Ranges]:
    """The codes of mixmon's own layer: all ones is "not available", all ones less one "error".

    A single bit has no room for them. Returns (not available, error).

    >>> top_two(2)
    (((3, 3),), ((2, 2),))
    """
    if length < 2:
        return (), ()
    ones = (1 << length) - 1
    return ((ones, ones),), ((ones - 1, ones - 1),)


_HIGHEST_VALID = {
    4: 0xA,
    8: 0xFA,
    10: 0x3FA,
    12: 0xFAF,
    16: 0xFAFF,
    20: 0xF_AFFF,
    24: 0xFA_FFFF,
    28: 0xFAF_FFFF,
    32: 0xFAFF_FFFF,
}


def j1939(length: int) -> tuple[Ranges, Ranges]:
    """The codes of SAE J1939-71: a most significant byte FE is "error", FF "not available".

    FB (parameter specific) and FC to FD (reserved) count as errors, since no number is valid
    there; two-bit states use 10 and 11. Widths for which no rule is known have no codes.
    Returns (not available, error).

    Source: highest valid values by width as in asammdf's bus logging module.

    >>> j1939(16)
    (((65280, 65535),), ((64256, 65279),))
    """
    if length == 2:
        return top_two(2)
    if length not in _HIGHEST_VALID:
        return (), ()
    ones = (1 << length) - 1
    not_available = ones if length in (4, 10) else 0xFF << (length - 8)
    return ((not_available, ones),), ((_HIGHEST_VALID[length] + 1, not_available - 1),)
