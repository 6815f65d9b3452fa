"""A plot with two axes for the reports: the shapes of :class:`dashboards.svg.Svg` in the data's own units."""

from __future__ import annotations

import html
import math
from collections.abc import Callable, Sequence
from typing import Final

INK: Final = "#0072b2"
ALARM: Final = "#d55e00"
PALE: Final = "#cfe3f1"
GREY: Final = "#888888"
"""Colours that the colour-blind can tell apart (Okabe and Ito)."""

Point = tuple[float, float]


class Plot:
    """One panel of a fixed size with a labelled axis on each side.

    Parameters
    ----------
    width, height:
        Size [px].
    x, y:
        Range of the data on either axis.
    title:
        What the picture shows, for readers who do not see it.
    """

    def __init__(self, width: float, height: float, *, x: Point, y: Point, title: str) -> None:
        self._height = height
        self._left, self._top = 64.0, 14.0
        self._inner = (width - self._left - 14.0, height - self._top - 46.0)
        self._x, self._y = x, (y[0], y[1] if y[1] > y[0] else y[0] + 1.0)
        self._parts = [
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:g} {height:g}" role="img" '
            f'font-family="sans-serif"><title>{html.escape(title)}</title>'
        ]

    def at(self, x: float, y: float) -> Point:
        """Return where a point of the data lies [px], kept inside of the panel."""
        share_x = (x - self._x[0]) / (self._x[1] - self._x[0])
        share_y = (y - self._y[0]) / (self._y[1] - self._y[0])
        px = self._left + self._inner[0] * min(max(share_x, 0.0), 1.0)
        return px, self._top + self._inner[1] * (1.0 - min(max(share_y, 0.0), 1.0))

    def axis_x(self, label: str, ticks: Sequence[tuple[float, str]]) -> None:
        """Draw the lower axis with its marks and name."""
        bottom = self._top + self._inner[1]
        self.stroke([(self._left, bottom), (self._left + self._inner[0], bottom)], colour=GREY)
        for value, text in ticks:
            px, _ = self.at(value, self._y[0])
            self.stroke([(px, bottom), (px, bottom + 4)], colour=GREY)
            self.words(px, bottom + 16, text, anchor="middle")
        self.words(self._left + self._inner[0] / 2, self._height - 6, label, anchor="middle")

    def axis_y(self, label: str, ticks: Sequence[tuple[float, str]]) -> None:
        """Draw faint lines at the left axis' marks, and its name."""
        for value, text in ticks:
            _, py = self.at(self._x[0], value)
            self.stroke([(self._left, py), (self._left + self._inner[0], py)], colour="#e4e4e4")
            self.words(self._left - 6, py + 4, text, anchor="end")
        middle = self._top + self._inner[1] / 2
        self._parts.append(
            f'<text x="14" y="{middle:.1f}" font-size="11" fill="#333" text-anchor="middle" '
            f'transform="rotate(-90 14 {middle:.1f})">{html.escape(label)}</text>'
        )

    def curve(self, points: Sequence[Point], *, colour: str, dashed: str = "") -> None:
        """Draw a line through points of the data."""
        self.stroke([self.at(*point) for point in points], colour=colour, dashed=dashed)

    def area(self, lower: Sequence[Point], upper: Sequence[Point], *, colour: str) -> None:
        """Fill between two curves of the data."""
        shape = [self.at(*point) for point in [*lower, *reversed(upper)]]
        path = " ".join(f"{x:.1f},{y:.1f}" for x, y in shape)
        self._parts.append(f'<polygon points="{path}" fill="{colour}"/>')

    def dot(self, x: float, y: float, *, colour: str, size: float = 3.0) -> None:
        """Draw a point of the data."""
        px, py = self.at(x, y)
        self._parts.append(f'<circle cx="{px:.1f}" cy="{py:.1f}" r="{size:g}" fill="{colour}"/>')

    def cell(self, low: Point, high: Point, *, colour: str) -> None:
        """Fill a rectangle of the data."""
        (x0, y0), (x1, y1) = self.at(*low), self.at(*high)
        self._parts.append(
            f'<rect x="{x0:.1f}" y="{y1:.1f}" width="{x1 - x0:.1f}" height="{y0 - y1:.1f}" fill="{colour}"/>'
        )

    def rule(self, x: float, text: str, *, colour: str) -> None:
        """Draw an upright line at a place of the lower axis with words beside it."""
        self.curve([(x, self._y[0]), (x, self._y[1])], colour=colour, dashed="4 3")
        px, _ = self.at(x, self._y[1])
        anchor = "end" if px > self._left + 0.8 * self._inner[0] else "start"
        self.words(px + (-4 if anchor == "end" else 4), self._top + 10, text, anchor=anchor)

    def note(self, x: float, y: float, text: str, *, anchor: str = "start") -> None:
        """Write words right (``start``) or left (``end``) of a point of the data."""
        px, py = self.at(x, y)
        self.words(px + (7 if anchor == "start" else -7), py + 4, text, anchor=anchor)

    def words(self, px: float, py: float, text: str, *, anchor: str) -> None:
        """Write words at a place of the panel [px]; ``anchor`` is start, middle or end."""
        self._parts.append(
            f'<text x="{px:.1f}" y="{py:.1f}" font-size="11" fill="#333" text-anchor="{anchor}">'
            f"{html.escape(text)}</text>"
        )

    def stroke(self, places: Sequence[Point], *, colour: str, dashed: str = "") -> None:
        """Draw a line through places of the panel [px]."""
        path = " ".join(f"{x:.1f},{y:.1f}" for x, y in places)
        dash = f' stroke-dasharray="{dashed}"' if dashed else ""
        self._parts.append(
            f'<polyline points="{path}" fill="none" stroke="{colour}" stroke-width="1.4"{dash}/>'
        )

    def text(self) -> str:
        """Return the picture as SVG."""
        return "".join([*self._parts, "</svg>"])


def ticks(low: float, high: float, most: int = 5) -> list[tuple[float, str]]:
    """Return round values between two bounds with their words."""
    if not high > low:
        return [(low, f"{low:g}")]
    rough = (high - low) / most
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(s * power for s in (1.0, 2.0, 5.0, 10.0) if s * power >= rough)
    first = math.ceil(low / step)
    return [(k * step, f"{k * step:g}") for k in range(first, math.floor(high / step + 1e-9) + 1)]


def log_ticks(low: float, high: float) -> list[tuple[float, str]]:
    """Return ratios between two bounds as logarithms with their words."""
    shown = (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0)
    return [(math.log(v), f"{v:g}") for v in shown if low <= math.log(v) <= high]


def shade(share: float, ramp: Callable[[float], float] = math.sqrt) -> str:
    """Return a colour from white to orange for a share from 0 to 1."""
    s = ramp(min(max(share, 0.0), 1.0))
    red, green, blue = (round(255 + s * (end - 255)) for end in (0xD5, 0x5E, 0x00))
    return f"#{red:02x}{green:02x}{blue:02x}"
