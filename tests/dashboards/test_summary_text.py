"""The closing words say what the tables hold."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from dashboards.summary_text import summary_text
from detect.results import Milking
from store.batch import Batch
from store.history import History

S = 1_000_000_000


def milking(stall: int, number: int, **other: object) -> Milking:
    start_ns = (1_000 * number + stall) * S
    whole = Milking(
        milking_id=f"m{stall}-{number}",
        parlor="willowmere",
        stall=stall,
        cow="17",
        milker=None,
        group_name=None,
        start_ns=start_ns,
        end_ns=start_ns + 300 * S,
        yield_kg=12.0,
        unit_on_s=300.0,
        mean_flow_kg_min=2.4,
        peak_flow_kg_min=4.0,
        two_minute_kg=6.0,
        low_flow_s=10.0,
        mean_claw_kpa=40.0,
        vacuum_at_removal_kpa=5.0,
        slips=0,
        slip_air_l=0.0,
        late_slips=0,
        impact_load_kpa=0.0,
        fall_offs=0,
        reattaches=0,
        unsupported_s=0.0,
        coverage_ratio=1.0,
        complete=True,
    )
    return replace(whole, **other)


def test_rates_are_of_whole_milkings_with_their_limits(tmp_path: Path) -> None:
    """Two slips in four whole milkings of stall 7 are 50 in 100; a milking seen in part is not counted."""
    results = [
        milking(7, n, slips=2 if n == 1 else 0, slip_air_l=0.5 if n == 1 else 0.0) for n in range(1, 5)
    ]
    results += [milking(3, n, unsupported_s=30.0, fall_offs=1) for n in range(1, 5)]
    results.append(milking(7, 9, slips=40, complete=False))
    with History.open(tmp_path / "h.duckdb") as history:
        history.commit(Batch("willowmere", results))
        text = summary_text(history)
    assert "Summary of 9 milkings (8 seen whole)" in text
    assert "2 in 8: 25 slips per 100 milkings (3 to 90)" in text
    assert "milk             108 kg" in text
    assert "fall-offs        4" in text
    assert "unsupported      2.0 min, 4.4 %" in text
    worst = text.split("Worst stalls")[1].splitlines()
    assert worst[1].startswith("  stall   7: 2 in 4: 50 slips per 100 milkings (6 to 181); 0.5 L")
    assert worst[2].startswith("  stall   3: 0 in 4")


def test_an_empty_history_is_summed_up_too(tmp_path: Path) -> None:
    """Nothing milked is said in words, without a made-up rate."""
    with History.open(tmp_path / "h.duckdb") as history:
        text = summary_text(history)
    assert "Summary of 0 milkings" in text
    assert "no whole milking to relate them to" in text
    assert "none: no milking was seen whole" in text
