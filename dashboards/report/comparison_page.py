"""The report on a remedy: one plain sentence, then before and after, treated and untreated."""

from __future__ import annotations

from typing import Final

from dashboards.report import charts
from dashboards.report.page import Page, Section, Table, figures, render_page, share, shown
from dashboards.report.wording import Sentence, Sureness, verdict
from store.inquiry.compare import SETTLING_DAYS, Comparison
from store.inquiry.rise import Side

__all__ = ["comparison_page", "verdict"]

_METHOD: Final = (
    f"The {SETTLING_DAYS} days after the change are left out while people and parts settle in. Days beyond "
    "another change of the parlor's slip rate, or beyond 90 days, are not compared.",
    "The controlled ratio is the change of the treated stalls over that of the untreated ones in the same "
    "days. Its limits come from leaving out one stall after the other, so that stalls may differ in how they "
    "change. Stalls that changed at another time or quite unlike the others of their side are left out and "
    "named.",
    "The step beside a trend (interrupted time series) is a second look: counts by day, dispersion "
    "estimated, the wider of two kinds of limits.",
)


def comparison_page(found: Comparison) -> str:
    """Return the report as one HTML document."""
    control = found.controlled
    sure = Sureness.UNKNOWN if control is None else Sureness.FIRM if control.excludes_one else Sureness.OPEN
    return render_page(
        Page(
            title=f"Before and after {found.changed}, {found.parlor or 'no parlor'}",
            subtitle=found.what or "no note on what was done",
            sentences=[Sentence(verdict(found), sure)],
            warnings=found.warnings,
            sections=(_rates(found), _ratios(found), Section("Method", texts=_METHOD)),
        )
    )


def _rates(found: Comparison) -> Section:
    daily = found.daily
    if daily is None:
        return Section("Rates")
    drawn = []
    for name, stalls in (("Treated", found.treated), ("Untreated", found.untreated)):
        rows = [i for i, stall in enumerate(daily.stalls) if stall in stalls and stall not in found.excluded]
        if rows:
            caption = f"{name} stalls, slips in 100 milkings by week; the days after the change are shaded."
            drawn.append((charts.rates_over_time(daily, found.after, (), rows), caption))
    tables = []
    if found.rise is not None:
        rows_shown = [_side("before", found.rise.before), _side("after", found.rise.after)]
        tables.append(
            Table(("treated stalls", "milkings", "slips", "in 100", "time without support"), rows_shown)
        )
    return Section("Rates", figures=figures(*drawn), tables=tables)


def _side(name: str, side: Side) -> tuple[str | int, ...]:
    return (name, side.milkings, side.slips, shown(side.per_100), share(side.unsupported_share))


def _ratios(found: Comparison) -> Section:
    rise, step = found.rise, found.step
    rows = [
        ("against untreated stalls", found.controlled),
        ("treated stalls, after over before", rise.wide if rise else None),
        ("step beside a trend", step.wider if step else None),
    ]
    caption = "Ratios of slip rates with 95 % limits. Left of the line: fewer slips."
    return Section("Ratios", figures=figures((charts.forest(rows), caption)))
