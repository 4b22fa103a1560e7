"""What keys make of the pulls: another choice, a command, or words. There is at least one pull."""

from __future__ import annotations

from dataclasses import replace

from mixmon.dashboard.state import State
from mixmon.findings.pull_quality import KEEP
from mixmon.findings.pull_review import PullReview
from mixmon.watching import Command, JudgePull


def compare(review: PullReview, state: State) -> State | str:
    """Shown as differences from the one kept before, or as it is."""
    if review.repeats[_at(review, state)] is None:
        return "no pull was kept before this one"
    return replace(state, compared=not state.compared)


def judge(review: PullReview, state: State) -> Command:
    """The pull on the screen: rejected if it is kept, else kept."""
    pull = review.pulls[_at(review, state)]
    return JudgePull(pull.begin, keep=pull.verdict.suggestion != KEEP)


def turn(review: PullReview, state: State, step: int) -> State:
    """To the pull before or after; the newest one is followed again at the end."""
    at = max(_at(review, state) + step, 0)
    return replace(state, pull=at if at < len(review.pulls) - 1 else None)


def _at(review: PullReview, state: State) -> int:
    """The pull on the screen; the newest where the chosen one is gone, wound back."""
    last = len(review.pulls) - 1
    return last if state.pull is None else min(state.pull, last)
