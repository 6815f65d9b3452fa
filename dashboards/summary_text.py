"""The closing words over a history: what was milked, what slipped, which stalls to look at first."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Final

from dashboards.intervals import per_hundred
from store.history import History
from store.query import run_query

WORST: Final = 5
TOTALS: Final = """
SELECT count(*) AS milkings, count(*) FILTER (complete) AS complete,
    coalesce(sum(slips) FILTER (complete), 0)::BIGINT AS slips,
    coalesce(sum(yield_kg), 0) AS yield_kg, coalesce(sum(unit_on_s), 0) AS unit_on_s,
    coalesce(sum(unsupported_s), 0) AS unsupported_s, coalesce(sum(fall_offs), 0)::BIGINT AS fall_offs,
    coalesce(sum(reattaches), 0)::BIGINT AS reattaches,
    (SELECT coalesce(sum(air_l), 0) FROM air_event) AS air_l,
    (SELECT coalesce(sum(air_l), 0) FROM air_event WHERE kind = 'liner_slip') AS slip_air_l,
    (SELECT count(*) FROM air_event WHERE kind = 'vacuum_removal') AS removals,
    (SELECT coalesce(sum(front), 0)::BIGINT FROM quarter_slips) AS front,
    (SELECT coalesce(sum(rear), 0)::BIGINT FROM quarter_slips) AS rear,
    (SELECT count(*) FROM plant_event) AS dips,
    (SELECT count(*) FROM condition_event) AS conditions,
    (SELECT count(*) FROM quarantine) AS quarantined
FROM milking
"""
STALLS: Final = """
SELECT stall, milkings, slips, slip_air_l, fall_offs, coalesce(unsupported_ratio, 0) AS unsupported_ratio
FROM slips_per_100 ORDER BY slips_per_100 DESC, slip_air_l DESC, stall LIMIT ?
"""


def summary_text(history: History) -> str:
    """Return the summary as lines for a person.

    Notes
    -----
    Rates use complete milkings only and carry the exact 95 % limits of a count. Stalls are compared
    because they can be repaired; cows and people are not.
    """
    totals = run_query(history, TOTALS).frame.to_dicts()[0]
    stalls = run_query(history, STALLS, [WORST]).frame.to_dicts()
    return "\n".join([*_totals(totals), *_worst(stalls)])


def _totals(totals: dict[str, Any]) -> Iterator[str]:
    yield f"Summary of {totals['milkings']} milkings ({totals['complete']} seen whole)"
    yield f"  milk             {totals['yield_kg']:.0f} kg"
    yield f"  slips            {_rate(totals['slips'], totals['complete'])}"
    if totals["front"] + totals["rear"]:
        yield f"  by quarter       {totals['front']} at front teats, {totals['rear']} at rear teats"
    yield (
        f"  admitted air     {totals['air_l']:.1f} litres,"
        f" of them {totals['slip_air_l']:.1f} in slips (estimate)"
    )
    yield (
        f"  fall-offs        {totals['fall_offs']}, put on again {totals['reattaches']},"
        f" pulled off under vacuum {totals['removals']}"
    )
    share = 100.0 * totals["unsupported_s"] / totals["unit_on_s"] if totals["unit_on_s"] else 0.0
    minutes = totals["unsupported_s"] / 60.0
    yield f"  unsupported      {minutes:.1f} min, {share:.1f} % of the time units were on"
    yield (
        f"  plant dips       {totals['dips']}; faults for a technician {totals['conditions']};"
        f" refused messages {totals['quarantined']}"
    )


def _worst(stalls: list[dict[str, Any]]) -> Iterator[str]:
    yield "Worst stalls: slips per 100 milkings (95 % limits of the count)"
    for row in stalls:
        yield (
            f"  stall {row['stall']:>3}: {_rate(row['slips'], row['milkings'])};"
            f" {row['slip_air_l']:.1f} L, fall-offs {row['fall_offs']},"
            f" unsupported {100.0 * row['unsupported_ratio']:.0f} %"
        )
    if not stalls:
        yield "  none: no milking was seen whole"


def _rate(slips: int, milkings: int) -> str:
    rate = per_hundred(slips, milkings)
    if rate is None:
        return f"{slips}, no whole milking to relate them to"
    value, low, high = rate
    return f"{slips} in {milkings}: {value:.0f} slips per 100 milkings ({low:.0f} to {high:.0f})"
