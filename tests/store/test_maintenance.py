"""Notes by people are rows, one a stall or one for all."""

from __future__ import annotations

import pytest

from detect.errors import InputError
from store.history import History
from tests.store.drawn import T0_NS, rows


def test_a_note_for_all_stalls_is_one_row(history: History) -> None:
    """Without stalls a note holds for the whole parlor; with stalls it is one row each."""
    history.add_maintenance(at_ns=T0_NS, stalls=None, what="vacuum regulator cleaned")
    history.add_maintenance(at_ns=T0_NS, stalls=[4, 2, 4], what="liners")
    found = rows(history, "SELECT stall, what FROM maintenance ORDER BY stall NULLS FIRST")
    assert found == [(None, "vacuum regulator cleaned"), (2, "liners"), (4, "liners")]


@pytest.mark.parametrize(("stalls", "what"), [([0], "x"), ([], "x"), (None, "  ")])
def test_an_impossible_note_is_refused(history: History, stalls: list[int] | None, what: str) -> None:
    """A note without words or with impossible stalls is the user's error."""
    with pytest.raises(InputError):
        history.add_maintenance(at_ns=T0_NS, stalls=stalls, what=what)
    assert rows(history, "FROM maintenance") == []
