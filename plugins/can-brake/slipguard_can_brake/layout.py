"""Which message and signal of a DBC file means what."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Any


@dataclass(frozen=True, slots=True)
class Layout:
    """Messages and signals found in the DBC file.

    Attributes
    ----------
    command : cantools message
        The one that carries every brake command.
    signals : mapping of str to cantools signal
        Command signal by wheel.
    counter : cantools signal or None
        The command's alive counter.
    statuses : mapping of int to (str, cantools message)
        Wheel and message by frame id.
    """

    command: Any
    signals: Mapping[str, Any]
    counter: Any
    statuses: Mapping[int, tuple[str, Any]]


@cache
def _database(path: str | None) -> Any:
    import cantools

    if path is None:
        text = (resources.files("slipguard_can_brake") / "brakes.dbc").read_text("ascii")
    else:
        text = Path(path).read_text("cp1252")
    return cantools.database.load_string(text, database_format="dbc")


def read_layout(
    path: str | None,
    command: str,
    signals: Mapping[str, str],
    counter: str | None,
    statuses: Mapping[str, str],
    status_signals: Mapping[str, str | None],
) -> Layout:
    """Find everything the settings name in the DBC file.

    Raises
    ------
    ValueError
        ``key: what is wrong``, the key being that of the settings.
    """
    try:
        database = _database(path)
    except OSError as err:
        raise ValueError(f"dbc: cannot read {path}: {err.strerror}") from err
    except Exception as err:  # cantools raises errors of its parser's own kinds
        first = str(err).strip().splitlines()[0]
        raise ValueError(f"dbc: {path} is no DBC file: {first}") from err
    message = _message(database, command, "command")
    found = {wheel: _signal(message, name, "signals") for wheel, name in signals.items()}
    for wheel, signal in found.items():
        if signal.maximum is None or not signal.maximum > 0:
            raise ValueError(f"signals: {wheel}: {signal.name} has no maximum in the DBC file")
    by_id = {}
    for wheel, name in statuses.items():
        status = _message(database, name, "status")
        for key, signal_name in status_signals.items():
            if signal_name is not None:
                _signal(status, signal_name, key)
        by_id[status.frame_id] = (wheel, status)
    alive = _signal(message, counter, "counter_signal") if counter is not None else None
    return Layout(message, found, alive, by_id)


def _message(database: Any, name: str, key: str) -> Any:
    for message in database.messages:
        if message.name == name:
            return message
    known = ", ".join(message.name for message in database.messages)
    raise ValueError(f"{key}: no message {name!r} in the DBC file; it has {known}")


def _signal(message: Any, name: str, key: str) -> Any:
    for signal in message.signals:
        if signal.name == name:
            return signal
    known = ", ".join(signal.name for signal in message.signals)
    raise ValueError(f"{key}: no signal {name!r} in {message.name}; it has {known}")
