"""Progress is shown without flooding a log."""

from __future__ import annotations

import io

from dashboards.progress import progress


class Clock:
    """Seconds set by the test."""

    now = 0.0

    def __call__(self) -> float:
        """Tell the time."""
        return self.now


class Terminal(io.StringIO):
    """A stream that claims to be a terminal."""

    def isatty(self) -> bool:
        """Claim it."""
        return True


def test_a_log_gets_one_plain_line_in_ten_seconds() -> None:
    """Off a terminal a line appears at most every 10 s, with the share done."""
    out, clock = io.StringIO(), Clock()
    with progress("replay", total=200.0, stream=out, clock=clock) as report:
        for second in range(25):
            clock.now = float(second)
            report(second * 8.0)
    assert out.getvalue() == "replay: 40 %\nreplay: 80 %\n"


def test_unknown_totals_show_the_amount() -> None:
    """Without a total the amount itself is shown."""
    out, clock = io.StringIO(), Clock()
    with progress("messages", stream=out, clock=clock) as report:
        clock.now = 11.0
        report(12_345.0)
    assert out.getvalue() == "messages: 12,345\n"


def test_a_terminal_gets_a_bar_that_leaves_nothing_behind() -> None:
    """On a terminal a bar is drawn and wiped at the end."""
    out = Terminal()
    with progress("simulate", total=10.0, stream=out) as report:
        report(5.0)
    assert "simulate" in out.getvalue()
