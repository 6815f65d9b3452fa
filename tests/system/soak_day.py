"""A day of 80 stalls, compressed, through broker and service; a script apart from the tests.

``python -m tests.system.soak_day CAPTURE [--hours 24] [--speed 22] [--minutes 75]`` publishes a capture of
``quietclaw simulate --stalls 80 --hours 3``, round after round and so many times faster than life, through
mosquitto to the whole service, and prints a line of JSON every half minute: resident memory, and the lag,
which is what was sent and not yet stored. It ends with the day or after the given minutes of the clock,
whichever is first, and tells what the history then holds.
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
from itertools import takewhile
from pathlib import Path
from typing import Final

import duckdb

from dashboards.demo import reserve
from store.schema import CONTRACT_TABLES
from tests.system.crashing import NS, Farm, Service
from tests.system.mosquitto import Mosquitto
from tests.system.process_figures import cpu_s, family_mb, memory_mb
from tests.system.rounds import Sending, rounds

EVERY_S: Final = 30.0
DRAIN_S: Final = 60.0
STALLS: Final = 80


def send_day(farm: Farm, capture: Path, *, hours: float, speed: float) -> Sending:
    """Begin to send the day."""
    # Device clocks must not run ahead of the receiver's, so a fast day begins in the past.
    start_ns = time.time_ns() - round(3600 * hours * (1.0 - 1.0 / speed) * NS)
    end_ns = start_ns + round(3600 * hours * NS)
    day = takewhile(lambda message: message[0] < end_ns, rounds(capture, start_ns=start_ns))
    return Sending(farm, day, speed=speed)


def watch(service: Service, day: Sending, url: str, *, most_s: float) -> Iterator[dict[str, float]]:
    """Yield how it goes every half minute until it ends, and once more when all is stored."""
    begun_s, pause = time.monotonic(), threading.Event()
    while day.goes_on and time.monotonic() - begun_s < most_s:
        pause.wait(EVERY_S)
        yield _line(service, day, url, begun_s)
    day.end()
    until_s = time.monotonic() + DRAIN_S
    while (line := _line(service, day, url, begun_s))["lag"] > 0 and time.monotonic() < until_s:
        pause.wait(1.0)
    yield line


def _line(service: Service, day: Sending, url: str, begun_s: float) -> dict[str, float]:
    sent, counts, minutes = day.sent, outcomes(url), (time.monotonic() - begun_s) / 60
    return {
        "minutes": round(minutes, 1),
        "hours_of_signal": round(day.sent_s / 3600, 2),
        "sent": sent,
        "lag": sent - sum(counts.values()),
        "refused": counts["quarantined"],
        "rss_mb": round(memory_mb(service.pid), 1),
        "own_mb": round(memory_mb(service.pid, "RssAnon"), 1),
        "family_mb": round(family_mb(service.pid), 1),
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
    """Return memory and lag at the start, in the middle and at the end of sending."""
    sending = told[:-1]
    at = (0, len(sending) // 2, -1)
    return {name: [sending[k][name] for k in at] for name in ("hours_of_signal", "rss_mb", "own_mb", "lag")}


def held(path: Path) -> dict[str, int]:
    """Return the bytes of a closed history and the rows of each of its tables."""
    with duckdb.connect(str(path), read_only=True) as connection:
        rows = {table.name: connection.table(table.name).count("*").fetchall() for table in CONTRACT_TABLES}
    return {"bytes": path.stat().st_size} | {name: count for name, [(count,)] in rows.items()}


def main() -> None:
    """Run the day."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("capture", type=Path)
    parser.add_argument("--hours", type=float, default=24.0)
    parser.add_argument("--speed", type=float, default=22.0)
    parser.add_argument("--minutes", type=float, default=75.0)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as name, Mosquitto(Path(name)) as broker:
        farm = Farm(Path(name), broker, STALLS)
        reserve(farm.config)
        service = Service(farm)
        url = service.ready()
        day, told = send_day(farm, options.capture, hours=options.hours, speed=options.speed), []
        try:
            for line in watch(service, day, url, most_s=60.0 * options.minutes):
                told.append(line)
                print(json.dumps(line), flush=True)
        finally:
            day.end()
            code = service.stop()
        print(json.dumps(summary(told) | {"exit": code, "history": held(farm.db)}))


if __name__ == "__main__":
    main()
