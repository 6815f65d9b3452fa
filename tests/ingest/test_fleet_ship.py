"""Captures and tables on their way from a barn to the fleet."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest

from detect.errors import InputError
from ingest.capture import CaptureWriter, read_capture
from ingest.fleet.layout import plan_fleet
from ingest.fleet.pool import ProcessPool
from ingest.fleet.run import run_fleet
from ingest.fleet.ship import HOUR_NS, hours, ship
from ingest.wire import Message
from store.exchange import export_tables
from store.fleet.partitions import read_partitions
from store.history import Batch, History
from store.schema import AIR_EVENT, MAINTENANCE, MILKING
from tests.ingest.parlor import PARLOR, START_MS, record
from tests.store.drawn import SECOND_NS, T0_NS, air_event, milking


def write(path: Path, messages: list[Message]) -> Path:
    with CaptureWriter(path) as writer:
        for message in messages:
            writer.write(message)
    return path


def shifted(messages: list[Message], by_ns: int) -> list[Message]:
    return [Message(message.recv_ns + by_ns, message.topic, message.payload) for message in messages]


def to_the_hour(messages: list[Message]) -> list[Message]:
    """Move a record's receive times so that an hour ends in the middle of it."""
    middle_ns = messages[len(messages) // 2].recv_ns
    return shifted(messages, -(middle_ns % HOUR_NS))


def test_a_capture_becomes_hours(tmp_path: Path) -> None:
    """Files joined in name order are the capture; each holds one hour of receive time."""
    messages = to_the_hour(record(60))
    shipped = ship(write(tmp_path / "c.parquet", messages), tmp_path / "captures")
    files = sorted((tmp_path / "captures" / PARLOR).rglob("*.parquet"))
    assert (shipped.parlor, shipped.written, shipped.left, len(files)) == (PARLOR, 2, 0, 2)
    assert [message for file in files for message in read_capture(file)] == messages


def test_shipping_again_completes_and_never_shortens(tmp_path: Path) -> None:
    """The last hour grows; an hour whose beginning has rolled off stays as it was shipped."""
    messages = to_the_hour(record(60))
    captures = tmp_path / "captures"
    ship(write(tmp_path / "early.parquet", messages[: 3 * len(messages) // 4]), captures)
    rolled = write(tmp_path / "late.parquet", messages[len(messages) // 4 :])
    assert (ship(rolled, captures).written, ship(rolled, captures).left) == (1, 2)
    files = sorted((captures / PARLOR).rglob("*.parquet"))
    assert [message for file in files for message in read_capture(file)] == messages


def test_a_clock_set_back_stays_in_its_hour() -> None:
    """Order of arrival is kept: a message never goes back into an hour that was left."""
    times = [1.9, 2.1, 1.95, 2.2]
    cut = hours([Message(round(t * HOUR_NS), "t", b"") for t in times])
    assert [(hour, len(list(part))) for hour, part in cut] == [(1, 1), (2, 3)]


def test_two_parlors_in_one_capture_are_refused(tmp_path: Path) -> None:
    """A fleet's file belongs to one parlor."""
    topic = "milking/elsewhere/stall/1/flow"
    mixed = [*record(2), Message(START_MS * 10**6 + 10**10, topic, b"{}")]
    with pytest.raises(InputError, match="several parlors: willowmere, elsewhere"):
        ship(write(tmp_path / "c.parquet", mixed), tmp_path / "captures")


def exported(folder: Path) -> None:
    """Export a history with two days of results and a change of liners."""
    with History.open(folder / "h.duckdb") as history:
        day = 86_400
        results = [milking(0), milking(day), air_event(5), air_event(day + 5)]
        history.commit(Batch(PARLOR, results))
        history.commit(Batch("elsewhere", [milking(7, parlor="elsewhere", milking_id="m-e")]))
        history.add_maintenance(at_ns=T0_NS, stalls=[3], what="liners changed", note="round")
        export_tables(history, folder / "captures" / PARLOR / "tables")


def test_a_barns_own_tables_fill_the_days_without_captures(tmp_path: Path) -> None:
    """Notes are always taken over, results where the fleet has no capture of the day, others' never."""
    exported(tmp_path)
    captures, out = tmp_path / "captures", tmp_path / "out"
    summary = run_fleet(plan_fleet(captures, out), ProcessPool(1), out, tell=lambda _: None)
    assert (summary.done, summary.failures) == (1, ())
    taken = read_partitions(out, MILKING)
    assert (taken["parlor"].to_list(), taken["detector_version"].to_list()) == ([PARLOR] * 2, [None] * 2)
    assert read_partitions(out, AIR_EVENT).height == 2
    assert read_partitions(out, MAINTENANCE).select("parlor", "stall", "note").rows() == [
        (PARLOR, 3, "round")
    ]
    first = str(min(taken["date"]))
    messages = shifted(record(20), T0_NS + 40 * SECOND_NS - START_MS * 10**6)
    (captures / PARLOR / first).mkdir()
    write(captures / PARLOR / first / "a.parquet", messages)
    run_fleet(plan_fleet(captures, out), ProcessPool(1), out, tell=lambda _: None)
    assert set(read_partitions(out, MILKING)["date"]) == {max(taken["date"])}
    assert read_partitions(out, MAINTENANCE).height == 1


def test_a_table_that_does_not_fit_is_told(tmp_path: Path) -> None:
    """One unreadable table is a failure; the barn's other tables are taken over."""
    exported(tmp_path)
    tables = tmp_path / "captures" / PARLOR / "tables"
    pl.DataFrame({"what": ["?"]}).write_parquet(tables / "milking" / "data.parquet")
    out = tmp_path / "out"
    summary = run_fleet(plan_fleet(tmp_path / "captures", out), ProcessPool(1), out, tell=lambda _: None)
    assert [(f.parlor, f.file) for f in summary.failures] == [(PARLOR, "tables/milking")]
    assert read_partitions(out, AIR_EVENT).height == 2
