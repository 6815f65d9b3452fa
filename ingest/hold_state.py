"""Frames that wait for an earlier one, as bytes: stored with the detector state they are ahead of.

Because they are durable, a held message is acknowledged with its batch like any other. Withholding
its acknowledgement would stop the stream: MQTT 5 acknowledges in order of arrival (clause 4.6, from
memory), so one late frame would fill the window of a broker that allows a hundred in flight.
"""

from __future__ import annotations

import json
from typing import Final

from detect.errors import CheckpointError
from ingest.decode import Decoder, Frame
from ingest.sequencer import Held, Sequencer
from ingest.wire import Message

BLOB_KEY: Final = -1
"""Key of these bytes among the blobs of a checkpoint; the detector's own begin at 0."""
VERSION: Final = 1


def pack(sequencer: Sequencer) -> bytes:
    """Write the latest receive time and the waiting messages; a readable payload is UTF-8 JSON."""
    held = [
        [waiting.since_ns, message.recv_ns, message.topic, message.payload.decode()]
        for waiting in sequencer.held()
        for message in (waiting.frame.message,)
    ]
    return json.dumps({"version": VERSION, "now_ns": sequencer.now_ns, "held": held}).encode()


def unpack(blob: bytes, decoder: Decoder) -> tuple[list[Held], int]:
    """Read the waiting frames and the latest receive time [ns].

    A message that the decoder no longer reads, because the parlor was configured anew, waits no more.

    Raises
    ------
    CheckpointError
        When the bytes are of another version.
    """
    state = json.loads(blob)
    if state["version"] != VERSION:
        raise CheckpointError(f"held frames of version {state['version']}, this program reads {VERSION}")
    held = []
    for since_ns, recv_ns, topic, payload in state["held"]:
        frame = decoder.decode(Message(recv_ns, topic, payload.encode()))
        if isinstance(frame, Frame):
            held.append(Held(frame, since_ns))
    return held, state["now_ns"]
