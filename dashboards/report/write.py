"""A report to its files; each appears under its name only when it is whole."""

from __future__ import annotations

import json
from importlib.util import find_spec
from pathlib import Path
from typing import Any, Final

from detect.errors import InputError

PANGO: Final = "libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0"
"""Packages of Debian 12 below the PDF library."""


def write_report(
    page: str, *, out: Path | None, pdf: Path | None, figures: dict[str, Any], as_json: Path | None
) -> None:
    """Write what was asked for.

    Parameters
    ----------
    page:
        The report as one HTML document.
    out, pdf, as_json:
        Files to write; None for those not wanted.
    figures:
        The findings as JSON.

    Raises
    ------
    InputError
        When a file cannot be written or the PDF library is not installed.
    """
    if out is not None:
        _put(out, page.encode())
    if as_json is not None:
        _put(as_json, (json.dumps(figures, indent=2, allow_nan=False) + "\n").encode())
    if pdf is not None:
        _put(pdf, as_pdf(page))


def as_pdf(page: str) -> bytes:
    """Return a page as PDF, the same bytes for the same page.

    Raises
    ------
    InputError
        When the library for it, or the system's own below it, is not installed.
    """
    if find_spec("weasyprint") is None:
        raise InputError("needs the extra: pip install 'quietclaw[pdf]'", where="--pdf")
    try:
        # Its system libraries load slowly and only a PDF needs them.
        from weasyprint import HTML  # noqa: PLC0415
    except OSError as error:
        raise InputError(f"needs the system's Pango: apt install {PANGO}", where="--pdf") from error

    made: bytes = HTML(string=page).write_pdf(pdf_identifier=b"quietclaw")
    return made


def _put(path: Path, content: bytes) -> None:
    """Write a file beside its name, then give it the name."""
    unfinished = path.with_name(f".{path.name}.unfinished")
    try:
        unfinished.write_bytes(content)
        unfinished.replace(path)
    except OSError as error:
        raise InputError(f"cannot be written: {error.strerror}", where=str(path)) from error
