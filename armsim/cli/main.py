"""The command line."""

from __future__ import annotations

import sys
from typing import NoReturn

import typer

from armsim.cli import check, new, run, schema
from armsim.errors import InputError, RunError

app = typer.Typer(
    name="armsim",
    help="From the sensors on the joints of an arm to the error of its tool point.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)
app.command("check")(check.check)
app.command("run")(run.run)
app.command("new")(new.new)
app.command("schema")(schema.schema)


def _version(wanted: bool) -> None:
    if wanted:
        from armsim import __version__

        typer.echo(f"armsim {__version__}")
        raise typer.Exit()


@app.callback()
def _options(
    version: bool = typer.Option(False, "--version", callback=_version, is_eager=True, help="Print the version."),
) -> None:
    """From the sensors on the joints of an arm to the error of its tool point."""


def _stop(code: int, message: str) -> NoReturn:
    print(message, file=sys.stderr)
    raise SystemExit(code)


def main() -> None:
    """Run a command. Exit 0 done; 1 requirement not met; 2 bad input; 3 the run itself failed."""
    try:
        app()
    except InputError as error:
        _stop(2, "\n".join(f"error: {problem}" for problem in error.problems))
    except RunError as error:
        _stop(3, f"error: {error}")
    except KeyboardInterrupt:
        _stop(3, "stopped; nothing was written")
    except (OSError, MemoryError) as error:
        _stop(3, f"error: the run failed, nothing was written: {error or type(error).__name__}")


if __name__ == "__main__":
    main()
