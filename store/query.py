"""The answer to a free question as a frame; :mod:`store.question` has the fences."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from store.question import DEFAULT_LIMITS, Parameters, QueryLimits, Readable, question

__all__ = ["DEFAULT_LIMITS", "QueryLimits", "QueryResult", "run_query"]


@dataclass(frozen=True, slots=True)
class QueryResult:
    """The answer as a frame; ``truncated`` says that there was more than the row limit let through."""

    frame: pl.DataFrame
    truncated: bool

    @property
    def columns(self) -> tuple[str, ...]:
        """Return the column names in order."""
        return tuple(self.frame.columns)

    @property
    def rows(self) -> list[tuple[object, ...]]:
        """Return the rows in order."""
        return self.frame.rows()


def run_query(
    history: Readable, sql: str, params: Parameters = (), limits: QueryLimits = DEFAULT_LIMITS
) -> QueryResult:
    """Answer one SELECT, DESCRIBE, SHOW or EXPLAIN over the history; see :func:`store.question.question`.

    Raises
    ------
    InputError
        When it is no single reading statement, is wrong, asks for another file or takes too long.
    StoreError
        When the file itself fails.
    """
    with question(history, sql, params, limits) as relation:
        frame = pl.DataFrame(relation)
    frame = frame.with_columns(_counted(column) for column in frame.get_columns())
    return QueryResult(frame.head(limits.rows), truncated=frame.height > limits.rows)


def _counted(column: pl.Series) -> pl.Series:
    """Return a sum of integers (128 bits in the engine) as an ordinary integer where it fits."""
    if not column.dtype.is_decimal():
        return column
    narrow = column.cast(pl.Int64, strict=False)
    return column.cast(pl.Float64) if narrow.null_count() > column.null_count() else narrow
