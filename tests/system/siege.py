"""A storm on the read door of a running service: bombs, trespasses and backups without a pause."""

from __future__ import annotations

import json
import urllib.error
import urllib.request
from collections import Counter
from functools import partial
from itertools import cycle
from typing import Final

from tests.meanwhile import Meanwhile
from tests.store.test_read_door import BOMBS, TRESPASSES

VIEWS: Final = ("slips_per_100", "stall_day", "cow_exposure", "new_infection", "support_practice")
ASKERS: Final = 3
"""One more than the door lets in at once."""
PATIENCE_S: Final = 60.0
PAUSE_S: Final = 0.05
"""Whoever is sent away tries again so soon."""


class Siege(Meanwhile):
    """Ask for the worst in threads of its own for as long as the block lasts."""

    def __init__(self, url: str) -> None:
        self.tally: Counter[int] = Counter()
        self.let_in: list[str] = []
        """Trespasses that were answered; a bomb may be, if it stays within its limits."""
        self._url = url
        super().__init__(*(partial(self._storm, first) for first in range(ASKERS)), self._back_up)

    def told(self) -> str:
        """Return how many questions were refused, sent away or answered, and how many backups were made."""
        sent_away = sum(number for status, number in self.tally.items() if status >= 500)
        return (
            f"{self.tally[400]} questions refused, {sent_away} sent away, {self.tally[200]} answered, "
            f"{len(self.let_in)} trespasses let in; {self.tally[0]} backups"
        )

    def _storm(self, first: int) -> None:
        words = [*BOMBS.values(), *TRESPASSES.values()]
        for sql in cycle(words[first::ASKERS]):
            if self.over.is_set():
                return
            status = post(self._url, "v1/query", sql)
            self.tally[status] += 1
            if status == 200 and sql in TRESPASSES.values():
                self.let_in.append(sql)
            if status >= 500:
                self.over.wait(PAUSE_S)

    def _back_up(self) -> None:
        while not self.over.is_set():
            self.tally[0] += post(self._url, "v1/backup", "") == 200


class Asking(Meanwhile):
    """Ask for one view after another for as long as the block lasts."""

    def __init__(self, url: str) -> None:
        self._url = url
        super().__init__(self._ask)

    def _ask(self) -> None:
        for view in cycle(VIEWS):
            if self.over.is_set():
                return
            post(self._url, "v1/query", f"FROM {view}")


def post(url: str, path: str, sql: str) -> int:
    """Send a question to a service, read the answer to its end and return its status."""
    body = json.dumps({"sql": sql, "params": []}).encode()
    asked = urllib.request.Request(url + path, body, {"Content-Type": "application/json"})  # noqa: S310
    try:
        with urllib.request.urlopen(asked, timeout=PATIENCE_S) as answer:  # noqa: S310 - our own loopback
            while answer.read(2**20):
                pass
            return int(answer.status)
    except urllib.error.HTTPError as refused:
        return refused.code
