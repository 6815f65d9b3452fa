"""The few shapes our pictures need, written as SVG text without a drawing library."""

from __future__ import annotations

import html
from collections.abc import Sequence


class Svg:
    """A picture of a fixed size, built shape by shape; coordinates in px from the top left.

    Parameters
    ----------
    width, height:
        Size [px].
    title:
        What the picture shows, for readers who do not see it.
    """

    def __init__(self, width: float, height: float, *, title: str) -> None:
        self._parts = [
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:g} {height:g}" role="img"'
            f' font-family="sans-serif"><title>{html.escape(title)}</title>'
            f'<rect width="{width:g}" height="{height:g}" fill="white"/>'
        ]

    def box(self, x: float, y: float, width: float, height: float, *, fill: str) -> None:
        """Draw a filled rectangle."""
        self._parts.append(
            f'<rect x="{x:.1f}" y="{y:.1f}" width="{width:.1f}" height="{height:.1f}" fill="{fill}"/>'
        )

    def line(self, x1: float, y1: float, x2: float, y2: float) -> None:
        """Draw a thin grey line."""
        self._parts.append(
            f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}"'
            ' stroke="#bbb" stroke-width="0.7"/>'
        )

    def curve(self, points: Sequence[tuple[float, float]], *, stroke: str) -> None:
        """Draw a line through points."""
        path = " ".join(f"{x:.1f},{y:.1f}" for x, y in points)
        self._parts.append(f'<polyline points="{path}" fill="none" stroke="{stroke}" stroke-width="1.2"/>')

    def label(self, x: float, y: float, text: str, *, size: float, anchor: str = "start") -> None:
        """Write a line of text; ``anchor`` is start, middle or end."""
        self._parts.append(
            f'<text x="{x:.1f}" y="{y:.1f}" font-size="{size:g}" text-anchor="{anchor}"'
            f' fill="#222">{html.escape(text)}</text>'
        )

    def text(self) -> str:
        """Return the document."""
        return "\n".join([*self._parts, "</svg>", ""])
