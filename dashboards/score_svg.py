"""The score as one picture: recall by litres of admitted air, and the delay of detection."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from dashboards.score import Band, EventScore
from dashboards.svg import Svg

WIDTH: Final = 760.0
HEIGHT: Final = 300.0
PANEL: Final = (60.0, 50.0, 290.0, 180.0)
"""Left, top, width and height of the first panel [px]; the second stands ``STEP`` to its right."""
STEP: Final = 370.0
DELAY_STEP_S: Final = 0.25
DELAY_BINS: Final = 12
INK: Final = "#0072b2"
PALE: Final = "#e69f00"


def draw(events: EventScore) -> str:
    """Return the picture as an SVG document.

    Notes
    -----
    Bars of bands without a true event stay empty and say so; delays past the last bin are in the last one.
    """
    svg = Svg(WIDTH, HEIGHT, title="Recall by litres of admitted air, and delay of detection")
    _recall(svg, events.recall_by_litres)
    _delays(svg, events.delays_s)
    return svg.text()


def _recall(svg: Svg, bands: Sequence[Band]) -> None:
    left, top, width, height = PANEL
    svg.label(left, top - 25, "Recall by free air admitted [L]", size=14)
    _axis(svg, left, ("0 %", "50 %", "100 %"))
    step = width / len(bands)
    for i, band in enumerate(bands):
        share = band.recall or 0.0
        x = left + i * step
        svg.box(x + 3, top + height * (1 - share), step - 6, height * share, fill=INK)
        upper = "+" if band.high is None else f"-{band.high:g}"
        svg.label(x + step / 2, top + height + 16, f"{band.low:g}{upper}", size=9, anchor="middle")
        svg.label(x + step / 2, top + height + 30, f"n {band.truth}", size=9, anchor="middle")


def _delays(svg: Svg, delays_s: Sequence[float]) -> None:
    left, top, width, height = PANEL[0] + STEP, *PANEL[1:]
    svg.label(left, top - 25, f"Detected after onset [s], n {len(delays_s)}", size=14)
    counts = [0] * DELAY_BINS
    for delay in delays_s:
        counts[min(max(int(delay / DELAY_STEP_S), 0), DELAY_BINS - 1)] += 1
    most = max(counts) or 1
    _axis(svg, left, ("0", f"{most / 2:g}", f"{most}"))
    step = width / DELAY_BINS
    for i, count in enumerate(counts):
        share = count / most
        svg.box(left + i * step + 1, top + height * (1 - share), step - 2, height * share, fill=PALE)
    for tick in range(0, DELAY_BINS + 1, 4):
        svg.label(left + tick * step, top + height + 16, f"{tick * DELAY_STEP_S:g}", size=9, anchor="middle")


def _axis(svg: Svg, left: float, marks: Sequence[str]) -> None:
    _, top, width, height = PANEL
    for i, mark in enumerate(marks):
        y = top + height * (1 - i / (len(marks) - 1))
        svg.line(left, y, left + width, y)
        svg.label(left - 6, y + 4, mark, size=9, anchor="end")
