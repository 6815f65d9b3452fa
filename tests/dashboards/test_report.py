"""Pictures and sentences of the report say what the figures say, and nothing more."""

from __future__ import annotations

import math
from datetime import date
from xml.etree import ElementTree as ET

import numpy as np
import pytest

from dashboards.report import charts
from dashboards.report.as_json import number
from dashboards.report.plot import Plot, log_ticks, shade, ticks
from dashboards.report.wording import interval, verdict
from store.evidence.interval import Estimate
from store.inquiry.compare import Comparison
from store.inquiry.daily import StallDays


def shapes(svg: str, tag: str) -> list[ET.Element]:
    return ET.fromstring(svg).findall(f".//{{http://www.w3.org/2000/svg}}{tag}")  # noqa: S314 - our own text


def herd(days: int, *, without: slice) -> StallDays:
    milkings = np.full((2, days), 50.0)
    milkings[:, without] = 0.0
    return StallDays("w", date(2026, 1, 1), (1, 2), milkings, milkings, milkings * 0.1, milkings, milkings)


def test_a_line_never_bridges_a_gap() -> None:
    """Weeks without milkings part the curve in two, and have no point."""
    whole = charts.rates_over_time(herd(84, without=slice(0, 0)), None, (), [0, 1])
    holed = charts.rates_over_time(herd(84, without=slice(28, 56)), None, (), [0, 1])
    assert len(shapes(whole, "polygon")) == 1
    assert len(shapes(holed, "polygon")) == 2
    assert len(shapes(whole, "circle")) == 12
    assert len(shapes(holed, "circle")) == 8


def test_a_forest_leaves_out_what_is_open() -> None:
    """A ratio without an upper limit, or none at all, has no line; without any there is no picture."""
    rows = [("a", Estimate(2.0, 1.0, 4.0)), ("b", Estimate(2.0, 0.5, math.inf)), ("c", None)]
    drawn = charts.forest(rows)
    assert drawn is not None
    assert len(shapes(drawn, "circle")) == 1
    assert charts.forest(rows[1:]) is None


def test_words_are_escaped() -> None:
    """What people typed cannot become markup."""
    plot = Plot(100, 100, x=(0, 1), y=(0, 1), title="<b>")
    plot.note(0.5, 0.5, "<script>")
    assert "<script>" not in plot.text()
    assert shapes(plot.text(), "text")[0].text == "<script>"


def test_marks_are_round_and_inside() -> None:
    """Marks are multiples of 1, 2 or 5 between the bounds; ratios are marked in powers."""
    assert [text for _, text in ticks(0.0, 9.3)] == ["0", "2", "4", "6", "8"]
    assert ticks(3.0, 3.0) == [(3.0, "3")]
    assert [text for _, text in log_ticks(math.log(0.4), math.log(2.5))] == ["0.5", "1", "2"]
    assert (shade(0.0), shade(1.0), shade(7.0)) == ("#ffffff", "#d55e00", "#d55e00")


def test_numbers_are_rounded_and_never_infinite() -> None:
    """Six digits are written; what is no number becomes null."""
    assert number(1.23456789) == 1.23457
    assert number(math.inf) is None
    assert number(math.nan) is None
    assert number(None) is None


@pytest.mark.parametrize(
    ("ratio", "said"),
    [
        (Estimate(0.6, 0.5, 0.7), "associated with fewer slips"),
        (Estimate(1.6, 1.2, 2.1), "associated with more slips"),
        (Estimate(0.9, 0.7, 1.2), "no difference beyond chance"),
        (None, "cannot say"),
    ],
)
def test_the_verdict_follows_the_limits(ratio: Estimate | None, said: str) -> None:
    """The sentence depends on whether the limits hold 1, and claims no cause."""
    comparison = Comparison(
        "w", date(2026, 3, 1), None, (1,), (2,), (), None, None, None, ratio, None, None, ()
    )
    assert said in verdict(comparison)


def test_an_interval_in_words() -> None:
    """Value and limits with two digits."""
    assert interval(Estimate(1.234, 1.0, 1.5)) == "1.23 (95 % interval 1.00 to 1.50)"
