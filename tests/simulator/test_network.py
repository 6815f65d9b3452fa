"""Device clocks, sequence numbers, loss, duplicates and order of arrival."""

from __future__ import annotations

import itertools
import json
from dataclasses import replace

import numpy as np
import pytest

from ingest.wire import StreamKind, parse_payload, parse_topic
from simulator.faults import Fault, FaultBook, FaultKind
from simulator.network import Addressing, CowNotice, Gateway
from simulator.sensors import Sensors

CLEAN = Sensors(loss_share=0.0, duplicate_share=0.0, skew_ms=0.0)
TO = Addressing("milking", "willowmere", 1_930_278_600_000_000_000)


def _gateway(sensors: Sensors = CLEAN, faults: tuple[Fault, ...] = (), seed: int = 1) -> Gateway:
    return Gateway(TO, sensors, stalls=4, book=FaultBook(faults), rng=np.random.default_rng(seed))


def _flows(gateway: Gateway, seconds: int, stall: int = 2) -> list:
    for second in range(seconds):
        gateway.begin(float(second))
        gateway.flow(stall, second + 1.0, 1.5)
    return list(gateway.arrived(seconds + 10.0))


def test_every_kind_of_message_is_read_by_the_wire():
    """What the gateway sends parses as the payload it is meant to be."""
    gateway = _gateway()
    gateway.vacuum(1, (0.0, 0.5), [42.0] * 50, None)
    gateway.vacuum(0, (0.0, 0.5), [44.0] * 50, None)
    gateway.flow(1, 1.0, 2.5)
    gateway.arm(1, (0.0, 1.0), [20.0] * 5, [250.0] * 5)
    gateway.cow(1, CowNotice(0.2, "cow0001", "m1", "main", parity=2, dim=100))
    gateway.cow(1, CowNotice(0.4, None))
    kinds = set()
    for message in gateway.arrived(10.0):
        address = parse_topic(message.topic, root="milking", parlor="willowmere")
        payload = parse_payload(address.kind, message.payload)
        assert payload.boot.endswith(".1")
        assert payload.extra_fields == 0
        kinds.add((address.stall, address.kind))
    assert kinds == {(0 or None, StreamKind.VACUUM), *[(1, kind) for kind in StreamKind]}


def test_sequence_numbers_count_up_by_topic():
    """Each topic counts its own messages from 0."""
    gateway = _gateway()
    messages = _flows(gateway, 5) + _flows(gateway, 3, stall=3)
    seqs = {topic: [] for topic in {m.topic for m in messages}}
    for message in messages:
        seqs[message.topic].append(json.loads(message.payload)["seq"])
    assert sorted(seqs.values()) == [[0, 1, 2], [0, 1, 2, 3, 4]]


def test_device_time_is_that_of_the_first_sample():
    """Without clock error ``t_ms`` is the instant of the first sample, and the message comes later."""
    gateway = _gateway()
    gateway.vacuum(1, (3.5, 4.0), [42.0] * 50, None)
    (message,) = gateway.arrived(10.0)
    t_ms = json.loads(message.payload)["t_ms"]
    assert t_ms == TO.start_ns // 1_000_000 + 3_500
    assert message.recv_ns > TO.start_ns + 4_000_000_000


def test_clocks_are_skewed_by_stall():
    """Each stall's clock is off by its own amount, the same at all times."""
    gateway = _gateway(replace(CLEAN, skew_ms=50.0))
    offsets = {}
    for stall in (1, 2, 3, 4):
        for message in _flows(gateway, 4, stall):
            body = json.loads(message.payload)
            due = TO.start_ns // 1_000_000 + 1000 * (body["seq"] + 1)
            offsets.setdefault(stall, set()).add(body["t_ms"] - due)
    assert all(max(own) - min(own) <= 1 for own in offsets.values())
    assert len({min(own) for own in offsets.values()}) > 1


def test_messages_are_lost_at_the_rate_asked_for():
    """A loss share of 0.05 loses 5 % of messages and leaves gaps in the numbers."""
    messages = _flows(_gateway(replace(CLEAN, loss_share=0.05)), 8000)
    assert 1.0 - len(messages) / 8000 == pytest.approx(0.05, abs=0.008)
    seqs = [json.loads(m.payload)["seq"] for m in messages]
    assert len(set(seqs)) == len(seqs) < max(seqs) + 1


def test_a_burst_loses_what_it_should_where_it_should():
    """A loss burst of one stall drops its messages while it lasts and nobody else's."""
    burst = Fault(FaultKind.LOSS_BURST, 2, 10.0, 20.0, 1.0)
    gateway = _gateway(faults=(burst,))
    own, other = _flows(gateway, 30, stall=2), _flows(gateway, 30, stall=3)
    missing = set(range(30)) - {json.loads(m.payload)["seq"] for m in own}
    assert missing == set(range(9, 19))
    assert len(other) == 30


def test_duplicates_are_the_same_bytes_again():
    """A duplicated message arrives twice, byte for byte."""
    messages = _flows(_gateway(replace(CLEAN, duplicate_share=1.0)), 10)
    assert len(messages) == 20
    assert len({m.payload for m in messages}) == 10


def test_late_messages_change_the_order_but_not_of_arrival_times():
    """Messages that are held up arrive out of sequence, yet in order of arrival."""
    gateway = _gateway(replace(CLEAN, late_share=0.3, late_s=3.0))
    messages = _flows(gateway, 200)
    seqs = [json.loads(m.payload)["seq"] for m in messages]
    assert seqs != sorted(seqs)
    assert sorted(seqs) == list(range(200))
    assert all(b.recv_ns >= a.recv_ns for a, b in itertools.pairwise(messages))


def test_a_restarted_device_counts_from_zero_under_a_new_boot():
    """After a restart sequence numbers begin at 0 and the boot name changes, at that stall only."""
    gateway = _gateway(faults=(Fault(FaultKind.DEVICE_RESTART, 2, 5.0, 6.0),))
    bodies = [json.loads(m.payload) for m in _flows(gateway, 8)]
    assert [b["seq"] for b in bodies] == [0, 1, 2, 3, 4, 0, 1, 2]
    first, second = bodies[0]["boot"], bodies[-1]["boot"]
    assert first != second
    assert [b["boot"] for b in bodies] == [first] * 5 + [second] * 3
    assert {json.loads(m.payload)["boot"] for m in _flows(gateway, 2, stall=1)} == {first}


def test_nothing_arrives_before_its_time():
    """Only messages that have arrived by an instant are handed over."""
    gateway = _gateway()
    gateway.flow(1, 1.0, 1.0)
    assert list(gateway.arrived(1.0)) == []
    assert len(list(gateway.arrived(3.0))) == 1
