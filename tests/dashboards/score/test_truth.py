"""The truth's files become plain records, whoever wrote them, or one clear line."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import polars as pl
import pytest

from dashboards.score.truth import read_truth
from detect.errors import InputError
from simulator.truth import Truth

AT = datetime(2026, 3, 1, 5, 0, 0, 250_000)  # noqa: DTZ001 - the tables hold naive UTC
AT_NS = 1_772_341_200_250_000_000


def write_truth(folder: Path) -> None:
    where = {"parlor": ["p"], "stall": [7], "start_at": [AT], "end_at": [AT]}
    events = {"kind": ["fall_off"], "depth_kpa": [9.0], "air_l": [3.0], "cause": ["cow"]}
    events |= {"quarter": ["lf"], "phase": ["peak"]}
    pl.DataFrame(where | events).write_parquet(folder / "truth_events.parquet")
    pl.DataFrame(where | {"yield_kg": [11.0]}).write_parquet(folder / "truth_milkings.parquet")
    support = {"state": ["drag"], "support_share": [0.4]}
    pl.DataFrame(where | support).write_parquet(folder / "truth_support.parquet")


def test_instants_become_nanoseconds(tmp_path: Path) -> None:
    """A naive UTC instant to the microsecond is kept exactly."""
    write_truth(tmp_path)
    truth = read_truth(tmp_path)
    assert truth.events is not None
    assert truth.support is not None
    assert truth.events[0].start_ns == AT_NS
    assert truth.events[0].stall == 7
    assert truth.events[0].detected_ns is None
    assert truth.support[0].state == "drag"


def test_what_is_missing_is_left_out_and_named(tmp_path: Path) -> None:
    """A file or a wished column that is not there is None, and its name stands in the record."""
    write_truth(tmp_path)
    assert read_truth(tmp_path).missing == ("plant",)
    (tmp_path / "truth_support.parquet").unlink()
    bare = pl.DataFrame({"stall": [7], "start_at": [AT], "end_at": [AT], "air_l": [0.5]})
    bare.write_parquet(tmp_path / "truth_events.parquet")
    truth = read_truth(tmp_path)
    assert truth.support is None
    assert truth.events is not None
    assert truth.events[0].air_l == 0.5
    assert truth.events[0].cause is None
    assert truth.missing == (
        "events.parlor",
        "events.kind",
        "events.depth_kpa",
        "events.cause",
        "events.phase",
        "events.quarter",
        "support",
        "plant",
    )


def test_our_simulator_leaves_nothing_to_be_wished(tmp_path: Path) -> None:
    """The truth tables of our own simulator hold every column a score can use."""
    Truth("willowmere", 0).write(tmp_path)
    assert read_truth(tmp_path).missing == ()


def test_other_makers_types_are_understood(tmp_path: Path) -> None:
    """Instants with a zone or in nanoseconds, whole numbers of any width and open ends are read alike."""
    frame = pl.DataFrame(
        {
            "stall": pl.Series([7], dtype=pl.UInt16),
            "start_at": pl.Series([AT.replace(tzinfo=UTC)]).dt.convert_time_zone("Pacific/Auckland"),
            "end_at": pl.Series([None], dtype=pl.Datetime("ns")),
            "air_l": pl.Series([1], dtype=pl.Int32),
        }
    )
    frame.write_parquet(tmp_path / "truth_events.parquet")
    events = read_truth(tmp_path).events
    assert events is not None
    assert (events[0].stall, events[0].start_ns, events[0].end_ns, events[0].air_l) == (7, AT_NS, AT_NS, 1.0)


def test_a_wrong_file_is_named(tmp_path: Path) -> None:
    """No file at all, no Parquet, a needed column that lacks or holds no instants end in one line."""
    with pytest.raises(InputError, match=r"no such file as truth_events\.parquet"):
        read_truth(tmp_path)
    write_truth(tmp_path)
    path = tmp_path / "truth_milkings.parquet"
    path.write_bytes(b"no parquet")
    with pytest.raises(InputError, match=r"truth_milkings\.parquet: not a readable Parquet"):
        read_truth(tmp_path)
    pl.DataFrame({"parlor": ["p"]}).write_parquet(path)
    with pytest.raises(InputError, match=r"truth_milkings\.parquet: lacks the column stall"):
        read_truth(tmp_path)
    pl.DataFrame({"stall": [1], "start_at": ["noon"], "end_at": [AT]}).write_parquet(path)
    with pytest.raises(InputError, match="start_at holds no instants but String"):
        read_truth(tmp_path)
    pl.DataFrame({"stall": [None], "start_at": [AT], "end_at": [AT]}).write_parquet(path)
    with pytest.raises(InputError, match="a row has no stall"):
        read_truth(tmp_path)
    pl.DataFrame({"stall": ["A"], "start_at": [AT], "end_at": [AT]}).write_parquet(path)
    with pytest.raises(InputError, match="stall holds no Int64 but String"):
        read_truth(tmp_path)
