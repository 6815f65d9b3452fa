"""A service on a full disk says so, waits, and goes on by itself with nothing lost."""

from __future__ import annotations

import queue
import threading
from pathlib import Path

import pytest

from detect.errors import DiskError, StoreError
from ingest.config import BrokerConfig
from ingest.live import Ending, LiveService, Parts
from ingest.messages import Messages
from ingest.pipeline import Committed, Pipeline
from ingest.publisher import Publisher
from ingest.replay import replay
from ingest.wire import Message
from store.history import History
from store.log_copy import log_path
from tests.disk import file_limit
from tests.ingest.parlor import DECODER, CountingDetector, record, tables
from tests.store.drawn import rows
from tests.system.brokers import BROKERS, PATIENCE_S, broker, configuration

pytestmark = pytest.mark.system


def send(url: str, messages: list[Message]) -> None:
    with Publisher(BrokerConfig(url=url)) as publisher:
        for message in messages:
            publisher.publish(message)


def until(committed: queue.SimpleQueue[Committed], messages: int) -> None:
    while messages > 0:
        messages -= committed.get(timeout=PATIENCE_S).messages


@pytest.mark.parametrize("kind", BROKERS)
def test_a_full_disk_is_waited_for_and_nothing_is_lost(tmp_path: Path, kind: str) -> None:
    """Trouble is told while the log cannot grow; with space the rest arrives, row for row."""
    path, messages = tmp_path / "live.duckdb", record(40)
    half = len(messages) // 2
    committed: queue.SimpleQueue[Committed] = queue.SimpleQueue()
    told: queue.SimpleQueue[StoreError | None] = queue.SimpleQueue()
    listening, stop = threading.Event(), threading.Event()
    parts = Parts(
        open_history=lambda: History.open(path),
        new_detector=CountingDetector,
        observers=[committed.put],
        on_connected=listening.set,
        on_trouble=told.put,
        retry_s=(0.05,),
    )
    with broker(kind, tmp_path) as url:
        service = LiveService(configuration(url), parts)
        thread = threading.Thread(target=service.run, args=(stop,), kwargs={"ending": Ending.CLOSE})
        thread.start()
        assert listening.wait(PATIENCE_S)
        send(url, messages[:half])
        until(committed, half)
        with file_limit(log_path(path).stat().st_size + 50):
            send(url, messages[half:])
            for _ in range(3):  # it goes on trying beyond the attempts it has for other faults
                assert isinstance(told.get(timeout=PATIENCE_S), DiskError)
        while told.get(timeout=PATIENCE_S) is not None:
            pass
        until(committed, len(messages) - half)
        stop.set()
        thread.join(PATIENCE_S)
    with History.open(tmp_path / "whole.duckdb") as whole:
        replay(
            [Messages.of(messages)],
            Pipeline.open(history=whole, detector=CountingDetector(), decoder=DECODER),
        )
    assert tables(path) == tables(tmp_path / "whole.duckdb")
    with History.open(path, read_only=True) as history:
        assert rows(history, "SELECT what FROM incident") == [("store_failed",)]
