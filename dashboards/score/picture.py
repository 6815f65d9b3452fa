"""The score of air events as one picture of four panels."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from dashboards.score.curve import Curve, Point
from dashboards.score.events import EventScore
from dashboards.score.figures import Band, Confusion
from dashboards.svg import Svg
from detect.kinds import Cause

WIDTH: Final = 860.0
HEIGHT: Final = 660.0
ONSET_STEP_S: Final = 0.05
ONSET_REACH_S: Final = 0.5
"""Onset errors beyond this stand in the outermost bars [s]."""
INK: Final = "#0072b2"
PALE: Final = "#e69f00"
SOFT: Final = "#b9d7ea"
SHADES: Final = ((255, 255, 255), (0, 114, 178))


@dataclass(frozen=True, slots=True)
class Panel:
    """A plotting area [px], with its title above it."""

    svg: Svg
    left: float
    top: float
    width: float = 320.0
    height: float = 200.0

    def title(self, text: str, below: str, *, outwards: float = 0.0) -> None:
        """Write the title, and under it what the panel is made of, ``outwards`` px left of the area."""
        self.svg.label(self.left - outwards, self.top - 28, text, size=14)
        self.svg.label(self.left - outwards, self.top - 12, below, size=10)

    def y(self, share: float) -> float:
        """Return the height of a share of the full scale."""
        return self.top + self.height * (1.0 - share)

    def scale(self, marks: Sequence[str]) -> None:
        """Draw evenly spaced horizontal lines with their marks, lowest first."""
        for i, mark in enumerate(marks):
            y = self.y(i / (len(marks) - 1))
            self.svg.line(self.left, y, self.left + self.width, y)
            self.svg.label(self.left - 6, y + 4, mark, size=9, anchor="end")

    def mark(self, share: float, text: str, *, row: int = 0) -> None:
        """Write a mark under the horizontal axis at a share of the width."""
        x = self.left + share * self.width
        self.svg.label(x, self.top + self.height + 15 + 13 * row, text, size=9, anchor="middle")


def draw(events: EventScore) -> str:
    """Return the picture as an SVG document.

    Notes
    -----
    Operating curve with 95 % limits; recall by litres, where a band without a true event stays empty and says
    so; signed onset errors, those beyond the ends in the outermost bars; causes, shaded by share of the row.
    """
    title = "Operating curve, recall by litres of admitted air, onset errors, and confusion of causes"
    svg = Svg(WIDTH, HEIGHT, title=title)
    _curve(Panel(svg, 70.0, 60.0), events.curve)
    _recall(Panel(svg, 500.0, 60.0), events.recall_by_litres)
    _onsets(Panel(svg, 70.0, 380.0), events.onset_errors_s)
    _causes(Panel(svg, 590.0, 380.0, 250.0, 200.0), events.causes.table)
    return svg.text()


def _curve(panel: Panel, curve: Curve) -> None:
    known = [p for p in curve.points if p.recall.interval is not None and p.wrong.per_100 is not None]
    most = _round_up(max((p.wrong.per_100 or 0.0 for p in known), default=1.0))
    panel.title(
        "Operating curve", f"recall from {curve.from_litres:g} L with 95 % limits, by cut on confidence"
    )
    panel.scale(("0 %", "25 %", "50 %", "75 %", "100 %"))
    for tick in range(5):
        panel.mark(tick / 4, f"{most * tick / 4:g}")
    panel.mark(0.5, "false and repeated finds per 100 milkings", row=1)
    places = [(panel.left + panel.width * (p.wrong.per_100 or 0.0) / most, p) for p in known]
    for x, point in places:
        _whisker(panel, x, point)
    panel.svg.curve([(x, panel.y(p.recall.share or 0.0)) for x, p in places], stroke=INK)
    for x, point in places:
        panel.svg.box(x - 2, panel.y(point.recall.share or 0.0) - 2, 4, 4, fill=INK)


def _whisker(panel: Panel, x: float, point: Point) -> None:
    low, high = point.recall.interval or (0.0, 0.0)
    panel.svg.box(x - 1, panel.y(high), 2, panel.y(low) - panel.y(high), fill=SOFT)


def _round_up(value: float) -> float:
    """Return the next of 1, 2, 4, 10, 20... at or above a value."""
    if value <= 0.0:
        return 1.0
    power = 10.0 ** math.floor(math.log10(value))
    return next(step * power for step in (1.0, 2.0, 4.0, 10.0) if value <= step * power)


def _recall(panel: Panel, bands: Sequence[Band]) -> None:
    panel.title("Recall by free air admitted [L]", "lines are 95 % limits; n is the number of true events")
    panel.scale(("0 %", "25 %", "50 %", "75 %", "100 %"))
    step = panel.width / len(bands)
    for i, band in enumerate(bands):
        x, share = panel.left + i * step, band.recall or 0.0
        panel.svg.box(x + 4, panel.y(share), step - 8, panel.height * share, fill=INK)
        if band.interval is not None:
            low, high = band.interval
            panel.svg.box(x + step / 2 - 1, panel.y(high), 2, panel.y(low) - panel.y(high), fill=PALE)
        upper = "+" if band.high is None else f"-{band.high:g}"
        panel.mark((i + 0.5) / len(bands), f"{band.low:g}{upper}")
        panel.mark((i + 0.5) / len(bands), f"n {band.truth}", row=1)


def _onsets(panel: Panel, errors_s: Sequence[float]) -> None:
    bars = round(2 * ONSET_REACH_S / ONSET_STEP_S)
    counts = [0] * bars
    for error in errors_s:
        counts[min(max(math.floor((error + ONSET_REACH_S) / ONSET_STEP_S), 0), bars - 1)] += 1
    most = max(counts) or 1
    panel.title("Onset error [s]", f"found less true, n {len(errors_s)}; the outermost bars hold all beyond")
    panel.scale(("0", f"{most / 2:g}", f"{most}"))
    step = panel.width / bars
    for i, count in enumerate(counts):
        share = count / most
        panel.svg.box(panel.left + i * step + 1, panel.y(share), step - 2, panel.height * share, fill=PALE)
    for tick in range(5):
        panel.mark(tick / 4, f"{ONSET_REACH_S * (tick / 2 - 1):g}")


def _causes(panel: Panel, table: Confusion) -> None:
    ours = [cause.value for cause in Cause]
    rows = [cause for cause in ours if cause in table] + sorted(set(table) - set(ours))
    panel.title("Causes", "row: true; column: found; shade: share of the row", outwards=90.0)
    step, high = panel.width / len(ours), panel.height / max(len(rows), 1)
    for k, cause in enumerate(ours):
        words = cause.split("_")
        for line, word in enumerate(words):
            panel.mark((k + 0.5) / len(ours), word, row=line)
    for i, true in enumerate(rows):
        y, total = panel.top + i * high, sum(table[true].values())
        panel.svg.label(panel.left - 6, y + high / 2 + 3, true, size=9, anchor="end")
        for k, found in enumerate(ours):
            count = table[true].get(found, 0)
            panel.svg.box(panel.left + k * step, y, step - 1, high - 1, fill=_shade(0.75 * count / total))
            panel.svg.label(
                panel.left + (k + 0.5) * step, y + high / 2 + 3, f"{count}", size=9, anchor="middle"
            )


def _shade(share: float) -> str:
    """Return a colour between white and ink."""
    mixed = (round(light + share * (dark - light)) for light, dark in zip(*SHADES, strict=True))
    return "#" + "".join(f"{part:02x}" for part in mixed)
