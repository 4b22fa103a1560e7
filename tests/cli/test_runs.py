"""What the commands that judge a recording share."""

from __future__ import annotations

import pytest

from mixmon.cli.runs import lags_of
from mixmon.errors import UsageError


def test_words_for_lags() -> None:
    assert lags_of(["0.1", "2=0.3/0.2"], 3) == {1: 0.1, 2: (0.3, 0.2), 3: 0.1}
    assert lags_of([], 3) == {}
    for wrong in ("1=0.1/0.2/0.3", "=0.1", "1.5=0.1", "nan=1"):
        with pytest.raises(UsageError):
            lags_of([wrong], 3)
