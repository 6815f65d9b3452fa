"""One self-contained page: what is known first, then pictures, tables, method notes, cautions, references."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from importlib.metadata import version
from pathlib import Path
from typing import Final

from jinja2 import Environment, FileSystemLoader, StrictUndefined

from dashboards.cautions import CAUTIONS
from dashboards.report.wording import Sentence

Cell = str | int
"""One cell of a table as it is shown."""
_HERE: Final = Path(__file__).parent
REFERENCES: Final = (
    "Exact ratio of rates: conditional binomial limits (Clopper and Pearson); checked against R "
    "poisson.test.",
    "Mantel-Haenszel risk ratio with Greenland and Robins' limits; checked against the eight-herd mastitis "
    "example of the R package epiR.",
    "Spiegelhalter 2005, Stat Med 24:1185-1202: funnel limits that allow for overdispersion.",
    "Empirical Bayes with a gamma prior; checked against R MASS glm.nb.",
    "Single change point with exact posterior; checked on the coal-mining disasters (R package boot).",
    "Lopez Bernal, Cummins, Gasparrini 2017, Int J Epidemiol 46:348-355: interrupted time series.",
    "Jashari, Piepers, De Vliegher 2016, J Dairy Sci 99:9271-9286: 200 000 cells/mL in a cow's mixed milk "
    "against culture: sensitivity 44 %, specificity 87 % for any pathogen.",
    "Rogers, Eberhart, Spencer, Baxter 1992: new infections with high- and low-slip liners, 0.49 against "
    "0.27 per 100 cow-days.",
)
"""What the methods stand on."""


@dataclass(frozen=True, slots=True)
class Figure:
    """A picture and the words below it."""

    svg: str
    caption: str


@dataclass(frozen=True, slots=True)
class Table:
    """Columns, rows, and which rows are marked."""

    columns: Sequence[str]
    rows: Sequence[Sequence[Cell]]
    marked: frozenset[int] = frozenset()


@dataclass(frozen=True, slots=True)
class Section:
    """One part of the page."""

    title: str
    figures: Sequence[Figure] = ()
    tables: Sequence[Table] = ()
    texts: Sequence[str] = ()


@dataclass(frozen=True, slots=True)
class Page:
    """All that a report says."""

    title: str
    subtitle: str
    sentences: Sequence[Sentence]
    warnings: Sequence[str]
    sections: Sequence[Section] = field(default_factory=tuple)


def render_page(page: Page) -> str:
    """Return a report as one HTML document that needs nothing else."""
    environment = Environment(
        loader=FileSystemLoader(_HERE), autoescape=True, undefined=StrictUndefined, keep_trailing_newline=True
    )
    return environment.get_template("page.html.j2").render(
        title=page.title,
        subtitle=page.subtitle,
        sentences=page.sentences,
        warnings=page.warnings,
        cautions=CAUTIONS,
        sections=[section for section in page.sections if section.figures or section.tables or section.texts],
        references=REFERENCES,
        version=version("quietclaw"),
    )


def shown(value: float | None, digits: int = 1) -> str:
    """Return a number as a cell, a dash where there is none."""
    return "-" if value is None else f"{value:.{digits}f}"


def share(part: float | None) -> str:
    """Return a share in percent, a dash where there is none."""
    return "-" if part is None else f"{100.0 * part:.0f} %"


def figures(*drawn: tuple[str | None, str]) -> tuple[Figure, ...]:
    """Return the pictures that could be drawn."""
    return tuple(Figure(svg, caption) for svg, caption in drawn if svg is not None)
