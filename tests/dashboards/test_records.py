"""The truth's files become plain records, or one clear line."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import polars as pl
import pytest

from dashboards.records import read_truth
from detect.errors import InputError

AT = datetime(2026, 3, 1, 5, 0, 0, 250_000)  # noqa: DTZ001 - the tables hold naive UTC
AT_NS = 1_772_341_200_250_000_000


def write_truth(folder: Path) -> None:
    where = {"parlor": ["p"], "stall": [7], "start_at": [AT], "end_at": [AT]}
    events = {"kind": ["fall_off"], "depth_kpa": [9.0], "air_l": [3.0], "cause": ["cow"]}
    pl.DataFrame(where | events).write_parquet(folder / "truth_events.parquet")
    pl.DataFrame(where | {"yield_kg": [11.0]}).write_parquet(folder / "truth_milkings.parquet")
    pl.DataFrame(where | {"state": ["drag"]}).write_parquet(folder / "truth_support.parquet")


def test_instants_become_nanoseconds(tmp_path: Path) -> None:
    """A naive UTC instant to the microsecond is kept exactly."""
    write_truth(tmp_path)
    truth = read_truth(tmp_path)
    assert truth.events[0].start_ns == AT_NS
    assert truth.events[0].stall == 7
    assert truth.events[0].detected_ns is None
    assert truth.support[0].state == "drag"


def test_only_the_plant_may_be_untold(tmp_path: Path) -> None:
    """Without a plant file the plant is unknown; without another file the user is told which."""
    write_truth(tmp_path)
    assert read_truth(tmp_path).plant is None
    (tmp_path / "truth_support.parquet").unlink()
    with pytest.raises(InputError, match=r"truth_support\.parquet: no such file"):
        read_truth(tmp_path)


def test_a_wrong_file_is_named(tmp_path: Path) -> None:
    """A file that is no Parquet, or lacks a column, ends in one line with its name."""
    write_truth(tmp_path)
    (tmp_path / "truth_milkings.parquet").write_bytes(b"no parquet")
    with pytest.raises(InputError, match=r"truth_milkings\.parquet: not a readable Parquet"):
        read_truth(tmp_path)
    pl.DataFrame({"parlor": ["p"]}).write_parquet(tmp_path / "truth_milkings.parquet")
    with pytest.raises(InputError, match="lacks the column stall"):
        read_truth(tmp_path)
