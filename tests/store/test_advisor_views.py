"""The advisor's views count what they say: exposure strictly before the outcome, at risk, support."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

from store.health.importer import import_health
from store.history import Batch, History
from tests.store.drawn import PARLOR, SECOND_NS, milking, rows


def at_ns(text: str) -> int:
    return int(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp()) * SECOND_NS


def milked(history: History, *slips_at: tuple[str, int]) -> None:
    history.commit(
        Batch(
            PARLOR,
            [
                milking(n, cow="17", slips=s, start_ns=at_ns(t), end_ns=at_ns(t) + SECOND_NS)
                for n, (t, s) in enumerate(slips_at)
            ],
        )
    )


def records(history: History, folder: Path, text: str) -> None:
    file = folder / "records.csv"
    file.write_text(text)
    import_health(history, [file])


def test_exposure_ends_a_day_before_the_test(history: History, tmp_path: Path) -> None:
    """Slips from the earlier test day to the day before the outcome count, those after do not."""
    milked(
        history,
        ("2026-02-28", 9),
        ("2026-03-01", 1),
        ("2026-03-29", 2),
        ("2026-03-30T12:00", 30),
        ("2026-03-31", 9),
    )
    records(history, tmp_path, "cow,date,scc_cells_ml\n17,2026-03-01,100000\n017,2026-03-31,250000\n")
    sql = "SELECT cow, milkings, slips, infected, at_risk, clinical FROM cow_exposure"
    assert rows(history, sql) == [("17", 2, 3, True, True, False)]


def test_a_clinical_case_is_the_outcome_on_its_own_day(history: History, tmp_path: Path) -> None:
    """Slips after the case cannot have gone before it."""
    milked(history, ("2026-03-05", 1), ("2026-03-20", 8))
    records(history, tmp_path, "cow,date,scc_cells_ml\n17,2026-03-01,100000\n17,2026-03-31,90000\n")
    records(history, tmp_path, "cow,date,quarter\n17,2026-03-10,lf\n")
    sql = "SELECT event_date::VARCHAR, milkings, slips, infected, clinical FROM cow_exposure"
    assert rows(history, sql) == [("2026-03-10", 1, 1, True, True)]


def test_who_is_not_at_risk(history: History, tmp_path: Path) -> None:
    """High before, fresh, calved in between, too long apart: none of these can show a new infection."""
    lines = [
        ("high", "2026-03-01", 300000, 100), ("high", "2026-03-31", 300000, 130),
        ("calved", "2026-03-01", 100000, 300), ("calved", "2026-03-31", 300000, 10),
        ("long", "2025-12-01", 100000, 50), ("long", "2026-03-31", 300000, 169),
        ("fine", "2026-03-01", 100000, 100), ("fine", "2026-03-31", 100000, 130),
    ]  # fmt: skip
    text = "cow,date,scc_cells_ml,dim\n" + "\n".join(",".join(map(str, line)) for line in lines)
    records(history, tmp_path, text)
    found = dict(rows(history, "SELECT cow, at_risk FROM cow_exposure"))
    assert found == {"HIGH": False, "CALVED": False, "LONG": False, "FINE": True}


def test_new_chronic_and_first_test_are_told_apart(history: History, tmp_path: Path) -> None:
    """Each high cow of a test day is exactly one of new, chronic, or high at her first test."""
    text = "cow,date,scc_cells_ml\n1,2026-03-01,1\n2,2026-03-01,300000\n"
    text += "1,2026-03-31,300000\n2,2026-03-31,300000\n3,2026-03-31,300000\n4,2026-03-31,1\n"
    records(history, tmp_path, text)
    sql = "SELECT tested, high, at_risk, new, chronic, first_test_high FROM new_infection ORDER BY date"
    assert rows(history, sql) == [(2, 1, 0, 0, 0, 1), (4, 3, 1, 1, 1, 1)]


def test_support_practice_counts_carried_units(history: History) -> None:
    """A unit unsupported for more than a tenth of its time was not carried."""
    start = at_ns("2026-03-02T06:00")
    units = [
        milking(n, stall=3, start_ns=start, end_ns=start + SECOND_NS, unit_on_s=400.0, unsupported_s=s)
        for n, s in enumerate([0.0, 40.0, 41.0])
    ]
    history.commit(Batch(PARLOR, units))
    sql = "SELECT stall, week::VARCHAR, shift, milkings, carried FROM support_practice"
    assert rows(history, sql) == [(3, "2026-03-02", "before noon", 3, 2)]
