"""A ledger makes the rows that a history makes, in whatever stretches the batches come."""

from __future__ import annotations

from pathlib import Path
from tempfile import TemporaryDirectory

from hypothesis import given, settings
from hypothesis import strategies as st

from detect.results import ConditionEvent, Result
from store.batch import Batch
from store.engine import Row
from store.fleet.ledger import LEDGER_TABLES, Carried, Ledger
from store.history import History
from store.quarantine import QuarantineLimits
from store.schema import CONDITION_EVENT, QUARANTINE
from tests.store.drawn import PARLOR, SECOND_NS, T0_NS, any_result, condition, full_batch, refused, rows


@st.composite
def records(draw: st.DrawFn) -> list[Batch]:
    """Draw batches of any results, among them conditions that begin and may end later."""
    told: list[tuple[int, Result]] = [
        (at, result)
        for at, result in draw(st.lists(st.tuples(st.integers(0, 9), any_result), max_size=6))
        if not isinstance(result, ConditionEvent)
    ]
    for begin in draw(st.lists(st.integers(1, 9), max_size=5, unique=True)):  # 0 is in the last batch
        start_ns = T0_NS + begin * SECOND_NS
        told.append((begin, condition(start_ns)))
        if (later := draw(st.integers(0, 12))) > 0:
            told.append((begin + later, condition(start_ns, end_ns=start_ns + later, evidence=f"{later}")))
    told.sort(key=lambda pair: pair[0])
    batches = [Batch(PARLOR, [result for at, result in told if at == place]) for place in range(22)]
    return [*batches, full_batch(20)]


@given(batches=records(), cuts=st.sets(st.integers(1, 22), max_size=3))
@settings(max_examples=25, deadline=None)
def test_stretches_joined_are_the_history(batches: list[Batch], cuts: set[int]) -> None:
    """Cut anywhere and handed on, the rows told and those still open are those of one history."""
    ours: dict[str, list[Row]] = {table.name: [] for table in LEDGER_TABLES}
    carried = Carried()
    for begin, end in zip([0, *sorted(cuts)], [*sorted(cuts), len(batches)], strict=True):
        ledger = Ledger(carried)
        for batch in batches[begin:end]:
            ledger.commit(batch)
        carried = ledger.carried()
        for name, those in ledger.rows().items():
            ours[name] += those
    for name, those in carried.open_rows().items():
        ours[name] += those
    with TemporaryDirectory() as folder, History.open(Path(folder, "h.duckdb")) as history:
        for batch in batches:
            history.commit(batch)
        theirs = {table.name: rows(history, f"FROM {table.name}") for table in LEDGER_TABLES}
        assert history.watermarks(PARLOR) == carried.watermarks
        assert history.checkpoint(PARLOR) == carried.checkpoint
    for name, those in ours.items():
        assert sorted(those, key=repr) == sorted(theirs[name], key=repr)


def test_an_open_condition_is_not_told_twice() -> None:
    """It is handed on while it stands, and told once with the day on which it ended."""
    first = Ledger(Carried())
    first.commit(Batch(PARLOR, [condition()]))
    assert first.rows()[CONDITION_EVENT.name] == []
    assert len(first.carried().open_rows()[CONDITION_EVENT.name]) == 1
    second = Ledger(first.carried())
    second.commit(Batch(PARLOR, [condition(end_ns=T0_NS + 90 * SECOND_NS, detected_ns=T0_NS + 99)]))
    (row,) = second.rows()[CONDITION_EVENT.name]
    told = dict(zip(CONDITION_EVENT.column_names, row, strict=True))
    assert (told["end_at"] - told["start_at"]).total_seconds() == 90.0
    assert (told["detected_at"] - told["start_at"]).total_seconds() == 10.0
    assert second.carried().conditions == ()


def test_refused_input_is_bounded() -> None:
    """The newest refused messages within the cap are kept, as in a history."""
    ledger = Ledger(Carried(), limits=QuarantineLimits(rows=3, payload_bytes=25))
    ledger.commit(Batch(PARLOR, (), [refused(number, payload=b"x" * 10) for number in range(6)]))
    assert [row[2] for row in ledger.rows()[QUARANTINE.name]] == [b"x" * 10] * 2
    assert ledger.rows()[QUARANTINE.name][-1][0] > ledger.rows()[QUARANTINE.name][0][0]
