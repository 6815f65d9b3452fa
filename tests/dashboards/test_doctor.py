"""Each of the commonest mistakes is found, named and told what to do about; a sound parlor passes."""

from __future__ import annotations

import json
import socket
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from dashboards.doctor import box
from dashboards.doctor.finding import Check, Finding, Verdict, bad, doubt, exit_code, good
from dashboards.doctor.hearing import hear
from dashboards.doctor.parlor import examine
from dashboards.main import main
from ingest.broker import EmbeddedBroker
from ingest.config import Config
from ingest.wire import Message
from store.history import History

T0_S = 1_770_000_000
STALLS = 4
SECONDS = 12


def config(**parlor: object) -> Config:
    return Config.model_validate({"parlor": {"name": "willowmere", "stalls": STALLS} | parlor})


def parlor(
    *,
    root: str = "milking",
    gain: float = 1.0,
    behind_s: float = 0.0,
    silent: int = 0,
    zero_kpa: float = 0.2,
    vacuum_of: dict[int, int] | None = None,
) -> Iterator[Message]:
    """Give the messages of a parlor in which stalls 1 and 2 are milking and 3 and 4 hang open."""
    for second in range(SECONDS):
        for stall in range(1, STALLS + 1):
            device_ms = round((T0_S + second - behind_s) * 1000)
            stamp = {"seq": second, "t_ms": device_ms}
            measured = (vacuum_of or {}).get(stall, stall)
            milks = measured <= 2
            kpa = [(42.0 + n % 4 if milks else zero_kpa) * gain for n in range(50)]
            vacuum = json.dumps(stamp | {"rate_hz": 50, "kpa": kpa}).encode()
            flow = json.dumps(stamp | {"kg_min": 3.0 if stall <= 2 else 0.0}).encode()
            recv_ns = (T0_S + second + 1) * 10**9 + 50_000_000
            if stall != silent:
                yield Message(recv_ns, f"{root}/willowmere/stall/{stall}/vacuum", vacuum)
            yield Message(recv_ns, f"{root}/willowmere/stall/{stall}/flow", flow)


def found(messages: Iterator[Message], settings: Config) -> dict[Check, Finding]:
    return {f.check: f for f in examine(hear(messages, settings))}


def test_a_sound_parlor_has_no_mistake() -> None:
    """Nothing is called a mistake where there is none, and every check has looked."""
    findings = found(parlor(), config())
    assert {f.verdict for f in findings.values()} == {Verdict.GOOD}
    assert len(findings) == 6


@pytest.mark.parametrize(
    ("messages", "settings", "check", "said"),
    [
        (parlor(root="dairy"), config(), Check.TOPICS, 'broker.root = "dairy"'),
        (iter(()), config(), Check.TOPICS, "gateways run"),
        (parlor(gain=1 / 3.386), config(), Check.UNITS, 'vacuum_unit = "inHg"'),
        (parlor(gain=10.0), config(), Check.UNITS, 'vacuum_unit = "mbar"'),
        (parlor(), config(vacuum_unit="inHg"), Check.UNITS, 'vacuum_unit = "kPa"'),
        (parlor(), config(flow_unit="lb_min"), Check.UNITS, ""),
        (parlor(vacuum_of={2: 3, 3: 2}), config(), Check.STALL_MAP, "2 with 3"),
        (parlor(behind_s=1.6), config(), Check.CLOCKS, "NTP"),
        (parlor(behind_s=-30.0), config(), Check.CLOCKS, "NTP"),
        (parlor(silent=3), config(), Check.SILENCE, "sensor, cable"),
        (parlor(), config(stalls=3), Check.SILENCE, "parlor.stalls = 4"),
        (parlor(zero_kpa=2.5), config(), Check.ZERO, "zero of these sensors"),
        (parlor(zero_kpa=-2.0), config(), Check.ZERO, "zero of these sensors"),
    ],
)
def test_a_mistake_is_found(messages: Iterator[Message], settings: Config, check: Check, said: str) -> None:
    """The mistake, no other, is called one, and the advice names what to do."""
    findings = found(messages, settings)
    wrong = {f.check for f in findings.values() if f.verdict is Verdict.BAD}
    assert wrong == ({check} if said else set())
    assert said in findings[check].advice


def test_exit_codes_tell_the_kind_of_mistake() -> None:
    """Broker before store before anything else; what one should only look at is no mistake."""
    assert exit_code([good(Check.DISK, "x"), doubt(Check.ZERO, "x", "y")]) == 0
    assert exit_code([bad(Check.ZERO, "x", "y")]) == 2
    assert exit_code([bad(Check.ZERO, "x", "y"), bad(Check.WRITER, "x", "y")]) == 3
    assert exit_code([bad(Check.WRITER, "x", "y"), bad(Check.BROKER, "x", "y")]) == 4


def settings_at(path: Path) -> Config:
    return Config.model_validate({"parlor": {"name": "w", "stalls": 1}, "store": {"path": str(path)}})


def test_a_second_writer_is_a_mistake_unless_it_is_the_service(tmp_path: Path) -> None:
    """A history held by another process is fine when the service answers, else a mistake."""
    path = tmp_path / "h.duckdb"
    History.open(path).close()
    script = f"import duckdb; c = duckdb.connect({str(path)!r}); print('held', flush=True); input()"
    with subprocess.Popen(  # noqa: S603 - our own words
        [sys.executable, "-c", script], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as other:
        assert other.stdout is not None
        assert other.stdout.readline() == "held\n"
        [alone] = box.history(settings_at(path), serves=lambda _: False)
        [served] = box.history(settings_at(path), serves=lambda _: True)
        other.communicate("\n")
    assert (alone.check, alone.verdict) == (Check.WRITER, Verdict.BAD)
    assert f"PID {other.pid}" in alone.seen
    assert served.verdict is Verdict.GOOD
    assert {f.verdict for f in box.history(settings_at(path), serves=lambda _: False)} == {Verdict.GOOD}


def test_an_old_program_is_a_mistake(tmp_path: Path) -> None:
    """A history of a newer version needs the newer program; an earlier one needs nothing."""
    path = tmp_path / "h.duckdb"
    with History.open(path) as history, history.transaction() as connection:
        connection.execute("INSERT INTO schema_version VALUES (999)")
    [finding] = box.history(settings_at(path), serves=lambda _: False)
    assert (finding.check, finding.verdict) == (Check.VERSION, Verdict.BAD)
    assert "install the newer" in finding.advice


def test_a_missing_folder_is_told(tmp_path: Path) -> None:
    """Where there is no folder, there is no room."""
    assert box.disk(settings_at(tmp_path / "no" / "h.duckdb")).verdict is Verdict.BAD
    assert box.disk(settings_at(tmp_path / "h.duckdb")).verdict is not Verdict.BAD


@pytest.mark.parametrize(
    ("http", "broker", "verdict", "said"),
    [
        ({}, {}, Verdict.GOOD, ""),
        ({"host": "0.0.0.0"}, {}, Verdict.DOUBT, "quietclaw token"),  # noqa: S104 - the mistake
        ({"token_file": "/nowhere/t.toml"}, {}, Verdict.BAD, "http.token_file"),
        ({}, {"url": "mqtt://10.0.0.9", "user": "u", "password": "p"}, Verdict.DOUBT, "mqtts://"),
        ({}, {"url": "mqtts://10.0.0.9", "user": "u", "password": "p"}, Verdict.GOOD, ""),
    ],
)
def test_open_doors_are_told(
    http: dict[str, str], broker: dict[str, str], verdict: Verdict, said: str
) -> None:
    """Callers from elsewhere need tokens, passwords need encryption."""
    settings = Config.model_validate({"parlor": {"name": "w", "stalls": 1}, "http": http, "broker": broker})
    finding = box.access(settings)
    assert finding.verdict is verdict
    assert said in finding.advice


def test_the_command_examines_everything_it_can(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Without a broker it ends with 4 and still looks at the box; with one it says what is missing there."""
    file = tmp_path / "farm.toml"
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        url = f"mqtt://127.0.0.1:{probe.getsockname()[1]}"
        text = '[broker]\nurl = "{}"\n[parlor]\nname = "willowmere"\nstalls = 4\n[store]\npath = "{}"\n'
        file.write_text(text.format(url, tmp_path / "h.duckdb"))
        assert main(["doctor", "--config", str(file)]) == 4
    out = capsys.readouterr().out
    assert "BAD  broker reachable" in out
    assert "-> check that the broker runs" in out
    assert "room on the disk" in out
    with EmbeddedBroker() as broker:
        words = ["--set", f"broker.url={broker.url}", "--seconds", "0.5", "--json"]
        assert main(["doctor", "--config", str(file), *words]) == 2
    findings = json.loads(capsys.readouterr().out)
    assert {f["check"]: f["verdict"] for f in findings}["broker reachable"] == "ok"
    assert [f["check"] for f in findings if f["verdict"] == "BAD"] == ["topic root and parlor"]
