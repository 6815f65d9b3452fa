"""The alert topics agree with what stands, whatever an earlier run left behind."""

from __future__ import annotations

from ingest.announce import CLEARED, Announcements

TOPIC = "milking/willowmere/alert/"


def announcements() -> Announcements:
    return Announcements(root="milking", parlor="willowmere", stalls=3)


def test_only_changes_are_news() -> None:
    """What stands already is not said again; what has gone is emptied."""
    new = announcements()
    new.stand({2: b"slips", 0: b"plant"})
    assert sorted(new.news()) == [(TOPIC + "2", b"slips"), (TOPIC + "plant", b"plant")]
    new.stand({2: b"slips"})
    assert new.news() == [(TOPIC + "plant", CLEARED)]
    new.stand({2: b"slips"})
    assert new.news() == []


def test_news_of_several_batches_are_told_once_with_the_last_word() -> None:
    """An alert that came and went between two looks is an empty topic."""
    new = announcements()
    new.stand({1: b"x"})
    new.stand({})
    assert new.news() == [(TOPIC + "1", CLEARED)]


def test_a_new_connection_hears_every_topic() -> None:
    """Alerts of a run that crashed are emptied, those that stand are said again."""
    new = announcements()
    new.stand({3: b"off"})
    assert new.everything() == [
        (TOPIC + "plant", CLEARED),
        (TOPIC + "1", CLEARED),
        (TOPIC + "2", CLEARED),
        (TOPIC + "3", b"off"),
    ]
    assert new.news() == []
