"""The README's picture, ``python -m dashboards.picture FILE``: one slip in a simulated milking, as found."""

from __future__ import annotations

import sys
from collections import defaultdict
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from dashboards.cautions import SIMULATED
from dashboards.matching import NS_PER_S
from dashboards.svg import Svg
from detect.kinds import AirKind
from detect.parlor import ParlorDetector
from detect.readings import MilkFlow, StallVacuum
from detect.results import AirEvent
from ingest.decode import Decoder, Frame, Rejected
from simulator.rotary import simulate
from simulator.scenario import Scenario, plain

BEFORE_S: Final = 12.0
AFTER_S: Final = 18.0
SIZE: Final = (760.0, 340.0)
PLOT: Final = (60.0, 60.0, 670.0, 220.0)
"""Left, top, width and height of the plot [px]."""
TOP_KPA: Final = 50.0
TOP_FLOW_KG_MIN: Final = 10.0
VACUUM_INK: Final = "#0072b2"
FLOW_INK: Final = "#009e73"
FOUND_INK: Final = "#f6d9a8"

Trace = list[tuple[int, float]]


@dataclass(frozen=True, slots=True)
class Scene:
    """One found event with the signals around it: (ns, kPa) and (ns, kg/min)."""

    event: AirEvent
    vacuum: Trace
    flow: Trace


def scene(scenario: Scenario) -> Scene:
    """Run the detector over a scenario and return the deepest of the brief slips in good flow.

    Raises
    ------
    LookupError
        The scenario holds no slip of at most 5 s at 1 kg/min or more.
    """
    stalls = scenario.deck.stalls
    decoder = Decoder(scenario.root, scenario.parlor, stalls)
    detector = ParlorDetector(parlor=scenario.parlor, stalls=stalls)
    vacuum: dict[int, Trace] = defaultdict(list)
    flow: dict[int, Trace] = defaultdict(list)
    events = []
    for message in simulate(scenario):
        frame = decoder.decode(message)
        if not isinstance(frame, Frame) or isinstance(frame.content, Rejected):
            continue
        reading = frame.content
        events += [result for result in detector.feed(reading) if isinstance(result, AirEvent)]
        if isinstance(reading, StallVacuum):
            step_ns = NS_PER_S / reading.rate_hz
            samples = enumerate(reading.vacuum_kpa.tolist())
            vacuum[reading.stall] += [(reading.t_ns + round(i * step_ns), kpa) for i, kpa in samples]
        elif isinstance(reading, MilkFlow):
            flow[reading.stall].append((reading.t_ns, reading.flow_kg_min))
    slips = [e for e in events if e.kind is AirKind.LINER_SLIP and e.flow_kg_min >= 1.0 and _brief(e)]
    if not slips:
        raise LookupError("no brief slip in good flow in this scenario")
    event = max(slips, key=lambda slip: slip.depth_kpa)
    return Scene(event, sorted(vacuum[event.stall]), sorted(flow[event.stall]))


def _brief(event: AirEvent) -> bool:
    return event.end_ns - event.start_ns <= 5 * NS_PER_S


def draw(found: Scene) -> str:
    """Return the picture as an SVG document: time in s from the onset that was found."""
    left, top, width, height = PLOT
    svg = Svg(*SIZE, title="Claw vacuum and milk flow around one liner slip, with what was detected")
    event = found.event
    start, end = (_x(ns, event) for ns in (event.start_ns, max(event.end_ns, event.start_ns + NS_PER_S // 4)))
    svg.box(start, top, end - start, height, fill=FOUND_INK)
    _axes(svg)
    for trace, full, ink in (
        (found.vacuum, TOP_KPA, VACUUM_INK),
        (found.flow, TOP_FLOW_KG_MIN, FLOW_INK),
    ):
        points = [(_x(ns, event), top + height * (1.0 - value / full)) for ns, value in trace]
        svg.curve([p for p in points if left <= p[0] <= left + width], stroke=ink)
    delay_s = (event.detected_ns - event.start_ns) / NS_PER_S
    lasted_s = (event.end_ns - event.start_ns) / NS_PER_S
    svg.label(
        left,
        24,
        f"A liner slip: about {event.air_l:.1f} L of air in {lasted_s:.1f} s,"
        f" vacuum down {event.depth_kpa:.0f} kPa, detected after {delay_s:.2f} s",
        size=14,
    )
    svg.label(
        left, 42, "blue: claw vacuum [kPa]; green: milk flow [kg/min]; shaded: the event as found", size=11
    )
    svg.label(left, SIZE[1] - 8, SIMULATED, size=10)
    return svg.text()


def _x(ns: int, event: AirEvent) -> float:
    left, _, width, _ = PLOT
    return left + width * ((ns - event.start_ns) / NS_PER_S + BEFORE_S) / (BEFORE_S + AFTER_S)


def _axes(svg: Svg) -> None:
    left, top, width, height = PLOT
    for part in range(6):
        y = top + height * (1.0 - part / 5.0)
        svg.line(left, y, left + width, y)
        svg.label(left - 6, y + 4, f"{TOP_KPA * part / 5.0:g}", size=10, anchor="end")
        svg.label(left + width + 6, y + 4, f"{TOP_FLOW_KG_MIN * part / 5.0:g}", size=10)
    for second in range(-12, 19, 6):
        x = left + width * (second + BEFORE_S) / (BEFORE_S + AFTER_S)
        svg.label(x, top + height + 18, f"{second} s", size=10, anchor="middle")


if __name__ == "__main__":
    Path(sys.argv[1]).write_text(draw(scene(plain(seed=11, stalls=12, hours=0.4))))
