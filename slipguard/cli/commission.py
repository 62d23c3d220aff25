"""``slipguard commission``: the bench before the field, item by item, and a signed record."""

from __future__ import annotations

import datetime
import queue
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack
from dataclasses import replace
from importlib.metadata import version
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.padding import Padding
from rich.text import Text

from slipguard.cli.console import console, table
from slipguard.cli.run import close_recorder, simulator, tell
from slipguard.commission import (
    CAUTION,
    Item,
    Result,
    items,
    record_path,
    record_text,
    save_record,
)
from slipguard.config import Config
from slipguard.errors import ArmingError, RecordingError
from slipguard.live import LiveSettings, Loop, VirtualClock, make_recorder, stop_on_signals
from slipguard.live.commissioning import SIMULATED_MARK, Session, judge_recording
from slipguard.recording import Row, open_recording

Tried = Iterator[Result]


def commission(
    rover: Annotated[
        Path | None,
        typer.Option(help="The rover file. Default with simulate: the rover of the demo drives."),
    ] = None,
    source: Annotated[
        str,
        typer.Option(
            help="plugins: the rover itself. replay:DRIVE: judge a recorded session again. "
            "simulate: a simulated bench, where somebody's hands do it all; nothing moves."
        ),
    ] = "plugins",
    who: Annotated[str | None, typer.Option(help="Who signs the record.")] = None,
    only: Annotated[
        list[str] | None,
        typer.Option(help="Only this item (wheel: all that begin so). May be repeated; no record."),
    ] = None,
    record: Annotated[
        Path | None, typer.Option(help="Record the session in a new folder in this one.")
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(help="Where the record goes. Default: ROVER.commissioned.yaml beside it."),
    ] = None,
    again: Annotated[
        bool, typer.Option("--again", help="There is a record already: keep it under a new name.")
    ] = False,
    rehearse: Annotated[
        bool,
        typer.Option(
            "--rehearse", help="With simulate: you answer at the keyboard, as at the real rover."
        ),
    ] = False,
    seed: Annotated[int, typer.Option(min=0, help="Of simulate: varies the noise.")] = 1,
    listed: Annotated[bool, typer.Option("--list", help="Say what is tried, and end.")] = False,
) -> None:
    """Try every wire on the bench, before the first drive.

    Wheels off the ground. Wheels turned by hand, brakes pressed one by one, the IMU tilted, the
    kill switch and a cut link tried, then a first crawl. When all is passed a record is written,
    and 'slipguard run' no longer warns.
    """
    config = _config(rover, source)
    chosen = _chosen(items(config), only or [])
    if listed:
        _print_list(chosen)
        return
    if rehearse and source != "simulate":
        raise typer.BadParameter("--rehearse is for --source simulate; a real rover asks anyhow")
    path = out if out is not None else (record_path(rover) if rover is not None else None)
    if source == "simulate":
        path, who = out, who or "nobody: a simulated bench"
    writes = path is not None and not only
    if writes:
        _check_record(path, who, again)
    print_item = _printer()
    with ExitStack() as stack:
        results = list(
            _tried(stack, config, chosen, rover, source, record, seed, rehearse, print_item)
        )
    failed = [r.key for r in results if r.state == "failed"]
    missing = [item.key for item in chosen if item.key not in {r.key for r in results}]
    left = [("failed: ", failed, "; mend it"), ("not tried: ", missing, "")]
    if failed or missing:
        said = "; ".join(f"{word}{', '.join(keys)}{do}" for word, keys, do in left if keys)
        raise ArmingError(f"not commissioned. {said}. --only ITEM tries one again, without record")
    if writes and path is not None:
        text = record_text(
            results,
            config,
            rover=rover.name if rover is not None else "the demo rover",
            source=source.removeprefix("replay:"),
            who=who or "",
            date=datetime.date.today().isoformat(),
            version=version("slipguard"),
        )
        kept = save_record(path, text, again=again)
        if kept is not None:
            typer.echo(f"the older record is now {kept}")
        typer.echo(f"wrote {path}")
    elif only:
        typer.echo("Passed. A part of the items makes no record; leave --only out for one.")
    else:
        typer.echo("Passed. A simulated bench makes no record, unless --out FILE says where.")


def _config(rover: Path | None, source: str) -> Config:
    kind, _, name = source.partition(":")
    if source not in ("plugins", "simulate") and not (kind == "replay" and name):
        raise typer.BadParameter(f"--source {source}: expected plugins, simulate or replay:DRIVE")
    if rover is not None:
        return Config.load(rover)
    if source == "simulate":
        demo: Config = simulator().DEMO_ROVER
        return demo
    raise typer.BadParameter("name the rover file with --rover FILE")


def _chosen(all_items: Sequence[Item], only: Sequence[str]) -> list[Item]:
    for name in only:
        if not any(item.key.startswith(name) for item in all_items):
            known = ", ".join(item.key for item in all_items)
            raise typer.BadParameter(f"--only {name}: expected one of {known}")
    return [i for i in all_items if not only or any(i.key.startswith(name) for name in only)]


def _check_record(path: Path | None, who: str | None, again: bool) -> None:
    """Before an hour of work: can it be signed and written?"""
    if not who:
        raise typer.BadParameter("say who signs the record: --who NAME (or --only, without record)")
    if path is not None and path.exists() and not again:
        raise typer.BadParameter(f"{path}: already there; --again keeps it under a new name")


def _tried(
    stack: ExitStack,
    config: Config,
    chosen: Sequence[Item],
    rover: Path | None,
    source: str,
    record: Path | None,
    seed: int,
    rehearse: bool,
    show: Callable[[Item, Result], None],
) -> Tried:
    """Results as they come, each shown."""
    kind, _, name = source.partition(":")
    if kind == "replay":
        by_key = {item.key: item for item in chosen}
        for result in judge_recording(_rows(name), config, chosen):
            show(by_key[result.key], result)
            yield result
        return
    settings = LiveSettings.of(config)
    if record is not None:
        settings = replace(settings, record=str(record))
    parts: dict[str, Any] = {}
    bench: Any = None
    if kind == "simulate":
        simulator()
        from slipguard.live.on_blocks import BenchRover

        clock = VirtualClock()
        bench = BenchRover(config, seed, clock)
        host = bench.host(config, clock, threads=False)
        parts = {"host": host, "operator": bench, "clock": clock, "threads": False}
    if settings.record is not None:
        recorder = make_recorder(config, settings, rover).start()
        stack.callback(close_recorder, recorder)
        if rover is None:
            text: str = simulator().DEMO_ROVER_YAML
            (recorder.folder / "rover.yaml").write_text(text, encoding="utf-8")
        parts["recorder"] = recorder
    loop = Loop(config, settings=settings, **parts)
    session = Session(loop, simulated=bench is not None)
    stack.callback(lambda: tell(loop.problems))
    stack.enter_context(stop_on_signals(loop))
    stack.enter_context(loop)
    console().print(CAUTION)
    loop.arm()
    failed: list[str] = []
    keys = _Keys() if bench is None or rehearse else None
    for item in chosen:
        if loop.stopping:
            return
        waits = item.waits_for(failed)
        if waits:
            result = Result(key=item.key, state="failed", cause=f"waits for {', '.join(waits)}")
        elif keys is None:
            bench.do(item)
            result = session.try_out(item, bench.done)
        else:
            result = _by_hand(session, item, keys, show, bench)
        if loop.stopping:
            return
        if result.state == "failed":
            failed.append(item.key)
        if keys is None or waits:
            show(item, result)
        yield result


def _rows(drive: str) -> Iterator[Row]:
    """Those of a real session."""
    for row in open_recording(drive):
        if SIMULATED_MARK in (row.marker or ""):
            raise RecordingError(
                f"{drive}:{row.line}: marker: recorded on the simulated bench; a record is signed "
                "for a rover somebody tried"
            )
        yield row


DONE = "Enter when it is done; s REASON skips it; q ends."
FAILED = "Enter tries it again; n leaves it failed and goes on; q ends."


def _by_hand(
    session: Session,
    item: Item,
    keys: _Keys,
    show: Callable[[Item, Result], None],
    bench: Any = None,
) -> Result:
    """Try one item until it is passed, or somebody gives up.

    With a simulated ``bench`` its hands begin when Enter says that it is done; its time stands
    still while somebody reads.
    """
    loop = session.loop
    while True:
        typer.echo(f"\n{item.key}: {item.title}")
        console().print(Padding(item.do, (0, 0, 0, 2)))
        keys.ask(DONE, "sq")
        if bench is None:
            result = session.try_out(item, keys.pressed)
        else:
            while not keys.pressed() and not loop.stopping:
                time.sleep(0.02)
        word = keys.take()
        if word.startswith("s"):
            result = Result(key=item.key, state="skipped", cause=f"skipped: {word[1:].strip()}")
        elif word == "q" or loop.stopping:
            loop.stop("ended by the builder")
            return Result(key=item.key, state="failed", cause="ended by the builder")
        elif bench is not None:
            bench.do(item)
            result = session.try_out(item, bench.done)
        show(item, result)
        if result.state != "failed" or loop.stopping:
            return result
        keys.ask(FAILED, "nq")
        if bench is None:
            session.idle(keys.pressed)
        else:
            while not keys.pressed() and not loop.stopping:
                time.sleep(0.02)
        word = keys.take()
        if word == "q":
            loop.stop("ended by the builder")
        if word or loop.stopping:
            return result


class _Keys:
    """Lines typed, without anybody waiting for them: the loop runs on. The end of input is q."""

    def __init__(self) -> None:
        self._lines: queue.SimpleQueue[str] = queue.SimpleQueue()
        self._line: str | None = None
        self._question, self._letters = "", ""
        threading.Thread(target=self._serve, name="slipguard keys", daemon=True).start()

    def _serve(self) -> None:
        for line in sys.stdin:
            self._lines.put(line.strip())
        self._lines.put("q")

    def ask(self, question: str, letters: str) -> None:
        """Ask; Enter or one of the letters answers. What was typed before does not, but for q."""
        while not self._lines.empty():
            if self._lines.get() == "q":
                self._lines.put("q")
                break
        self._question, self._letters, self._line = question, letters, None
        typer.echo(f"  {question}")

    def pressed(self) -> bool:
        """Whether an answer waits to be taken; what is none is told."""
        while self._line is None and not self._lines.empty():
            line = self._lines.get()
            letter, _, reason = line.partition(" ")
            if letter == "s" == self._letters[0] and not reason.strip():
                typer.echo("  Say why, for the record: s no brake on this wheel")
            elif not line or (letter in self._letters and (letter == "s" or not reason)):
                self._line = line
            else:
                typer.echo(f"  {line!r} is no answer. {self._question}")
        return self._line is not None

    def take(self) -> str:
        """That answer; empty when there is none."""
        line, self._line = self._line, None
        return line or ""


def _printer() -> Callable[[Item, Result], None]:
    out = console()

    def show(item: Item, result: Result) -> None:
        value = "" if result.value is None else f"{result.value + 0.0:.3g}, must be {result.limits}"
        out.print(Text(f"{result.state:7} {item.key}: {item.title}", style="bold"))
        for name, words in (
            ("compared", value),
            ("seen", result.seen),
            ("likely", result.cause),
            ("do", result.remedy),
        ):
            if words:
                out.print(Text(f"        {name}: {words}"))

    return show


def _print_list(chosen: Sequence[Item]) -> None:
    shown = table("What is tried, in this order", "item", "what to do")
    for item in chosen:
        shown.add_row(item.key, Text(item.do))
    console().print(shown)
    console().print(CAUTION)
