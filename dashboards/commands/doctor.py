"""``quietclaw doctor``: finds the commonest mistakes of an installation and says what to do."""

# ruff: noqa: PLC0415 - heavy libraries load only when the command runs

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from detect.errors import BrokerError, InputError

if TYPE_CHECKING:
    from dashboards.doctor.finding import Finding
    from ingest.config import Config


def doctor(
    *,
    config: Annotated[Path, typer.Option(help="The TOML configuration.", show_default=False)],
    overrides: Annotated[
        list[str] | None, typer.Option("--set", help="section.key=value, above the file; may be repeated.")
    ] = None,
    seconds: Annotated[float, typer.Option(help="How long to listen at the broker [s].")] = 15.0,
    capture: Annotated[
        Path | None, typer.Option(help="Examine this capture instead of listening at the broker.")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
) -> int:
    """Find the commonest mistakes of a set-up.

    Looks at broker, messages, clocks, stalls, disk and history, before and during operation. Ends
    with 0 when no mistake was found, else 4 for the broker, 3 for the store, 2 for the rest.

    Example: quietclaw doctor --config willowmere.toml --seconds 60
    """
    from dashboards.doctor import box
    from dashboards.doctor.finding import as_text, exit_code
    from ingest.settings import load_settings

    if not 0.0 < seconds <= 3600.0:
        raise InputError("must be above 0 and at most 3600", where="--seconds")
    settings = load_settings(config, overrides=overrides or ()).config
    findings = [*_messages(settings, seconds, capture), box.disk(settings)]
    findings += [*box.history(settings, serves=box.serves), box.access(settings)]
    typer.echo(json.dumps([_plain(f) for f in findings], indent=2) if as_json else as_text(findings))
    return exit_code(findings)


def _messages(config: Config, seconds: float, capture: Path | None) -> list[Finding]:
    """Listen, or read a capture, and examine what was heard."""
    from itertools import islice

    from dashboards.doctor.finding import Check, bad, good
    from dashboards.doctor.hearing import hear
    from dashboards.doctor.parlor import examine
    from ingest.capture import read_capture
    from ingest.eavesdrop import eavesdrop

    if capture is not None:
        return examine(hear(islice(read_capture(capture), 1_000_000), config))
    try:
        heard = eavesdrop(config.broker, seconds=seconds)
    except BrokerError as error:
        advice = "check that the broker runs, broker.url, user, password and ca_file, and firewalls between"
        return [bad(Check.BROKER, str(error), advice)]
    reached = good(Check.BROKER, f"{len(heard)} messages in {seconds:g} s from {config.broker.url}")
    return [reached, *examine(hear(heard, config))]


def _plain(finding: Finding) -> dict[str, str]:
    from dataclasses import asdict

    return asdict(finding)
