"""``quietclaw token``: a new token for the HTTP side."""

# ruff: noqa: PLC0415 - heavy libraries load only when the command runs

from __future__ import annotations

import os
import re
from pathlib import Path
from typing import Annotated

import typer

from detect.errors import InputError


def token(
    *,
    file: Annotated[Path, typer.Option(help="The http.token_file, made if need be.", show_default=False)],
    name: Annotated[str, typer.Option(help="Whose token it is, such as tablet.", show_default=False)],
    role: Annotated[list[str], typer.Option(help="view, acknowledge or query; may be repeated.")],
) -> None:
    """Make a token for callers from other machines.

    Prints it this once and adds its digest to the file.

    Example: quietclaw token --file tokens.toml --name tablet --role view
    """
    from dashboards.access import Role, new_token, read_access

    if not re.fullmatch("[A-Za-z0-9_-]{1,48}", name):
        raise InputError("must be letters, digits, - and _", where="--name")
    try:
        roles = [Role(word) for word in role]
    except ValueError as error:
        raise InputError(f"must be one of {', '.join(Role)}", where="--role") from error
    former = file.read_text() if file.exists() else ""
    fresh, table = new_token(name, roles)
    if f"[{name}]" in former:
        raise InputError(f"holds a token named {name} already; remove its lines first", where=str(file))
    descriptor = os.open(file, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
    with os.fdopen(descriptor, "w") as stream:
        stream.write(former + table)
    read_access(file)
    typer.echo(fresh)
