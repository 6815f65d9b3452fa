"""The clock by which late frames are waited for: it follows from the messages alone."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Clock:
    """Runs with the receive time of what is new, and neither back nor through a pause.

    What a broker sends again after a crash takes no time: the frame that is waited for comes after it.

    Parameters
    ----------
    elapsed_ns:
        What it shows [ns].
    last_recv_ns:
        Receive time of the last message [ns], wherever the receiver's clock then stood.
    newest_recv_ns:
        Latest receive time ever seen [ns].
    """

    elapsed_ns: int = 0
    last_recv_ns: int | None = None
    newest_recv_ns: int = 0

    def at(self, recv_ns: int, *, pause_ns: int) -> Clock:
        """Return the clock after a message received at an instant."""
        step_ns = 0 if self.last_recv_ns is None else min(max(recv_ns - self.last_recv_ns, 0), pause_ns)
        return Clock(self.elapsed_ns + step_ns, recv_ns, max(self.newest_recv_ns, recv_ns))

    def again(self, recv_ns: int) -> Clock:
        """Return the clock after a message that had come before."""
        return Clock(self.elapsed_ns, recv_ns, max(self.newest_recv_ns, recv_ns))
