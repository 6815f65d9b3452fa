"""A long fuzz of the decoder; a script apart from the tests.

``python -m tests.ingest.fuzz_decoder [--messages 1000000] [--seed 1]`` prints what became of the messages.
Any exception ends it with the seed's message. Mutation is guided by coverage of reasons: a message
that is refused for a reason not seen before is mutated further.
"""

from __future__ import annotations

import argparse
import json
import random
import time
from collections import Counter
from dataclasses import replace

from ingest.decode import Frame, Rejected
from ingest.wire import Message
from tests.ingest.mangled import bytes_changed, mangled
from tests.ingest.parlor import DECODER

MOST_KEPT = 5000


def main() -> None:
    """Run the fuzz."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--messages", type=int, default=1_000_000)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    rng = random.Random(options.seed)
    outcomes: Counter[str] = Counter()
    reasons: set[str] = set()
    corpus: list[Message] = []
    begun_s = time.monotonic()
    for _ in range(options.messages):
        if corpus and rng.random() < 0.3:
            parent = rng.choice(corpus)
            message = replace(parent, payload=bytes_changed(rng, parent.payload))
        else:
            message = mangled(rng)
        outcome = _outcome(message)
        outcomes[outcome] += 1
        reason = outcome if outcome in ("read", "refused values") else _reason(message)
        if reason not in reasons and len(corpus) < MOST_KEPT:
            reasons.add(reason)
            corpus.append(message)
    told = {"messages": sum(outcomes.values()), **outcomes, "different_reasons": len(reasons)}
    print(json.dumps(told | {"seconds": round(time.monotonic() - begun_s)}))


def _outcome(message: Message) -> str:
    match DECODER.decode(message):
        case Frame(content=Rejected()):
            return "refused values"
        case Frame():
            return "read"
        case Rejected():
            return "unreadable"


def _reason(message: Message) -> str:
    decoded = DECODER.decode(message)
    return decoded.reason if isinstance(decoded, Rejected) else "read"


if __name__ == "__main__":
    main()
