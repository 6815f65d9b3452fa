"""The pictures of the advisor's report, each from findings to SVG text; the same findings, the same bytes."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import date, timedelta
from typing import Final

import numpy as np

from dashboards.report.plot import ALARM, GREY, INK, PALE, Plot, log_ticks, shade, ticks
from store.evidence.funnel import limits
from store.evidence.interval import Array, Estimate
from store.evidence.rates import rate
from store.inquiry.changes import SlipChange
from store.inquiry.daily import Period, StallDays
from store.inquiry.decompose import TestDay
from store.inquiry.support import SupportCell
from store.inquiry.units import Judged

WIDTH: Final = 760.0
_WEEK: Final = 7
_FEW_STALLS: Final = 8
"""Lanes drawn at most."""


def rates_over_time(
    daily: StallDays, period: Period | None, changes: Sequence[SlipChange], rows: list[int]
) -> str:
    """Draw the weekly slip rate of some stalls with exact limits, the period shaded, changes marked."""
    y, x = _weekly(daily.slips[rows].sum(0)), _weekly(daily.milkings[rows].sum(0))
    weeks = [k for k in range(len(x)) if x[k] > 0]
    found = [rate(round(y[k]), x[k]) for k in weeks]
    middles = [k * _WEEK + _WEEK / 2 for k in weeks]
    top = 100.0 * max((each.high for each in found), default=0.01) * 1.05
    plot = Plot(WIDTH, 250, x=(0, daily.milkings.shape[1]), y=(0, top), title="Slips in 100 milkings by week")
    if period is not None:
        columns = daily.columns(period)
        plot.cell((columns.start, 0), (columns.stop, top), colour="#f6f1e4")
    plot.axis_y("slips in 100 milkings", ticks(0, top))
    plot.axis_x("day (UTC)", _days(daily))
    for run in _runs(weeks):
        lower, upper = (
            [(middles[i], 100 * getattr(found[i], side)) for i in run] for side in ("low", "high")
        )
        plot.area(lower, upper, colour=PALE)
        plot.curve([(middles[i], 100 * found[i].value) for i in run], colour=INK)
    for middle, each in zip(middles, found, strict=True):
        plot.dot(middle, 100 * each.value, colour=INK, size=2.2)
    for change in changes:
        arrow = "rise" if change.rises else "fall"
        plot.rule((change.day - daily.first).days, f"{arrow} {change.day}", colour=ALARM)
    return plot.text()


def stall_funnel(judged: Judged) -> str | None:
    """Draw each stall's ratio to its expectation between limits that widen where less was expected."""
    units = [unit for unit in judged.units if unit.expected > 0.0 and unit.ratio is not None]
    if not units:
        return None
    most = max(unit.expected for unit in units) * 1.1
    top = max(2.0, *(unit.slips / unit.expected for unit in units)) * 1.05
    plot = Plot(WIDTH, 300, x=(0, most), y=(0, top), title="Slips of each stall against its expectation")
    plot.axis_y("slips / expected", ticks(0, top))
    plot.axis_x("slips expected", ticks(0, most))
    grid = np.linspace(most / 100, most, 100)
    for quantile, dash in ((1.96, "3 3"), (3.09, "")):
        for side in limits(grid, judged.tau2, quantile=quantile, within=judged.within):
            inside = [(float(e), float(r)) for e, r in zip(grid, side, strict=True) if r <= top]
            plot.curve(inside, colour=GREY, dashed=dash)
    for unit in units:
        ratio = unit.slips / unit.expected
        plot.dot(unit.expected, ratio, colour=ALARM if unit.outlier else INK, size=4 if unit.outlier else 3)
    for place, unit in enumerate(judged.outliers):
        anchor = "end" if place % 2 else "start"  # neighbours would lie on each other
        plot.note(unit.expected, unit.slips / unit.expected, f"stall {unit.name}", anchor=anchor)
    return plot.text()


def lanes(daily: StallDays, judged: Judged) -> str | None:
    """Draw the worst stalls as lanes of weeks, darker where more slipped."""
    worst = [unit for unit in judged.units if unit.ratio is not None][:_FEW_STALLS]
    if not worst:
        return None
    rows = [daily.stalls.index(int(unit.name)) for unit in worst]
    y, x = (np.stack([_weekly(t[row]) for row in rows]) for t in (daily.slips, daily.milkings))
    share = np.divide(y, x, out=np.full_like(y, np.nan), where=x > 0)
    top = max(float(np.nanmax(share)), 1e-9)
    plot = Plot(
        WIDTH,
        60 + 24 * len(rows),
        x=(0, daily.milkings.shape[1]),
        y=(0, len(rows)),
        title="Worst stalls by week",
    )
    for lane, unit in enumerate(reversed(worst)):
        values = share[len(rows) - 1 - lane]
        for week, value in enumerate(values):
            if math.isfinite(value):
                low = (week * _WEEK, lane + 0.1)
                plot.cell(low, ((week + 1) * _WEEK, lane + 0.9), colour=shade(value / top))
        plot.axis_y("", [(lane + 0.5, f"stall {unit.name}")])
    plot.axis_x(f"day (UTC); darkest: {100 * top:.0f} slips in 100 milkings", _days(daily))
    return plot.text()


def forest(rows: Sequence[tuple[str, Estimate | None]]) -> str | None:
    """Draw ratios with their limits one below the other, around the line of no difference."""
    told = [
        (name, each) for name, each in rows if each is not None and each.low > 0.0 and each.high < math.inf
    ]
    if not told:
        return None
    low = min(-0.7, *(math.log(each.low) for _, each in told)) - 0.05
    high = max(0.7, *(math.log(each.high) for _, each in told)) + 0.05
    left = low - 1.1 * (high - low)
    plot = Plot(WIDTH, 64 + 26 * len(told), x=(left, high), y=(0, len(told)), title="Ratios with 95 % limits")
    plot.axis_x("ratio (logarithmic)", log_ticks(low, high))
    plot.curve([(0, 0), (0, len(told))], colour=GREY, dashed="4 3")
    for place, (name, each) in enumerate(reversed(told)):
        y = place + 0.5
        plot.curve([(math.log(each.low), y), (math.log(each.high), y)], colour=INK)
        plot.dot(math.log(each.value), y, colour=INK, size=4)
        px, py = plot.at(left, y)
        plot.words(px - 54, py + 4, name, anchor="start")
    return plot.text()


def new_infections(test_days: Sequence[TestDay]) -> str | None:
    """Draw the share of cows newly high at each test day, with exact limits."""
    told = [(day.day, rate(day.new, day.at_risk)) for day in test_days if day.at_risk]
    if len(told) < 2:
        return None
    first = told[0][0]
    last = (told[-1][0] - first).days
    top = 100 * max(min(each.high, 1.0) for _, each in told) * 1.05
    plot = Plot(WIDTH, 220, x=(-3, last + 3), y=(0, top), title="New infections by test day")
    plot.axis_y("newly high, % of cows at risk", ticks(0, top))
    plot.axis_x(
        "test day", [((day - first).days, f"{day:%d %b}") for day, _ in told[:: max(1, len(told) // 8)]]
    )
    for day, each in told:
        x = (day - first).days
        plot.curve([(x, 100 * each.low), (x, 100 * each.high)], colour=INK)
        plot.dot(x, 100 * each.value, colour=INK, size=4)
    return plot.text()


def support_weeks(cells: Sequence[SupportCell], training: date | None) -> str | None:
    """Draw the weekly share of milkings with the unit carried, the training day marked."""
    told = [(date.fromisoformat(cell.name), cell.carried) for cell in cells if cell.carried is not None]
    if len(told) < 2:
        return None
    first = told[0][0]
    days = (told[-1][0] - first).days
    plot = Plot(WIDTH, 200, x=(0, days + 1), y=(0, 100), title="Milkings with the unit carried, by week")
    plot.axis_y("% of milkings", ticks(0, 100))
    plot.axis_x("week from", _months(first, days))
    plot.curve([((day - first).days, 100 * share) for day, share in told], colour=INK)
    if training is not None:
        plot.rule((training - first).days, f"training {training}", colour=ALARM)
    return plot.text()


def _weekly(values: Array) -> Array:
    """Return sums of seven days, the last ones shorter."""
    return np.add.reduceat(values, np.arange(0, values.size, _WEEK))


def _runs(weeks: Sequence[int]) -> list[list[int]]:
    """Return positions of neighbouring weeks together: a line never bridges a gap."""
    runs: list[list[int]] = []
    for position, week in enumerate(weeks):
        if runs and weeks[runs[-1][-1]] == week - 1:
            runs[-1].append(position)
        else:
            runs.append([position])
    return runs


def _days(daily: StallDays) -> list[tuple[float, str]]:
    """Return the marks of the days of a record."""
    return _months(daily.first, daily.milkings.shape[1])


def _months(first: date, days: int) -> list[tuple[float, str]]:
    """Return about eight days with their dates."""
    step = max(_WEEK, math.ceil(days / 8 / _WEEK) * _WEEK)
    return [(k, f"{first + timedelta(days=k):%d %b %y}") for k in range(0, days, step)]
