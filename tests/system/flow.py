"""Frames of a whole parlor at a fixed rate, and how long each takes to be stored."""

from __future__ import annotations

import json
import threading
import time
from typing import Any, Final

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from tests.meanwhile import Meanwhile
from tests.system.crashing import Farm, stream
from tests.system.mosquitto import SECRET
from tests.system.raw_sender import RawSender

STALLS: Final = 80
CHANNELS: Final = ("", ',"channel":"lf"', ',"channel":"rf"')
FRAME_MS: Final = 250
NOMINAL_S: Final = STALLS * len(CHANNELS) * 1000 // FRAME_MS
"""Frames that such a parlor sends in a second."""
PAUSE_S: Final = 0.005
PATIENCE_S: Final = 120.0


class Frames:
    """Frames of three vacuum channels of each stall in order; the devices' clock runs with them."""

    def __init__(self) -> None:
        self.sent_s: list[list[float]] = [[] for _ in range(STALLS + 1)]
        self.number = 0
        self._topics = [stream(stall) for stall in range(STALLS + 1)]
        self._start_ms = time.time_ns() // 1_000_000
        samples = ",".join(f"{42.0 + 0.25 * (i % 5)}" for i in range(25))
        self._rest = f',"boot":"{self._start_ms:x}","rate_hz":100.0,"kpa":[{samples}]'

    def next(self) -> tuple[str, bytes]:
        """Return topic and payload of the next frame, and note when that was."""
        seq, stall = divmod(self.number, STALLS)
        self.number += 1
        turn, channel = divmod(seq, len(CHANNELS))
        t_ms = self._start_ms + FRAME_MS * turn
        self.sent_s[stall + 1].append(time.monotonic())
        text = f'{{"seq":{seq},"t_ms":{t_ms}{self._rest}{CHANNELS[channel]}}}'
        return self._topics[stall + 1], text.encode()


class Flow(Meanwhile):
    """A sender in a thread of its own: so many frames a second for as long as the block lasts."""

    def __init__(self, farm: Farm, frames: Frames, *, rate: float = NOMINAL_S) -> None:
        self._farm = farm
        self._frames = frames
        self._rate = rate
        super().__init__(self._run)

    def last(self, seconds: float) -> None:
        """Let it flow for a while."""
        self.over.wait(seconds)

    def _run(self) -> None:
        first, begun_s = self._frames.number, time.monotonic()
        with RawSender(self._farm.broker.port, user="gateway", password=SECRET) as sender:
            while not self.over.wait(PAUSE_S):
                due = round((time.monotonic() - begun_s) * self._rate) - (self._frames.number - first)
                sender.publish([self._frames.next() for _ in range(due)])


class Receipts:
    """What the service tells to be stored, and how long each frame took."""

    def __init__(self, farm: Farm, frames: Frames) -> None:
        self.delays_s: list[float] = []
        self.stored = 0
        self._frames = frames
        self._done = [-1] * (STALLS + 1)
        self._moved = threading.Condition()
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
        self._client.username_pw_set("gateway", SECRET)
        self._client.on_message = self._on_message
        self._client.on_connect = lambda client, *_: client.subscribe("milking/willowmere/committed/#")
        self._client.connect("127.0.0.1", farm.broker.port)
        self._client.loop_start()

    @property
    def behind(self) -> int:
        """Return how many frames are sent and not stored."""
        return self._frames.number - self.stored

    def wait(self, most_behind: int = 0, *, patience_s: float = PATIENCE_S) -> None:
        """Wait until all but so many of the frames are stored."""
        with self._moved:
            assert self._moved.wait_for(lambda: self.behind <= most_behind, patience_s), (
                f"{self.behind} behind"
            )

    def wait_for_news(self) -> None:
        """Wait until something is stored that was not before."""
        with self._moved:
            stored = self.stored
            assert self._moved.wait_for(lambda: self.stored > stored, PATIENCE_S), "nothing is stored"

    def close(self) -> None:
        """Listen no more."""
        self._client.disconnect()
        self._client.loop_stop()

    def _on_message(self, _client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        now_s = time.monotonic()
        stall, seq = int(message.topic.rsplit("/", 1)[1]), json.loads(message.payload).get("vacuum", -1)
        news = self._frames.sent_s[stall][self._done[stall] + 1 : seq + 1]
        with self._moved:
            self.delays_s += [now_s - sent_s for sent_s in news]
            self.stored += len(news)
            self._done[stall] = max(self._done[stall], seq)
            self._moved.notify_all()
