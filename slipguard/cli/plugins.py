"""``slipguard plugins``: what is installed, whether it fits a rover, and a start for a new one."""

from __future__ import annotations

import shlex
import sys
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.text import Text

from slipguard.cli.console import console, table
from slipguard.cli.examples import end_of_help
from slipguard.cli.exits import Exit
from slipguard.cli.json_text import AsJson, as_json
from slipguard.config import Config
from slipguard.plugin.contract import CHANNELS, THROTTLE
from slipguard.plugin.discover import Plugin, discover
from slipguard.plugin.hookspec import GROUP
from slipguard.plugin.host import Host
from slipguard.plugin.scaffold import write_project
from slipguard.section import suggest

app = typer.Typer(
    help="List, check and start plugins.",
    epilog=end_of_help("plugins"),
    no_args_is_help=True,
    rich_markup_mode=None,
)


@app.command("list", epilog=end_of_help("plugins list"))
def list_plugins(
    json: AsJson = False,
) -> None:
    """List the installed plugins, and what is wrong with one."""
    plugins = discover()
    if json:
        typer.echo(as_json([_facts(plugin) for plugin in plugins], indent=2))
        return
    out = console()
    if not plugins:
        out.print(f"No package installed here names a plugin in the entry-point group {GROUP}.")
        return
    shown = table("plugins", "plugin", "package", "brings")
    for plugin in plugins:
        brings = "CANNOT BE USED" if plugin.problem else _brings(plugin)
        shown.add_row(Text(plugin.name), Text(plugin.package), Text(brings))
    out.print(shown)
    _print_problems(out, plugins)


@app.command("check", epilog=end_of_help("plugins check"))
def check(
    names: Annotated[
        list[str] | None, typer.Argument(help="Plugins to check. Default: all installed.")
    ] = None,
    rover: Annotated[
        Path | None,
        typer.Option(help="Check the plugins this rover file names, with their settings."),
    ] = None,
) -> None:
    """Check plugins without touching hardware.

    Do they load, are their settings right, is every
    channel served once?
    """
    if rover is not None:
        _check_rover(rover)
        return
    plugins = discover(names)
    missing = sorted(set(names or ()) - {plugin.name for plugin in plugins})
    out = console()
    for name in missing:
        near = suggest(name, sorted(plugin.name for plugin in discover(None)))
        out.print(f"plugin {name}: not installed{near}", soft_wrap=True)
    for plugin in plugins:
        if not plugin.problem:
            out.print(f"{plugin.label}: good; brings {_brings(plugin)}", soft_wrap=True)
    _print_problems(out, plugins)
    if missing or any(plugin.problem for plugin in plugins):
        raise typer.Exit(Exit.PLUGIN)


@app.command("new", epilog=end_of_help("plugins new"))
def new(
    name: Annotated[str, typer.Argument(help="Name of the plugin, e.g. my-brake.")],
    into: Annotated[Path, typer.Option(help="Folder to put the project in.")] = Path(),
) -> None:
    """Write the project of a new brake plugin.

    Code, tests that pass at once, README.
    """
    for path in write_project(name, into):
        typer.echo(f"wrote {path}")
    # Of the environment that slipguard is in: another one would not find it.
    python, home = shlex.quote(sys.executable), into / name
    wanted = shlex.quote(f"{home.absolute()}[test]")
    typer.echo(
        f"next: {python} -m pip install -e {wanted} && {python} -m pytest {shlex.quote(str(home))}"
    )


def _check_rover(rover: Path) -> None:
    config = Config.load(rover)
    host = Host(config)
    out = console()
    servers = host.servers
    shown = table("channels", "channel", "plugin", "package", "when commands stop")
    for channel in CHANNELS:
        if channel in servers:
            plugin, device = servers[channel]
            cells = [plugin.name, plugin.package, str(device.when_silent)]
        else:
            cells = ["NONE", "", ""]
        shown.add_row(channel, *(Text(cell) for cell in cells))
    out.print(shown)
    for name, (plugin, _) in servers.items():
        if name not in CHANNELS:
            out.print(f"{name} is measured by {plugin.label}", soft_wrap=True)
    brakes = [channel for channel in host.unserved if channel != THROTTLE]
    if brakes:
        out.print(
            f"WARNING: no plugin serves {', '.join(brakes)}: these wheels cannot be braked.",
            style="bold red",
            soft_wrap=True,
        )
    if THROTTLE in host.unserved:
        out.print(
            "WARNING: no plugin serves throttle: slipguard cannot stop the motor.",
            style="bold red",
            soft_wrap=True,
        )
    elif servers[THROTTLE][1].when_silent.does == "holds_last":
        out.print(
            "WARNING: the throttle holds its last command for ever when commands stop: fit a "
            "hardware watchdog or a receiver with a fail-safe.",
            style="bold red",
            soft_wrap=True,
        )


def _brings(plugin: Plugin) -> str:
    return ", ".join(offer.kind for offer in plugin.offers)


def _facts(plugin: Plugin) -> dict[str, object]:
    return {
        "name": plugin.name,
        "package": plugin.package,
        "brings": [offer.kind for offer in plugin.offers],
        "problem": plugin.problem,
    }


def _print_problems(out: Console, plugins: tuple[Plugin, ...]) -> None:
    for plugin in plugins:
        if plugin.problem:
            out.print(f"{plugin.label}: {plugin.problem}", soft_wrap=True)
