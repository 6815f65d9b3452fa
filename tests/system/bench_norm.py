"""What the service costs in an ordinary parlor, and in the largest; a script apart from the tests.

``python -m tests.system.bench_norm [--seconds 60]`` runs mosquitto and the whole service, sends simulated
parlors in full swing in their own time, and prints a table: 80 stalls at 100 Hz in frames of 0.5 s, which
with flow and arm is the norm of 320 messages a second, and 120 stalls at 1 kHz.
"""

from __future__ import annotations

import argparse
import os
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

from dashboards.demo import reserve
from simulator.rotary import simulate
from tests.bench.recording import scenario
from tests.system.crashing import Farm, Service
from tests.system.mosquitto import Mosquitto
from tests.system.process_figures import FamilyMemory, cpu_s, family
from tests.system.rounds import Sending
from tests.system.soak_day import outcomes

WARM_UP_S: Final = 15
"""Long enough that what the start took is given back."""
QUARTERS: Final = 4
CORE: Final = 0.15
"""Share of one core that the norm may take."""
MEMORY_MB: Final = 300.0
LAG_S: Final = 1.0
"""Two commits and a way through the broker, and some (engineering choice)."""
HEADER: Final = "| question | found | bar | verdict | load |\n|---|---|---|---|---|"


@dataclass(frozen=True, slots=True)
class Parlor:
    """A parlor to be served; ``core`` is the share of a core that it may take."""

    stalls: int
    rate_hz: int
    core: float

    def __str__(self) -> str:
        return f"{self.stalls} stalls at {self.rate_hz} Hz"


PARLORS: Final = (Parlor(80, 100, CORE), Parlor(120, 1000, 1.0))


def record(parlor: Parlor, seconds: int) -> list[tuple[int, str, bytes]]:
    """Return what the parlor's devices send, beginning now."""
    begins_now = replace(scenario(parlor.stalls, seconds, parlor.rate_hz), start_ns=time.time_ns())
    return [(message.recv_ns, message.topic, message.payload) for message in simulate(begins_now)]


@contextmanager
def serving(farm: Farm) -> Iterator[tuple[Service, str]]:
    """Run the service and give it with its address."""
    reserve(farm.config)
    service = Service(farm)
    try:
        yield service, service.ready()
    finally:
        service.stop()


def measure(farm: Farm, parlor: Parlor, *, seconds: int) -> str:
    """Serve a parlor for a while and return a line of the table."""
    messages = record(parlor, WARM_UP_S + seconds)
    with serving(farm) as (service, url):
        sending, pause = Sending(farm, messages), threading.Event()
        pause.wait(WARM_UP_S)
        begun_s, cpu, sent, left = time.monotonic(), family_cpu_s(service.pid), sending.sent, []
        with FamilyMemory(service.pid, every_s=1.0) as memory:
            for _ in range(QUARTERS):
                pause.wait(seconds / QUARTERS - 1.0)
                left.append(behind(url, sending))
        lasted_s = time.monotonic() - begun_s
        share, rate = (family_cpu_s(service.pid) - cpu) / lasted_s, (sending.sent - sent) / lasted_s
        sending.end()
    lags_s = [number / rate for number in left]
    held = share <= parlor.core and memory.most_mb <= MEMORY_MB and max(lags_s) <= LAG_S
    found = (
        f"{rate:.0f} messages/s, {share:.3f} of a core, all processes at most {memory.most_mb:.0f} MB, "
        f"lag after each quarter {', '.join(f'{lag:.2f}' for lag in lags_s)} s"
    )
    bar = f"{parlor.core:.2f} of a core, {MEMORY_MB:.0f} MB, lag {LAG_S:.0f} s"
    return f"| {parlor} | {found} | {bar} | {'held' if held else 'NOT HELD'} | {os.getloadavg()[0]:.1f} |"


def family_cpu_s(pid: int) -> float:
    """Return the processor time of a process and all that it has started and that still runs [s]."""
    return sum(cpu_s(member) for member in family(pid))


def behind(url: str, sending: Sending) -> int:
    """Return how many messages are sent and not stored; asking costs the service some milliseconds."""
    return sending.sent - sum(outcomes(url).values())


def main() -> None:
    """Run the trials."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=int, default=60)
    options = parser.parse_args()
    print(HEADER, flush=True)
    for parlor in PARLORS:
        with tempfile.TemporaryDirectory() as folder, Mosquitto(Path(folder)) as broker:
            farm = Farm(Path(folder), broker, parlor.stalls)
            print(measure(farm, parlor, seconds=options.seconds), flush=True)


if __name__ == "__main__":
    main()
