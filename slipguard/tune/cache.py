"""Fused drives kept between runs, under a key made of all that they follow from."""

from __future__ import annotations

import hashlib
import os
import tempfile
from collections import OrderedDict
from functools import cache
from importlib.metadata import version
from pathlib import Path

import slipguard
from slipguard.config import CARRIED, Config
from slipguard.errors import RecordingError
from slipguard.tune.fused import Fused, fuse, load, save
from slipguard.tune.quick import Quick

CORE = ("fuse", "detect", "respond", "recording", "tune")
"""Folders whose code decides what a fused drive holds, beside single files of the package."""

IN_MEMORY = 8
"""Fused drives a process keeps at hand: some 60 MB each for an hour at 200 Hz."""


def default_folder() -> Path:
    """Where fused drives are kept: ``slipguard`` in the user's cache (XDG_CACHE_HOME)."""
    home = os.environ.get("XDG_CACHE_HOME")
    return (Path(home) if home else Path.home() / ".cache") / "slipguard"


def content_key(drive: Path, config: Config) -> str:
    """What a fused drive follows from, as one word: its bytes, the config, the code.

    All settings that the guard reads count, the thresholds too, since the brakes that are held
    fixed follow from them. Where the file lies and what it is called does not.

    Raises
    ------
    RecordingError
        The drive cannot be read.
    """
    digest = hashlib.sha256(code_digest(CORE).encode())
    for name in sorted(set(Config.__dataclass_fields__) - set(CARRIED)):
        digest.update(f"{name}={getattr(config, name)!r}\n".encode())
    try:
        with drive.open("rb") as file:
            while block := file.read(1 << 20):
                digest.update(block)
    except (OSError, ValueError) as err:
        reason = err.strerror if isinstance(err, OSError) else err
        raise RecordingError(f"{drive}: cannot read the drive: {reason}") from err
    # How a file is read depends on its name's end.
    digest.update("".join(drive.suffixes[-2:]).lower().encode())
    return digest.hexdigest()[:32]


def fused(drive: Path, config: Config, folder: Path, key: str) -> Fused:
    """The fused drive: from the cache, or fused now and kept there.

    A damaged file in the cache is made anew. A cache that cannot be written is done without.
    """
    path = folder / f"{key}.npz"
    kept = load(path)
    if kept is not None:
        return kept
    made = fuse(drive, config)
    part: Path | None = None
    try:
        folder.mkdir(parents=True, exist_ok=True)
        # Under another name first: two processes may do so at once, or one be killed.
        with tempfile.NamedTemporaryFile(dir=folder, suffix=".part", delete=False) as file:
            part = Path(file.name)
            save(made, file)
        os.replace(part, path)
    except OSError:
        if part is not None:
            part.unlink(missing_ok=True)
    return made


def quick(drive: Path, config: Config, folder: Path, key: str) -> Quick:
    """Detectors over a fused drive, kept at hand in this process."""
    if key in _at_hand:
        _at_hand.move_to_end(key)
        return _at_hand[key]
    made = _at_hand[key] = Quick(fused(drive, config, folder, key), config)
    while len(_at_hand) > IN_MEMORY:
        _at_hand.popitem(last=False)
    return made


_at_hand: OrderedDict[str, Quick] = OrderedDict()


@cache
def code_digest(folders: tuple[str, ...]) -> str:
    """Version of the package and a digest of the code in it that matters: development has none."""
    home = Path(slipguard.__file__).parent
    files = [*home.glob("*.py"), *(p for name in folders for p in (home / name).rglob("*.py"))]
    digest = hashlib.sha256(version("slipguard").encode())
    for path in sorted(files):
        digest.update(path.read_bytes())
    return digest.hexdigest()
