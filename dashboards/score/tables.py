"""Tables as spells: which columns a score can use, and what becomes of those that are not there."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, TypeVar

import polars as pl

from dashboards.score.spells import AirSpell, MilkingSpell, PlantSpell, Record, SupportSpell
from detect.errors import InputError

Row = TypeVar("Row", AirSpell, MilkingSpell, SupportSpell, PlantSpell)


@dataclass(frozen=True, slots=True)
class Shape:
    """Columns of a table that a score uses: it fails without ``needed`` ones, not without ``wished`` ones.

    Wished columns of the history alone (``found_only``) are not asked of a truth.
    """

    needed: Mapping[str, pl.DataType]
    wished: Mapping[str, pl.DataType]
    found_only: tuple[str, ...] = ()

    def of(self, columns: Sequence[str]) -> list[str]:
        """Return which of these columns are used, in our order."""
        return [name for name in (*self.needed, *self.wished) if name in columns]


_AT, _WORD, _REAL = pl.Datetime("us"), pl.String(), pl.Float64()
_SPELL: Final[dict[str, pl.DataType]] = {"start_at": _AT, "end_at": _AT}
_AT_STALL: Final[dict[str, pl.DataType]] = {"stall": pl.Int64(), **_SPELL}

SHAPES: Final = {
    "events": Shape(
        _AT_STALL,
        {
            "parlor": _WORD,
            "kind": _WORD,
            "depth_kpa": _REAL,
            "air_l": _REAL,
            "cause": _WORD,
            "phase": _WORD,
            "quarter": _WORD,
            "detected_at": _AT,
            "cause_share": _REAL,
            "confidence": _REAL,
        },
        ("detected_at", "cause_share", "confidence"),
    ),
    "milkings": Shape(_AT_STALL, {"parlor": _WORD, "yield_kg": _REAL}),
    "support": Shape(
        _AT_STALL,
        {"parlor": _WORD, "state": _WORD, "support_share": _REAL, "detected_at": _AT},
        ("detected_at",),
    ),
    "plant": Shape(_SPELL, {"parlor": _WORD}),
}
"""The tables of a score under their names in file names and JSON."""


def record(frames: Mapping[str, tuple[pl.DataFrame, str]], *, missing: tuple[str, ...] = ()) -> Record:
    """Make a record of the tables; a table that is not there is None.

    Parameters
    ----------
    frames:
        For each name of `SHAPES` that there is the table, and where it comes from in words for an error.
    missing:
        What was looked for in vain.

    Raises
    ------
    InputError
        A needed column is not there, or a column cannot be read as what it should be.
    """
    return Record(
        events=_spells(frames, "events", AirSpell),
        milkings=_spells(frames, "milkings", MilkingSpell),
        support=_spells(frames, "support", SupportSpell),
        plant=_spells(frames, "plant", PlantSpell),
        missing=missing,
    )


def _spells(
    frames: Mapping[str, tuple[pl.DataFrame, str]], name: str, kind: type[Row]
) -> tuple[Row, ...] | None:
    if name not in frames:
        return None
    shape, (frame, where) = SHAPES[name], frames[name]
    lacking = [column for column in shape.needed if column not in frame.columns]
    if lacking:
        raise InputError(f"lacks the column {lacking[0]}", where=where)
    types = {**shape.needed, **shape.wished}
    plain = frame.select(_plain(frame[column], types[column], where) for column in shape.of(frame.columns))
    for column in ("stall", "start_at"):
        if column in plain.columns and plain[column].null_count():
            raise InputError(f"a row has no {column}", where=where)
    return tuple(kind(**_named(row)) for row in plain.iter_rows(named=True))


def _plain(series: pl.Series, dtype: pl.DataType, where: str) -> pl.Series:
    """Return a column as ``dtype``; instants become whole nanoseconds, those with a zone by way of UTC."""
    instant = isinstance(dtype, pl.Datetime)
    if instant and not isinstance(series.dtype, pl.Datetime):
        raise InputError(f"{series.name} holds no instants but {series.dtype}", where=where)
    if isinstance(series.dtype, pl.Datetime) and series.dtype.time_zone is not None:
        series = series.dt.convert_time_zone("UTC").dt.replace_time_zone(None)
    try:
        plain = series.cast(dtype)
    except pl.exceptions.PolarsError as error:
        raise InputError(f"{series.name} holds no {dtype} but {series.dtype}", where=where) from error
    return plain.dt.epoch("ns") if instant else plain


def _named(row: Mapping[str, Any]) -> dict[str, Any]:
    """Return a row under our inside names; what has not ended yet ends where it begins."""
    inside = {
        column.removesuffix("_at") + "_ns" if column.endswith("_at") else column: value
        for column, value in row.items()
    }
    if inside["end_ns"] is None:
        inside["end_ns"] = inside["start_ns"]
    inside["parlor"] = inside.get("parlor") or ""
    return inside
