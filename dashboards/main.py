"""The command line: wires the rooms together and turns every user error into one line and an exit code.

Exit codes: 0 done; 2 the user's input is wrong; 3 the store cannot be used; 4 the broker refuses;
130 stopped by Ctrl-C. Anything else is a fault of ours and shows its traceback.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from typing import Annotated, Final

import typer

from dashboards.commands import (
    backup,
    compare,
    demo,
    doctor,
    fleet,
    health,
    investigate,
    note,
    query,
    replay,
    run,
    score,
    simulate,
    tables,
    token,
)
from detect.errors import InputError, QuietclawError

INTERRUPTED: Final = 130
"""Exit code after Ctrl-C: 128 + SIGINT, the shells' convention."""

EXIT_CODES: Final = (
    "Exit codes: 0 done, 2 what you gave is wrong, 3 the history cannot be used, 4 the broker refuses."
    " 'quietclaw COMMAND --help' shows all options and an example."
)

app = typer.Typer(
    name="quietclaw",
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)
app.command("demo")(demo.demo)
app.command("run")(run.run)
app.command("simulate")(simulate.simulate)
app.command("replay")(replay.replay)
app.command("score")(score.score)
app.command("export")(tables.export)
app.command("load")(tables.load)
app.command("query")(query.query)
app.command("note")(note.note)
app.command("backup")(backup.backup)
app.command("doctor")(doctor.doctor)
app.command("token")(token.token)
app.command("health")(health.health)
app.command("investigate")(investigate.investigate)
app.command("compare")(compare.compare)
app.command("fleet")(fleet.fleet)
app.command("ship")(fleet.ship)


def _tell_version(asked: bool) -> None:
    if asked:
        from importlib.metadata import version as version_of  # noqa: PLC0415 - a fiftieth of a start

        typer.echo(f"quietclaw {version_of('quietclaw')}")
        raise typer.Exit


@app.callback(epilog=EXIT_CODES)
def _quietclaw(
    *,
    version: Annotated[
        bool,
        typer.Option("--version", callback=_tell_version, is_eager=True, help="Print the version and stop."),
    ] = False,
) -> None:
    """Listen to every milking unit of a parlor; show where units lose their seal, with evidence."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code.

    Parameters
    ----------
    arguments:
        The words after ``quietclaw``; those of the process unless given.
    """
    words = list(sys.argv[1:] if arguments is None else arguments) or ["--help"]
    try:
        code = app(words, prog_name="quietclaw", standalone_mode=False)
    except typer.TyperException as error:
        return _complain(_text_of(error), code=InputError.exit_code)
    except QuietclawError as error:
        return _complain(str(error), code=error.exit_code)
    except (
        FileNotFoundError,
        PermissionError,
        IsADirectoryError,
        NotADirectoryError,
        FileExistsError,
    ) as error:
        return _complain(f"{error.filename}: {error.strerror}", code=InputError.exit_code)
    except (KeyboardInterrupt, typer.Abort):
        return INTERRUPTED
    return code if isinstance(code, int) else 0


def _text_of(error: typer.TyperException) -> str:
    describe = getattr(error, "format_message", None)
    text = describe() if callable(describe) else str(error)
    context = getattr(error, "ctx", None)
    command = context.command_path if context is not None else "quietclaw"
    return f"{text.rstrip('.')} (see {command} --help)"


def _complain(text: str, *, code: int) -> int:
    """Write one line, whatever the text holds, and hand the exit code back."""
    print("quietclaw:", " ".join(text.split()), file=sys.stderr)
    return code


if __name__ == "__main__":
    sys.exit(main())
