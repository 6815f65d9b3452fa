"""Receipts say of each stall what is durably stored."""

from __future__ import annotations

import json

from ingest.receipts import Receipts
from store.batch import Watermark

NAMES = {"root": "milking", "parlor": "willowmere"}


def told(messages: object) -> dict[str, object]:
    """Return receipts by topic, read as JSON."""
    return {topic: json.loads(payload) for topic, payload in messages}  # type: ignore[attr-defined]


def test_a_receipt_names_every_kind_of_the_stall() -> None:
    """A retained message replaces the one before it, so it is always complete."""
    receipts = Receipts(**NAMES, places={"milking/willowmere/stall/3/flow": Watermark("b2", 5, 100)})
    moved = {"milking/willowmere/stall/3/vacuum": Watermark("b2", 9, 200)}
    assert told(receipts.after(moved)) == {
        "milking/willowmere/committed/3": {"flow": 5, "vacuum": 9, "boot": "b2"}
    }


def test_a_number_of_a_former_count_is_not_told_as_one_of_the_present() -> None:
    """After a restart flow 99 of the old boot mark would have the gateway drop 99 frames of the new one."""
    receipts = Receipts(**NAMES, places={"milking/willowmere/stall/3/flow": Watermark("b1", 99, 100)})
    moved = {"milking/willowmere/stall/3/vacuum": Watermark("b2", 0, 200)}
    assert told(receipts.after(moved)) == {
        "milking/willowmere/committed/3": {
            "vacuum": 0,
            "boot": "b2",
            "former": {"flow": {"seq": 99, "boot": "b1"}},
        }
    }


def test_only_what_moved_is_told_again() -> None:
    """A commit tells the stalls it touched; a new connection tells all, the plant by its own name."""
    places = {
        "milking/willowmere/stall/3/flow": Watermark(None, 5, 100),
        "milking/willowmere/plant/vacuum": Watermark(None, 7, 100),
    }
    receipts = Receipts(**NAMES, places=places)
    assert list(told(receipts.all())) == [
        "milking/willowmere/committed/plant",
        "milking/willowmere/committed/3",
    ]
    moved = {"milking/willowmere/plant/vacuum": Watermark(None, 8, 200)}
    assert told(receipts.after(moved)) == {"milking/willowmere/committed/plant": {"vacuum": 8, "boot": None}}
    assert told(receipts.after({})) == {}


def test_a_device_that_has_just_restarted_has_nothing_stored_yet() -> None:
    """Before the first frame of a new count there is no number to tell."""
    receipts = Receipts(**NAMES, places={"milking/willowmere/stall/3/flow": Watermark("b2", -1, 100)})
    assert told(receipts.all()) == {"milking/willowmere/committed/3": {"boot": "b2"}}


def test_places_of_other_topics_are_left_out() -> None:
    """A place stored under an older root is nobody's receipt now."""
    receipts = Receipts(**NAMES, places={"barn/willowmere/stall/3/flow": Watermark(None, 5, 100)})
    assert told(receipts.all()) == {}
