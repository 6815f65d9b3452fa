"""From readings to messages: device clocks, sequence numbers, loss, duplicates, order of arrival."""

from __future__ import annotations

import heapq
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from ingest.wire import (
    ArmPayload,
    CowPayload,
    FlowPayload,
    Message,
    StreamKind,
    VacuumChannel,
    VacuumPayload,
    plant_topic,
    stall_topic,
)
from simulator.faults import FaultBook, FaultKind
from simulator.sensors import Sensors


@dataclass(frozen=True, slots=True)
class Addressing:
    """Topics and time base: root and parlor slug, and the record's second 0 [ns since 1970-01-01 UTC]."""

    root: str
    parlor: str
    start_ns: int


@dataclass(frozen=True, slots=True)
class CowNotice:
    """What the identification says at ``at_s`` [s]: who stands at a stall, or nobody."""

    at_s: float
    cow: str | None
    milker: str | None = None
    group: str | None = None
    parity: int | None = None
    dim: int | None = None


class Gateway:
    """Sends what the devices of all stalls and the plant (stall 0) read, and keeps the order of arrival.

    Parameters
    ----------
    addressing, sensors
        Topics and network settings.
    stalls
        Number of stalls.
    book
        Loss bursts and restarts of devices.
    rng
        Draws clock errors, ways, losses and duplicates.
    """

    def __init__(
        self,
        addressing: Addressing,
        sensors: Sensors,
        *,
        stalls: int,
        book: FaultBook,
        rng: np.random.Generator,
    ) -> None:
        self._to = addressing
        self._set = sensors
        self._book = book
        self._rng = rng
        self._skew_ms = rng.normal(0.0, sensors.skew_ms, stalls + 1)
        self._seq: dict[str, int] = {}
        self._boots = [1] * (stalls + 1)
        self._topics = {kind: self._stall_topics(kind, stalls) for kind in StreamKind}
        self._restarts = [fault for fault in book.of_kind(FaultKind.DEVICE_RESTART) if fault.stall]
        self._waiting: list[tuple[int, int, str, bytes]] = []
        self._count = 0

    def _stall_topics(self, kind: StreamKind, stalls: int) -> list[str]:
        to = self._to
        first = plant_topic(root=to.root, parlor=to.parlor, kind=kind)
        return [first] + [
            stall_topic(root=to.root, parlor=to.parlor, stall=stall, kind=kind)
            for stall in range(1, stalls + 1)
        ]

    def begin(self, now_s: float) -> None:
        """Restart the devices whose restart is due at ``now_s`` [s]."""
        while self._restarts and self._restarts[0].from_s <= now_s:
            stall = self._restarts.pop(0).stall
            if stall is not None:
                self._boots[stall] += 1
                for kind in StreamKind:
                    self._seq.pop(self._topics[kind][stall], None)

    def _head(self, topic: str, stall: int, at_s: float) -> tuple[int, int, str]:
        """Return sequence number, device time [ms] and boot name of the next message of a topic."""
        seq = self._seq.get(topic, 0)
        self._seq[topic] = seq + 1
        t_ms = round(self._to.start_ns / 1e6 + at_s * 1e3 + self._skew_ms[stall])
        # Another record is another start of the devices: its numbers begin again under other marks.
        return seq, t_ms, f"{self._to.start_ns // 10**9:x}.{self._boots[stall]}"

    def vacuum(
        self, stall: int, span_s: tuple[float, float], kpa: list[float], channel: VacuumChannel | None
    ) -> None:
        """Send a frame of vacuum samples [kPa] taken from ``span_s[0]`` to ``span_s[1]`` [s]."""
        topic = self._topics[StreamKind.VACUUM][stall]
        seq, t_ms, boot = self._head(topic, stall, span_s[0])
        rate = float(round(len(kpa) / (span_s[1] - span_s[0])))
        payload = VacuumPayload(seq=seq, t_ms=t_ms, boot=boot, rate_hz=rate, kpa=kpa, channel=channel)
        self._send(topic, stall, span_s[1], payload.to_bytes())

    def flow(self, stall: int, at_s: float, kg_min: float) -> None:
        """Send a flow reading [kg/min]."""
        topic = self._topics[StreamKind.FLOW][stall]
        seq, t_ms, boot = self._head(topic, stall, at_s)
        self._send(topic, stall, at_s, FlowPayload(seq=seq, t_ms=t_ms, boot=boot, kg_min=kg_min).to_bytes())

    def arm(
        self, stall: int, span_s: tuple[float, float], angle_deg: list[float], cord_mm: list[float]
    ) -> None:
        """Send a frame of arm angles [deg] and pay-outs [mm]."""
        topic = self._topics[StreamKind.ARM][stall]
        seq, t_ms, boot = self._head(topic, stall, span_s[0])
        rate = len(angle_deg) / (span_s[1] - span_s[0])
        payload = ArmPayload(
            seq=seq, t_ms=t_ms, boot=boot, rate_hz=rate, angle_deg=angle_deg, cord_mm=cord_mm
        )
        self._send(topic, stall, span_s[1], payload.to_bytes())

    def cow(self, stall: int, notice: CowNotice) -> None:
        """Send who stands at a stall."""
        topic = self._topics[StreamKind.COW][stall]
        seq, t_ms, boot = self._head(topic, stall, notice.at_s)
        payload = CowPayload(
            seq=seq,
            t_ms=t_ms,
            boot=boot,
            cow=notice.cow,
            milker=notice.milker,
            group=notice.group,
            parity=notice.parity,
            dim=notice.dim,
        )
        self._send(topic, stall, notice.at_s, payload.to_bytes())

    def _send(self, topic: str, stall: int, at_s: float, payload: bytes) -> None:
        """Put a message on its way at ``at_s`` [s]."""
        lost, twice, late, way = self._rng.random(4)
        burst = self._book.size(FaultKind.LOSS_BURST, stall or None, at_s) or 0.0
        if lost < max(self._set.loss_share, burst):
            return
        arrival = at_s + self._set.latency_s - self._set.jitter_s * float(np.log1p(-way))
        if late < self._set.late_share:
            arrival += self._set.late_s * float(self._rng.uniform(0.5, 1.5))
        self._push(arrival, topic, payload)
        if twice < self._set.duplicate_share:
            self._push(arrival + 0.05, topic, payload)

    def _push(self, arrival_s: float, topic: str, payload: bytes) -> None:
        self._count += 1
        recv_ns = self._to.start_ns + round(arrival_s * 1e9)
        heapq.heappush(self._waiting, (recv_ns, self._count, topic, payload))

    def arrived(self, until_s: float) -> Iterator[Message]:
        """Yield the messages that arrive before ``until_s`` [s], in order of arrival."""
        limit = self._to.start_ns + until_s * 1e9
        while self._waiting and self._waiting[0][0] < limit:
            recv_ns, _, topic, payload = heapq.heappop(self._waiting)
            yield Message(recv_ns, topic, payload)
