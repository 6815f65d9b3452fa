"""Both sides of a score as the same plain records: the truth's Parquet files and the history's tables."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, Final

import polars as pl

from dashboards.score import AirSpell, MilkingSpell, PlantSpell, Record, SupportSpell
from detect.errors import InputError

COLUMNS: Final = {
    "events": ("parlor", "stall", "start_at", "end_at", "kind", "depth_kpa", "air_l", "cause"),
    "milkings": ("parlor", "stall", "start_at", "end_at", "yield_kg"),
    "support": ("parlor", "stall", "start_at", "end_at", "state"),
    "plant": ("start_at", "end_at"),
}
"""What a score needs of each table, whichever side it comes from."""


def read_truth(folder: Path) -> Record:
    """Read the ground truth that ``quietclaw simulate`` wrote.

    Raises
    ------
    InputError
        A file is missing, is no Parquet file, or lacks a column; only ``truth_plant`` may be missing.
    """
    paths = {name: folder / f"truth_{name}.parquet" for name in COLUMNS}
    return record(
        {name: _read(path, COLUMNS[name]) for name, path in paths.items() if name != "plant" or path.exists()}
    )


def record(frames: Mapping[str, pl.DataFrame]) -> Record:
    """Make a record of the tables; keys and columns are those of `COLUMNS`, ``plant`` may be missing."""
    plant = frames.get("plant")
    return Record(
        events=tuple(AirSpell(**row) for row in _rows(frames["events"], "events")),
        milkings=tuple(MilkingSpell(**row) for row in _rows(frames["milkings"], "milkings")),
        support=tuple(SupportSpell(**row) for row in _rows(frames["support"], "support")),
        plant=None if plant is None else tuple(PlantSpell("", **row) for row in _rows(plant, "plant")),
    )


def _read(path: Path, columns: tuple[str, ...]) -> pl.DataFrame:
    if not path.is_file():
        raise InputError("no such file", where=str(path))
    try:
        frame = pl.read_parquet(path)
    except (pl.exceptions.PolarsError, OSError) as error:
        raise InputError(f"not a readable Parquet file ({error})", where=str(path)) from error
    missing = [column for column in columns if column not in frame.columns]
    if missing:
        raise InputError(f"lacks the column {missing[0]}", where=str(path))
    return frame


def _rows(frame: pl.DataFrame, name: str) -> Iterator[dict[str, Any]]:
    """Yield the rows with instants in nanoseconds under their inside names."""
    wanted = [*COLUMNS[name], *(["detected_at"] if "detected_at" in frame.columns else [])]
    instants = [column for column in wanted if column.endswith("_at")]
    return (
        frame.select(wanted)
        .with_columns(pl.col(column).cast(pl.Datetime("us")).dt.epoch("ns") for column in instants)
        .rename({column: column.removesuffix("_at") + "_ns" for column in instants})
        .iter_rows(named=True)
    )
