"""What the crash tests share: an awkward record, a service to kill, and what a history holds."""

from __future__ import annotations

import json
import os
import random
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

import duckdb
from pydantic import SecretStr

from dashboards.demo import reserve
from dashboards.pacing import paced
from ingest import hold_state
from ingest.config import BrokerConfig, Config
from ingest.detector import make_detector
from ingest.gateway import Gateway
from ingest.messages import Messages
from ingest.pipeline import Pipeline
from ingest.replay import in_pieces
from ingest.wire import Message, StreamKind, stall_topic
from simulator.faults import Fault, FaultKind
from simulator.rotary import simulate
from simulator.scenario import plain
from store.history import History
from store.schema import CONTRACT_TABLES, INCIDENT
from tests.system.mosquitto import PATIENCE_S, SECRET, Mosquitto

NS: Final = 10**9
HOUR_MS: Final = 3_600_000
CLEAN_TAIL_S: Final = 30.0
CYCLE_S: Final = 2.5
"""Seconds of a record for each kill."""
START_NS: Final = 1_792_889_820 * NS
"""2026-10-25T00:57Z: three minutes before the clocks of Europe go back an hour."""


def awkward_record(*, stalls: int, minutes: float, seed: int = 11, start_ns: int = START_NS) -> list[Message]:
    """Return a bad network's record: lost, doubled, late, restarted, unreadable, with wrong clocks.

    Its last half minute is in order, so that nothing waits for a lost frame at the end.
    """
    scenario = plain(seed=seed, stalls=stalls, hours=minutes / 60.0)
    restarts = [
        Fault(FaultKind.DEVICE_RESTART, stall, at, at + 1.0)
        for stall, at in ((1, 60.0), (2, 200.0), (1, 300.0))
        if at < scenario.duration_s - CLEAN_TAIL_S
    ]
    sensors = replace(scenario.sensors, loss_share=0.004, duplicate_share=0.02, late_share=0.02, late_s=0.6)
    parts = {"start_ns": start_ns, "faults": (*scenario.faults, *restarts), "loaded": True}
    bad = list(simulate(replace(scenario, sensors=sensors, **parts)))  # type: ignore[arg-type]
    tail_ns = start_ns + round((scenario.duration_s - CLEAN_TAIL_S) * NS)
    rng = random.Random(seed)
    messages = []
    for message in bad:
        messages.append(_with_wrong_clock(message, start_ns))
        if message.recv_ns < tail_ns and rng.random() < 0.003:
            junk = rng.choice([b"{no json", b"\xff\xfe", b'{"seq": 1}'])
            messages.append(Message(message.recv_ns, message.topic, junk))
    return _without_losses_at_the_end(messages, tail_ns)


def _with_wrong_clock(message: Message, start_ns: int) -> Message:
    """Set the clock of stall 3 an hour forward for a minute, that of stall 4 an hour back for good."""
    into_s = (message.recv_ns - start_ns) / NS
    jump_ms = 0
    if "/stall/3/" in message.topic and 90.0 <= into_s < 150.0:
        jump_ms = HOUR_MS
    if "/stall/4/" in message.topic and into_s >= 180.0:
        jump_ms = -HOUR_MS
    if not jump_ms:
        return message
    fields = json.loads(message.payload)
    fields["t_ms"] += jump_ms
    return replace(message, payload=json.dumps(fields).encode())


def _without_losses_at_the_end(messages: list[Message], tail_ns: int) -> list[Message]:
    """Drop from each stream's first loss in the last half minute on."""
    places: dict[str, tuple[str | None, int]] = {}
    ended: set[str] = set()
    kept = []
    for message in messages:
        place = _place(message)
        if place is None:
            kept.append(message)
            continue
        boot, seq = place
        last = places.get(message.topic, (boot, seq - 1))
        follows = boot != last[0] or seq <= last[1] + 1
        if message.recv_ns >= tail_ns and not follows:
            ended.add(message.topic)
        if message.topic not in ended:
            kept.append(message)
            places[message.topic] = (boot, max(seq, last[1]) if boot == last[0] else seq)
    return kept


def _place(message: Message) -> tuple[str | None, int] | None:
    try:
        fields = json.loads(message.payload)
        return fields["boot"], fields["seq"]
    except (ValueError, KeyError):
        return None


@dataclass(frozen=True)
class Farm:
    """One parlor on one broker: its settings for the service, the gateway and the checks."""

    folder: Path
    broker: Mosquitto
    stalls: int
    port: int | None = None

    @property
    def db(self) -> Path:
        """Return the history file."""
        return self.folder / "live.duckdb"

    @property
    def config(self) -> Config:
        """Return the service's settings."""
        url = f"mqtt://127.0.0.1:{self.port or self.broker.port}"
        return Config.model_validate(
            {
                "broker": {"url": url, "user": "quietclaw", "password": SecretStr(SECRET)},
                "parlor": {"name": "willowmere", "stalls": self.stalls},
                "store": {"path": self.db},
                "http": {"port": 0},
            }
        )

    @property
    def gateway(self) -> BrokerConfig:
        """Return the gateway's access to the broker."""
        return BrokerConfig(url=self.broker.url, user="gateway", password=SecretStr(SECRET))

    def write(self) -> Path:
        """Write the service's settings as a user would."""
        config = self.config
        path = self.folder / "farm.toml"
        path.write_text(
            f'[broker]\nurl = "{config.broker.url}"\nuser = "quietclaw"\n'
            f'[parlor]\nname = "willowmere"\nstalls = {self.stalls}\n'
            f'[store]\npath = "{self.db}"\n[http]\nport = 0\n'
        )
        return path


class Service:
    """``quietclaw run`` as a process of its own."""

    def __init__(self, farm: Farm) -> None:
        self._farm = farm
        self._log = (farm.folder / "service.log").open("a")
        self._process = subprocess.Popen(  # noqa: S603 - our own program
            [sys.executable, "-m", "dashboards.main", "run", "--config", str(farm.write())],
            stdout=subprocess.PIPE,
            stderr=self._log,
            stdin=subprocess.DEVNULL,
            text=True,
            env=os.environ
            | {"PYTHONUNBUFFERED": "1", "QUIETCLAW_BROKER_PASSWORD": SECRET, "TZ": "Europe/Berlin"},
        )

    @property
    def pid(self) -> int:
        """Return the process's number."""
        return self._process.pid

    def ready(self) -> str:
        """Wait until it says that it serves, and return its address."""
        assert self._process.stdout is not None
        line = self._process.stdout.readline()
        assert line.startswith("serving "), (self._farm.folder / "service.log").read_text()[-2000:]
        return line.split()[1].rstrip("/") + "/"

    def kill(self) -> None:
        """Kill it at once."""
        self._process.kill()
        self._end()

    def stop(self) -> int:
        """Ask it to end and return its exit code."""
        self._process.send_signal(signal.SIGTERM)
        return self._end()

    def _end(self) -> int:
        code = self._process.wait(PATIENCE_S)
        assert self._process.stdout is not None
        self._process.stdout.close()
        self._log.close()
        return code


def squeezed(messages: Sequence[Message], *, seconds: float) -> list[Message]:
    """Return a record as it is received when it is published within so many seconds.

    A lost frame is waited for by the receiver's clock too. A run that is to be compared with one that
    is published faster than life must therefore receive it at the same pace: otherwise a few frames
    pass in another order, and a stall whose clock is wrong has a few samples more or less (seen).
    """
    first_ns = messages[0].recv_ns
    pace = seconds * NS / (messages[-1].recv_ns - first_ns)
    return [
        replace(message, recv_ns=first_ns + round((message.recv_ns - first_ns) * pace))
        for message in messages
    ]


class Feeder:
    """A gateway that publishes a record in a thread of its own, in its own time until told to hurry."""

    def __init__(self, farm: Farm, messages: Sequence[Message]) -> None:
        self.gateway = Gateway(farm.gateway, root="milking", parlor="willowmere")
        self._hurry = threading.Event()
        self._messages = messages
        self._left: int | None = None
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def _run(self) -> None:
        with self.gateway:
            for message in paced(self._messages, speed=1.0, wait=self._hurry.wait):
                self.gateway.publish(message)
            self._hurry.wait()  # until a service is there to stay
            self._left = self.gateway.drain(settle_s=2.0 * PATIENCE_S)

    def end(self) -> int | None:
        """Publish the rest and return how many frames nobody has told to be stored."""
        self._hurry.set()
        self._thread.join()
        return self._left


@contextmanager
def served(farm: Farm) -> Iterator[Service]:
    """Run the service until it is asked to end, and let it end well."""
    service = Service(farm)
    try:
        service.ready()
        yield service
    finally:
        code = service.stop()
    assert code == 0


def served_through_kills(
    farm: Farm, messages: Sequence[Message], *, kills: int, rng: random.Random
) -> int | None:
    """Publish a record while the service is killed again and again, at random and while it commits.

    Returns
    -------
    int | None
        Frames that nobody has told to be stored at the end; None when the gateway gave up.
    """
    reserve(farm.config)
    feeder = Feeder(farm, messages)
    try:
        for number in range(kills):
            service = Service(farm)
            service.ready()
            threading.Event().wait(rng.uniform(0.0, 1.2))
            if number % 2:
                wait_for_a_commit(farm.db, most_s=5.0)
            service.kill()
        with served(farm):
            return feeder.end()
    finally:
        feeder.end()


def wait_for_a_commit(db: Path, *, most_s: float) -> None:
    """Return as soon as the history's log is being written, at most after a while."""
    wal = db.with_name(db.name + ".wal")
    pause = threading.Event()
    until_s, before = time.monotonic() + most_s, _size(wal)
    while time.monotonic() < until_s and _size(wal) == before:
        pause.wait(0.0005)


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except FileNotFoundError:
        return -1


def uninterrupted(messages: Sequence[Message], config: Config, path: Path) -> None:
    """Run a record through the pipeline in one go, without ending it."""
    with History.open(path) as history:
        pipeline = Pipeline.open(history=history, detector=make_detector(config), decoder=config.decoder())
        for piece in in_pieces([Messages.of(messages)]):
            pipeline.process(piece)


def stored(path: Path) -> dict[str, list[tuple[Any, ...]]]:
    """Return the rows of every table, places and detector state included, in a comparable order.

    Left out is when a refused message was received, which is not a property of the record, and the
    pipeline's own clock, for the same reason; and the incidents, which tell of the kills themselves.
    """
    own = hold_state.BLOB_KEY
    questions = {table.name: f"FROM {table.name}" for table in CONTRACT_TABLES if table is not INCIDENT}
    questions["quarantine"] = "SELECT topic, payload, reason FROM quarantine"
    questions["watermark"] = "SELECT * FROM watermark"
    questions["detector_state"] = f"SELECT * FROM detector_state WHERE stall <> {own}"  # noqa: S608
    with duckdb.connect(str(path), read_only=True) as connection:
        return {name: sorted(connection.execute(sql).fetchall(), key=repr) for name, sql in questions.items()}


def differences(found: Path, expected: Path) -> Iterator[str]:
    """Tell how two histories differ, one line for each table that does."""
    ours, theirs = stored(found), stored(expected)
    for name in theirs:
        lost = [row for row in theirs[name] if row not in ours[name]]
        more = [row for row in ours[name] if row not in theirs[name]]
        if ours[name] != theirs[name]:
            yield f"{name}: {len(ours[name])} for {len(theirs[name])} rows, {lost[:2]} against {more[:2]}"


def stream(stall: int, kind: StreamKind = StreamKind.VACUUM) -> str:
    """Return a topic of the parlor."""
    return stall_topic(root="milking", parlor="willowmere", stall=stall, kind=kind)
