"""What every public result can do: be told as plain data, as an Arrow table, and in a notebook.

Findings stand below the reports that know their fields, so this base asks `forms` by name when it is
first asked itself. `Origin` is what a result needs beside its own numbers: from what it was found.
"""

from __future__ import annotations

import importlib
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any, Self, TypeVar


@dataclass(frozen=True, slots=True)
class Origin:
    """From what a result was found.

    runs     `Run`, each as it had been read
    logs     what became of their lines, `LogFacts`; empty: as the runs say
    lags     lags of the sensors that were given, `NodeLag`; those that are missing were found on the way
    session  of a result that has no run
    """

    runs: tuple[Any, ...] = ()
    logs: tuple[Any, ...] = ()
    lags: tuple[Any, ...] = ()
    session: Any = None


def ask_forms(name: str, *arguments: Any) -> Any:
    """What a function of `forms`, which stands above all findings, says."""
    return getattr(importlib.import_module("mixmon.forms"), name)(*arguments)


class Told:
    """Base of results: plain data, Arrow tables, and a page of a notebook.

    A result that did not come from a public function, such as a balance in a snapshot, does not know its run
    and refuses with a UsageError.
    """

    __slots__ = ()

    def to_dict(self) -> dict[str, Any]:
        """What `--json` of the command prints: dicts, lists, numbers, words and None (for NaN).

        Raises:
            UsageError: a result that does not know its run.
        """
        told: dict[str, Any] = ask_forms("result_dict", self)
        return told

    def to_arrow(self, table: str | None = None) -> Any:
        """One of its tables as a pyarrow.Table, which pandas, polars and DuckDB take without a copy.

        Columns have the names of the fields in JSON; units are in their names and in their metadata. Times
        are named twice: `t_s` from the log's first frame and `t_ns` as stamped. Not known is null. Columns
        and their types do not depend on the data.

        Args:
            table: which; None: the first. A wrong name is answered by the list of all.

        Raises:
            UsageError: no such table, no pyarrow (pip install 'mixmon[arrow]'), or as `to_dict`.
        """
        return ask_forms("result_table", self, table)

    def __arrow_c_stream__(self, requested_schema: object | None = None) -> object:
        """The first table by the Arrow PyCapsule interface; raises as `to_arrow`."""
        return self.to_arrow().__arrow_c_stream__(requested_schema)

    def _repr_html_(self) -> str:
        html: str = ask_forms("result_html", self)
        return html

    def __repr__(self) -> str:
        text: str = ask_forms("result_repr", self)
        return text


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Result(Told):
    """Base of results that are records.

    origin  from what it was found; None where it did not come from a public function
    """

    origin: Origin | None = field(default=None, kw_only=True, compare=False)


Item_co = TypeVar("Item_co", covariant=True)


class Listing(Told, tuple[Item_co, ...]):  # noqa: SLOT001  # its origin is an attribute
    """Base of results that are a sequence of records: a tuple that knows its origin."""

    origin: Origin | None

    def __new__(cls, items: Iterable[Item_co] = (), origin: Origin | None = None, **more: Any) -> Self:
        """The items as they come; `more` are attributes of the kind of listing."""
        self = super().__new__(cls, items)
        self.__dict__.update(more, origin=origin)
        return self

    def __setattr__(self, name: str, value: Any) -> None:
        raise AttributeError(f"{type(self).__name__}: results do not change; found {name} = {value!r}")
