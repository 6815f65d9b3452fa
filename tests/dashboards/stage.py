"""A staged parlor: stalls, plant and results set by the test, told to the page as durable batches."""

from __future__ import annotations

import math
import random
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

from prometheus_client import CollectorRegistry

from dashboards.alerts.kinds import AlertRules
from dashboards.asgi import Gate, open_gate
from dashboards.http_server import serving
from dashboards.metrics import ServiceMetrics
from dashboards.service import ServiceView
from detect.kinds import AirKind, Cause, Phase
from detect.readings import Reading
from detect.results import AirEvent, Milking, PlantEvent, Result
from detect.trail import Trail
from detect.views import PlantNow, StallNow
from ingest.config import Config
from ingest.pipeline import Committed
from store.batch import Batch
from tests.meanwhile import Meanwhile

S = 1_000_000_000
START_NS = 1_790_000_000 * S
STEP_NS = S // 2


def slip(stall: int, start_ns: int, *, air_l: float = 0.5, kind: AirKind = AirKind.LINER_SLIP) -> AirEvent:
    """Return an air event of one second in the stall's milking ``m<stall>``."""
    return AirEvent(
        event_id=f"willowmere-{stall}-{start_ns // 1_000_000}-air",
        parlor="willowmere",
        stall=stall,
        milking_id=f"m{stall}",
        kind=kind,
        start_ns=start_ns,
        end_ns=start_ns + S,
        detected_ns=start_ns + S // 2,
        depth_kpa=12.0,
        max_fall_kpa_250ms=9.0,
        air_l=air_l,
        peak_air_l_min=60.0,
        pulses=1,
        flow_kg_min=2.0,
        phase=Phase.PEAK,
        impact_kpa=0.0,
        cause=Cause.UNKNOWN,
        cause_share=0.4,
        confidence=0.9,
        detector="1+a",
    )


def milking(
    number: int, start_ns: int, *, slips: int, parlor: str = "willowmere", complete: bool = True
) -> Milking:
    """Return a milking of five minutes and 10 kg with one fall."""
    return Milking(
        milking_id=f"{parlor}-{number}-{start_ns}",
        parlor=parlor,
        stall=number,
        cow="c",
        milker=None,
        group_name=None,
        start_ns=start_ns,
        end_ns=start_ns + 300 * S,
        yield_kg=10.0,
        unit_on_s=300.0,
        mean_flow_kg_min=2.0,
        peak_flow_kg_min=4.0,
        two_minute_kg=5.0,
        low_flow_s=20.0,
        mean_claw_kpa=40.0,
        vacuum_at_removal_kpa=8.0,
        slips=slips,
        slip_air_l=0.2 * slips,
        late_slips=0,
        impact_load_kpa=0.0,
        fall_offs=1,
        reattaches=0,
        unsupported_s=30.0,
        coverage_ratio=1.0,
        complete=complete,
    )


def idle(stall: int, t_ns: int = START_NS) -> StallNow:
    """Return a stall without a unit on."""
    return StallNow(
        stall, t_ns, 0.0, 0.0, attached=False, milking_id=None, cow=None, unsupported_since_ns=None
    )


def milked(stall: int, t_ns: int = START_NS, *, flow_kg_min: float = 3.0) -> StallNow:
    """Return a stall with a unit quietly milking."""
    return replace(
        idle(stall, t_ns), vacuum_kpa=42.0, flow_kg_min=flow_kg_min, attached=True, milking_id=f"m{stall}"
    )


def committed(*results: Result) -> Committed:
    """Return a durable batch with these results."""
    return Committed(10, 10, 0, {}, (), results, (), {}, 0, time.time_ns())


class Stage:
    """A service without broker or devices; the test moves its time.

    It stands in for the detector too: what is set in ``stalls`` and ``dip_since_ns`` is its view.
    """

    def __init__(self, folder: Path, *, stalls: int, rules: AlertRules | None = None) -> None:
        config = Config.model_validate(
            {
                "parlor": {"name": "willowmere", "stalls": stalls},
                "store": {"path": str(folder / "h.duckdb")},
            }
        )
        self.metrics = ServiceMetrics(CollectorRegistry(), stalls=stalls, detector="1+a")
        self.view = ServiceView(config, self.metrics, rules=rules)
        self.t_ns = START_NS
        self.stalls = {stall: milked(stall) for stall in range(1, stalls + 1)}
        self.dip_since_ns: int | None = None
        self.trail: Trail | None = None
        self.past: list[Result] = []
        """What the history holds when the page goes on air."""
        self._lock = threading.Lock()

    def plant_now(self) -> PlantNow:
        """Return the plant as it is set."""
        return PlantNow(self.t_ns, self.dip_since_ns, 6.0 if self.dip_since_ns else 0.0)

    def step(self, *results: Result, ns: int = STEP_NS) -> None:
        """Let time go on and tell the page, as the pipeline does after a commit."""
        with self._lock:
            self.t_ns += ns
            stalls = [replace(now, t_ns=self.t_ns) for now in self.stalls.values()]
            batch = committed(*results)
            self.metrics.observe(batch)
            self.metrics.show(stalls)
            self.view.feed.observe(batch, self, stalls)

    def set(self, stall: int, now: StallNow) -> None:
        """Set what is seen at a stall from the next step on."""
        self.stalls[stall] = now

    def off(self, stall: int) -> None:
        """Let a unit fall off now."""
        self.set(stall, replace(milked(stall), vacuum_kpa=8.0, air_since_ns=self.t_ns, air_l=1.2, low_s=2.0))

    @contextmanager
    def on_air(self, port: int = 0, *, gate: Gate = open_gate) -> Iterator[str]:
        """Serve the page to whom the gate lets in."""
        with self.opened(), serving(self.view, host="127.0.0.1", port=port, gate=gate) as url:
            yield url

    @contextmanager
    def opened(self) -> Iterator[None]:
        """Open the history, with the past in it."""
        with self.view.open_history() as self.history:
            self.history.commit(Batch("willowmere", results=self.past))
            yield


class Pulse(Meanwhile):
    """Let a stage's time go on by itself, twice a second, for pages that must look live."""

    def __init__(self, stage: Stage) -> None:
        self._stage = stage
        super().__init__(self._run)

    def _run(self) -> None:
        while not self.over.wait(0.5):
            self.tell()

    def tell(self) -> None:
        """Let half a second go by."""
        self._stage.step()


class Playback(Pulse):
    """Let a real detector read a record and tell the stage's page, half a second at a time."""

    def __init__(self, stage: Stage, readings: Sequence[Reading]) -> None:
        super().__init__(stage)
        self._detector = stage.view.new_detector()
        self._readings = iter(readings)
        self._until_ns = readings[0].t_ns
        self._history = stage.history

    def until_s(self, seconds: float) -> None:
        """Play so much of the record at once [s]."""
        for _ in range(round(2 * seconds)):
            self.tell()

    def tell(self) -> None:
        """Play the next half second."""
        self._until_ns += STEP_NS
        results: list[Result] = []
        for reading in self._readings:
            results += self._detector.feed(reading)
            if reading.t_ns >= self._until_ns:
                break
        self._history.commit(Batch("willowmere", results=results))
        stalls = self._detector.now()
        self._stage.view.feed.observe(committed(*results), self._detector, stalls)


def busy_morning(stage: Stage, *, seconds: int, seed: int = 4) -> None:
    """Let a rotary work: cows come one after another, milk flows rise and fall, a few units slip."""
    dice = random.Random(seed)
    count = len(stage.stalls)
    rotation = 480.0
    cows = [(dice.uniform(180, 420), dice.uniform(2.6, 6.4), dice.random() < 0.12) for _ in range(8 * count)]
    loose = {7, 31, 48} & set(stage.stalls)
    for k in range(seconds):
        results: list[Result] = []
        for stall in stage.stalls:
            since = k + rotation - stall * rotation / count
            length, peak, slips = cows[stall - 1 + count * int(since // rotation)]
            at = since % rotation
            if at > length:
                stage.set(stall, idle(stall))
                continue
            share = min(1.0, at / 45.0) * min(1.0, 1.25 * (length - at) / length + 0.03)
            now = milked(stall, flow_kg_min=max(0.0, peak * share * (1 + 0.05 * math.sin(k + stall))))
            if stall in loose and at > 60:
                now = replace(now, unsupported_since_ns=stage.t_ns - 30 * S)
            stage.set(stall, now)
            if dice.random() < (0.012 if slips else 0.0004):
                results.append(slip(stall, stage.t_ns - S, air_l=dice.lognormvariate(-1.0, 0.9)))
        if k == seconds - 160:
            results.append(PlantEvent("willowmere", stage.t_ns - 4 * S, stage.t_ns, 3.4, count // 2))
        if k == seconds - 100:
            results.append(slip(12, stage.t_ns - 2 * S, air_l=9.0, kind=AirKind.FALL_OFF))
        stage.step(*results, ns=S)
