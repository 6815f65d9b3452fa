"""Memory of a service that starts with a backlog; a script apart from the tests.

``python -m tests.system.backlog [--minutes 10] [--new-machine]`` lets mosquitto keep so many minutes of 80
simulated stalls, starts the service, and prints how much memory it took until all of it was stored. On
a new machine it has no machine code yet, and compiles first.
"""

from __future__ import annotations

import argparse
import json
import os
import tempfile
import threading
import time
from dataclasses import replace
from itertools import islice
from pathlib import Path
from typing import Final

from dashboards.demo import reserve
from detect.machine import CACHE_VARIABLE
from simulator.rotary import simulate
from simulator.scenario import PRESETS
from tests.system.crashing import NS, Farm, Service
from tests.system.mosquitto import SECRET, Mosquitto
from tests.system.process_figures import FamilyMemory, cpu_s, memory_mb
from tests.system.raw_sender import RawSender
from tests.system.soak_day import STALLS, outcomes

EVERY_S: Final = 2.0
MOST_S: Final = 600.0
GROUP: Final = 200


def send(farm: Farm, *, minutes: float) -> int:
    """Publish a record that has just ended and return the number of its messages."""
    scenario = PRESETS["plain"](seed=1, stalls=STALLS, hours=minutes / 60.0)
    scenario = replace(scenario, start_ns=time.time_ns() - round(60 * minutes * NS))
    sent = 0
    with RawSender(farm.broker.port, user="gateway", password=SECRET) as sender:
        messages = simulate(scenario)
        while group := list(islice(messages, GROUP)):
            sender.publish([(message.topic, message.payload) for message in group])
            sent += len(group)
    return sent


def wait(url: str, messages: int) -> None:
    """Wait until so many are dealt with."""
    pause, until_s = threading.Event(), time.monotonic() + MOST_S
    while sum(outcomes(url).values()) < messages and time.monotonic() < until_s:
        pause.wait(EVERY_S)


def main() -> None:
    """Run the trial."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument("--new-machine", action="store_true")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as name, Mosquitto(Path(name)) as broker:
        if options.new_machine:
            os.environ[CACHE_VARIABLE] = str(Path(name) / "code")
        farm = Farm(Path(name), broker, STALLS)
        reserve(farm.config)
        messages = send(farm, minutes=options.minutes)
        service, begun_s = Service(farm), time.monotonic()
        try:
            with FamilyMemory(service.pid) as everything:
                wait(service.ready(), messages)
            told = {
                "messages": messages,
                "seconds": round(time.monotonic() - begun_s),
                "processor_s": round(cpu_s(service.pid), 1),
                "service_most_mb": round(memory_mb(service.pid, "VmHWM")),
                "all_processes_most_mb": round(everything.most_mb),
                "load": round(os.getloadavg()[0], 1),
            }
        finally:
            service.stop()
    print(json.dumps(told))


if __name__ == "__main__":
    main()
