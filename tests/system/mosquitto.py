"""The production broker with the configuration that ships, to be killed and started again."""

from __future__ import annotations

import getpass
import shutil
import socket
import subprocess
import threading
from pathlib import Path
from types import TracebackType
from typing import Final, Self

import ingest

SHIPPED: Final = Path(ingest.__file__).parent
SBIN: Final = "/usr/sbin:/usr/local/sbin:/usr/bin:/usr/local/bin"
MOSQUITTO: Final = shutil.which("mosquitto", path=SBIN)
PASSWD: Final = shutil.which("mosquitto_passwd", path=SBIN)
SECRET: Final = "pail-and-stool"  # noqa: S105 - of a broker that lives as long as a test
USERS: Final = ("gateway", "quietclaw")
PATIENCE_S: Final = 30.0
DEBIAN: Final = "persistence true\npersistence_location {folder}/\ninclude_dir {folder}/conf.d\n"
"""Main file of Debian's package 2.0.11, paths apart: the shipped one is included by it."""


class Mosquitto:
    """Run mosquitto on a loopback port of its own with the shipped files, paths apart.

    Parameters
    ----------
    folder:
        Where configuration, accounts and the broker's database are kept.
    """

    def __init__(self, folder: Path) -> None:
        assert MOSQUITTO, "install mosquitto"
        assert PASSWD, "install mosquitto"
        self.folder = folder
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            self.port = int(probe.getsockname()[1])
        self.url = f"mqtt://127.0.0.1:{self.port}"
        shipped = (SHIPPED / "mosquitto.conf").read_text()
        for theirs, ours in (
            ("listener 1883 ", f"listener {self.port} "),
            ("/etc/mosquitto/", f"{folder}/"),
        ):
            assert theirs in shipped
            shipped = shipped.replace(theirs, ours)
        (folder / "conf.d").mkdir(exist_ok=True)
        (folder / "conf.d" / "quietclaw.conf").write_text(shipped)
        # As root it would become another user, who may not write here; that it runs is "information".
        ours = f"user {getpass.getuser()}\nlog_dest stderr\nlog_type information\n"
        (folder / "mosquitto.conf").write_text(DEBIAN.format(folder=folder) + ours)
        shutil.copy(SHIPPED / "mosquitto.acl", folder / "quietclaw.acl")
        accounts = folder / "quietclaw.passwd"
        accounts.touch(mode=0o600)
        for user in USERS:
            subprocess.run([PASSWD, "-b", str(accounts), user, SECRET], check=True, capture_output=True)  # noqa: S603

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()

    def start(self) -> None:
        """Start the broker and wait until it listens."""
        command = [str(MOSQUITTO), "-c", str(self.folder / "mosquitto.conf")]
        self._process = subprocess.Popen(command, stderr=subprocess.PIPE, text=True)  # noqa: S603
        stream = self._process.stderr
        assert stream is not None
        told = []
        for line in stream:
            told.append(line)
            if " running" in line:
                break
        else:
            raise AssertionError("".join(told))
        self._rest = threading.Thread(target=stream.read)
        self._rest.start()

    def kill(self) -> None:
        """Kill it at once: what it has not saved is gone."""
        self._process.kill()
        self._end()

    def stop(self) -> None:
        """End it in order: it saves everything."""
        self._process.terminate()
        self._end()

    def _end(self) -> None:
        self._process.wait(PATIENCE_S)
        self._rest.join(PATIENCE_S)
        assert self._process.stderr is not None
        self._process.stderr.close()
