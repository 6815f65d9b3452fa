"""The truth's side of a score: Parquet files of our simulator or of any other maker."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path

import polars as pl

from dashboards.score.spells import Record
from dashboards.score.tables import SHAPES, record
from detect.errors import InputError


def read_truth(folder: Path) -> Record:
    """Read ``truth_events``, ``truth_milkings``, ``truth_support`` and ``truth_plant`` of a folder.

    A file or a column that is not there leaves its figures out; what is missing is named in the record.

    Raises
    ------
    InputError
        The folder holds none of them, or one is no Parquet file or lacks a needed column.
    """
    paths = {name: folder / f"truth_{name}.parquet" for name in SHAPES}
    frames = {name: (_read(path), str(path)) for name, path in paths.items() if path.is_file()}
    if not frames:
        names = ", ".join(path.name for path in paths.values())
        raise InputError(f"no such file as {names}", where=str(folder))
    return record(frames, missing=tuple(_missing(frames)))


def _read(path: Path) -> pl.DataFrame:
    try:
        return pl.read_parquet(path)
    except (pl.exceptions.PolarsError, OSError) as error:
        raise InputError(f"not a readable Parquet file ({error})", where=str(path)) from error


def _missing(frames: Mapping[str, tuple[pl.DataFrame, str]]) -> Iterator[str]:
    for name, shape in SHAPES.items():
        if name not in frames:
            yield name
            continue
        here = frames[name][0].columns
        yield from (f"{name}.{c}" for c in shape.wished if c not in here and c not in shape.found_only)
