"""The report on a rise in cell count, section by section."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from dashboards.report import charts
from dashboards.report.page import Page, Section, Table, figures, render_page, share, shown
from dashboards.report.waveforms import draw_waveforms
from dashboards.report.wording import sentences
from store.history import History
from store.inquiry.daily import Completeness
from store.inquiry.exposure import Contrast
from store.inquiry.investigate import Investigation
from store.inquiry.typical import TypicalEvents, typical_events
from store.inquiry.units import UnitFigures

_STALL_ROWS: Final = 15
"""Stalls listed in the table; the JSON holds all of them."""
_METHOD: Final = (
    "Rates are slips in 100 complete milkings; a milking seen in part does not count, and a gap is no "
    "milking without slips. Ratios come with exact limits, and with wider ones for slips that come in bursts "
    "and days that differ.",
    "Stalls are held against the rate of the ordinary ones. The limits allow for what stalls differ anyway, "
    "the ratios are drawn towards the common rate, and the chance of any false outlier among all stalls is 1 "
    "%.",
    "Changes are searched for in the parlor and in each stall; the place of a change being searched for is "
    "allowed for, a slow drift is no change, and the chance of any false change in a steady record is 2 %.",
    "A new infection is a cell count of 200 000 cells/mL or more after one below, at most 100 days apart, or "
    "a first clinical case. Slips are counted from the earlier test day to the day before the outcome. Who "
    "is exposed is decided from the slips alone. Risks are pooled within parity and days in milk; limits "
    "allow for several intervals of one cow.",
    "What speaks against an association is shown with it: slips after the outcome (which can do nothing to "
    "it), the stalls a cow happened to stand in, slips long before the test day.",
    "Limits of the record: one herd and no experiment. Cows with sore udders kick, so slips may follow an "
    "infection; and cows whose udders slip may fall ill for other reasons.",
)


def investigation_page(found: Investigation, history: History, capture: Path | None = None) -> str:
    """Return the report as one HTML document.

    Parameters
    ----------
    found:
        What was found.
    history:
        The open history, for typical events.
    capture:
        A capture to draw typical slips from; None for none.
    """
    windows = found.windows
    period = windows and f"{windows.period.start} to {windows.period.end} (end not included)"
    reason = windows.reason if windows else "no milkings"
    return render_page(
        Page(
            title=f"Slips and cell count, {found.parlor or 'no parlor'}",
            subtitle=f"Looked into: {period or 'nothing'}; chosen: {reason}.",
            sentences=sentences(found),
            warnings=found.warnings,
            sections=(
                _over_time(found),
                _stalls(found),
                _cows(found),
                _events(found, history, capture),
                _support(found),
                _completeness(found),
                Section("Method", texts=_METHOD),
            ),
        )
    )


def _over_time(found: Investigation) -> Section:
    daily = found.daily
    if daily is None:
        return Section("Over time")
    everyone = list(range(len(daily.stalls)))
    period = found.windows.period if found.windows else None
    drawn = [
        (
            charts.rates_over_time(daily, period, found.changes, everyone),
            "All stalls, by week, with exact 95 % limits; the period looked into is shaded. Marks: changes "
            "found.",
        )
    ]
    if found.decomposition is not None:
        drawn_scc = charts.new_infections(found.decomposition.test_days)
        caption = "Cows newly at 200 000 cells/mL or more, of those below at the test day before."
        return Section("Over time", figures=figures(*drawn, (drawn_scc, caption)), tables=_work(found))
    return Section("Over time", figures=figures(*drawn), tables=_work(found))


def _work(found: Investigation) -> tuple[Table, ...]:
    if not found.work:
        return ()
    rows = [
        (work.what, f"{work.at:%Y-%m-%d}", ", ".join(map(str, work.stalls)) or "all") for work in found.work
    ]
    return (Table(("work noted", "day", "stalls"), rows),)


def _stalls(found: Investigation) -> Section:
    daily = found.daily
    if daily is None or not found.stalls.units:
        return Section("Stalls")
    named = figures(
        (
            charts.stall_funnel(found.stalls),
            "Each stall against its expectation. Lines: 95 % (dashed) and 99.8 % limits that allow for what "
            "stalls differ anyway.",
        ),
        (
            charts.lanes(daily, found.stalls),
            "The worst stalls by week; darker is more slips in 100 milkings.",
        ),
    )
    tables = [_table("stall", found.stalls.units[:_STALL_ROWS])]
    if found.groups.units:
        tables.append(_table("group", found.groups.units))
    if found.milkers:
        tables.append(_table("milker (by name, not ranked)", found.milkers))
    return Section("Stalls, groups, shifts of milkers", figures=named, tables=tables)


def _table(name: str, units: tuple[UnitFigures, ...]) -> Table:
    rows = [
        (
            unit.name,
            unit.milkings,
            unit.slips,
            shown(unit.per_100),
            shown(unit.ratio, 2),
            f"{shown(unit.low, 2)} to {shown(unit.high, 2)}",
        )
        for unit in units
    ]
    marked = frozenset(i for i, unit in enumerate(units) if unit.outlier)
    return Table((name, "milkings", "slips", "in 100", "ratio, shrunk", "95 %"), rows, marked)


def _cows(found: Investigation) -> Section:
    tables = []
    if found.decomposition is not None:
        classes = [
            (c.name, c.tested_before, share(c.high_before / c.tested_before if c.tested_before else None),
             c.tested, share(c.high / c.tested if c.tested else None))
            for c in found.decomposition.classes
        ]  # fmt: skip
        tables.append(Table(("cows", "tested before", "high before", "tested in period", "high"), classes))
        tank = [(cow, share(part)) for cow, part in found.decomposition.tank]
        tables.append(Table(("cow", "share of the cells in the tank, last test day"), tank))
    exposure = found.exposure
    if exposure is None:
        return Section("Cows and new infections", tables=tables)
    checks = [exposure.crude, *exposure.checks]
    rows = [("within parity and days in milk", exposure.pooled), *((c.name, c.ratio) for c in checks)]
    drawn = figures(
        (
            charts.forest(rows),
            "Ratios of risks, more slips against fewer. Left of the line: fewer infections.",
        )
    )
    texts = (
        f"Exposed: {exposure.definition}. {exposure.intervals} intervals of {exposure.cows} cows.",
        f"Trend over thirds of exposure: p {shown(exposure.trend_p, 4)}. Smallest ratio these data could "
        f"have shown four times in five: {shown(exposure.detectable, 2)}.",
    )
    return Section(
        "Cows and new infections", figures=drawn, tables=[*tables, _contrasts(checks)], texts=texts
    )


def _contrasts(checks: list[Contrast]) -> Table:
    rows = [
        (
            check.name,
            f"{check.exposed_cases} of {check.exposed}",
            f"{check.unexposed_cases} of {check.unexposed}",
            shown(check.ratio.value if check.ratio else None, 2),
        )
        for check in checks
    ]
    return Table(("new infections", "more slips", "fewer slips", "ratio"), rows)


def _events(found: Investigation, history: History, capture: Path | None) -> Section:
    if found.windows is None:
        return Section("Typical slips")
    outliers = tuple(int(unit.name) for unit in found.stalls.outliers)
    events = typical_events(history, found.parlor, found.windows.period, outliers)
    if not events:
        return Section("Typical slips")
    rows = [_event_row(each) for each in events]
    columns = ("slips in", "number", "length s", "depth kPa", "air L", "flow kg/min")
    text = "Medians of the slips of the period by phase of the milk flow. Litres are an estimate."
    drawn = draw_waveforms(history, found.parlor, found.windows.period, capture) if capture else []
    return Section("Typical slips", figures(*drawn), (Table(columns, rows),), (text,))


def _event_row(each: TypicalEvents) -> tuple[str | int, ...]:
    return (
        each.name, each.number, shown(each.length_s, 2), shown(each.depth_kpa), shown(each.air_l, 2),
        shown(each.flow_kg_min, 2),
    )  # fmt: skip


def _support(found: Investigation) -> Section:
    support = found.support
    if support is None:
        return Section("Support of the units")
    drawn = figures(
        (charts.support_weeks(support.weeks, support.training), "Milkings in which the arm carried the unit.")
    )
    cells = [*support.shifts, *(c for c in (support.before, support.after) if c is not None)]
    rows = [(cell.name, cell.milkings, share(cell.carried)) for cell in cells]
    text = (
        "Cells of fewer than 20 milkings are hidden. Habits of the parlor are shown, never those of a person."
    )
    return Section("Support of the units", drawn, (Table(("", "milkings", "carried"), rows),), (text,))


def _completeness(found: Investigation) -> Section:
    parts = (("record", found.record), ("period", found.period), ("baseline", found.baseline))
    rows = [_seen(name, part) for name, part in parts if part is not None]
    columns = ("", "days", "with milkings", "milkings", "complete")
    detectors = ", ".join(found.detectors) or "no events"
    return Section("Completeness", tables=(Table(columns, rows),), texts=(f"Detector: {detectors}.",))


def _seen(name: str, part: Completeness) -> tuple[str | int, ...]:
    return (name, part.days, part.days_with_data, part.milkings, share(part.complete_share))
