"""A day of 80 stalls, compressed, through broker and service; a script apart from the tests.

``python -m tests.system.soak_day [--hours 24] [--speed 10] [--minutes 18]`` simulates a day so many
times faster than life, publishes it through mosquitto to the whole service, and prints a line of JSON
every half minute: resident memory, and the lag, which is what was sent and not yet stored. It ends with
the day or after the given minutes of the clock, whichever is first.
"""

from __future__ import annotations

import argparse
import json
import os
import tempfile
import threading
import time
import urllib.request
from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import islice
from pathlib import Path
from typing import Final

from dashboards.demo import reserve
from dashboards.pacing import paced
from simulator.rotary import simulate
from simulator.scenario import PRESETS
from tests.system.crashing import NS, Farm, Service
from tests.system.mosquitto import SECRET, Mosquitto
from tests.system.process_figures import cpu_s, memory_mb
from tests.system.raw_sender import RawSender

EVERY_S: Final = 30.0
STALLS: Final = 80
GROUP: Final = 50


class Day:
    """A simulated day on its way to the broker, in a thread of its own."""

    def __init__(self, farm: Farm, *, hours: float, speed: float) -> None:
        self.sent = 0
        self.simulated_s = 0.0
        self._farm = farm
        # Device clocks must not run ahead of the receiver's, so a fast day begins in the past.
        start_ns = time.time_ns() - round(3600 * hours * (1.0 - 1.0 / speed) * NS)
        self._scenario = replace(PRESETS["plain"](seed=1, stalls=STALLS, hours=hours), start_ns=start_ns)
        self._speed = speed
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    @property
    def goes_on(self) -> bool:
        """Tell whether there is more to come."""
        return self._thread.is_alive()

    def end(self) -> None:
        """Send no more."""
        self._over.set()
        self._thread.join()

    def _run(self) -> None:
        messages = paced(simulate(self._scenario), speed=self._speed)
        with RawSender(self._farm.broker.port, user="gateway", password=SECRET) as sender:
            while not self._over.is_set() and (group := list(islice(messages, GROUP))):
                sender.publish([(message.topic, message.payload) for message in group])
                self.sent += len(group)
                self.simulated_s = (group[-1].recv_ns - self._scenario.start_ns) / NS


def watch(service: Service, day: Day, url: str, *, most_s: float) -> Iterator[dict[str, float]]:
    """Yield how it goes every half minute until it ends."""
    begun_s, pause = time.monotonic(), threading.Event()
    while day.goes_on and time.monotonic() - begun_s < most_s:
        pause.wait(EVERY_S)
        sent, counts = day.sent, outcomes(url)
        yield {
            "minutes": round((time.monotonic() - begun_s) / 60, 1),
            "simulated_h": round(day.simulated_s / 3600, 2),
            "sent": sent,
            "lag": sent - sum(counts.values()),
            "refused": counts["quarantined"],
            "rss_mb": round(memory_mb(service.pid)),
            "cpu_us_a_message": round(1e6 * cpu_s(service.pid) / max(sent, 1)),
            "load": round(os.getloadavg()[0], 1),
        }


def outcomes(url: str) -> dict[str, int]:
    """Return how many messages the service has dealt with, by what became of them."""
    with urllib.request.urlopen(url + "metrics", timeout=30) as answer:  # noqa: S310 - our own loopback address
        lines = answer.read().decode().splitlines()
    rows = (line.split('"') for line in lines if line.startswith("quietclaw_messages_total"))
    return {row[1]: round(float(row[2].removeprefix("}"))) for row in rows}


def summary(told: Sequence[dict[str, float]]) -> dict[str, list[float]]:
    """Return memory and lag at the start, in the middle and at the end."""
    return {name: [told[k][name] for k in (0, len(told) // 2, -1)] for name in ("rss_mb", "lag")}


def main() -> None:
    """Run the day."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--hours", type=float, default=24.0)
    parser.add_argument("--speed", type=float, default=10.0)
    parser.add_argument("--minutes", type=float, default=18.0)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as name, Mosquitto(Path(name)) as broker:
        farm = Farm(Path(name), broker, STALLS)
        reserve(farm.config)
        service = Service(farm)
        url = service.ready()
        day, told = Day(farm, hours=options.hours, speed=options.speed), []
        try:
            for line in watch(service, day, url, most_s=60.0 * options.minutes):
                told.append(line)
                print(json.dumps(line), flush=True)
        finally:
            day.end()
            code = service.stop()
    print(json.dumps(summary(told) | {"exit": code}))


if __name__ == "__main__":
    main()
