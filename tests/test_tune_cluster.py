"""Tuning on a real cluster of separate processes, with a worker killed half way."""

from __future__ import annotations

import gzip
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from slipguard.cli import main
from slipguard.cli.exits import Exit

REPLAY = Path(__file__).parent.parent / "replay"
pytestmark = pytest.mark.cluster


@pytest.fixture
def cluster(tmp_path: Path) -> Iterator[tuple[str, list[subprocess.Popen[bytes]]]]:
    """A scheduler and two workers, each a process of its own: (address, workers)."""
    pytest.importorskip("distributed")
    address_file = tmp_path / "scheduler.json"
    # Nobody watches the workers: one that is killed stays dead.
    running = [_start("scheduler", "--port", "0", "--no-dashboard", "--host", "127.0.0.1",
                      "--scheduler-file", str(address_file))]  # fmt: skip
    try:
        while not address_file.exists():
            assert running[0].poll() is None
            time.sleep(0.1)
        address = json.loads(address_file.read_text(encoding="utf-8"))["address"]
        for _ in range(2):
            running.append(
                _start("worker", address, "--no-nanny", "--nthreads", "1", "--no-dashboard")
            )
        yield address, running[1:]
    finally:
        for process in running:
            process.kill()
            process.wait()


def _start(what: str, *arguments: str) -> subprocess.Popen[bytes]:
    command = [sys.executable, "-m", "dask", what, *arguments]
    return subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)


def _drives(folder: Path) -> None:
    """Four stretches of demo drives, labelled."""
    folder.mkdir()
    for name, seconds in (
        ("wet_clay_uphill", 7), ("root_ridges", 8), ("reverse_off_the_clay", 5), ("hill_start", 6),
    ):  # fmt: skip
        with gzip.open(REPLAY / f"{name}.csv.gz", "rt", encoding="utf-8") as whole:
            lines = [next(whole) for _ in range(200 * seconds)]
        (folder / f"{name}.csv").write_text("".join(lines), encoding="utf-8")
        events = "events: [{kind: wheel_spin, wheel: fl, start_s: 2.0, end_s: 4.0}]\n"
        (folder / f"{name}.yaml").write_text(events, encoding="utf-8")


def _arguments(tmp_path: Path, name: str, *more: str) -> list[str]:
    out = tmp_path / f"{name}.yaml"
    return [
        "tune", str(tmp_path / "drives"), "--rover", str(REPLAY / "rover.yaml"), "--sets", "32",
        "--folds", "2", "--out", str(out), "--json", str(out.with_suffix(".json")),
        "--cache", str(tmp_path / f"cache-{name}"), *more,
    ]  # fmt: skip


def test_a_worker_killed_half_way_loses_nothing_and_counts_nothing_twice(
    cluster, tmp_path, monkeypatch
):
    """The result of two workers, one of them killed, is that of one thread, digit for digit."""
    address, workers = cluster
    _drives(tmp_path / "drives")
    assert main(_arguments(tmp_path, "alone", "--workers", "1")) == Exit.DONE
    killed: list[int] = []
    search = __import__("slipguard.tune.search", fromlist=["tune"]).tune

    def watched(*args, progress, **kwargs):
        def told(what: str, done: int, of: int) -> None:
            progress(what, done, of)
            if what == "trying sets" and done >= 16 and not killed:
                os.kill(workers[0].pid, signal.SIGKILL)
                killed.append(workers[0].wait())

        return search(*args, progress=told, **kwargs)

    monkeypatch.setattr("slipguard.tune.tune", watched)
    assert main(_arguments(tmp_path, "cluster", "--cluster", address)) == Exit.DONE
    assert killed == [-signal.SIGKILL]
    assert workers[1].poll() is None
    for kind in ("json", "yaml"):
        alone = (tmp_path / f"alone.{kind}").read_text(encoding="utf-8")
        assert (tmp_path / f"cluster.{kind}").read_text(encoding="utf-8") == alone
    assert len(list((tmp_path / "cache-cluster").glob("*.npz"))) == 4, "fused by the workers"


def test_no_scheduler_is_said(tmp_path, monkeypatch, capsys):
    """One line instead of a wait without end."""
    pytest.importorskip("distributed")
    monkeypatch.setattr("slipguard.cli.tune.CONNECT_S", 0.5)
    _drives(tmp_path / "drives")
    arguments = _arguments(tmp_path, "none", "--cluster", "tcp://127.0.0.1:1")
    assert main(arguments) == Exit.USAGE
    assert "no scheduler answers there" in " ".join(capsys.readouterr().err.split())
