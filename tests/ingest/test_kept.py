"""A gateway keeps a frame until a receipt proves that it is stored, and never less."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.kept import KeptFrames
from ingest.wire import Message, committed_topic
from tests.ingest.parlor import NAMES, broken, flow, vacuum

STALL_1 = committed_topic(**NAMES, stall=1)


def kept(*messages: Message) -> KeptFrames:
    frames = KeptFrames(**NAMES)
    for message in messages:
        frames.add(message)
    return frames


def left(frames: KeptFrames) -> list[int]:
    """Return the indices that are still kept."""
    indices, at = [], 0
    while (found := frames.first_from(at)) is not None:
        indices.append(found[0])
        at = found[0] + 1
    return indices


def receipt(**marks: int | str | None) -> bytes:
    return json.dumps({"boot": None} | marks).encode()


def booted(message: Message, boot: str) -> Message:
    return replace(message, payload=json.dumps(json.loads(message.payload) | {"boot": boot}).encode())


def test_a_receipt_releases_its_streams_up_to_its_numbers() -> None:
    """Each kind has its own number; other stalls and the plant are not meant."""
    frames = kept(vacuum(1, 0), vacuum(1, 1), flow(1, 0), flow(1, 1), vacuum(2, 0), vacuum(None, 0))
    assert frames.receive(STALL_1, receipt(vacuum=0, flow=1)) == 3
    assert left(frames) == [1, 4, 5]
    assert frames.receive(committed_topic(**NAMES, stall=None), receipt(vacuum=5)) == 1
    assert left(frames) == [1, 4]


def test_a_receipt_of_another_boot_mark_releases_nothing() -> None:
    """Number 9 of a former count says nothing of number 0 of this one."""
    frames = kept(booted(vacuum(1, 0), "b"), booted(vacuum(1, 1), "b"))
    assert frames.receive(STALL_1, receipt(vacuum=9, boot="a")) == 0
    assert frames.receive(STALL_1, receipt(vacuum=0, boot="b")) == 1


def test_a_kind_that_has_not_spoken_since_the_restart_is_released_by_its_former_mark() -> None:
    """The identification speaks rarely: what it said before the device restarted is stored too."""
    frames = kept(booted(flow(1, 7), "a"), booted(vacuum(1, 0), "b"), booted(flow(1, 8), "a"))
    told = {"vacuum": 0, "boot": "b", "former": {"flow": {"seq": 7, "boot": "a"}}}
    assert frames.receive(STALL_1, json.dumps(told).encode()) == 2
    assert left(frames) == [2]


def test_a_receipt_after_a_restart_releases_the_former_count() -> None:
    """What comes later in a stream is stored later, so all before it is stored."""
    frames = kept(booted(vacuum(1, 7), "a"), booted(vacuum(1, 8), "a"), booted(vacuum(1, 0), "b"))
    assert frames.receive(STALL_1, receipt(vacuum=0, boot="b")) == 3


def test_with_boot_marks_the_order_of_sending_does_not_matter() -> None:
    """A frame sent again or late is released with all others up to the number."""
    frames = kept(*(booted(vacuum(1, seq), "b") for seq in (3, 5, 4, 4, 6, 3, 7)))
    frames.receive(STALL_1, receipt(vacuum=6, boot="b"))
    assert left(frames) == [6]


def test_without_boot_marks_the_older_count_is_meant() -> None:
    """A number that both counts hold releases only the older one."""
    frames = kept(*(vacuum(1, seq) for seq in (3, 4, 5, 0, 1, 2, 3, 4)))
    frames.receive(STALL_1, receipt(vacuum=4))
    assert left(frames) == [2, 3, 4, 5, 6, 7]
    frames.receive(STALL_1, receipt(vacuum=1))
    assert left(frames) == [5, 6, 7]


@pytest.mark.parametrize(
    "payload",
    [
        b'{"former": {"vacuum": 3}}',
        b'{"former": 3}',
        b'{"former": {"vacuum": {"seq": 3}}}',
        b"",
        b"{",
        b"[]",
        b"7",
        b'{"smell": 3}',
        b'{"vacuum": null}',
        b"\xff",
        b"[" * 9000,
    ],
)
def test_a_senseless_receipt_releases_nothing(payload: bytes) -> None:
    """Whatever stands on the receipt's topic, no frame is lost by it."""
    frames = kept(vacuum(1, 0))
    assert frames.receive(STALL_1, payload) == 0
    assert frames.receive(STALL_1 + "/x", receipt(vacuum=3)) == 0
    assert left(frames) == [0]


def test_what_no_receipt_can_name_is_kept_until_the_broker_has_it() -> None:
    """An unreadable message has no number to be told."""
    frames = kept(broken(0), vacuum(1, 0), Message(0, "barn/door", b"open"))
    for index in range(3):
        frames.confirm(index)
    assert left(frames) == [1]


def test_rubbish_on_a_stream_does_not_make_its_frames_forgotten() -> None:
    """What goes with the broker's word leaves the frames before it to their receipt."""
    frames = kept(flow(1, 0), flow(1, 1), broken(0), flow(1, 2))
    frames.confirm(2)
    assert frames.receive(STALL_1, receipt(flow=1)) == 2
    assert left(frames) == [3]


def test_only_frames_the_broker_has_are_given_up_for_room() -> None:
    """Beyond the bound the oldest go first, and never one that was not even sent."""
    frames = kept(*(vacuum(1, seq) for seq in range(5)))
    frames.confirm(0)
    frames.confirm(2)
    assert frames.shrink(3) == 1
    assert left(frames) == [1, 2, 3, 4]


@given(st.lists(st.tuples(st.integers(1, 3), st.integers(0, 6)), max_size=30), st.data())
def test_no_receipt_releases_a_frame_beyond_its_number(
    sent: list[tuple[int, int]], data: st.DataObject
) -> None:
    """In whatever order numbers were sent, the newest frame of a stream above the receipt stays."""
    frames = kept(*(vacuum(stall, seq) for stall, seq in sent))
    seq = data.draw(st.integers(0, 6))
    frames.receive(STALL_1, receipt(vacuum=seq))
    last = max((i for i, (stall, _) in enumerate(sent) if stall == 1), default=None)
    if last is not None and sent[last][1] > seq:
        assert last in left(frames)
    assert {i for i, (stall, _) in enumerate(sent) if stall != 1} <= set(left(frames))
