"""What is signed: date, who, which rover file, each item; and whether it still holds."""

from __future__ import annotations

import hashlib
import json
import os
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from slipguard.commission.result import Result
from slipguard.config import Config
from slipguard.errors import RecordingError, unwritable
from slipguard.section import Section, dump_yaml, load_section, read_text

SIMULATED = "simulate"
CARRIED = ("plugins", "live")
UNREAD = ("sim", "hardware", "calibration")
"""Sections that nothing on the rover reads; changing them changes no wire."""


def config_hash(config: Config) -> str:
    """SHA-256 over every setting that drives the rover; comments and order do not count."""
    kept = {
        name: _plain(getattr(config, name) if name in CARRIED else asdict(getattr(config, name)))
        for name in config.__dataclass_fields__
        if name not in UNREAD
    }
    text = json.dumps(kept, sort_keys=True, default=str)
    return hashlib.sha256(text.encode()).hexdigest()


def record_path(rover: str | os.PathLike[str]) -> Path:
    """Where the record of a rover file lies: ``rover.yaml`` -> ``rover.commissioned.yaml``."""
    path = Path(rover)
    return path.with_name(f"{path.stem}.commissioned.yaml")


def record_text(
    results: Sequence[Result],
    config: Config,
    *,
    rover: str,
    source: str,
    who: str,
    date: str,
    version: str,
) -> str:
    """The record as YAML.

    Parameters
    ----------
    results : sequence of Result
        One for each item.
    rover : str
        Name of the rover file.
    source : str
        ``'plugins'``, ``'simulate'``, or the name of a recording.
    who, date, version : str
        Who signs, when, and with which slipguard; nothing here looks at a clock.
    """
    document = {
        "date": date,
        "who": who,
        "rover": rover,
        "source": source,
        "config_sha256": config_hash(config),
        "slipguard": version,
        "items": {result.key: _item(result) for result in results},
    }
    head = "# Written by slipguard commission. A record of what was tried, not a certificate.\n"
    return head + dump_yaml(document, width=100, allow_unicode=True)


def _item(result: Result) -> dict[str, Any]:
    values = {
        "state": result.state,
        "value": None if result.value is None else float(f"{result.value:.4g}"),
        "limits": result.limits,
        "seen": result.seen,
        "why": result.cause,
    }
    return {name: value for name, value in values.items() if value not in (None, "")}


def save_record(path: Path, text: str, *, again: bool) -> Path | None:
    """Write the record, whole or not at all; an older one is kept under a new name.

    Returns
    -------
    Path or None
        Where the older one is now.

    Raises
    ------
    RecordingError
        It cannot be written, or one is there and ``again`` is False.
    """
    try:
        with tempfile.NamedTemporaryFile(
            "w", encoding="utf-8", newline="\n", dir=path.parent, suffix=".tmp", delete=False
        ) as file:
            made = Path(file.name)
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        try:
            kept = _keep(path) if again and path.exists() else None
            os.link(made, path)  # fails where one is there
        finally:
            made.unlink()
    except FileExistsError as err:
        raise RecordingError(f"{path}: already there; keep it, or say --again") from err
    except OSError as err:
        raise unwritable(path, err) from err
    return kept


def _keep(path: Path) -> Path:
    """Give an older record the next free name."""
    for number in range(1, 1000):
        other = path.with_name(f"{path.stem}.{number}{path.suffix}")
        if not other.exists():
            path.rename(other)
            return other
    raise RecordingError(f"{path}: a thousand older records lie beside it; move them away")


def standing(rover: str | os.PathLike[str], config: Config) -> str:
    """What the driver should know about the record of a rover file; empty: it is in order.

    Raises
    ------
    ConfigError
        There is a record, but it cannot be read: file, line and key.
    """
    path = record_path(rover)
    if not path.exists():
        return (
            f"not commissioned: no {path.name} beside the rover file; wheels off the ground, then "
            f"slipguard commission --rover {rover}"
        )
    record = load_section(read_text(path, "commissioning record"), str(path))
    known = record.get("config_sha256")
    if not isinstance(known, str):
        raise record.error("config_sha256", "missing; expected what slipguard commission wrote")
    if known != config_hash(config):
        return (
            f"the rover file was changed since it was commissioned on {record.get('date')}: try "
            "what changed, wheels off the ground, with slipguard commission"
        )
    if record.get("source") == SIMULATED:
        return "commissioned on the simulated bench only: no wire of this rover was tried"
    left = skipped(record)
    if left:
        return f"commissioned on {record.get('date')}, but without {', '.join(left)}"
    return ""


def skipped(record: Section) -> list[str]:
    """Items of a record that were not passed."""
    if "items" not in record:
        raise record.error("items", "missing; expected what slipguard commission wrote")
    found = []
    for key, item in record.section("items").items():
        if not isinstance(item, Mapping) or item.get("state") != "passed":
            found.append(key)
    return found


def _plain(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {str(key): _plain(v) for key, v in value.items()}
    return [_plain(v) for v in value] if isinstance(value, list | tuple) else value
