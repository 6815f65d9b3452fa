"""What the page costs the service: CPU, memory and bytes with many browsers connected.

``python -m tests.system.page_cost --seconds 10`` stages 80 stalls with four commits a second in a
process of its own and reads its figures from the system, first with nobody connected, then with 20.
"""

from __future__ import annotations

import argparse
import http.client
import json
import os
import queue
import subprocess
import sys
import tempfile
import threading
import time
from dataclasses import dataclass
from pathlib import Path

from dashboards.http_server import serving
from tests.dashboards.stage import S, Stage, busy_morning

STALLS = 80
CLIENTS = 20
TICKS_S = os.sysconf("SC_CLK_TCK")
PAGE = os.sysconf("SC_PAGE_SIZE")


@dataclass(frozen=True, slots=True)
class Cost:
    """CPU in per cent of one core, memory [MB] above that without a page, bytes a second and client."""

    idle_cpu_percent: float
    cpu_percent: float
    memory_mb: float
    bytes_s: float


def serve() -> None:
    """Stage a parlor until standard input closes; print memory before the page, then the address."""
    with tempfile.TemporaryDirectory() as folder:
        stage = Stage(Path(folder), stalls=STALLS)
        busy_morning(stage, seconds=60)
        stop = threading.Event()
        with stage.opened():
            print(_memory_mb(os.getpid()), flush=True)
            serve_page(stage, stop)


def serve_page(stage: Stage, stop: threading.Event) -> None:
    """Put a stage whose history is open on the air until standard input closes."""
    with serving(stage.view, host="127.0.0.1", port=0) as url:
        print(url, flush=True)
        pulse = threading.Thread(target=_pulse, args=(stage, stop))
        pulse.start()
        sys.stdin.read()
        stop.set()
        pulse.join()


def _pulse(stage: Stage, stop: threading.Event) -> None:
    while not stop.wait(0.25):
        stage.step(ns=S // 4)


def _cpu_s(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / TICKS_S


def _memory_mb(pid: int) -> float:
    return int(Path(f"/proc/{pid}/statm").read_text().split()[1]) * PAGE / 1e6


def _read(address: str, stop: threading.Event, counts: queue.SimpleQueue[int]) -> None:
    connection = http.client.HTTPConnection(address, timeout=10)
    connection.request("GET", "/v1/live")
    reply = connection.getresponse()
    while not stop.is_set():
        counts.put(len(reply.read1(65_536)))
    connection.close()


def _watch(pid: int, seconds: float) -> float:
    """Return CPU in per cent over a while."""
    began, began_s = _cpu_s(pid), time.monotonic()
    threading.Event().wait(seconds)
    return 100.0 * (_cpu_s(pid) - began) / (time.monotonic() - began_s)


def measure(seconds: float) -> Cost:
    """Measure a staged service for so long without and with browsers [s]."""
    command = [sys.executable, "-m", "tests.system.page_cost", "--serve"]
    pipe = subprocess.PIPE
    with subprocess.Popen(command, stdin=pipe, stdout=pipe, text=True) as process:  # noqa: S603 - our own words
        assert process.stdout is not None
        assert process.stdin is not None
        before_mb = float(process.stdout.readline())
        address = process.stdout.readline().removeprefix("http://").strip().strip("/")
        idle = _watch(process.pid, seconds)
        stop, counts = threading.Event(), queue.SimpleQueue[int]()
        clients = [threading.Thread(target=_read, args=(address, stop, counts)) for _ in range(CLIENTS)]
        for client in clients:
            client.start()
        threading.Event().wait(1.0)
        while not counts.empty():  # what came so far is the first load
            counts.get()
        began_s = time.monotonic()
        busy = _watch(process.pid, seconds)
        total = sum(counts.get() for _ in range(counts.qsize()))
        rate = total / (time.monotonic() - began_s) / CLIENTS
        memory = _memory_mb(process.pid) - before_mb
        stop.set()
        for client in clients:
            client.join()
        process.stdin.close()
    return Cost(round(idle, 2), round(busy, 2), round(memory, 1), round(rate))


def main() -> None:
    """Serve or measure, as asked."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--seconds", type=float, default=10.0)
    words.add_argument("--serve", action="store_true")
    asked = words.parse_args()
    if asked.serve:
        serve()
    else:
        cost = measure(asked.seconds)
        print(json.dumps({name: getattr(cost, name) for name in Cost.__slots__}))


if __name__ == "__main__":
    main()
