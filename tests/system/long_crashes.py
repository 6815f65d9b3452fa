"""Kill service and broker hundreds of times; a script apart from the tests.

``python -m tests.system.long_crashes [--service 200] [--broker 15]`` prints one line of JSON for each of
three trials: the service killed while a gateway publishes; the broker killed under a gateway that
follows the receipts; the broker killed under a sender that trusts the broker's word.
"""

from __future__ import annotations

import argparse
import json
import random
import tempfile
import threading
import time
from collections.abc import Sequence
from pathlib import Path

from dashboards.pacing import paced
from ingest.gateway import Gateway
from ingest.publisher import Publisher
from ingest.wire import Message
from tests.ingest.parlor import NAMES, STALLS, record
from tests.system.brokers import RunningService
from tests.system.crashing import (
    CYCLE_S,
    Farm,
    awkward_record,
    differences,
    served_through_kills,
    squeezed,
    uninterrupted,
)
from tests.system.mosquitto import Mosquitto

SPEED = 10.0


def service_kills(folder: Path, *, kills: int, seed: int) -> dict[str, object]:
    """Kill the service at random and while it commits; compare all tables with one run."""
    whole = awkward_record(stalls=4, minutes=max(6.0, kills / 8.0), seed=seed)
    messages = squeezed(whole, seconds=kills * CYCLE_S)
    with Mosquitto(folder) as broker:
        farm = Farm(folder, broker, 4)
        uninterrupted(messages, farm.config, folder / "whole.duckdb")
        begun_s = time.monotonic()
        left = served_through_kills(farm, messages, kills=kills, rng=random.Random(seed))
        seconds = time.monotonic() - begun_s
    told = list(differences(farm.db, folder / "whole.duckdb"))
    return {"messages": len(messages), "untold": left, "differences": told, "seconds": round(seconds)}


def broker_kills(
    folder: Path, sender: Gateway | Publisher, broker: Mosquitto, *, kills: int
) -> dict[str, object]:
    """Kill the broker at random; count what was read, what is missing and what came twice."""
    messages = record(round(kills * 2.0 * SPEED))
    farm = Farm(folder, broker, STALLS)
    with RunningService(farm.config, farm.db) as service:
        service.ready()
        killer = threading.Thread(target=_kill, args=(broker, kills, random.Random(kills)))
        killer.start()
        with sender:
            _publish(sender, messages, killer)
            left = sender.drain(settle_s=30.0) if isinstance(sender, Gateway) else None
        readings, missing = _counted(service, len(messages))
    return {"messages": len(messages), "read": readings, "missing": missing, "untold": left}


def _publish(sender: Gateway | Publisher, messages: Sequence[Message], killer: threading.Thread) -> None:
    """Publish in time; the last tenth after the last kill, so that every loss has a frame behind it."""
    tail = len(messages) * 9 // 10
    for message in paced(messages[:tail], speed=SPEED):
        sender.publish(message)
    killer.join()
    for message in messages[tail:]:
        sender.publish(message)


def _kill(broker: Mosquitto, kills: int, rng: random.Random) -> None:
    pause = threading.Event()
    for _ in range(kills):
        pause.wait(rng.uniform(0.8, 2.2))
        broker.kill()
        broker.start()


def _counted(service: RunningService, expected: int) -> tuple[int, int]:
    """Return frames read and frames in the ledger, once they make up all or nothing moves any more."""
    readings, missing, until_s = 0, 0, time.monotonic() + 30.0
    while readings + missing < expected and time.monotonic() < until_s:
        while not service.committed.empty():
            readings += service.committed.get().readings
        assert service.history is not None
        with service.history.reader() as reader:
            ((missing,),) = reader.execute("SELECT coalesce(sum(frames), 0)::BIGINT FROM data_gap").fetchall()
        threading.Event().wait(0.1)
    return readings, missing


def main() -> None:
    """Run the three trials."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--service", type=int, default=200)
    parser.add_argument("--broker", type=int, default=15)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    if options.service:
        with tempfile.TemporaryDirectory() as name:
            told = service_kills(Path(name), kills=options.service, seed=options.seed)
        print(json.dumps({"trial": "service", "kills": options.service, **told}), flush=True)
    for trial in ("gateway", "plain sender") if options.broker else ():
        with tempfile.TemporaryDirectory() as name, Mosquitto(Path(name)) as broker:
            access = Farm(Path(name), broker, STALLS).gateway
            sender = Gateway(access, **NAMES) if trial == "gateway" else Publisher(access)
            told = broker_kills(Path(name), sender, broker, kills=options.broker)
        print(json.dumps({"trial": trial, "kills": options.broker, **told}), flush=True)


if __name__ == "__main__":
    main()
