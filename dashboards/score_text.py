"""The score in words and as plain data."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from typing import Any

from dashboards.score import Band, Counts, EventScore, MilkingScore, Score, SupportScore


def as_dict(score: Score) -> dict[str, Any]:
    """Return the score as JSON-ready data; the single delays stay out, their quantiles are in."""
    data = dataclasses.asdict(score)
    del data["events"]["delays_s"]
    return data


def as_text(score: Score) -> str:
    """Return the score as lines for a person."""
    return "\n".join(
        [
            *_event_lines(score.events),
            *_milking_lines(score.milkings),
            *_support_lines(score.support),
            f"Plant dips       {_counts(score.plant) if score.plant else 'the truth does not tell'}",
        ]
    )


def _event_lines(events: EventScore) -> Iterator[str]:
    yield f"Air events       {_counts(events.counts)}"
    yield (
        f"                 recall of events of 2 kPa and more {percent(events.relevant_recall)},"
        f" false per 100 milkings {number(events.false_per_100_milkings)}"
    )
    yield (
        f"                 onset error {_quantiles(events.onset_error_s, 's')};"
        f" detected after onset {_quantiles(events.delay_s, 's')}"
    )
    yield f"                 litres found over true {_quantiles(events.litres_ratio, '')}"
    yield f"  recall by depth  {_bands(events.recall_by_depth_kpa, 'kPa')}"
    yield f"  recall by litres {_bands(events.recall_by_litres, 'L')}"
    yield f"  recall by kind   {_shares(events.recall_by_kind)}"
    yield from _table("  true kind -> found ", events.kinds)
    yield from _table("  true cause -> found", events.causes)


def _milking_lines(milkings: MilkingScore) -> Iterator[str]:
    yield f"Milkings         {_counts(milkings.counts)}"
    yield (
        f"                 both ends within 15 s {percent(milkings.within_15_s)},"
        f" within 5 s {percent(milkings.within_5_s)}"
    )
    yield (
        f"                 yield within 5 % {percent(milkings.yield_within_5_percent)},"
        f" error {_quantiles(milkings.yield_error_ratio, '')}"
    )


def _support_lines(support: SupportScore) -> Iterator[str]:
    yield f"Unsupported      {_counts(support.counts)}"
    yield (
        f"                 false per 100 milkings {number(support.false_per_100_milkings)};"
        f" detected after onset {_quantiles(support.delay_s, 's')}"
    )
    yield from _table("  true state -> found", support.states)


def _counts(counts: Counts) -> str:
    return (
        f"{counts.matched} of {counts.truth} true ones found ({percent(counts.recall)}),"
        f" {counts.false} false, {counts.repeats} repeats;"
        f" precision {percent(counts.precision)}, F1 {number(counts.f1)}"
    )


def _bands(bands: tuple[Band, ...], unit: str) -> str:
    filled = [band for band in bands if band.truth]
    return ", ".join(f"{_band(band)} {unit}: {band.matched}/{band.truth}" for band in filled) or "none"


def _band(band: Band) -> str:
    return f"{band.low:g}+" if band.high is None else f"{band.low:g}-{band.high:g}"


def _shares(shares: dict[str, float | None]) -> str:
    return ", ".join(f"{word} {percent(share)}" for word, share in shares.items())


def _table(title: str, table: dict[str, dict[str, int]]) -> Iterator[str]:
    for true, row in table.items():
        yield f"{title} {true}: " + ", ".join(f"{found} {count}" for found, count in row.items())


def _quantiles(quantiles: dict[str, float] | None, unit: str) -> str:
    if quantiles is None:
        return "not known"
    return ", ".join(f"{name} {value:.2f}{' ' + unit if unit else ''}" for name, value in quantiles.items())


def percent(share: float | None) -> str:
    """Return a share as percent, or a dash when it is not known."""
    return "-" if share is None else f"{100.0 * share:.0f} %"


def number(value: float | None) -> str:
    """Return a figure with two decimals, or a dash when it is not known."""
    return "-" if value is None else f"{value:.2f}"
