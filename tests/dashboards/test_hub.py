"""The hub knows who listens, hands everybody the same bytes, and ends all streams when told."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable, Coroutine
from typing import Any

import pytest

from dashboards.live.hub import QUEUE, RETRY, Hub, encode


def run(scene: Callable[[Hub], Coroutine[Any, Any, None]]) -> None:
    async def attached() -> None:
        hub = Hub(lambda: b"now")
        hub.attach()
        await scene(hub)

    asyncio.run(asyncio.wait_for(attached(), 10.0))


async def opened(hub: Hub, stall: int | None = None) -> AsyncIterator[bytes]:
    """Return a stream past its beginning."""
    stream = hub.stream(stall)
    assert await anext(stream) == RETRY
    assert await anext(stream) == b"now"
    return stream


def test_a_message_goes_to_all_and_a_trace_to_those_who_look() -> None:
    """Who looks at a stall is known, and that somebody new does is told once."""

    async def scene(hub: Hub) -> None:
        all_of_it, close = await opened(hub), await opened(hub, 7)
        assert (hub.watched, hub.arrived(), hub.arrived()) == (frozenset({7}), {7}, set())
        hub.publish(b"trace", stall=7)
        hub.publish(b"tick")
        assert await anext(close) == b"tracetick"
        assert await anext(all_of_it) == b"tick"
        await close.aclose()  # type: ignore[attr-defined]
        assert (hub.watched, hub.clients) == (frozenset(), 1)
        await all_of_it.aclose()  # type: ignore[attr-defined]

    run(scene)


def test_too_many_waiting_messages_become_one_snapshot() -> None:
    """A queue never grows beyond its bound; the present stands for what was dropped."""

    async def scene(hub: Hub) -> None:
        stream = await opened(hub)
        for k in range(QUEUE + 1):
            hub.publish(b"%d," % k)
        await asyncio.sleep(0)
        assert await anext(stream) == b"now"
        hub.publish(b"next")
        assert await anext(stream) == b"next"
        await stream.aclose()  # type: ignore[attr-defined]

    run(scene)


def test_close_ends_every_stream_at_once() -> None:
    """A waiting stream wakes up and is over."""

    async def scene(hub: Hub) -> None:
        streams = [await opened(hub) for _ in range(3)]
        ends = [asyncio.ensure_future(anext(stream, b"end")) for stream in streams]
        await asyncio.sleep(0)
        hub.close()
        for end in ends:
            assert await end in (b"end", b"")
        assert [await anext(stream, b"end") for stream in streams] == [b"end"] * 3
        assert hub.clients == 0

    run(scene)


def test_an_event_is_one_line_of_json_and_never_nan() -> None:
    """A browser's parser takes no NaN: it is a fault of ours to send one."""
    assert encode("tick", {"a": "x\ny"}) == b'event: tick\ndata: {"a":"x\\ny"}\n\n'
    with pytest.raises(ValueError, match="JSON"):
        encode("tick", float("nan"))
