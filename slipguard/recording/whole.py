"""A file that is there whole or not at all, whatever happens while it is written."""

from __future__ import annotations

import secrets
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from slipguard.errors import RecordingError, unwritable


@contextmanager
def part_of(path: Path) -> Iterator[Path]:
    """A new, empty file beside ``path`` to write to; move it there once it is whole.

    Left where it is, it is removed. Its name is one that nobody has and no drive could have: what
    a power cut leaves behind is not taken for a drive.

    Raises
    ------
    RecordingError
        It cannot be written; also what was raised inside, with the name of ``path``.
    """
    part = path.with_name(f".{path.name}.{secrets.token_hex(4)}.part")
    try:
        part.touch(exist_ok=False)
    except (OSError, ValueError) as err:  # ValueError: a NUL character in the path
        raise unwritable(path, err) from err
    try:
        yield part
    except RecordingError as err:
        raise RecordingError(str(err).replace(str(part), str(path))) from err
    except OSError as err:
        raise unwritable(path, err) from err
    finally:
        part.unlink(missing_ok=True)
