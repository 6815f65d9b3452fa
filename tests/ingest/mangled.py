"""Payloads as broken devices and hostile senders make them: by mutation of good ones."""

from __future__ import annotations

import json
import random
from typing import Any, Final

from ingest.wire import Message
from tests.ingest.parlor import START_MS, cow, flow, vacuum

GOOD: Final = (vacuum(1, 3), vacuum(None, 3), flow(2, 3), cow(3, 3, "bell"), cow(3, 4, None))
ARM: Final = {"seq": 3, "t_ms": START_MS, "rate_hz": 5, "angle_deg": [20.0, 21.0], "cord_mm": [250.0, 251.0]}
KINDS: Final = ("vacuum", "flow", "arm", "cow", "smell", "")
ODD: Final[tuple[Any, ...]] = (
    None, True, -1, 0, 1, 2**31, 2**53, 2**63, 2**64, 10**400, -0.0, 1e308, 1e-320, "", "0", "NaN", "\u0000",
    "\ud800", "\U0001f404" * 20, [], [[]], {}, {"a": {}}, [None], [1e309], float("nan"), float("inf"),
    "x" * 70,
)  # fmt: skip
RAW: Final = (
    b"", b"\x00", b"\xef\xbb\xbf{}", b"{", b"]", b"null", b"1e999", b'{"seq":', b"[" * 2000, b'{"a":' * 500,
    b'"\\ud800"', b'{"seq":1,"seq":2}', b"\xff\xfe\x00", b"NaN", b"/*", b"-", b"00",
)  # fmt: skip


def mangled(rng: random.Random) -> Message:
    """Return one message, more or less broken."""
    source = rng.choice(GOOD)
    topic = _topic(rng, source.topic)
    draw = rng.random()
    if draw < 0.15:
        payload = rng.choice(RAW) + rng.randbytes(rng.randrange(4))
    elif draw < 0.5:
        payload = bytes_changed(rng, source.payload)
    else:
        payload = _fields_changed(rng, json.loads(source.payload) if rng.random() < 0.8 else dict(ARM))
    return Message(source.recv_ns + rng.randrange(10**9), topic, payload)


def _topic(rng: random.Random, topic: str) -> str:
    draw = rng.random()
    if draw < 0.8:
        return topic
    if draw < 0.9:
        return topic.rsplit("/", 1)[0] + "/" + rng.choice(KINDS)
    return rng.choice(
        ("", "/", "milking", topic + "/x", topic.replace("/1/", "/01/"), topic[:-1], "a/\ud800/b")
    )


def bytes_changed(rng: random.Random, payload: bytes) -> bytes:
    """Return a payload with up to five small changes."""
    out = bytearray(payload)
    for _ in range(rng.randrange(1, 6)):
        at = rng.randrange(len(out) + 1)
        match rng.randrange(4):
            case 0:
                out[at : at + rng.randrange(4)] = b""
            case 1:
                out[at:at] = rng.randbytes(rng.randrange(1, 4))
            case 2:
                out[at : at + 1] = bytes([rng.choice(b'0123456789-+.eE{}[]",:\\ntf \x00\xff')])
            case _:
                out[at:at] = out[: rng.randrange(len(out) + 1)][:40]
    return bytes(out)


def _fields_changed(rng: random.Random, fields: dict[str, Any]) -> bytes:
    for _ in range(rng.randrange(1, 4)):
        name = rng.choice([*fields, "boot", "channel", "extra"])
        if rng.random() < 0.2:
            fields.pop(name, None)
        elif isinstance(fields.get(name), list) and rng.random() < 0.5:
            fields[name] = [*fields[name][: rng.randrange(3)], rng.choice(ODD)]
        else:
            fields[name] = rng.choice(ODD)
    return json.dumps(fields, ensure_ascii=rng.random() < 0.5).encode("utf-8", "surrogatepass")
