"""The command line."""

from __future__ import annotations

import os
import warnings
from collections.abc import Sequence

import typer

from armsim.cli import (
    allocate,
    calibrate,
    catalogue,
    check,
    compare,
    curve,
    explain,
    explore,
    manual,
    new,
    run,
    schema,
    select,
    sensitivity,
    trade_off,
    verify,
    what_if,
)
from armsim.cli.disclaimer import with_disclaimer
from armsim.cli.exit_codes import BAD_INPUT, FAILED
from armsim.cli.interrupt import end_on_signals, end_process
from armsim.cli.printing import print_note
from armsim.cli.streams import prepare_streams
from armsim.errors import DoesNotFit, InputError, Problem, RunError, TooLong, one_line
from armsim.processors import limit_linear_algebra

app = typer.Typer(
    name="armsim",
    help="Tool-point error of a robot arm from the position sensors on its joints.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)
app.command("check")(check.check)
app.command("run")(with_disclaimer(run.run))
app.command("compare")(with_disclaimer(compare.compare))
app.command("catalogue")(catalogue.catalogue)
app.command("select")(with_disclaimer(select.select))
app.command("trade-off")(with_disclaimer(trade_off.trade_off))
app.command("what-if")(with_disclaimer(what_if.what_if))
app.command("sensitivity")(with_disclaimer(sensitivity.sensitivity))
app.command("curve")(with_disclaimer(curve.curve))
app.command("verify")(with_disclaimer(verify.verify))
app.command("calibrate")(with_disclaimer(calibrate.calibrate))
app.command("allocate")(with_disclaimer(allocate.allocate))
app.command("explore")(with_disclaimer(explore.explore))
app.command("explain")(explain.explain)
app.command("manual")(manual.manual)
app.command("new")(new.new)
app.command("schema")(schema.schema)


def _version(requested: bool) -> None:
    if requested:
        from armsim.version import package_version

        typer.echo(f"armsim {package_version()}")
        raise typer.Exit()


@app.callback()
def _options(
    version: bool = typer.Option(False, "--version", callback=_version, is_eager=True, help="Print the version."),
) -> None:
    """Tool-point error of a robot arm from the position sensors on its joints."""


INTERRUPTED = 130
"""Exit code of the command line library for an interrupt."""


def main() -> None:
    """Run the command of this process, and end it."""
    prepare_streams()
    os.environ["MPLBACKEND"] = "agg"  # no window is ever opened, whatever the environment states
    limit_linear_algebra()
    warnings.showwarning = lambda message, *details: print_note(f"note: {message}")
    end_on_signals()
    code, message = command()
    if code > 1:
        end_process(code, message)  # do not wait for threads that still run
    raise SystemExit(code)


def command(arguments: Sequence[str] | None = None) -> tuple[int, str]:
    """Run a command; return its exit code and the error message."""
    try:
        code = app(args=None if arguments is None else list(arguments), standalone_mode=False)
        if code == INTERRUPTED:
            raise KeyboardInterrupt
    except InputError as error:
        return BAD_INPUT, error.text("error: ")
    except TooLong as error:
        accepted = "--yes, or fewer arms (--units), visits or poses"
        return BAD_INPUT, f"error: {Problem('command line', 0, 0, '--yes', str(error), accepted)}"
    except DoesNotFit as error:
        return FAILED, one_line(f"error: {error} (--memory, --workers, --units)")
    except RunError as error:
        return FAILED, one_line(f"error: {error}")
    except (KeyboardInterrupt, typer.Abort):
        return FAILED, "stopped; nothing was written"
    except (OSError, MemoryError) as error:
        return FAILED, one_line(f"error: the run failed, nothing was written: {error or type(error).__name__}")
    except Exception as error:
        if hasattr(error, "format_message"):  # invalid words on the command line
            problem = str(error.format_message()).rstrip(".")
            return BAD_INPUT, f"error: {Problem('command line', 0, 0, '', problem, 'what --help shows')}"
        if os.environ.get("ARMSIM_TRACEBACK"):
            raise
        fault = f"{type(error).__name__}: {error}"
        message = f"error: internal error in armsim ({fault}), nothing was written; please report it with its traceback"
        return FAILED, one_line(f"{message} (set ARMSIM_TRACEBACK=1 to see it)")
    return (code if isinstance(code, int) else 0), ""


if __name__ == "__main__":
    main()
