"""What could not be read, as it is stored: frames that never came, messages that are refused."""

from __future__ import annotations

from typing import Final

from ingest.decode import Rejected
from ingest.sequencer import Gap
from ingest.wire import Message
from store.batch import MissingFrames, Quarantined
from store.quarantine import PAYLOAD_LIMIT_BYTES

TOPIC_LIMIT_CHARS: Final = 512
"""A refused message's topic is cut here; a topic may be 64 kB long (engineering choice)."""


def missing(gap: Gap) -> MissingFrames:
    """Return a gap as it is stored."""
    return MissingFrames(
        stall=gap.address.stall,
        stream=gap.address.kind.value,
        boot=gap.boot,
        first_seq=gap.first_seq,
        last_seq=gap.last_seq,
        start_ns=gap.after_ns,
        end_ns=gap.before_ns,
    )


def quarantined(message: Message, rejected: Rejected) -> Quarantined:
    """Keep a bounded copy of a message that cannot be used."""
    return Quarantined(
        recv_ns=message.recv_ns,
        # A topic from a text capture may hold half a surrogate pair, which is no UTF-8.
        topic=message.topic[:TOPIC_LIMIT_CHARS].encode(errors="replace").decode(),
        payload=message.payload[:PAYLOAD_LIMIT_BYTES],
        reason=rejected.reason,
    )
