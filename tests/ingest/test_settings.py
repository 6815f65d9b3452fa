"""Settings come from file, environment and command line, and every error names its place."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path

import pytest
from pydantic import BaseModel, ValidationError

from detect.errors import InputError
from detect.units import FlowUnit, VacuumUnit
from ingest.config import Config
from ingest.settings import Settings, effective, load_settings

MINIMAL = '[parlor]\nname = "willowmere"\nstalls = 24\n'


def load(
    folder: Path,
    text: str = MINIMAL,
    *,
    overrides: Sequence[str] = (),
    environ: Mapping[str, str] | None = None,
) -> Settings:
    """Load a configuration written to a file."""
    (folder / "quietclaw.toml").write_text(text)
    return load_settings(folder / "quietclaw.toml", overrides=overrides, environ=environ or {})


def test_the_keys_of_the_contract_are_enough(tmp_path: Path) -> None:
    """The contract's configuration, and nothing more, runs."""
    text = """
    [broker]
    url = "mqtts://broker.example:1234"
    root = "milking"
    [parlor]
    name = "willowmere"
    stalls = 24
    vacuum_unit = "inHg"
    flow_unit = "lb_min"
    altitude_m = 450
    [store]
    path = "history.duckdb"
    [http]
    host = "0.0.0.0"
    port = 9000
    """
    config = load(tmp_path, text).config
    assert (config.broker.host, config.broker.port, config.broker.tls) == ("broker.example", 1234, True)
    assert (config.parlor.vacuum_unit, config.parlor.flow_unit) == (VacuumUnit.INHG, FlowUnit.LB_MIN)
    assert (config.store.path, config.http.port, config.parlor.altitude_m) == (
        Path("history.duckdb"),
        9000,
        450.0,
    )
    assert config.decoder().vacuum_unit is VacuumUnit.INHG


def test_defaults_are_those_of_the_contract(tmp_path: Path) -> None:
    """Without a broker section it is the local broker and the root ``milking``."""
    config = load(tmp_path).config
    assert (config.broker.host, config.broker.port, config.broker.tls) == ("127.0.0.1", 1883, False)
    assert config.broker.root == "milking"
    assert config.client_id == "quietclaw-willowmere"
    assert config.capture.path is None


def test_the_command_line_stands_above_the_file(tmp_path: Path) -> None:
    """An override is TOML where it can be, plain text otherwise."""
    overrides = [
        "parlor.stalls=80",
        "broker.url=mqtt://10.0.0.2",
        'parlor.name="eastbarn"',
        "batch.window_s=0.1",
    ]
    settings = load(tmp_path, overrides=overrides)
    assert (settings.config.parlor.stalls, settings.config.parlor.name) == (80, "eastbarn")
    assert (settings.config.broker.host, settings.config.batch.window_s) == ("10.0.0.2", 0.1)
    assert settings.origins["parlor.stalls"] == "--set"


def test_a_configuration_without_a_file_is_possible() -> None:
    """The command line alone can say all that is needed."""
    settings = load_settings(None, overrides=["parlor.name=willowmere", "parlor.stalls=4"], environ={})
    assert settings.config.parlor.stalls == 4


def test_secrets_come_from_environment_or_file(tmp_path: Path) -> None:
    """The environment stands above the password file; both need a user."""
    (tmp_path / "secret").write_text("from-file\n")
    text = f'{MINIMAL}[broker]\nuser = "box"\npassword_file = "{tmp_path / "secret"}"\n'
    from_file = load(tmp_path, text).config.broker
    from_environment = load(
        tmp_path, text, environ={"QUIETCLAW_BROKER_USER": "other", "QUIETCLAW_BROKER_PASSWORD": "from-env"}
    ).config.broker
    assert from_file.password is not None
    assert from_environment.password is not None
    assert (from_file.user, from_file.password.get_secret_value()) == ("box", "from-file")
    assert (from_environment.user, from_environment.password.get_secret_value()) == ("other", "from-env")


def test_the_effective_settings_show_origins_and_no_secret(tmp_path: Path) -> None:
    """What is printed is TOML again, says where each value came from, and hides the password."""
    settings = load(
        tmp_path,
        overrides=["http.port=9001"],
        environ={"QUIETCLAW_BROKER_USER": "box", "QUIETCLAW_BROKER_PASSWORD": "hunter2"},
    )
    text = effective(settings)
    assert "hunter2" not in text
    assert 'user = "box"  # QUIETCLAW_BROKER_USER' in text
    assert "port = 9001  # --set" in text
    assert f'name = "willowmere"  # {tmp_path / "quietclaw.toml"}' in text
    assert 'root = "milking"  # default' in text
    assert tomllib.loads(text)["parlor"]["stalls"] == 24


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[parlor\n", "not TOML"),
        ('[parlor]\nname = "willowmere"\n', "parlor.stalls: Field required"),
        ("", "parlor: Field required"),
        (MINIMAL + "[broker]\nurl = 5\n", "broker.url: Input should be a valid string"),
        (MINIMAL + '[broker]\nurl = "http://x"\n', "broker.url: expected mqtt://HOST"),
        (MINIMAL + '[broker]\nurl = "mqtt://x:99999"\n', "broker.url: Port out of range"),
        (MINIMAL + '[broker]\nurl = "mqtt://me:pw@x"\n', "broker.url: user and password do not belong"),
        (MINIMAL + '[broker]\npassword = "pw"\n', "broker.password: a password is not kept here"),
        (MINIMAL + '[broker]\nroot = "a/+/b"\n', "broker.root: String should match"),
        (MINIMAL + '[broker]\npassword_file = "/nowhere/at/all"\n', "broker.password_file: /nowhere/at/all"),
        (MINIMAL + "[brokers]\nx = 1\n", "brokers: Extra inputs are not permitted"),
        (MINIMAL + "[http]\nprot = 1\n", "http.prot: Extra inputs are not permitted"),
        (MINIMAL + "[http]\nport = 70000\n", "http.port: Input should be less than or equal to 65535"),
        (MINIMAL.replace("24", "0"), "parlor.stalls: Input should be greater than or equal to 1"),
        (MINIMAL.replace("willowmere", "willow/mere"), "parlor.name: String should match"),
        (MINIMAL + 'vacuum_unit = "bar"\n', "parlor.vacuum_unit: Input should be"),
        ("parlor = 3\n", "parlor: Input should be a valid dictionary"),
    ],
)
def test_a_wrong_file_is_one_line_with_file_and_key(tmp_path: Path, text: str, said: str) -> None:
    """The user reads which file, which key, and what is expected."""
    with pytest.raises(InputError) as raised:
        load(tmp_path, text)
    assert str(raised.value).startswith(f"{tmp_path / 'quietclaw.toml'}: {said}")
    assert "\n" not in str(raised.value)


@pytest.mark.parametrize(
    ("override", "said"),
    [
        ("stalls=3", "--set: 'stalls=3' is not section.key=value"),
        ("parlor.stalls", "--set: 'parlor.stalls' is not section.key=value"),
        ("parlor.stalls=many", "--set: parlor.stalls: Input should be a valid integer"),
        ("broker.password=pw", "--set: broker.password: visible to other users here"),
    ],
)
def test_a_wrong_override_is_one_line(tmp_path: Path, override: str, said: str) -> None:
    """An error of the command line is told as one of the command line."""
    with pytest.raises(InputError) as raised:
        load(tmp_path, overrides=[override])
    assert str(raised.value).startswith(said)


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    """A file that is not there is the user's error."""
    with pytest.raises(InputError, match=r"absent\.toml: cannot be read: No such file"):
        load_settings(tmp_path / "absent.toml", environ={})


def test_a_configuration_cannot_change(tmp_path: Path) -> None:
    """Settings are read once; nothing can alter them behind the program's back."""
    config = load(tmp_path).config
    with pytest.raises(ValidationError, match="frozen"):
        config.parlor.stalls = 3


def test_every_setting_is_described() -> None:
    """Each key says what it is."""
    sections = [field.annotation for field in Config.model_fields.values()]
    fields = [
        (name, field)
        for section in sections
        if isinstance(section, type) and issubclass(section, BaseModel)
        for name, field in section.model_fields.items()
    ]
    assert len(fields) > 15
    assert [name for name, field in fields if not field.description] == []
