"""The embedded broker starts on a free port and says plainly why it does not."""

from __future__ import annotations

import socket
import sys

import pytest

from detect.errors import BrokerError, InputError
from ingest.broker import EmbeddedBroker


@pytest.mark.system
def test_it_listens_on_this_machine_only_as_long_as_it_is_used() -> None:
    """The port answers within the context and is free again after it."""
    with EmbeddedBroker() as broker:
        assert broker.url == f"mqtt://127.0.0.1:{broker.port}"
        socket.create_connection(("127.0.0.1", broker.port), timeout=5).close()
    with pytest.raises(ConnectionRefusedError):
        socket.create_connection(("127.0.0.1", broker.port), timeout=5)


def test_a_port_in_use_is_one_line() -> None:
    """Another listener on the wanted port is a broker error with the address."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port = listener.getsockname()[1]
        broker = EmbeddedBroker(port=port)
        with pytest.raises(BrokerError, match=f"mqtt://127.0.0.1:{port}: the embedded broker does not start"):
            broker.__enter__()


def test_a_missing_package_is_named_with_its_extra(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without the extra the user reads what to install."""
    monkeypatch.setitem(sys.modules, "iotcore", None)
    with pytest.raises(InputError, match=r"pip install 'quietclaw\[demo\]'"):
        EmbeddedBroker()
