"""What is durably stored, told to the gateways: one retained message a stall.

A gateway that keeps its frames until their numbers are told here, and goes back to them after each
connect, loses nothing even when the broker is killed.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping

from ingest.wire import Address, committed_topic, parse_topic
from store.batch import Watermark


class Receipts:
    """Write the receipts of one parlor.

    Parameters
    ----------
    root, parlor:
        First levels of the parlor's topics.
    places:
        What is already stored, by topic.
    """

    def __init__(self, *, root: str, parlor: str, places: Mapping[str, Watermark]) -> None:
        self._root = root
        self._parlor = parlor
        self._stalls: dict[int | None, dict[str, Watermark]] = {}
        self._take(places)

    def all(self) -> Iterator[tuple[str, bytes]]:
        """Return topic and payload of every receipt: told after each connect."""
        return self._write(self._stalls)

    def after(self, moved: Mapping[str, Watermark]) -> Iterator[tuple[str, bytes]]:
        """Return topic and payload of the receipts that a commit has changed."""
        return self._write(self._take(moved))

    def _take(self, moved: Mapping[str, Watermark]) -> set[int | None]:
        """Keep the new places and return the stalls they belong to; None is the plant."""
        touched: set[int | None] = set()
        for topic, mark in moved.items():
            address = parse_topic(topic, root=self._root, parlor=self._parlor)
            if isinstance(address, Address):
                self._stalls.setdefault(address.stall, {})[address.kind.value] = mark
                touched.add(address.stall)
        return touched

    def _write(self, stalls: set[int | None] | Mapping[int | None, object]) -> Iterator[tuple[str, bytes]]:
        for stall in sorted(stalls, key=lambda number: number or 0):
            topic = committed_topic(root=self._root, parlor=self._parlor, stall=stall)
            yield topic, _payload(self._stalls[stall])


def _payload(marks: Mapping[str, Watermark]) -> bytes:
    """Write the last stored number of each kind that counts under the latest boot mark.

    A kind whose last frame came under a former mark stands apart under ``former``: among the others
    its number would be read as one of the present count, and a gateway would drop frames that are
    not stored.
    """
    boot = max(marks.values(), key=lambda mark: mark.t_ns).boot
    # A device that has just restarted, with its first frame still missing, stands before number 0.
    told = {kind: mark for kind, mark in sorted(marks.items()) if mark.seq >= 0}
    fields: dict[str, object] = {kind: mark.seq for kind, mark in told.items() if mark.boot == boot}
    former = {kind: {"seq": mark.seq, "boot": mark.boot} for kind, mark in told.items() if mark.boot != boot}
    fields |= {"boot": boot} | ({"former": former} if former else {})
    return json.dumps(fields, separators=(",", ":")).encode()
