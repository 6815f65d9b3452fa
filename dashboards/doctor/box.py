"""Mistakes of the box itself: disk, history, other processes, access."""

from __future__ import annotations

import shutil
import urllib.error
import urllib.request
from collections.abc import Callable

from dashboards.access import read_access
from dashboards.doctor.finding import Check, Finding, bad, doubt, good
from detect.errors import InputError, StoreError
from ingest.config import Config, is_loopback
from store.history import History
from store.space import LEAST_FREE_BYTES

LOW_SHARE = 0.05
"""Free share of the disk below which the doctor frowns (engineering choice)."""


def disk(config: Config) -> Finding:
    """Tell whether there is room where the history is kept."""
    folder = config.store.path.absolute().parent
    try:
        usage = shutil.disk_usage(folder)
    except OSError as error:
        return bad(Check.DISK, f"{folder}: {error.strerror}", "make the folder, or correct store.path")
    seen = f"{usage.free / 2**30:.1f} GB free of {usage.total / 2**30:.1f} in {folder}"
    advice = "free some space, or shorten capture.keep_hours"
    if usage.free < LEAST_FREE_BYTES:
        return bad(Check.DISK, seen, advice)
    return doubt(Check.DISK, seen, advice) if usage.free < LOW_SHARE * usage.total else good(Check.DISK, seen)


def history(config: Config, *, serves: Callable[[str], bool]) -> list[Finding]:
    """Tell whether the history can be used, and who uses it.

    Parameters
    ----------
    config:
        All settings.
    serves:
        Tells whether a quietclaw service answers at an address.
    """
    path, url = config.store.path, f"http://{config.http.host}:{config.http.port}"
    if not path.exists():
        return [good(Check.WRITER, f"{path} is not there yet; the service makes it")]
    try:
        with History.open(path, read_only=True):
            return [
                good(Check.WRITER, "nobody has the history open"),
                good(Check.VERSION, "this program knows the history's schema"),
            ]
    except StoreError as error:
        return [_trouble(error, service=url if serves(url) else None)]


def _trouble(error: StoreError, *, service: str | None) -> Finding:
    if "another process" in error.what:
        if service is not None:
            return good(Check.WRITER, f"the service at {service} has the history")
        return bad(
            Check.WRITER, error.what, "stop the other process, or give each service its own store.path"
        )
    if "open it once for writing" in error.what:
        return good(Check.VERSION, "the history is of an earlier version; the service brings it up to date")
    if "program is older" in error.what:
        return bad(Check.VERSION, error.what, "install the newer quietclaw again")
    return bad(Check.VERSION, error.what, "put a backup in its place, or name another store.path")


def access(config: Config) -> Finding:
    """Tell whether secrets travel in the open and who may ask."""
    try:
        read_access(config.http.token_file)
    except InputError as error:
        return bad(Check.ACCESS, str(error), "correct http.token_file")
    if not is_loopback(config.http.host) and config.http.token_file is None:
        advice = "make a token with 'quietclaw token' and set http.token_file"
        return doubt(
            Check.ACCESS, f"http.host is {config.http.host}, but only this machine is answered", advice
        )
    if config.broker.password is not None and not config.broker.tls and not is_loopback(config.broker.host):
        advice = "use mqtts:// and broker.ca_file"
        return doubt(Check.ACCESS, "the broker's password crosses the network in the open", advice)
    return good(Check.ACCESS, "nothing stands open")


def serves(url: str) -> bool:
    """Tell whether a quietclaw service answers at an address, healthy or not."""
    try:
        with urllib.request.urlopen(f"{url}/health", timeout=3.0) as reply:  # noqa: S310 - built by us
            return b"healthy" in reply.read(4096)
    except urllib.error.HTTPError as error:
        with error:
            return b"healthy" in error.read(4096) or error.code == 401
    except OSError:
        return False
