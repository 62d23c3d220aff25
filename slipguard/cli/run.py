"""``slipguard run``: the live loop, on the rover or on a desk."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import asdict, replace
from pathlib import Path
from typing import Annotated, Any

import typer

from slipguard.cli.console import console, table
from slipguard.cli.run_lines import AlertLines, JsonLines, Went, print_json
from slipguard.cli.run_view import View
from slipguard.commission import standing
from slipguard.config import Config
from slipguard.errors import SIMULATOR_NEEDED, ConfigError, unwritable
from slipguard.live import (
    Clock,
    LiveSettings,
    Loop,
    MonotonicClock,
    Recorder,
    Timing,
    VirtualClock,
    make_recorder,
    stop_on_signals,
)


def run(
    rover: Annotated[
        Path | None,
        typer.Option(help="The rover file. Default with simulate: the rover of the demo drives."),
    ] = None,
    source: Annotated[
        str,
        typer.Option(
            help="Where readings come from: plugins, replay:DRIVE or simulate:SCENARIO. With the "
            "last two no hardware is touched."
        ),
    ] = "plugins",
    beside: Annotated[
        list[str] | None,
        typer.Option(
            "--with",
            metavar="PLUGIN",
            help="With simulate and replay: this actuator of the rover file moves its hardware "
            "as that of the drive would. Wheels off the ground. May be repeated.",
        ),
    ] = None,
    record: Annotated[
        Path | None, typer.Option(help="Record the run in a new folder in this one.")
    ] = None,
    listen: Annotated[
        str | None,
        typer.Option(
            help="Take commands at udp:ADDRESS:PORT or unix:PATH. With simulate: you drive, not "
            "the scenario."
        ),
    ] = None,
    key_file: Annotated[
        Path | None, typer.Option(help="Key that signs commands; a must beyond this computer.")
    ] = None,
    rate: Annotated[
        float | None, typer.Option(min=10, max=1000, help="Rounds a second. Default: imu.rate_hz.")
    ] = None,
    speed: Annotated[
        float,
        typer.Option(
            min=0, help="Of replay and simulate: at most so many times real time; 0: no limit."
        ),
    ] = 1.0,
    seed: Annotated[int, typer.Option(min=0, help="Of simulate: varies ground and noise.")] = 1,
    check: Annotated[
        bool, typer.Option("--check", help="Open everything, arm, say what is wrong, end.")
    ] = False,
    json: Annotated[
        bool, typer.Option("--as-json", help="Print a JSON line every few rounds, for machines.")
    ] = False,
    json_every: Annotated[int, typer.Option(min=1, help="Rounds for each JSON line.")] = 20,
    view: Annotated[
        bool, typer.Option("--view/--no-view", help="Show the rover's state on the terminal.")
    ] = True,
) -> None:
    """Drive the rover, with help.

    Sensors and commands in, brakes and throttle out. Arms only when all checks pass. Ctrl-C or
    SIGTERM stops the rover gently, holds it and ends; a second one ends at once. First runs with
    all wheels off the ground, an independent hardware kill switch in reach.
    """
    _check_source(source)
    desk = source != "plugins"
    if speed != 1.0 and not desk:
        raise typer.BadParameter("--speed is for replay and simulate; a real rover has one speed")
    if beside and not desk:
        raise typer.BadParameter("--with is for simulate and replay; else every plugin works")
    if beside and rover is None:
        raise typer.BadParameter("--with: name the rover file with --rover FILE")
    if beside and speed != 1.0:
        raise typer.BadParameter("--with: real hardware has one speed; leave --speed out")
    if key_file is not None and desk and listen is None:
        raise typer.BadParameter("--key-file is for commands of --listen; add --listen")
    if json and check:
        raise typer.BadParameter("--check prints words, not JSON")
    config = _config(rover, source)
    settings = _settings(config, record, listen, key_file, rate)
    clock: Clock = MonotonicClock() if speed == 1.0 else VirtualClock(speed=speed or None)
    went = Went()
    with ExitStack() as stack:
        loop, finished = _loop(
            config, settings, source, seed, listen, clock, stack, rover, beside or []
        )
        if json:
            loop.watchers.append(stack.enter_context(JsonLines(json_every)).watch)
        elif view and not check and sys.stdout.isatty():
            shown = View(rover.name if rover is not None else source, loop)
            loop.watchers.append(stack.enter_context(shown).watch)
        else:
            loop.watchers.append(stack.enter_context(AlertLines()).watch)
        stack.callback(lambda: tell(loop.problems))
        loop.watchers.append(went.watch)
        stack.enter_context(stop_on_signals(loop))
        stack.enter_context(loop)
        warning = _not_commissioned(rover, config) if not desk else ""
        if warning:
            loop.tell("warning", warning)
        if check:
            loop.arm()
        else:
            loop.run(finished)
        folder = loop.recorder.folder if loop.recorder is not None else None
    if json:
        print_json({"timing": asdict(loop.timing), "recorded": folder and str(folder)})
    elif check:
        console().print("Armed: every check passed.")
    else:
        _print_end(loop.timing, folder, went, real_time=isinstance(clock, MonotonicClock))


def _check_source(source: str) -> None:
    kind, _, name = source.partition(":")
    if source != "plugins" and not (kind in ("replay", "simulate") and name):
        raise typer.BadParameter(
            f"--source {source}: expected plugins, replay:DRIVE or simulate:SCENARIO"
        )


def _not_commissioned(rover: Path | None, config: Config) -> str:
    """What is missing in the commissioning record; a record that cannot be read is none."""
    try:
        return standing(rover, config) if rover is not None else ""
    except ConfigError as err:
        return f"not commissioned: {err}"


def _config(rover: Path | None, source: str) -> Config:
    if rover is not None:
        return Config.load(rover)
    kind = source.partition(":")[0]
    if kind == "simulate":
        demo: Config = simulator().DEMO_ROVER
        return demo
    if kind == "replay":
        beside = _rover_file(rover, source)
        if beside is not None and beside.exists():
            return Config.load(beside)
        raise ConfigError(f"{beside}: not there; name the rover file with --rover FILE")
    raise typer.BadParameter("name the rover file with --rover FILE")


def _rover_file(rover: Path | None, source: str) -> Path | None:
    """The file that ``_config`` read; None: it read none."""
    kind, _, name = source.partition(":")
    return Path(name).parent / "rover.yaml" if rover is None and kind == "replay" else rover


def _settings(
    config: Config,
    record: Path | None,
    listen: str | None,
    key_file: Path | None,
    rate: float | None,
) -> LiveSettings:
    """Those of the rover file, with what the command line says instead."""
    settings = LiveSettings.of(config)
    changes: dict[str, Any] = {
        "record": str(record) if record is not None else None,
        "command": listen,
        "key_file": str(key_file) if key_file is not None else None,
        "rate_hz": rate,
    }
    return replace(settings, **{k: v for k, v in changes.items() if v is not None})


def _loop(
    config: Config,
    settings: LiveSettings,
    source: str,
    seed: int,
    listen: str | None,
    clock: Clock,
    stack: ExitStack,
    rover: Path | None,
    beside: Sequence[str],
) -> tuple[Loop, Any]:
    """The loop for a source, and what tells that the source has come to its end."""
    kind, _, name = source.partition(":")
    threads = not isinstance(clock, VirtualClock)
    parts: dict[str, Any] = {}
    finished: Any = lambda: False  # noqa: E731
    if kind == "replay":
        from slipguard.live.replayed import ReplayedSensors
        from slipguard.recording import open_recording

        drive = ReplayedSensors(open_recording(name), clock)
        host = drive.host(config, clock, threads=threads, beside=beside)
        parts = {"host": host, "operator": drive}
        finished = lambda: drive.finished  # noqa: E731
    elif kind == "simulate":
        simulator()
        from slipguard.cli.simulate import find_scenario
        from slipguard.live.simulated import SimulatedRover

        scenario = find_scenario(name, seed, config)
        made = SimulatedRover(scenario, config, seed, clock, driven_by_scenario=listen is None)
        host = made.host(config, clock, threads=threads, beside=beside)
        parts = {"host": host, "operator": made.operator}
        finished = lambda: made.finished  # noqa: E731
    if settings.record is not None:
        recorder = make_recorder(config, settings, _rover_file(rover, source)).start()
        if rover is None and kind == "simulate":
            text: str = simulator().DEMO_ROVER_YAML
            copy = recorder.folder / "rover.yaml"
            try:
                copy.write_text(text, encoding="utf-8")
            except OSError as err:
                raise unwritable(copy, err) from err
        stack.callback(close_recorder, recorder)
        parts["recorder"] = recorder
    loop = Loop(config, settings=settings, clock=clock, threads=threads, **parts)
    if kind == "simulate":
        loop.watchers += [made.steer_by] if listen is not None else []
        loop.watchers += [made.follow] if beside else []
    return loop, finished


def close_recorder(recorder: Recorder) -> None:
    """Finish a recording; say what was lost by that."""
    recorder.close()
    if recorder.problem:
        tell((f"recorder: {recorder.problem}",))


def tell(problems: Sequence[str]) -> None:
    """What went wrong while a run ended."""
    for problem in problems:
        typer.echo(f"slipguard: while it ended: {problem}", err=True)


def simulator() -> Any:
    """The simulator, or which extra brings it."""
    try:
        import slipguard.simulate as simulator
    except ModuleNotFoundError as err:
        if err.name != "mujoco":
            raise
        raise typer.BadParameter(SIMULATOR_NEEDED) from err
    return simulator


def _print_end(timing: Timing, folder: Path | None, went: Went, *, real_time: bool) -> None:
    out = console()
    out.print(str(went), soft_wrap=True)
    if folder is not None:
        out.print(f"recorded in {folder}", soft_wrap=True)
    if not real_time:
        out.print(f"{timing.rounds} rounds of {1e3 / timing.rate_hz:g} ms, not in real time")
        return
    shown = table("The loop", "", ">half below ms", ">99 % below ms", ">worst ms")
    for name, values in (
        ("late", (timing.late_p50_s, timing.late_p99_s, timing.late_worst_s)),
        ("work", (timing.work_p50_s, timing.work_p99_s, timing.work_worst_s)),
    ):
        shown.add_row(name, *(f"{1e3 * value:.3f}" for value in values))
    out.print(shown)
    out.print(
        f"{timing.rounds} rounds at {timing.rate_hz:g} Hz; {timing.overruns} took longer than "
        f"their period, {timing.skipped} {'was' if timing.skipped == 1 else 'were'} skipped"
    )
