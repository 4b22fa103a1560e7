"""Tables as Arrow: a form becomes a schema, columns become batches of rows; by pyarrow."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from mixmon.report.export.fields import ColumnKind, Columns, TableField, TableForm


class ArrowRows:
    """Makes batches of one form; unit, words and meaning of a column are metadata of its field.

    schema  with `mixmon` in its metadata, which says what the table is
    """

    def __init__(self, pa: Any, form: TableForm, about: Mapping[str, Any] | None = None) -> None:
        self._pa, self._fields = pa, form.fields
        kinds = {
            ColumnKind.NUMBER: pa.float64(),
            ColumnKind.WHOLE: pa.int64(),
            ColumnKind.WORD: pa.dictionary(pa.int32(), pa.string()),
            ColumnKind.TEXT: pa.string(),
        }
        told = {"mixmon": json.dumps({"table": form.name, "about": form.about, **(about or {})})}
        self.schema: Any = pa.schema(
            [pa.field(f.name, kinds[f.kind], metadata=_field_notes(f)) for f in form.fields], metadata=told
        )

    def batch(self, columns: Columns) -> Any:
        """The rows as a record batch."""
        arrays = [self._array(field, columns[field.name]) for field in self._fields]
        return self._pa.record_batch(arrays, schema=self.schema)

    def table(self, batches: Sequence[Any]) -> Any:
        """Batches as one table, with one list of words for each column of words."""
        return self._pa.Table.from_batches(batches, self.schema).unify_dictionaries()

    def _array(self, field: TableField, values: Any) -> Any:
        if field.kind is ColumnKind.WORD:
            index = self._pa.array(values.index.astype(np.int32), mask=values.index.astype(np.int64) < 0)
            return self._pa.DictionaryArray.from_arrays(index, list(values.words))
        return self._pa.array(values, self.schema.field(field.name).type, from_pandas=True)


def _field_notes(field: TableField) -> Mapping[str, str]:
    """What is said of one column beside its name."""
    notes = {"unit": field.unit, "about": field.about}
    if field.words:
        notes["words"] = json.dumps(field.words)
    return {name: text for name, text in notes.items() if text}
