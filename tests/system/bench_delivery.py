"""Measure the way from publish to commit; a script apart from the tests.

``python -m tests.system.bench_delivery [--seconds 20] [--rates 960 4000]`` runs mosquitto, the whole service
and 80 invented stalls (three vacuum channels of 25 samples, four frames a second each), and prints
one line of JSON for each question. A latency is from handing a frame to the sender's client until the
receipt of its commit has come back.
"""

from __future__ import annotations

import argparse
import json
import os
import queue
import statistics
import tempfile
import threading
import time
from pathlib import Path

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from dashboards.demo import reserve
from ingest.publisher import Publisher
from ingest.wire import Message, StreamKind, VacuumChannel, VacuumPayload, stall_topic
from tests.system.crashing import Farm, Service
from tests.system.mosquitto import SECRET, Mosquitto

STALLS = 80
CHANNELS = (None, VacuumChannel.LEFT_FRONT, VacuumChannel.RIGHT_FRONT)
NAMES = {"root": "milking", "parlor": "willowmere"}
FRAMES_S = STALLS * len(CHANNELS) * 4


class Frames:
    """Frames of the whole parlor in order, each stamped with now."""

    def __init__(self) -> None:
        self.sent_s: dict[tuple[int, int], float] = {}
        self.number = 0
        self._boot = f"{time.time_ns():x}"
        self._kpa = [42.0 + 0.25 * (i % 5) for i in range(25)]

    def next(self) -> Message:
        """Return the next frame."""
        stall = self.number % STALLS + 1
        seq = self.number // STALLS
        self.number += 1
        payload = VacuumPayload(
            seq=seq,
            t_ms=time.time_ns() // 1_000_000 - 250,
            boot=self._boot,
            rate_hz=100.0,
            kpa=self._kpa,
            channel=CHANNELS[seq % len(CHANNELS)],
        )
        self.sent_s[stall, seq] = time.monotonic()
        return Message(0, stall_topic(**NAMES, stall=stall, kind=StreamKind.VACUUM), payload.to_bytes())


class Receipts:
    """What the service tells to be stored, and how long each frame took."""

    def __init__(self, farm: Farm, frames: Frames) -> None:
        self.delays_s: list[float] = []
        self.first: queue.SimpleQueue[float] = queue.SimpleQueue()
        self._frames = frames
        self._done = [-1] * (STALLS + 1)
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
        self._client.username_pw_set("gateway", SECRET)
        self._client.on_message = self._on_message
        self._client.on_connect = lambda client, *_: client.subscribe("milking/willowmere/committed/#")
        self._client.connect("127.0.0.1", farm.broker.port)
        self._client.loop_start()

    @property
    def stored(self) -> int:
        """Return how many frames are stored."""
        return sum(done + 1 for done in self._done)

    def _on_message(self, _client: mqtt.Client, _data: object, message: mqtt.MQTTMessage) -> None:
        now_s = time.monotonic()
        stall, seq = int(message.topic.rsplit("/", 1)[1]), json.loads(message.payload).get("vacuum", -1)
        for stored in range(self._done[stall] + 1, seq + 1):
            self.delays_s.append(now_s - self._frames.sent_s[stall, stored])
        self._done[stall] = max(self._done[stall], seq)
        if not message.retain:
            self.first.put(now_s)

    def wait(self, number: int, *, most_s: float = 120.0) -> None:
        """Wait until so many frames are stored."""
        until_s, pause = time.monotonic() + most_s, threading.Event()
        while self.stored < number and time.monotonic() < until_s:
            pause.wait(0.005)

    def close(self) -> None:
        """Listen no more."""
        self._client.disconnect()
        self._client.loop_stop()


def send(farm: Farm, frames: Frames, *, rate: float, seconds: float) -> float:
    """Publish at a fixed rate, and return the rate that was reached [1/s]."""
    begun_s, pause = time.monotonic(), threading.Event()
    first = frames.number
    with Publisher(farm.gateway) as publisher:
        while (into_s := time.monotonic() - begun_s) < seconds:
            while frames.number - first < into_s * rate:
                publisher.publish(frames.next())
            pause.wait(0.01)
    return (frames.number - first) / (time.monotonic() - begun_s)


def tell(**figures: object) -> None:
    """Print one line."""
    load = os.getloadavg()[0]
    print(json.dumps({**figures, "load": round(load, 1)}), flush=True)


def rss_mb(pid: int) -> float:
    """Return the resident memory of a process [MB]."""
    line = next(x for x in Path(f"/proc/{pid}/status").read_text().splitlines() if x.startswith("VmRSS"))
    return int(line.split()[1]) / 1024


def cpu_s(pid: int) -> float:
    """Return the processor time of a process [s]."""
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def rate_trial(
    farm: Farm, frames: Frames, receipts: Receipts, service: Service, args: tuple[float, float]
) -> None:
    """Measure latencies at one rate."""
    rate, seconds = args
    receipts.delays_s.clear()
    cpu = cpu_s(service.pid)
    reached = send(farm, frames, rate=rate, seconds=seconds)
    behind = frames.number - receipts.stored
    receipts.wait(frames.number)
    delays = sorted(receipts.delays_s)
    tell(
        rate=round(reached),
        p50_ms=round(1e3 * statistics.median(delays)),
        p99_ms=round(1e3 * delays[int(0.99 * len(delays))]),
        max_ms=round(1e3 * delays[-1]),
        behind_at_end=behind,
        cpu_of_one_core=round((cpu_s(service.pid) - cpu) / seconds, 2),
        rss_mb=round(rss_mb(service.pid)),
    )


def outage_trial(farm: Farm, frames: Frames, receipts: Receipts, *, seconds: float) -> Service:
    """Measure how soon a service started after a kill commits, and how fast it catches up."""
    send(farm, frames, rate=FRAMES_S, seconds=seconds)
    backlog = frames.number - receipts.stored
    while not receipts.first.empty():
        receipts.first.get()
    begun_s = time.monotonic()
    service = Service(farm)
    first_s = receipts.first.get(timeout=60.0)
    receipts.wait(frames.number)
    rate = backlog / (time.monotonic() - first_s + 1e-9)
    tell(
        restart_to_first_commit_s=round(first_s - begun_s, 2),
        backlog=backlog,
        catch_up=round(rate / FRAMES_S, 1),
    )
    service.ready()
    return service


def main() -> None:
    """Run the trials."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=20.0)
    parser.add_argument("--rates", type=float, nargs="+", default=[FRAMES_S, 4000.0])
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder, Mosquitto(Path(folder)) as broker:
        farm, frames = Farm(Path(folder), broker, STALLS), Frames()
        reserve(farm.config)
        receipts = Receipts(farm, frames)
        service = Service(farm)
        service.ready()
        send(farm, frames, rate=FRAMES_S, seconds=3.0)  # the compiled kernel is loaded at the first frames
        receipts.wait(frames.number)
        for rate in options.rates:
            rate_trial(farm, frames, receipts, service, (rate, options.seconds))
        service.kill()
        outage_trial(farm, frames, receipts, seconds=options.seconds).stop()
        receipts.close()


if __name__ == "__main__":
    main()
