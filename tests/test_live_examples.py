"""The examples around the live loop: the brake plugin passes the kit, the unit file is sound."""

from __future__ import annotations

import configparser
import os
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from slipguard.cli.exits import MEANING
from slipguard.live import LiveSettings

EXAMPLES = Path(__file__).parent.parent / "examples"


@pytest.mark.large
def test_the_example_plugin_passes_its_tests(tmp_path):
    """A plugin from nothing, as an author would have it; installed without a network."""
    home = shutil.copytree(EXAMPLES / "brake_plugin", tmp_path / "plugin")
    project = tomllib.loads((home / "pyproject.toml").read_text())["project"]
    info = home / "slipguard_pwm_brake-0.1.0.dist-info"
    info.mkdir()
    (info / "METADATA").write_text(f"Name: {project['name']}\nVersion: {project['version']}\n")
    ((group, names),) = project["entry-points"].items()
    lines = [f"[{group}]", *(f"{name} = {value}" for name, value in names.items())]
    (info / "entry_points.txt").write_text("\n".join(lines) + "\n")
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-p", "no:cacheprovider"],
        cwd=home,
        env={
            **os.environ,
            "PYTHONPATH": os.pathsep.join([str(home), os.environ.get("PYTHONPATH", "")]),
        },
        capture_output=True,
        text=True,
        timeout=120,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert "100%" in done.stdout


def test_the_unit_file_says_what_the_program_does():
    """Names that systemd knows (systemd.service(5)), exit codes that mean what the comment says."""
    unit = configparser.ConfigParser(strict=True)
    unit.optionxform = str
    unit.read(EXAMPLES / "slipguard.service")
    service = unit["Service"]
    assert service["Type"] == "notify"
    assert float(service["WatchdogSec"]) >= 4 * 0.2, "beats come every 0.2 s"
    assert float(service["TimeoutStopSec"]) > LiveSettings().stop_within_s + 5
    assert service["KillSignal"] == "SIGTERM"
    for code in service["RestartPreventExitStatus"].split():
        assert int(code) in {int(known) for known in MEANING}
    words = service["ExecStart"].split()
    assert words[1] == "run"
    assert {"--rover", "--record", "--no-view"} <= set(words)
