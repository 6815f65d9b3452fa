"""A day of 80 stalls, compressed, through broker and service; a script apart from the tests.

``python -m tests.system.soak_day [--hours 24] [--stalls 80] [--minutes 60]`` simulates a day as fast as it
goes, publishes it through mosquitto to the whole service, and prints a line of JSON every half
minute: resident memory, messages stored, and how many the gateway still keeps on their behalf.
It ends with the day or after the given minutes of the clock, whichever is first.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import threading
import time
import urllib.request
from pathlib import Path

from dashboards.demo import reserve
from tests.system.crashing import Farm, Service
from tests.system.mosquitto import SECRET, Mosquitto
from tests.system.process_figures import memory_mb

EVERY_S = 30.0


def main() -> None:
    """Run the day."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--hours", type=float, default=24.0)
    parser.add_argument("--stalls", type=int, default=80)
    parser.add_argument("--minutes", type=float, default=60.0)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as name, Mosquitto(Path(name)) as broker:
        farm = Farm(Path(name), broker, options.stalls)
        reserve(farm.config)
        service = Service(farm)
        url = service.ready()
        simulator = _simulator(farm, options.hours)
        try:
            samples_mb = _watch(service, simulator, url, most_s=60.0 * options.minutes)
        finally:
            simulator.terminate()
            simulator.wait()
        code = service.stop()
    middle = samples_mb[len(samples_mb) // 2]
    print(
        json.dumps({"start_mb": samples_mb[0], "middle_mb": middle, "end_mb": samples_mb[-1], "exit": code})
    )


def _simulator(farm: Farm, hours: float) -> subprocess.Popen[bytes]:
    words = ["--broker", farm.broker.url, "--stalls", farm.stalls, "--hours", hours, "--speed", 10_000]
    access = {"QUIETCLAW_BROKER_USER": "gateway", "QUIETCLAW_BROKER_PASSWORD": SECRET}
    return subprocess.Popen(  # noqa: S603 - our own program
        [sys.executable, "-m", "dashboards.main", "simulate", *map(str, words), "--out", str(farm.folder)],
        env=os.environ | access,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )


def _watch(service: Service, simulator: subprocess.Popen[bytes], url: str, *, most_s: float) -> list[int]:
    """Print how it goes until it ends, and return the memory over time [MB]."""
    begun_s, pause, told_mb = time.monotonic(), threading.Event(), []
    while simulator.poll() is None and time.monotonic() - begun_s < most_s:
        pause.wait(EVERY_S)
        figures = _metrics(url)
        told_mb.append(round(memory_mb(service.pid)))
        hours = (figures["quietclaw_last_reading_timestamp_seconds"] or 0.0) % 86_400 / 3600
        told = {
            "minutes": round((time.monotonic() - begun_s) / 60, 1),
            "rss_mb": told_mb[-1],
            "read": round(figures["quietclaw_messages_total"]),
            "gaps": round(figures["quietclaw_gaps_total"]),
            "hour_of_day": round(hours, 2),
            "load": round(os.getloadavg()[0], 1),
        }
        print(json.dumps(told), flush=True)
    return told_mb


def _metrics(url: str) -> dict[str, float]:
    """Return the largest value of each of the service's metrics."""
    values: dict[str, float] = {}
    with urllib.request.urlopen(url + "metrics", timeout=30) as answer:  # noqa: S310 - our own loopback address
        for line in answer.read().decode().splitlines():
            if line.startswith("quietclaw_"):
                name, _, value = line.rpartition(" ")
                key = name.partition("{")[0]
                values[key] = max(values.get(key, 0.0), float(value) if value != "NaN" else 0.0)
    return values


if __name__ == "__main__":
    main()
