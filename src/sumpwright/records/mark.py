"""Whether anything that the books of the yard rest on has changed since somebody looked."""

from __future__ import annotations

from collections.abc import Hashable
from typing import TYPE_CHECKING, Any

import sqlalchemy as sa

from sumpwright.records.schema import Base

if TYPE_CHECKING:
    from sumpwright.records.store import Store

_SUMMED = ("version",)
_LATEST = ("updated_at",)
"""Columns that grow when a row changes."""
_ENDS = ("retired_at", "withdrawn_at", "done_at", "closed_at")
"""Columns that are filled when a row stops counting."""
_APART = frozenset(
    {"devices", "invitations", "secrets", "attachments", "events", "sheets", "systems"}
)
"""Tables whose rows do not count here, or are counted by another table that they hang on."""


def yard_mark(store: Store) -> Hashable:
    """Return a value that differs whenever machines or what is known of their past differ.

    An entry in the log of an open job changes nothing here: books count closed ones.

    Parameters
    ----------
    store : Store

    Returns
    -------
    hashable
        Counts and sums of the tables, read in one query.

    Examples
    --------
    >>> import tempfile
    >>> from sumpwright.records.store import Store
    >>> with tempfile.TemporaryDirectory() as folder, Store.open(folder + "/yard.db") as store:
    ...     yard_mark(store) == yard_mark(store)
    True
    """
    with store.reading() as session:
        return tuple(session.execute(_query()).one())


def _query() -> sa.Select[Any]:
    parts: list[sa.ScalarSelect[Any]] = []
    for table in Base.metadata.sorted_tables:
        if table.name in _APART:
            continue
        parts.append(sa.select(sa.func.count()).select_from(table).scalar_subquery())
        for column in table.columns:
            if column.name in _SUMMED:
                parts.append(sa.select(sa.func.sum(column)).scalar_subquery())
            elif column.name in _LATEST:
                parts.append(sa.select(sa.func.max(column)).scalar_subquery())
            elif column.name in _ENDS:
                parts.append(sa.select(sa.func.count(column)).scalar_subquery())
    return sa.select(*parts)
