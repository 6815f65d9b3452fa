"""Where settings come from: the file, above it the environment, above that the command line.

The result remembers the origin of every value, so that the effective settings can be shown.
"""

from __future__ import annotations

import os
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from pydantic import SecretStr, ValidationError

from detect.errors import InputError
from ingest.config import Config

USER_VARIABLE: Final = "QUIETCLAW_BROKER_USER"
PASSWORD_VARIABLE: Final = "QUIETCLAW_BROKER_PASSWORD"  # noqa: S105 - the name of the variable, no secret
DEFAULT_ORIGIN: Final = "default"
_MASK: Final = '"********"'
_PASSWORD: Final = "broker.password"  # noqa: S105 - the name of the key, no secret


@dataclass(frozen=True, slots=True)
class Settings:
    """The configuration and, for every key that is not a default, where its value came from."""

    config: Config
    origins: Mapping[str, str]


def load_settings(
    path: Path | None, *, overrides: Sequence[str] = (), environ: Mapping[str, str] = os.environ
) -> Settings:
    """Read the configuration.

    Parameters
    ----------
    path:
        The TOML file, or None for none.
    overrides:
        Settings of the command line, each ``section.key=value``; the value is TOML or plain text.
    environ:
        Environment variables; user and password of the broker may come from there.

    Raises
    ------
    InputError
        One line that names the file or option, the key and what is wrong with it.
    """
    values: dict[str, tuple[object, str]] = {}
    if path is not None:
        values |= _from_file(path)
    if user := environ.get(USER_VARIABLE):
        values["broker.user"] = (user, USER_VARIABLE)
    for override in overrides:
        values |= _from_override(override)
    values |= _password(values, environ)
    return Settings(_validated(values, path), {key: origin for key, (_, origin) in values.items()})


def effective(settings: Settings) -> str:
    """Write every setting as TOML, with its origin beside it and secrets masked."""
    lines: list[str] = []
    for name, section in settings.config:
        lines += ["", f"[{name}]"] if lines else [f"[{name}]"]
        for key, value in section:
            origin = settings.origins.get(f"{name}.{key}", DEFAULT_ORIGIN)
            lines.append(
                f"{key} = {_toml(value)}  # {origin}" if value is not None else f"# {key} is not set"
            )
    return "\n".join(lines)


def _from_file(path: Path) -> dict[str, tuple[object, str]]:
    """Read the TOML file as flat keys."""
    try:
        with path.open("rb") as stream:
            document = tomllib.load(stream)
    except OSError as error:
        raise InputError(f"cannot be read: {error.strerror}", where=str(path)) from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise InputError(f"not TOML: {error}", where=str(path)) from error
    values = {key: (value, str(path)) for key, value in _flat(document)}
    if _PASSWORD in values:
        raise InputError(
            f"{_PASSWORD}: a password is not kept here; use broker.password_file or {PASSWORD_VARIABLE}",
            where=str(path),
        )
    return values


def _flat(document: Mapping[str, Any]) -> Iterator[tuple[str, object]]:
    """Give the values of all sections as ``section.key``; a key outside any section keeps its name."""
    for name, section in document.items():
        if isinstance(section, dict):
            yield from ((f"{name}.{key}", value) for key, value in section.items())
        else:
            yield name, section


def _from_override(override: str) -> dict[str, tuple[object, str]]:
    """Read one ``section.key=value``."""
    key, equals, text = override.partition("=")
    key = key.strip()
    if not equals or key.count(".") != 1:
        raise InputError(f"{override!r} is not section.key=value", where="--set")
    if key == _PASSWORD:
        raise InputError(f"{key}: visible to other users here; use {PASSWORD_VARIABLE}", where="--set")
    try:
        value = tomllib.loads(f"value = {text}")["value"]
    except tomllib.TOMLDecodeError:
        value = text.strip()
    return {key: (value, "--set")}


def _password(
    values: Mapping[str, tuple[object, str]], environ: Mapping[str, str]
) -> dict[str, tuple[object, str]]:
    """Return the broker's password from the environment or its file, if there is one."""
    if password := environ.get(PASSWORD_VARIABLE):
        return {_PASSWORD: (SecretStr(password), PASSWORD_VARIABLE)}
    file, origin = values.get("broker.password_file", (None, ""))
    if not isinstance(file, str):
        return {}
    try:
        first, *_ = Path(file).read_text().splitlines() or [""]
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"broker.password_file: {file} cannot be read: {error}", where=origin) from error
    return {_PASSWORD: (SecretStr(first), file)}


def _validated(values: Mapping[str, tuple[object, str]], path: Path | None) -> Config:
    """Build the model, or say in one line which value is wrong and where it came from."""
    document: dict[str, Any] = {}
    for dotted, (value, _) in values.items():
        section, _, key = dotted.partition(".")
        if not key:
            document[section] = value
        elif isinstance(document.setdefault(section, {}), dict):
            document[section][key] = value
    try:
        return Config.model_validate(document)
    except ValidationError as error:
        first = error.errors(include_url=False, include_context=False, include_input=False)[0]
        key = ".".join(str(part) for part in first["loc"])
        origin = values[key][1] if key in values else str(path or "configuration")
        what = first["msg"].removeprefix("Value error, ")
        raise InputError(f"{key}: {what}" if key else what, where=origin) from error


def _toml(value: object) -> str:
    """Write one value as TOML."""
    if isinstance(value, SecretStr):
        return _MASK
    if isinstance(value, int | float):
        return str(value)
    text = str(value).replace("\\", "\\\\").replace('"', '\\"')
    return f'"{text}"'
