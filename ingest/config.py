"""The configuration: one TOML file becomes one frozen model.

Every field says what it is, in which unit, and where its default comes from.
"""

from __future__ import annotations

import re
from ipaddress import ip_address
from pathlib import Path
from typing import Annotated, Final, Self
from urllib.parse import SplitResult, urlsplit

from pydantic import BaseModel, ConfigDict, Field, SecretStr, field_validator, model_validator

from detect.units import FlowUnit, VacuumUnit
from ingest.decode import Decoder

DEFAULT_PORTS: Final = {"mqtt": 1883, "mqtts": 8883}
"""Registered ports of MQTT and of MQTT over TLS (IANA service names, from memory)."""
SLUG: Final = re.compile(r"^[A-Za-z0-9][A-Za-z0-9_.-]{0,47}$")
"""One level of a topic that is also a good file name."""
Slug = Annotated[str, Field(pattern=SLUG)]


def is_loopback(host: str) -> bool:
    """Tell whether a host name or address reaches this machine only."""
    try:
        return ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return host.lower() == "localhost"


class Section(BaseModel):
    """What every section has in common: frozen, and an unknown key is an error."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class BrokerConfig(Section):
    """Where the messages come from."""

    url: str = Field(default="mqtt://127.0.0.1:1883", description="mqtt:// or mqtts:// address (contract)")
    root: str = Field(
        default="milking",
        pattern=r"^[^/+#$\x00]([^+#\x00]{0,98}[^/+#\x00])?$",
        description="first level or levels of every topic (contract)",
    )
    user: str | None = Field(default=None, description="user name; none for a broker without accounts")
    password_file: Path | None = Field(default=None, description="file whose first line is the password")
    password: SecretStr | None = Field(
        default=None, description="from QUIETCLAW_BROKER_PASSWORD or password_file, never from this file"
    )
    ca_file: Path | None = Field(
        default=None, description="certificate authority for mqtts; none for the system's"
    )
    client_id: Slug | None = Field(
        default=None, description="fixed client name; none for quietclaw-<parlor name>"
    )
    receive_maximum: int = Field(
        default=4000,
        ge=1,
        le=65_535,
        description="messages the broker may send unacknowledged: the bound on memory (engineering choice)",
    )
    session_expiry_s: int = Field(
        default=7 * 86_400,
        ge=60,
        description="how long the broker keeps messages for us [s] (engineering choice)",
    )

    silence_s: float = Field(
        default=30.0,
        ge=1.0,
        description="silence after which the connection is made anew, at first [s] (engineering choice)",
    )

    @field_validator("url")
    @classmethod
    def _address(cls, url: str) -> str:
        parts = urlsplit(url)
        if parts.scheme not in DEFAULT_PORTS or not parts.hostname or parts.path.strip("/") or parts.query:
            raise ValueError("expected mqtt://HOST[:PORT] or mqtts://HOST[:PORT]")
        if parts.username or parts.password:
            raise ValueError("user and password do not belong in the address; use user and password_file")
        if parts.port == 0:
            raise ValueError("port 0 is no port")
        return url

    @property
    def _parts(self) -> SplitResult:
        return urlsplit(self.url)

    @property
    def host(self) -> str:
        """Return the broker's host name."""
        return self._parts.hostname or ""

    @property
    def port(self) -> int:
        """Return the broker's port."""
        return self._parts.port or DEFAULT_PORTS[self._parts.scheme]

    @property
    def tls(self) -> bool:
        """Tell whether the connection is encrypted."""
        return self._parts.scheme == "mqtts"


class ParlorConfig(Section):
    """The parlor whose messages are read."""

    name: Slug = Field(description="short name, second level of every topic (contract)")
    stalls: int = Field(ge=1, le=500, description="number of stalls, numbered from 1 (contract)")
    vacuum_unit: VacuumUnit = Field(
        VacuumUnit.KPA, description="unit in which devices send vacuum (contract)"
    )
    flow_unit: FlowUnit = Field(
        FlowUnit.KG_MIN, description="unit in which devices send milk flow (contract)"
    )
    altitude_m: float = Field(
        default=0.0,
        ge=-500.0,
        le=5000.0,
        description="height above sea level [m]: sets the atmospheric pressure",
    )


class StoreConfig(Section):
    """Where the history is kept."""

    path: Path = Field(default=Path("quietclaw.duckdb"), description="the history file (engineering choice)")


class HttpConfig(Section):
    """Where the live page, the metrics and the queries are served."""

    host: str = Field(
        default="127.0.0.1", min_length=1, description="this machine only, unless opened on purpose"
    )
    port: int = Field(
        default=8420, ge=0, le=65_535, description="TCP port; 0 takes a free one (engineering choice)"
    )
    token_file: Path | None = Field(
        default=None, description="tokens and their roles; none answers this machine only"
    )


class CaptureConfig(Section):
    """Whether every received message is also kept on disk."""

    path: Path | None = Field(default=None, description="folder, or one new NAME.parquet; none keeps nothing")
    keep_hours: float | None = Field(
        default=None, gt=0.0, le=87_600.0, description="age at which parts of a folder go [h]; none keeps all"
    )

    @model_validator(mode="after")
    def _rolls_in_a_folder(self) -> Self:
        if self.keep_hours is not None and (self.path is None or self.path.suffix == ".parquet"):
            raise ValueError("keep_hours needs a folder as path")
        return self


class BatchConfig(Section):
    """How many messages share one commit."""

    window_s: float = Field(
        default=0.25,
        gt=0.0,
        le=5.0,
        description="longest wait from the first message to the commit [s] (measured)",
    )
    messages: int = Field(
        default=2000, ge=1, le=100_000, description="most messages in one commit (measured)"
    )


class AlertsConfig(Section):
    """How often the people in the pit are called."""

    per_rotation: int = Field(
        default=10,
        ge=4,
        le=500,
        description="most calls within a rotation; the rest waits (engineering choice)",
    )
    rotation_s: float = Field(
        default=480.0, ge=30.0, le=7200.0, description="what counts as a rotation [s] (engineering choice)"
    )


class Config(Section):
    """All settings of the service."""

    broker: BrokerConfig = BrokerConfig()
    parlor: ParlorConfig
    store: StoreConfig = StoreConfig()
    http: HttpConfig = HttpConfig()
    capture: CaptureConfig = CaptureConfig()
    batch: BatchConfig = BatchConfig()
    alerts: AlertsConfig = AlertsConfig()

    @model_validator(mode="after")
    def _password_has_a_user(self) -> Self:
        if self.broker.password is not None and self.broker.user is None:
            raise ValueError("a broker password without broker.user")
        return self

    @property
    def client_id(self) -> str:
        """Return the name under which the broker knows this service, always the same."""
        return self.broker.client_id or f"quietclaw-{self.parlor.name}"

    def decoder(self) -> Decoder:
        """Return how this parlor's messages are read."""
        return Decoder(
            root=self.broker.root,
            parlor=self.parlor.name,
            stalls=self.parlor.stalls,
            vacuum_unit=self.parlor.vacuum_unit,
            flow_unit=self.parlor.flow_unit,
        )
