"""Files a command makes: new ones, never over another unless told to."""

from __future__ import annotations

from pathlib import Path

import typer

from slipguard.errors import unwritable


def check_ending(option: str, path: Path | None, *endings: str) -> None:
    """Refuse a file whose name says that it holds something else.

    Raises
    ------
    typer.BadParameter
        The name has none of these endings.
    """
    if path is not None and not path.name.lower().endswith(endings):
        raise typer.BadParameter(
            f"{option} {path}: expected a name ending in {' or '.join(endings)}"
        )


def check_new(option: str, path: Path | None, *, force: bool) -> None:
    """Refuse a file that is there, unless it may be replaced.

    Raises
    ------
    typer.BadParameter
    """
    if path is not None and path.exists() and not force:
        raise typer.BadParameter(
            f"{option} {path}: already there; name another file, or give --force"
        )


def write_new(path: Path, text: str) -> None:
    """Write a file that is not there yet.

    Raises
    ------
    typer.BadParameter
        It is there already.
    RecordingError
        It cannot be written.
    """
    try:
        with path.open("x", encoding="utf-8", newline="\n") as file:
            file.write(text)
    except FileExistsError as err:
        raise typer.BadParameter(
            f"{path}: is there already and is not overwritten; name another file"
        ) from err
    except (OSError, ValueError) as err:
        raise unwritable(path, err) from err
