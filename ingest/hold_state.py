"""What the pipeline remembers beside the detector, as bytes: stored with the state it is ahead of.

Frames that wait for an earlier one are durable, so a held message is acknowledged with its batch like
any other. Withholding its acknowledgement would stop the stream: MQTT 5 acknowledges in order of
arrival (clause 4.6, from memory), so one late frame would fill the window of a broker that allows a
hundred in flight.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from typing import Any, Final

from detect.errors import CheckpointError
from ingest.decode import Decoder, Frame, Stamp
from ingest.record_clock import Clock
from ingest.redelivery import Mark
from ingest.relation import Past
from ingest.sequencer import Held, Sequencer
from ingest.wire import Message

BLOB_KEY: Final = -1
"""Key of these bytes among the blobs of a checkpoint; the detector's own begin at 0."""
VERSION: Final = 2


@dataclass(frozen=True, slots=True)
class Memory:
    """Frames that wait, the sequencer's clock, restarts of devices, refused messages that may come again."""

    held: list[Held]
    clock: Clock
    pasts: dict[str, Past] = field(default_factory=dict)
    marks: list[Mark] = field(default_factory=list)


def pack(sequencer: Sequencer, marks: list[Mark]) -> bytes:
    """Write what a pipeline remembers; a readable payload is UTF-8 JSON."""
    held = [
        [waiting.since_ns, message.recv_ns, message.topic, message.payload.decode()]
        for waiting in sequencer.held()
        for message in (waiting.frame.message,)
    ]
    clock = sequencer.clock
    state = {
        "version": VERSION,
        "clock": [clock.elapsed_ns, clock.last_recv_ns, clock.newest_recv_ns],
        "held": held,
        "pasts": {topic: _past_json(past) for topic, past in sequencer.pasts().items()},
        "marks": [[mark.mid, mark.crc] for mark in marks],
    }
    return json.dumps(state, separators=(",", ":")).encode()


def unpack(blob: bytes, decoder: Decoder) -> Memory:
    """Read what a pipeline remembered.

    A message that the decoder no longer reads, because the parlor was configured anew, waits no more.

    Raises
    ------
    CheckpointError
        When the bytes are of another version.
    """
    state = json.loads(blob)
    if state["version"] != VERSION:
        raise CheckpointError(f"memory of version {state['version']}, this program reads {VERSION}")
    held = []
    for since_ns, recv_ns, topic, payload in state["held"]:
        frame = decoder.decode(Message(recv_ns, topic, payload.encode()))
        if isinstance(frame, Frame):
            held.append(Held(frame, since_ns))
    pasts = {topic: _past(*fields) for topic, fields in state["pasts"].items()}
    return Memory(held, Clock(*state["clock"]), pasts, [Mark(*mark) for mark in state["marks"]])


def _past_json(past: Past) -> list[Any]:
    return [past.boots, [past.end.seq, past.end.t_ns] if past.end else None]


def _past(boots: list[str | None], end: list[int] | None) -> Past:
    return Past(tuple(boots), Stamp(None, *end) if end else None)
