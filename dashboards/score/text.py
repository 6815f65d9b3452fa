"""The score in words and as plain data."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Mapping
from typing import Any

from dashboards.score.causes import CauseScore
from dashboards.score.curve import Curve
from dashboards.score.events import EventScore
from dashboards.score.figures import Band, Confusion, Counts, Interval, Quantiles, Rate, Share
from dashboards.score.milkings import MilkingScore
from dashboards.score.support import SupportScore
from dashboards.score.whole import Score

INDENT = " " * 17


def as_dict(score: Score) -> dict[str, Any]:
    """Return the score as JSON-ready data; the single onset errors stay out, their quantiles are in."""
    data = dataclasses.asdict(score)
    if data["events"] is not None:
        del data["events"]["onset_errors_s"]
    return data


def as_text(score: Score) -> str:
    """Return the score as lines for a person."""
    untold = "the truth does not tell"
    return "\n".join(
        [
            *(_event_lines(score.events) if score.events else [f"Air events       {untold}"]),
            *(_cause_lines(score.events.causes) if score.events else []),
            *(_curve_lines(score.events.curve) if score.events else []),
            *(_milking_lines(score.milkings) if score.milkings else [f"Milkings         {untold}"]),
            *(_support_lines(score.support) if score.support else [f"Unsupported      {untold}"]),
            *(_count_lines("Plant dips", score.plant) if score.plant else [f"Plant dips       {untold}"]),
            *(f"Note: {note}" for note in score.notes),
            "In brackets 95 % limits, which take events for independent: the truth is less certain still.",
        ]
    )


def _event_lines(events: EventScore) -> Iterator[str]:
    yield from _count_lines("Air events", events.counts)
    yield f"{INDENT}recall of events of 0.15 L and more {_share(events.recall_from_150_ml)}"
    yield f"{INDENT}recall of events of 2 kPa and more {_share(events.recall_from_2_kpa)}"
    yield (
        f"{INDENT}wrong per 100 milkings {_number(events.false_per_100_milkings)}:"
        f" false {_rate(events.false)}, repeats {_rate(events.repeats)}"
    )
    yield (
        f"{INDENT}onset error {_quantiles(events.onset_error_s, 's')}"
        f" (median shift {_number(events.onset_bias_s)} s)"
    )
    yield f"{INDENT}end error {_quantiles(events.end_error_s, 's')}"
    yield f"{INDENT}detected after onset {_quantiles(events.delay_s, 's')}"
    for kind, delay in events.delay_by_kind_s.items():
        yield f"{INDENT}  {kind}: {_quantiles(delay, 's')}"
    yield f"{INDENT}litres found over true {_quantiles(events.litres_ratio, '')}"
    yield f"{INDENT}  slips of 2 kPa and more: {_quantiles(events.slip_litres_ratio, '')}"
    yield f"  recall by depth  {_bands(events.recall_by_depth_kpa, 'kPa')}"
    yield f"  recall by litres {_bands(events.recall_by_litres, 'L')}"
    yield from _shares("  recall by kind   ", events.recall_by_kind)
    yield from _shares("  recall by phase  ", events.recall_by_phase)
    yield f"  kind right       {_share(events.kind_right)}"
    yield from _table("  true kind -> found ", events.kinds)
    if events.quarters is not None:
        yield f"  quarter told     {_share(events.quarters.told)}, right {_share(events.quarters.right)}"


def _cause_lines(causes: CauseScore) -> Iterator[str]:
    yield f"  cause right      {_share(causes.right)}"
    yield f"                   always the commonest cause would be right {_share(causes.commonest)}"
    yield f"                   a cause named {_share(causes.named)}"
    yield f"                   of those right {_share(causes.named_right)}"
    yield from _table("  true cause -> found", causes.table)
    yield (
        f"  cause shares     expected calibration error {_number(causes.calibration.error)},"
        f" of named causes {_number(causes.named_calibration.error)} (10 equal bins)"
    )
    for one in causes.calibration.bins:
        yield f"                   said {one.mean_share:.2f}, came true {one.right:.2f} (n {one.count})"


def _curve_lines(curve: Curve) -> Iterator[str]:
    yield f"  confidence cut   recall from {curve.from_litres:g} L, wrong per 100 milkings"
    for point in curve.points[:: max(1, len(curve.points) // 8)]:
        yield f"    {point.cut:.3f}          {_share(point.recall)}; {_rate(point.wrong)}"
    best = ", ".join(f"{percent(b.recall)} at {b.at_most_per_100:g}" for b in curve.best)
    yield f"  best recall      at most so many wrong per 100: {best}"


def _milking_lines(milkings: MilkingScore) -> Iterator[str]:
    yield from _count_lines("Milkings", milkings.counts)
    yield (
        f"{INDENT}both ends within 5 s {_share(milkings.both_ends_within_5_s)},"
        f" within 15 s {_share(milkings.both_ends_within_15_s)}"
    )
    yield (
        f"{INDENT}start error {_quantiles(milkings.start_error_s, 's')},"
        f" end error {_quantiles(milkings.end_error_s, 's')}"
    )
    yield (
        f"{INDENT}yield within 3 % {_share(milkings.yield_within_3_percent)},"
        f" relative error {_quantiles(milkings.yield_error_ratio, '', 3)}"
    )


def _support_lines(support: SupportScore) -> Iterator[str]:
    yield from _count_lines("Unsupported", support.counts)
    yield f"{INDENT}per 100 milkings: false {_rate(support.false)}, repeats {_rate(support.repeats)}"
    yield (
        f"{INDENT}detected after onset {_quantiles(support.delay_s, 's')};"
        f" error of the carried share {_quantiles(support.share_error, '')}"
    )
    yield f"  state right      {_share(support.state_right)}"
    yield from _table("  true state -> found", support.states)


def _count_lines(title: str, counts: Counts) -> Iterator[str]:
    yield (
        f"{title:<17}{counts.matched} of {counts.truth} true ones found ({percent(counts.recall)}"
        f"{_interval(counts.recall_interval)}), {counts.false} false, {counts.repeats} repeats"
    )
    yield (
        f"{INDENT}precision {percent(counts.precision)}{_interval(counts.precision_interval)},"
        f" F1 {_number(counts.f1)}"
    )


def _interval(interval: Interval | None) -> str:
    return "" if interval is None else f" [{100.0 * interval[0]:.1f}-{100.0 * interval[1]:.1f}]"


def _share(of: Share) -> str:
    return f"{percent(of.share)}{_interval(of.interval)} ({of.part}/{of.whole})" if of.whole else "-"


def _shares(title: str, shares: Mapping[str, Share]) -> Iterator[str]:
    for word, of in shares.items():
        yield f"{title}{word} {_share(of)}"
        title = " " * len(title)


def _rate(rate: Rate) -> str:
    if rate.per_100 is None or rate.interval is None:
        return f"{rate.count} (no rate)"
    return f"{rate.per_100:.2f} [{rate.interval[0]:.2f}-{rate.interval[1]:.2f}]"


def _bands(bands: tuple[Band, ...], unit: str) -> str:
    filled = [band for band in bands if band.truth]
    return ", ".join(f"{_band(band)} {unit}: {band.matched}/{band.truth}" for band in filled) or "none"


def _band(band: Band) -> str:
    return f"{band.low:g}+" if band.high is None else f"{band.low:g}-{band.high:g}"


def _table(title: str, table: Confusion) -> Iterator[str]:
    for true, row in table.items():
        yield f"{title} {true}: " + ", ".join(f"{found} {count}" for found, count in row.items())


def _quantiles(quantiles: Quantiles | None, unit: str, digits: int = 2) -> str:
    if quantiles is None:
        return "not known"
    tail = f" {unit}" if unit else ""
    return ", ".join(f"{name} {value:.{digits}f}{tail}" for name, value in quantiles.items())


def percent(share: float | None) -> str:
    """Return a share as percent, or a dash when it is not known."""
    return "-" if share is None else f"{100.0 * share:.1f} %"


def _number(value: float | None) -> str:
    return "-" if value is None else f"{value:.2f}"
