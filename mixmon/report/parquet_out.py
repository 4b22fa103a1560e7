"""Decoded values as Parquet, for those who have pyarrow."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from mixmon.errors import OutputError, UsageError
from mixmon.messages.plan import Quality
from mixmon.report.decoded import WORDS, Values, in_order


class ParquetFile:
    """One value a row: t_s, t_ns, channel, message, signal, value, unit, quality.

    `t_s` counts from the log's first frame, `t_ns` is the stamp as logged. `value` is null where
    there is no good value. What was added before an interruption can be read after `close`.
    """

    def __init__(self, path: Path) -> None:
        """Opens the file.

        Raises:
            UsageError: pyarrow is not installed.
            OutputError: the file cannot be written.
        """
        self._path = path
        try:
            import pyarrow as pa
            import pyarrow.parquet as pq
        except ImportError as error:
            raise UsageError(
                f"{path}: Parquet needs pyarrow, which is not installed; expected it, or a name that ends in "
                ".csv; pip install 'mixmon[parquet]'"
            ) from error
        self._pa: Any = pa
        word = pa.dictionary(pa.int32(), pa.string())
        kinds = {"t_s": pa.float64(), "t_ns": pa.int64(), "channel": word, "message": word, "signal": word}
        self._schema = pa.schema({**kinds, "value": pa.float64(), "unit": word, "quality": word})
        self._writer: Any = self._guarded(pq.ParquetWriter, path, self._schema)

    def add(self, t: NDArray[np.int64], first: int, columns: Sequence[Values]) -> None:
        """Adds the values of one block in the order of its frames; `t` int64[n] ns, `first` the zero of t_s.

        Raises:
            OutputError: the file cannot be written.
        """
        columns = [c for c in columns if len(c.rows)]
        if not columns:
            return
        order = in_order(list(columns))
        stamps = t[np.concatenate([c.rows for c in columns])[order]]
        quality = np.concatenate([c.quality for c in columns])[order]
        values = np.concatenate([c.values for c in columns])[order]
        which = np.repeat(np.arange(len(columns)), [len(c.rows) for c in columns])[order]
        arrays = [
            self._pa.array((stamps - first) / 1e9),
            self._pa.array(stamps),
            *(
                self._words(which, [getattr(c, name) for c in columns])
                for name in ("channel", "message", "signal")
            ),
            self._pa.array(values, mask=quality != Quality.GOOD),
            self._words(which, [c.unit for c in columns]),
            self._words(quality, list(WORDS.values())),
        ]
        self._guarded(self._writer.write_batch, self._pa.record_batch(arrays, schema=self._schema))

    def close(self) -> None:
        """Writes the footer, without which the file cannot be read.

        Raises:
            OutputError: the file cannot be written.
        """
        self._guarded(self._writer.close)

    def _words(self, index: NDArray[Any], words: list[str]) -> Any:
        return self._pa.DictionaryArray.from_arrays(index.astype(np.int32), words)

    def _guarded(self, act: Any, *arguments: Any) -> Any:
        try:
            return act(*arguments)
        except OSError as error:
            why = error.strerror or error
            raise OutputError(
                f"{self._path}: {why}; expected a file that can be written; choose another"
            ) from error
