"""Whatever bytes come, nothing crashes and every message is accounted for."""

from __future__ import annotations

import random
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.decode import Frame, Rejected
from ingest.pipeline import Pipeline
from ingest.wire import Message
from store.history import History
from tests.ingest.mangled import mangled
from tests.ingest.parlor import DECODER, PARLOR, ROOT, CountingDetector, record

MESSAGES = 4000


@settings(max_examples=2000, deadline=None)
@given(
    kind=st.sampled_from(["stall/1/vacuum", "stall/2/flow", "stall/3/arm", "stall/4/cow", "plant/vacuum"]),
    payload=st.binary(max_size=200) | st.text(max_size=100).map(str.encode),
)
def test_any_bytes_are_a_frame_or_a_reason(kind: str, payload: bytes) -> None:
    """The decoder never raises, and a reason is one short line."""
    decoded = DECODER.decode(Message(1_790_000_000 * 10**9, f"{ROOT}/{PARLOR}/{kind}", payload))
    if isinstance(decoded, Rejected):
        assert 0 < len(decoded.reason) < 300
        assert "\n" not in decoded.reason


@settings(max_examples=2000, deadline=None)
@given(seed=st.integers(0, 2**64))
def test_mangled_messages_are_a_frame_or_a_reason(seed: int) -> None:
    """Good messages with bytes, fields and topics changed are read or refused, never raised."""
    assert isinstance(DECODER.decode(mangled(random.Random(seed))), Frame | Rejected)


def test_every_mangled_message_is_accounted_for(tmp_path: Path) -> None:
    """Among good ones, each is read, set aside with a reason, or counted as a copy."""
    rng = random.Random(5)
    messages = [m for good in record(60) for m in (good, *(mangled(rng) for _ in range(5)))][:MESSAGES]
    with History.open(tmp_path / "h.duckdb") as history:
        pipeline = Pipeline.open(history=history, detector=CountingDetector(), decoder=DECODER)
        done = [pipeline.process(messages), pipeline.finish()]
    read = sum(committed.readings for committed in done)
    refused = sum(len(committed.quarantined) for committed in done)
    surplus = sum(sum(committed.surplus.values()) for committed in done)
    assert read + refused + surplus == MESSAGES
    assert min(read, refused, surplus) > 100
