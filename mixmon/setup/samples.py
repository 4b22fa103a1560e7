"""What the signals of a log did: decoded by any definitions, each followed over the whole log."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass
from typing import Generic, TypeVar

import numpy as np

from mixmon.findings.plausible.samples import SignalSamples
from mixmon.log import Decoding, Definitions, FrameLog

Slot = TypeVar("Slot", bound=Hashable)
"""What a channel of the log belongs to: a bus of a session, or itself."""


@dataclass(frozen=True, slots=True)
class CameSignals(Generic[Slot]):
    """What came.

    samples   by slot of the channel, message and signal; a signal that never came has none
    channels  frames by channel, in the order in which they came first
    """

    samples: dict[tuple[Slot, str, str], SignalSamples]
    channels: Counter[str]


def gather_samples(
    frames: FrameLog, definitions: Definitions, names: Sequence[str], slot_of: Callable[[str], Slot]
) -> CameSignals[Slot]:
    """The samples of the named signals, Message.Signal (none: all), in one reading of the log.

    Raises:
        SourceError: the log cannot be read, or nothing lies in the chosen part.
    """
    decoding = Decoding(definitions, names)
    samples: dict[tuple[Slot, str, str], SignalSamples] = defaultdict(SignalSamples)
    channels: Counter[str] = Counter()
    for block in frames:
        counts = np.bincount(block.bus, minlength=len(block.channels)).tolist()
        channels.update({name: n for name, n in zip(block.channels, counts, strict=True) if n})
        for _, found in decoding.columns(block):
            for one in found:
                if len(one.t):
                    key = (slot_of(one.channel), one.message, one.signal)
                    samples[key].feed(one.t, one.values, one.quality)
    return CameSignals(dict(samples), channels)
