"""Who watches the loop: a thread that finds it hanging, and signs of life for whoever watches us.

While rounds are completed, a heartbeat file is touched and systemd is told. When they stop the
thread sends every actuator to its safe state by itself, and the signs of life end, so that
systemd kills and restarts the program. The file is touched from a thread of its own: a disk that
hangs ends the heartbeat, not the watching. None of this helps against a dead computer: there the
actuators' own time-out and the hardware must act.
"""

from __future__ import annotations

import contextlib
import os
import socket
import threading
from collections.abc import Callable
from pathlib import Path

LOOK_EVERY_S = 0.02
BEAT_EVERY_S = 0.2


def notify(state: str) -> None:
    """Tell systemd, as sd_notify(3) says: a datagram to the socket in ``NOTIFY_SOCKET``.

    Without systemd, or when it does not listen, nothing happens.
    """
    address = os.environ.get("NOTIFY_SOCKET", "")
    if address[:1] not in ("/", "@"):
        return
    if address[0] == "@":  # Linux's abstract names
        address = "\0" + address[1:]
    with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as sender:
        sender.setblocking(False)
        sender.sendto(state.encode(), address)


class Watchdog:
    """Looks whether rounds are completed.

    Parameters
    ----------
    last_s : callable
        When the last round was completed; None while the loop is not to be watched.
    clock : callable
        The clock of ``last_s``.
    stall_s : float
        A pause that is a hang.
    panic : callable
        Called once a hang, with the reason.
    heartbeat_file : path, optional
        Touched while the loop is alive.
    """

    def __init__(
        self,
        last_s: Callable[[], float | None],
        clock: Callable[[], float],
        stall_s: float,
        panic: Callable[[str], None],
        heartbeat_file: str | os.PathLike[str] | None = None,
        notify: Callable[[str], None] = notify,
    ) -> None:
        self.hangs = 0
        self._last_s = last_s
        self._clock = clock
        self._stall_s = stall_s
        self._panic = panic
        self._file = Path(heartbeat_file) if heartbeat_file is not None else None
        self._notify = notify
        self._hanging = False
        self._beat_s = float("-inf")
        self._due = threading.Event()
        self._end = threading.Event()

    def check(self) -> None:
        """Look once. Never waits for the disk: a heartbeat that is due is left to ``touch``."""
        now_s, last_s = self._clock(), self._last_s()
        if last_s is None:
            return
        paused_s = now_s - last_s
        if paused_s <= self._stall_s:
            self._hanging = False
            if now_s - self._beat_s >= BEAT_EVERY_S:
                self._beat_s = now_s
                self._beat()
        elif not self._hanging:
            self._hanging = True
            self.hangs += 1
            self._panic(f"the loop has not completed a round for {paused_s:.2f} s")

    def touch(self) -> None:
        """Touch the heartbeat file, if that is due."""
        if self._file is not None and self._due.is_set():
            self._due.clear()
            with contextlib.suppress(OSError):  # no beat is what its reader must notice
                self._file.touch()

    def start(self) -> None:
        """Look from a thread, and touch the file from another."""
        threading.Thread(target=self._serve, name="slipguard watchdog", daemon=True).start()
        if self._file is not None:
            threading.Thread(
                target=self._serve_file, name="slipguard heartbeat", daemon=True
            ).start()

    def stop(self) -> None:
        """Look no more."""
        self._end.set()
        self._due.set()

    def _serve(self) -> None:
        while not self._end.wait(LOOK_EVERY_S):
            self.check()

    def _serve_file(self) -> None:
        while self._due.wait() and not self._end.is_set():
            self.touch()

    def _beat(self) -> None:
        self._notify("WATCHDOG=1")
        self._due.set()
