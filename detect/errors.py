"""The one exception tree of quietclaw.

::

    QuietclawError            exit code 1: a fault of ours
    +-- InputError            exit code 2: what the user gave is wrong
    |   +-- ParameterError    a detector parameter is out of its range
    +-- StoreError            exit code 3: the store cannot be used
    |   +-- CheckpointError   a stored detector state does not fit this detector
    |   +-- DiskError         the disk is full, read-only or failing: may heal while we wait
    +-- BrokerError           exit code 4: the broker refuses or cannot be reached

Bad *data* is never an exception: it becomes a counted value with a reason (see ``ingest``).
Only the command line turns an error into an exit code.
"""

from __future__ import annotations

from typing import ClassVar


class QuietclawError(Exception):
    """Carry one line for the user: what is wrong, and where.

    Parameters
    ----------
    what:
        The problem as one sentence without a full stop.
    where:
        The file, option, topic or parameter concerned; empty when there is none.
    """

    exit_code: ClassVar[int] = 1

    def __init__(self, what: str, *, where: str = "") -> None:
        super().__init__(f"{where}: {what}" if where else what)
        self.what = what
        self.where = where


class InputError(QuietclawError):
    """Report that an option, a file or a configuration given by the user is wrong."""

    exit_code = 2


class ParameterError(InputError):
    """Report that a detector parameter lies outside its stated range."""


class StoreError(QuietclawError):
    """Report that the history cannot be opened, read or written."""

    exit_code = 3


class CheckpointError(StoreError):
    """Report that a stored detector state has another version or other parameters."""


class DiskError(StoreError):
    """Report that the disk under the history is full, read-only or failing; waiting may help."""


class BrokerError(QuietclawError):
    """Report that the message broker refuses us or cannot be reached."""

    exit_code = 4
