"""``quietclaw run``: the service against a real broker."""

# ruff: noqa: PLC0415 - heavy libraries load only when the command runs

from __future__ import annotations

import logging
import sys
from pathlib import Path
from typing import Annotated

import typer

from dashboards.loading import loading

LOG_FORMAT = "%(asctime)s %(levelname)s %(name)s: %(message)s"


def run(
    *,
    config: Annotated[Path, typer.Option(help="The TOML configuration.", show_default=False)],
    overrides: Annotated[
        list[str] | None, typer.Option("--set", help="section.key=value, above the file; may be repeated.")
    ] = None,
    show_config: Annotated[
        bool, typer.Option("--show-config", help="Print every setting and where it comes from, then stop.")
    ] = False,
) -> None:
    """Listen to a parlor's broker and keep its history.

    Example: quietclaw run --config willowmere.toml --set http.port=8081
    """
    with loading():
        from ingest.settings import effective, load_settings

    settings = load_settings(config, overrides=overrides or ())
    if show_config:
        typer.echo(effective(settings))
        return
    with loading():
        from dashboards.cautions import CAUTIONS
        from dashboards.serve import serve
        from dashboards.stopping import stopping

    logging.basicConfig(level=logging.INFO, format=LOG_FORMAT, stream=sys.stderr)
    logging.getLogger("uvicorn").setLevel(logging.WARNING)  # its start and stop say nothing that ours do not
    for caution in CAUTIONS:
        logging.getLogger(__name__).info("%s", caution)
    with stopping() as stop:
        serve(settings.config, stop.event, started=lambda url, _: print(f"serving {url}", flush=True))
    if stop.interrupted:
        raise KeyboardInterrupt
