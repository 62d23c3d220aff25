"""The ``slipguard`` command. One small file a command; they are registered here."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Sequence
from functools import cache
from importlib.metadata import version
from typing import Annotated

import typer

from slipguard.cli import (
    bench,
    budget,
    calibrate,
    commission,
    compare,
    convert,
    evaluate,
    label,
    plugins,
    replay,
    report,
    run,
    settings,
    simulate,
    tune,
)
from slipguard.cli.examples import end_of_help
from slipguard.cli.exits import Exit, exit_for
from slipguard.errors import SlipguardError

app = typer.Typer(
    help="Catch spinning wheels and roll-aways of a remotely driven four-wheel rover.",
    epilog=end_of_help(""),
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)
app.command("budget", epilog=end_of_help("budget"))(budget.budget)
app.command("replay", epilog=end_of_help("replay"))(replay.replay)
app.command("report", epilog=end_of_help("report"))(report.report)
app.command("label", epilog=end_of_help("label"))(label.label)
app.command("commission", epilog=end_of_help("commission"))(commission.commission)
app.command("run", epilog=end_of_help("run"))(run.run)
app.command("simulate", epilog=end_of_help("simulate"))(simulate.simulate)
app.command("evaluate", epilog=end_of_help("evaluate"))(evaluate.evaluate)
app.command("compare", epilog=end_of_help("compare"))(compare.compare)
app.command("tune", epilog=end_of_help("tune"))(tune.tune)
app.command("convert", epilog=end_of_help("convert"))(convert.convert)
app.command("bench", epilog=end_of_help("bench"))(bench.bench)
app.command("settings", epilog=end_of_help("settings"))(settings.settings)
app.add_typer(calibrate.app, name="calibrate")
app.add_typer(plugins.app, name="plugins")


def _print_version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"slipguard {version('slipguard')}")
        raise typer.Exit


@app.callback()
def _options(
    _version: Annotated[
        bool,
        typer.Option(
            "--version", callback=_print_version, is_eager=True, help="Print the version."
        ),
    ] = False,
) -> None:
    pass


@cache
def _command() -> Callable[..., object]:
    """All of the above, put together once for a program that calls ``main`` often."""
    return typer.main.get_command(app)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line; mistakes become one line on standard error and an exit code.

    Parameters
    ----------
    arguments : sequence of str, optional
        Instead of those the program was started with.

    Returns
    -------
    int
        One of ``slipguard.cli.exits.Exit``.
    """
    try:
        _command()(None if arguments is None else list(arguments), prog_name="slipguard")
    except SystemExit as end:
        return end.code if isinstance(end.code, int) else Exit.DONE
    except KeyboardInterrupt:
        return Exit.INTERRUPTED
    except SlipguardError as err:
        print(f"slipguard: {err}", file=sys.stderr)
        return exit_for(err)
    except Exception as err:
        if os.environ.get("SLIPGUARD_TRACEBACK"):
            raise
        what = " ".join(f"{type(err).__name__}: {err}".split())
        hint = "please report it with what SLIPGUARD_TRACEBACK=1 shows"
        print(f"slipguard: a fault of slipguard itself, {hint}: {what}", file=sys.stderr)
        return Exit.FAULT
    return Exit.DONE
