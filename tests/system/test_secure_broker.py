"""The service speaks to a guarded broker: encrypted, with user and password, and keeps secrets to itself."""

from __future__ import annotations

import json
import subprocess
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from ingest.publisher import Publisher
from ingest.settings import load_settings
from ingest.wire import Message
from tests.system.brokers import mosquitto
from tests.system.test_errors import quietclaw
from tests.system.test_service import get, running

pytestmark = pytest.mark.system

CURVE = ("-pkeyopt", "ec_paramgen_curve:prime256v1")
PASSWORD = "correct-horse-battery"  # noqa: S105 - of the test's own broker


def openssl(folder: Path, *words: str) -> None:
    subprocess.run(["openssl", *words], cwd=folder, check=True, capture_output=True)  # noqa: S603, S607


def authority(folder: Path, name: str) -> Path:
    """Make a certificate authority."""
    subject = ("-subj", f"/CN={name}", "-keyout", f"{name}.key", "-out", f"{name}.crt")
    openssl(folder, "req", "-x509", "-newkey", "ec", *CURVE, "-nodes", "-days", "2", *subject)
    return folder / f"{name}.crt"


@dataclass(frozen=True)
class Guarded:
    """A broker behind TLS and a password, and the authority that vouches for it."""

    url: str
    ca_file: Path
    folder: Path


@pytest.fixture(scope="module")
def guarded(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Guarded]:
    folder = tmp_path_factory.mktemp("guarded")
    ca_file = authority(folder, "ca")
    openssl(
        folder,
        *["req", "-newkey", "ec", *CURVE, "-nodes", "-subj", "/CN=b", "-keyout", "b.key", "-out", "b.csr"],
    )
    (folder / "san").write_text("subjectAltName=IP:127.0.0.1")
    sign = "x509 -req -in b.csr -CA ca.crt -CAkey ca.key -CAcreateserial -days 2 -extfile san -out b.crt"
    openssl(folder, *sign.split())
    passwords = folder / "passwords"
    words = ["mosquitto_passwd", "-b", "-c", str(passwords), "quietclaw", PASSWORD]
    subprocess.run(words, check=True, capture_output=True)  # noqa: S603
    folder.chmod(0o755)
    for file in folder.iterdir():
        file.chmod(0o644)  # the broker gives up its rights before it reads them
    settings = (
        f"cafile {ca_file}\ncertfile {folder / 'b.crt'}\nkeyfile {folder / 'b.key'}\ntls_version tlsv1.2\n"
        f"allow_anonymous false\npassword_file {passwords}\nuser root\n"
    )
    with mosquitto(folder, settings) as url:
        yield Guarded(url.replace("mqtt:", "mqtts:"), ca_file, folder)


def test_the_service_reads_from_a_guarded_broker_and_tells_no_secret(
    guarded: Guarded, tmp_path: Path
) -> None:
    """Messages arrive over TLS; log, metrics, health and settings hold neither password nor digest."""
    secret = tmp_path / "password"
    secret.write_text(PASSWORD + "\n")
    file = tmp_path / "farm.toml"
    file.write_text(
        f'[broker]\nurl = "{guarded.url}"\nca_file = "{guarded.ca_file}"\nuser = "quietclaw"\n'
        f'password_file = "{secret}"\n[parlor]\nname = "willowmere"\nstalls = 4\n'
        f'[store]\npath = "{tmp_path / "h.duckdb"}"\n[http]\nport = 0\n'
    )
    settings = load_settings(file).config
    now_ms = time.time_ns() // 1_000_000
    with running(file) as (process, url):
        read = b""
        until, seq = time.monotonic() + 60.0, 0
        while b'outcome="read"} 0.0' in read or not read:
            assert time.monotonic() < until
            with Publisher(settings.broker) as publisher:
                frame = b'{"seq": %d, "t_ms": %d, "kg_min": 2}' % (seq, now_ms + seq)
                publisher.publish(Message(0, "milking/willowmere/stall/1/flow", frame))
            seq, read = seq + 1, get(url, "/metrics")
        health = get(url, "/health")
        process.terminate()
        assert process.wait(30) == 0
        assert process.stderr is not None
        log = process.stderr.read()
    [start] = [line.partition("start ")[2] for line in log.splitlines() if ": start {" in line]
    report = json.loads(start)
    assert (report["encrypted"], report["user"], report["parlor"]) == (True, True, "willowmere")
    for told in (log, read.decode(), health.decode(), repr(settings), str(settings.model_dump())):
        assert PASSWORD not in told


@pytest.mark.parametrize(
    ("password", "ca_file", "said"),
    [
        ("wrong", "ca.crt", "refuses us"),
        (PASSWORD, "other.crt", "certificate"),
        (PASSWORD, "missing.crt", "certificate authority"),
    ],
)
def test_a_guarded_broker_is_not_entered_otherwise(
    guarded: Guarded, tmp_path: Path, password: str, *, ca_file: str, said: str
) -> None:
    """A wrong password, or a certificate nobody we trust vouches for, ends with 4 and one line without it."""
    authority(guarded.folder, "other")
    file, secret = tmp_path / "farm.toml", tmp_path / "password"
    secret.write_text(password)
    file.write_text(
        f'[broker]\nurl = "{guarded.url}"\nca_file = "{guarded.folder / ca_file}"\nuser = "quietclaw"\n'
        f'password_file = "{secret}"\n[parlor]\nname = "willowmere"\nstalls = 4\n'
        f'[store]\npath = "{tmp_path / "h.duckdb"}"\n[http]\nport = 0\n'
    )
    done = quietclaw("run", "--config", file)
    assert done.returncode == 4
    last = done.stderr.splitlines()[-1]
    assert last.startswith(f"quietclaw: {guarded.url}: ")
    assert said in last
    assert "Traceback" not in done.stderr
    assert password not in done.stderr
