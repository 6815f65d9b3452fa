"""Frames of a batch pass in lanes exactly as the sequencer alone would pass them."""

from __future__ import annotations

import random
from collections.abc import Iterator

from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.decode import Frame, Stamp
from ingest.lanes import Lanes
from ingest.messages import Messages
from ingest.sequencer import Outcome, Sequencer
from ingest.usual import decode_all
from ingest.wire import Message, VacuumPayload
from tests.ingest.parlor import DECODER, PARLOR, ROOT, START_MS, broken, cow, flow

MS = 1_000_000
BOOTS = (None, "a", "b", "a b", "\u00e9", "x" * 64, "\u00e9" * 64)


def disturbed(rng: random.Random) -> list[Message]:
    """Return a record of four topics with losses, copies, late frames, restarts, clocks set, and pauses."""
    messages: list[tuple[int, Message]] = []
    for stall in range(1, 5):
        seq, boot, shift_ms = 0, rng.choice(BOOTS), 0
        for k in range(60):
            if rng.random() < 0.02:
                seq, boot = 0, rng.choice(BOOTS)
            if rng.random() < 0.02:
                shift_ms += rng.choice((-60_000, 5_000, 3_600_000))
            payload = VacuumPayload(
                seq=seq, t_ms=START_MS + 500 * k + shift_ms, boot=boot, rate_hz=50.0, kpa=[42.0, 41.5]
            )
            seq += 1 if rng.random() > 0.01 else rng.choice((0, 20_000_000))
            body = payload.to_bytes() if stall < 4 or rng.random() < 0.8 else payload.to_bytes() + b" x"
            topic = f"{ROOT}/{PARLOR}/stall/{stall}/vacuum"
            copies = rng.choice((0, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 2))
            for _ in range(copies):
                due_ms = 500 * k + stall + (rng.randrange(6000) if rng.random() < 0.05 else 0)
                messages.append((due_ms, Message((START_MS + due_ms) * MS, topic, body)))
    messages += [(700 * k, m) for k, m in enumerate((cow(1, 0, "a"), cow(1, 1, None), flow(2, 0), broken(3)))]
    pause_ms = rng.choice((0, 10_000))
    ordered = [message for _, message in sorted(messages, key=lambda item: item[0])]
    return [
        Message(m.recv_ns + (pause_ms * MS if at > 100 else 0), m.topic, m.payload)
        for at, m in enumerate(ordered)
    ]


def alone(sequencer: Sequencer, messages: list[Message]) -> Iterator[str]:
    """Tell what the sequencer makes of messages one by one."""
    for message in messages:
        frame = DECODER.decode(message)
        yield from told(
            sequencer.push(frame) if isinstance(frame, Frame) else sequencer.tick(message.recv_ns)
        )


def in_lanes(sequencer: Sequencer, messages: list[Message]) -> Iterator[str]:
    """Tell what it makes of them as a batch."""
    batch = decode_all(DECODER, Messages.of(messages))
    lanes, at = Lanes(sequencer, batch), 0
    while at < len(batch):
        stop = lanes.run(at)
        yield from told([frame for k in range(at, stop) if isinstance(frame := batch.frame(k), Frame)])
        if stop < len(batch):
            frame = batch.frame(stop)
            yield from told(
                lanes.push(frame) if isinstance(frame, Frame) else lanes.tick(batch.messages[stop].recv_ns)
            )
        at = stop + 1
    lanes.close()


def told(outcomes: list[Outcome]) -> list[str]:
    """Return outcomes in words."""
    return list(map(repr, outcomes))


@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 2**32), most=st.integers(1, 400))
def test_lanes_pass_what_the_sequencer_passes(seed: int, most: int) -> None:
    """Whatever befalls the topics, and wherever batches end: same outcomes, places and clock."""
    messages = disturbed(random.Random(seed))
    one, other = Sequencer({}), Sequencer({})
    for at in range(0, len(messages), most):
        part = messages[at : at + most]
        assert list(in_lanes(other, part)) == list(alone(one, part))
        assert other.clock == one.clock
        assert list(map(repr, other.held())) == list(map(repr, one.held()))
    for message in messages:
        if isinstance(DECODER.decode(message), Frame):
            assert other.place(message.topic) == one.place(message.topic)
    assert other.pasts() == one.pasts()
    assert told(other.release()) == told(one.release())


def test_most_of_an_ordinary_record_passes_in_lanes() -> None:
    """With the places known, only what is odd needs a second look."""
    messages = [flow(1, seq) for seq in range(100)]
    sequencer = Sequencer({messages[0].topic: Stamp(None, -1, 0)})
    sequencer.tick(messages[0].recv_ns)
    lanes = Lanes(sequencer, decode_all(DECODER, Messages.of([*messages[:60], *messages[61:]])))
    assert lanes.run(0) == 60
    assert lanes.close() == {messages[0].topic}
    assert sequencer.place(messages[0].topic).seq == 59
