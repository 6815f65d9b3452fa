"""Measure the way from publish to commit; a script apart from the tests.

``python -m tests.system.bench_delivery [--seconds 30]`` runs mosquitto, the whole service and 80 invented
stalls (three vacuum channels of 25 samples, four frames a second each), and prints a table: 3 minutes. A
latency is from handing a frame to the broker until the receipt of its commit has come back. The
devices' clock runs with the frames: at a higher rate the detector works through more signal a second.
"""

from __future__ import annotations

import argparse
import os
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

import numpy as np

from dashboards.demo import reserve
from dashboards.service import make_detector
from detect.readings import StallVacuum
from tests.system.crashing import NS, Farm, Service
from tests.system.flow import NOMINAL_S, STALLS, Flow, Frames, Receipts
from tests.system.mosquitto import Mosquitto
from tests.system.process_figures import FamilyMemory, cpu_s, memory_mb
from tests.system.siege import Asking, Siege

LATENCY_MS: Final = 400.0
SUSTAINED_S: Final = 4000.0
RESTART_S: Final = 3.0
CATCH_UP: Final = 4.0
MEMORY_MB: Final = 200.0
FAMILY_MB: Final = 300.0
QUARTERS: Final = 4
WARM_UP_S: Final = 5.0


@dataclass
class Bench:
    """One parlor, what serves it, and what was found."""

    farm: Farm
    frames: Frames
    receipts: Receipts
    service: Service
    seconds: float
    url: str = ""
    lines: list[str] = field(default_factory=list)

    def tell(self, question: str, found: str, *, bar: str, held: bool) -> None:
        """Add a line to the table."""
        verdict, load = "held" if held else "NOT HELD", os.getloadavg()[0]
        self.lines.append(f"| {question} | {found} | {bar} | {verdict} | {load:.1f} |")

    @contextmanager
    def used(self) -> Iterator[list[str]]:
        """Give a list that holds, after the block, what the service's process took."""
        told: list[str] = []
        begun_s, cpu, stored = time.monotonic(), cpu_s(self.service.pid), self.receipts.stored
        yield told
        cpu, seconds = cpu_s(self.service.pid) - cpu, time.monotonic() - begun_s
        number = max(1, self.receipts.stored - stored)
        told.append(f"{1e6 * cpu / number:.0f} µs of processor a message, {cpu / seconds:.2f} of a core")


def latency(bench: Bench) -> None:
    """Measure at the rate of 80 stalls."""
    delays, p99_ms = _delays(bench)
    question = f"publish to commit, {NOMINAL_S} messages/s"
    bench.tell(question, delays, bar=f"p99 {LATENCY_MS:.0f} ms", held=p99_ms <= LATENCY_MS)


def besieged(bench: Bench) -> None:
    """Measure the same while the read door is stormed and backups are made."""
    with Siege(bench.url) as siege, FamilyMemory(bench.service.pid) as memory:
        delays, p99_ms = _delays(bench)
    held = p99_ms <= LATENCY_MS and not siege.let_in
    bar = f"p99 {LATENCY_MS:.0f} ms, no trespass"
    bench.tell("the same, read door besieged", f"{delays}; {siege.told()}", bar=bar, held=held)
    _family(bench, "besieged", memory)


def asked(bench: Bench) -> None:
    """Measure while somebody asks for one view after another."""
    with Asking(bench.url), FamilyMemory(bench.service.pid) as memory:
        delays, p99_ms = _delays(bench)
    held = p99_ms <= LATENCY_MS
    bench.tell("the same, asked for views without a pause", delays, bar=f"p99 {LATENCY_MS:.0f} ms", held=held)
    _family(bench, "asked for views", memory)


def _family(bench: Bench, when: str, memory: FamilyMemory) -> None:
    """Tell the memory of the service and all that it started."""
    question = f"memory of all processes, {when}"
    found, bar = f"at most {memory.most_mb:.0f} MB", f"{FAMILY_MB:.0f} MB"
    bench.tell(question, found, bar=bar, held=memory.most_mb <= FAMILY_MB)


def _delays(bench: Bench) -> tuple[str, float]:
    """Send for a while; return in words how long frames took, and the 99th percentile [ms]."""
    bench.receipts.delays_s.clear()
    with bench.used() as used, Flow(bench.farm, bench.frames) as flow:
        flow.last(bench.seconds)
    bench.receipts.wait()
    ms = sorted(1e3 * delay_s for delay_s in bench.receipts.delays_s)
    middle, p99 = (ms[int(share * len(ms))] for share in (0.5, 0.99))
    return f"p50 {middle:.0f}, p99 {p99:.0f}, worst {ms[-1]:.0f} ms; {used[0]}", p99


def sustained(bench: Bench) -> None:
    """Send four times as much, and look whether the lag grows."""
    stored, begun_s, lags_s = bench.receipts.stored, time.monotonic(), []
    with bench.used() as used, Flow(bench.farm, bench.frames, rate=SUSTAINED_S) as flow:
        for _ in range(QUARTERS):
            flow.last(bench.seconds / QUARTERS)
            lags_s.append(bench.receipts.behind / SUSTAINED_S)
    rate = (bench.receipts.stored - stored) / (time.monotonic() - begun_s)
    bench.receipts.wait()
    bench.tell(
        f"sustained, {SUSTAINED_S:.0f} messages/s",
        f"{rate:.0f}/s, lag after each quarter {', '.join(f'{lag_s:.1f}' for lag_s in lags_s)} s; {used[0]}",
        bar="rate kept, lag under 1 s",
        held=rate >= 0.97 * SUSTAINED_S and lags_s[-1] < 1.0,
    )


def outage(bench: Bench) -> None:
    """Let the parlor go on while the service is dead; start it, and see when it commits and catches up."""
    bench.service.kill()
    with Flow(bench.farm, bench.frames) as flow:
        flow.last(bench.seconds)
        backlog, begun_s = bench.receipts.behind, time.monotonic()
        bench.service = Service(bench.farm)
        bench.receipts.wait_for_news()
        first_s, cpu = time.monotonic() - begun_s, cpu_s(bench.service.pid)
        stored = bench.receipts.stored
        with bench.used() as used:
            bench.receipts.wait(NOMINAL_S // 2)
        caught_s = time.monotonic() - begun_s - first_s
        rate = (bench.receipts.stored - stored) / caught_s / NOMINAL_S
    bench.receipts.wait()
    bench.tell(
        "restart to first commit",
        f"{first_s:.1f} s, {cpu:.1f} s of them processor",
        bar=f"{RESTART_S:.0f} s",
        held=first_s <= RESTART_S,
    )
    bench.tell(
        "catching up while the parlor goes on",
        f"{rate:.1f} times nominal, {backlog} frames behind made up in {caught_s:.1f} s; {used[0]}",
        bar=f"{CATCH_UP:.0f} times",
        held=rate >= CATCH_UP,
    )


def memory(bench: Bench, when: str) -> None:
    """Look at the memory of the whole service."""
    now_mb, most_mb = memory_mb(bench.service.pid), memory_mb(bench.service.pid, "VmHWM")
    bench.tell(
        f"resident memory {when}",
        f"{now_mb:.0f} MB, at most {most_mb:.0f} MB",
        bar=f"{MEMORY_MB:.0f} MB",
        held=most_mb <= MEMORY_MB,
    )


def compile_kernel(farm: Farm) -> None:
    """Let the detector work once: a service that must compile its kernel first is another question."""
    detector = make_detector(farm.config)
    for n in range(20):
        detector.feed(StallVacuum(1, 10**18 + n * NS // 4, 100.0, np.full(25, 42.0)))
    detector.flush()


def main() -> None:
    """Run the trials."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=30.0)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder, Mosquitto(Path(folder)) as broker:
        farm, frames = Farm(Path(folder), broker, STALLS), Frames()
        reserve(farm.config)
        compile_kernel(farm)
        receipts = Receipts(farm, frames)
        bench = Bench(farm, frames, receipts, Service(farm), options.seconds)
        bench.url = bench.service.ready()
        with Flow(farm, frames) as flow:
            flow.last(WARM_UP_S)
        latency(bench)
        memory(bench, "at the nominal rate")
        asked(bench)
        besieged(bench)
        sustained(bench)
        memory(bench, "after the sustained rate")
        outage(bench)
        memory(bench, "after catching up")
        bench.service.stop()
        receipts.close()
    print("| question | found | bar | verdict | load |\n|---|---|---|---|---|", *bench.lines, sep="\n")


if __name__ == "__main__":
    main()
