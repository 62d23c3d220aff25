"""What an import brings along. Not timed: a module that is not there cost nothing."""

from __future__ import annotations

import subprocess
import sys

import pytest

HEAVY = {
    "IPython",
    "filterpy",
    "llvmlite",
    "matplotlib",
    "mujoco",
    "numba",
    "pandas",
    "pyarrow",
    "pytest",
    "scipy",
}
"""Packages of which each takes longer to import than slipguard with numpy."""


def _loaded(code: str) -> set[str]:
    """Packages in memory after ``code``, in an interpreter of its own."""
    tell = "import sys; print(*{m.split('.')[0] for m in sys.modules})"
    run = subprocess.run(
        [sys.executable, "-c", f"{code}; {tell}"], capture_output=True, text=True, check=True
    )
    return set(run.stdout.split())


@pytest.mark.parametrize(
    "code",
    [
        "import slipguard",
        "import slipguard.recording, slipguard.replay, slipguard.summary, slipguard.score",
        "import slipguard.plugin, slipguard.live",
        "import slipguard.cli",
    ],
)
def test_heavy_packages_are_not_imported_before_they_are_used(code):
    """Reading a recording, a rover file or a help text waits for no plotting and no physics."""
    loaded = _loaded(code)
    assert "slipguard" in loaded
    assert not loaded & HEAVY


def test_the_front_door_does_without_the_command_line():
    """A program that embeds the guard does not pay for option parsing and coloured text."""
    assert not _loaded("import slipguard") & {"typer", "click", "rich", "asyncio", "http"}


def test_what_only_unix_has_is_not_needed_to_import():
    """Replay and tuning are wanted on any desk; what needs Unix may fail when it is used."""
    without = (
        "import signal, sys; del signal.SIGHUP; sys.modules.update(resource=None, fcntl=None); "
        "import slipguard.cli, slipguard.live, slipguard.tune"
    )
    assert "slipguard" in _loaded(without)


def test_what_is_not_imported_is_there_when_it_is_used():
    """The default engine is filterpy's: a guard that was built has loaded it, scipy with it."""
    build = (
        "from slipguard import Config, Guard; Guard(Config.parse('rover: {mass_kg: 5, wheelbase_m: "
        "0.4, track_m: 0.3, wheel_radius_m: 0.1, max_steer_deg: 20, steered: front, drive: open}\\n"
        "encoders: {counts_per_rev: 96}\\nimu: {accel_noise_mps2: 0.1, gyro_noise_radps: 0.01}'))"
    )
    assert {"filterpy", "scipy"} <= _loaded(build)
