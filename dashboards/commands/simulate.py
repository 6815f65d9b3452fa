"""``quietclaw simulate``: an invented parlor, as a capture or published to a broker, with its truth."""

# ruff: noqa: PLC0415 - heavy libraries load only when the command runs

from __future__ import annotations

import time
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from detect.errors import InputError

if TYPE_CHECKING:
    from simulator.rotary import Simulation
    from simulator.scenario import Scenario


def simulate(  # noqa: PLR0913 - the options of the command, all by keyword
    *,
    out: Annotated[Path, typer.Option(help="Folder for the capture and the truth.", show_default=False)],
    seed: Annotated[int, typer.Option(min=0, help="Decides everything random.")] = 1,
    stalls: Annotated[int, typer.Option(min=1, max=500, help="Stalls of the rotary.")] = 40,
    hours: Annotated[float, typer.Option(min=0.01, help="Length of the record [h].")] = 1.0,
    parlor: Annotated[str, typer.Option(help="Name of the parlor in the topics.")] = "willowmere",
    preset: Annotated[
        str,
        typer.Option(
            help="plain, no_inertia, heavy_slugging, fluttering, no_plant_sensor, quarter_sensors,"
            " weak_plant or worn_parlor."
        ),
    ] = "plain",
    start: Annotated[
        str | None,
        typer.Option(
            help="When the record begins, ISO 8601. Left out: a fixed morning,"
            " or with --broker such that it ends when publishing does."
        ),
    ] = None,
    broker: Annotated[str | None, typer.Option(help="Publish here instead of writing a capture.")] = None,
    speed: Annotated[float, typer.Option(help="With --broker: times real time.")] = 1.0,
) -> None:
    """Simulate a rotary dairy.

    Writes messages as its devices would send them, and what truly happened.

    Example: quietclaw simulate --seed 7 --stalls 40 --hours 1 --out trial
    """
    from simulator import rotary

    if speed <= 0.0:
        raise InputError("must be above 0", where="--speed")
    start_ns = _start_ns(start, seconds=hours * 3600.0, broker=broker, speed=speed)
    scenario = _scenario(preset, seed=seed, stalls=stalls, hours=hours, start_ns=start_ns)
    simulation = rotary.simulate(replace(scenario, parlor=_slug(parlor)))
    out.mkdir(parents=True, exist_ok=True)
    count = _capture(simulation, out) if broker is None else _publish(simulation, broker, speed)
    simulation.truth.write(out)
    typer.echo(f"{count} messages {'captured' if broker is None else 'published'}; truth in {out}")


def _slug(parlor: str) -> str:
    from ingest.config import SLUG

    if not SLUG.fullmatch(parlor):
        raise InputError("letters, digits, and _ . - inside; at most 48", where="--parlor")
    return parlor


def _start_ns(start: str | None, *, seconds: float, broker: str | None, speed: float) -> int | None:
    from dashboards.instants import instant_ns

    if start is not None:
        return instant_ns(start, where="--start")
    if broker is None:
        return None
    # Device clocks must not run ahead of the receiver's, so a fast record begins in the past.
    return time.time_ns() - round(seconds * (1.0 - 1.0 / speed) * 1e9)


def _scenario(preset: str, *, seed: int, stalls: int, hours: float, start_ns: int | None) -> Scenario:
    from simulator.scenario import PRESETS

    if preset not in PRESETS:
        raise InputError(f"'{preset}' is none of {', '.join(PRESETS)}", where="--preset")
    scenario = PRESETS[preset](seed=seed, stalls=stalls, hours=hours)
    return scenario if start_ns is None else replace(scenario, start_ns=start_ns)


def _capture(simulation: Simulation, out: Path) -> int:
    from dashboards.progress import progress
    from ingest.capture import CaptureWriter

    total_ns = simulation.scenario.duration_s * 1e9
    count = 0
    with (
        CaptureWriter(out / "capture.parquet") as capture,
        progress("simulate", total=total_ns) as report,
    ):
        for count, message in enumerate(simulation, start=1):
            capture.write(message)
            if count % 1000 == 0:
                report(message.recv_ns - simulation.scenario.start_ns)
    return count


def _publish(simulation: Simulation, broker: str, speed: float) -> int:
    from dashboards.pacing import paced
    from dashboards.progress import progress
    from ingest.gateway import Gateway
    from ingest.settings import load_settings

    # The name is not used: only where the broker is, and who we are there.
    settings = load_settings(
        None, overrides=(f'broker.url="{broker}"', 'parlor.name="any"', "parlor.stalls=1")
    )
    scenario = simulation.scenario
    total_ns = scenario.duration_s * 1e9
    count = 0
    with (
        Gateway(settings.config.broker, root=scenario.root, parlor=scenario.parlor) as gateway,
        progress("publish", total=total_ns) as report,
    ):
        for count, message in enumerate(paced(simulation, speed=speed), start=1):
            gateway.publish(message)
            if count % 1000 == 0:
                report(message.recv_ns - simulation.scenario.start_ns)
    return count
