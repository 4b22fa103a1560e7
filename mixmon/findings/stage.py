"""What every stage of the findings has in common, and the loops that drive stages.

A stage takes rows (or frames) in the order of data time, in blocks of any size. What it finds depends
on the rows alone, not on where the blocks are cut. There are two kinds, and a class may be both:

    Stage    gives what it finds as it goes: `feed` gives what is certain by then, `flush` ends the
             stream and gives what was still held back
    Summary  gives one answer about all that it was fed: `result` gives it at any moment, and the
             stage goes on afterwards as if it had not been asked

Most stages compare nothing across a jump of the time stamps: `StretchStage` is their base.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Iterable, Iterator
from typing import Generic, Protocol, TypeVar

from mixmon.mixture.block import CylinderBlock

Block = TypeVar("Block")
Found = TypeVar("Found")
Other = TypeVar("Other")
Answer = TypeVar("Answer")
Block_contra = TypeVar("Block_contra", contravariant=True)
Found_co = TypeVar("Found_co", covariant=True)
Answer_co = TypeVar("Answer_co", covariant=True)


class Stage(Protocol[Block_contra, Found_co]):
    """Gives what it finds as soon as no later row can change it."""

    def feed(self, block: Block_contra, /) -> Iterable[Found_co]:
        """Takes the next block and gives what is certain by now."""

    def flush(self) -> Iterable[Found_co]:
        """Ends the stream and gives what was still held back."""


class Summary(Protocol[Block_contra, Answer_co]):
    """Gives one answer about all blocks that it was fed."""

    def feed(self, block: Block_contra, /) -> None:
        """Takes the next block."""

    def result(self) -> Answer_co:
        """The answer by now; further blocks may follow."""


class StretchStage(ABC, Generic[Found]):
    """Base of stages that start afresh with every stretch of time.

    A stretch ends where the time stamps jump: what was held back is then given, and memory is cleared.
    """

    def __init__(self) -> None:
        self._stretch: int | None = None
        self._restart()

    def feed(self, block: CylinderBlock) -> list[Found]:
        """What is certain with the block, whose rows lie within one stretch of time."""
        if not len(block):
            return []
        found: list[Found] = []
        if block.stretch[0] != self._stretch:
            found += self.flush()
            self._stretch = int(block.stretch[0])
            self._restart()
        return found + self._feed_rows(block)

    @abstractmethod
    def flush(self) -> list[Found]:
        """What is held back, as far as its rows go; nothing follows them."""

    @abstractmethod
    def _restart(self) -> None:
        """Clears what is remembered of earlier rows."""

    @abstractmethod
    def _feed_rows(self, block: CylinderBlock) -> list[Found]:
        """What is certain with a block that holds at least one row and continues the stretch."""


def run_through(stage: Stage[Block, Found], blocks: Iterable[Block]) -> Iterator[Found]:
    """Everything that a stage finds in a stream of blocks, each as soon as it is certain.

    The stage is flushed when the blocks end.
    """
    for block in blocks:
        yield from stage.feed(block)
    yield from stage.flush()


def run_side_by_side(
    first: Stage[Block, Found], second: Stage[Block, Other], blocks: Iterable[Block]
) -> tuple[list[Found], list[Other]]:
    """Everything that two stages find in a stream that can be read once only."""
    ones, others = list[Found](), list[Other]()
    for block in blocks:
        ones += first.feed(block)
        others += second.feed(block)
    return [*ones, *first.flush()], [*others, *second.flush()]


def feed_on_the_way(blocks: Iterable[Block], *stages: Summary[Block, object]) -> Iterator[Block]:
    """The same blocks, each given on once all the stages have taken it."""
    for block in blocks:
        for stage in stages:
            stage.feed(block)
        yield block


def sum_up(stage: Summary[Block, Answer], blocks: Iterable[Block]) -> Answer:
    """What a stage says of a whole stream of blocks."""
    for block in blocks:
        stage.feed(block)
    return stage.result()
