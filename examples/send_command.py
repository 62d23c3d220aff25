"""Send commands to a running rover. Needs nothing but Python, so copy it to the driver's computer.

    python examples/send_command.py                                   # neutral for a second
    python examples/send_command.py --throttle 0.2 --steer 0.1 --seconds 3
    python examples/send_command.py --keys                            # drive with the keyboard
    python examples/send_command.py --to udp:192.0.2.7:18700 --key-file drive.key --keys

What a message looks like is written down in slipguard.live.command. Try it without a rover:

    slipguard run --source simulate:mixed_drive --listen udp:ADDRESS:18700

Wheels off the ground first, kill switch in hand. Without --keys the script drives by itself.
"""

from __future__ import annotations

import argparse
import contextlib
import hmac
import json
import os
import select
import socket
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

LOOPBACK = socket.inet_ntoa(socket.INADDR_LOOPBACK.to_bytes(4, "big"))
RATE_HZ = 50.0
KEYS = "w faster   s slower, reverse   a left   d right   space neutral   q quit"


class Sender:
    """Sends the position of the stick; learns the rover's token from its answers."""

    def __init__(self, address: str, key: bytes | None) -> None:
        self.answers = 0
        self._key = key
        self._token = ""
        self._seq = 0
        self._here: Path | None = None
        kind, _, place = address.partition(":")
        if kind == "unix":
            self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
            self._here = Path(tempfile.mkdtemp()) / "sender"  # for the answers
            self._socket.bind(str(self._here))
            self._to: object = place
        else:
            host, _, port = place.rpartition(":")
            host = host.strip("[]")
            family = socket.AF_INET6 if ":" in host else socket.AF_INET
            self._socket = socket.socket(family, socket.SOCK_DGRAM)
            self._to = (host, int(port))
        self._socket.setblocking(False)

    def send(self, throttle: float, steer: float, motor_enabled: bool = True) -> None:
        """Send one command; call it often, the rover stops when none comes."""
        self._listen()
        message = {
            "token": self._token,
            "seq": self._seq,
            "sent_s": time.monotonic(),
            "age_s": 0.0,  # the stick is read right now
            "throttle": throttle,
            "steer": steer,
            "motor_enabled": motor_enabled,
        }
        self._seq += 1
        with contextlib.suppress(OSError):  # nobody there (yet): send on
            self._socket.sendto(self._signed(json.dumps(message).encode()), self._to)

    def close(self) -> None:
        """Let go."""
        self._socket.close()
        if self._here is not None:
            self._here.unlink()
            self._here.parent.rmdir()

    def _listen(self) -> None:
        while True:
            try:
                answer = self._socket.recv(1024)
            except OSError:  # nothing there
                return
            body = answer.partition(b"\n")[0]
            if hmac.compare_digest(answer, self._signed(body)):
                self._token = json.loads(body)["token"]
                self.answers += 1

    def _signed(self, body: bytes) -> bytes:
        if self._key is None:
            return body
        return body + b"\n" + hmac.digest(self._key, body, "sha256").hex().encode()


def drive(sender: Sender, stick: Callable[[float], tuple[float, float] | None]) -> None:
    """Send where the stick is until it is None, then neutral for a moment."""
    start_s = time.monotonic()
    while (position := stick(time.monotonic() - start_s)) is not None:
        sender.send(*position)
        time.sleep(1 / RATE_HZ)
    for _ in range(10):
        sender.send(0.0, 0.0)
        time.sleep(1 / RATE_HZ)


def planned(
    throttle: float, steer: float, seconds: float
) -> Callable[[float], tuple[float, float] | None]:
    """Neutral first, because the rover waits for it, then what was asked."""

    def stick(t_s: float) -> tuple[float, float] | None:
        if t_s < 0.5:
            return 0.0, 0.0
        return (throttle, steer) if t_s < 0.5 + seconds else None

    return stick


class Keyboard:
    """A stick that stays where the keys put it."""

    def __init__(self) -> None:
        self.throttle = self.steer = 0.0

    def __call__(self, t_s: float) -> tuple[float, float] | None:
        while select.select([sys.stdin], [], [], 0)[0]:
            key = os.read(sys.stdin.fileno(), 1).decode(errors="ignore")
            if key in ("q", ""):
                return None
            self.throttle += {"w": 0.05, "s": -0.05}.get(key, 0.0)
            self.steer += {"a": 0.1, "d": -0.1}.get(key, 0.0)
            if key == " ":
                self.throttle = self.steer = 0.0
            self.throttle = max(-1.0, min(1.0, round(self.throttle, 2)))
            self.steer = max(-1.0, min(1.0, round(self.steer, 1)))
            print(f"\rthrottle {self.throttle:+.2f}   steer {self.steer:+.1f}   ", end="")
        return self.throttle, self.steer


def drive_with_keys(sender: Sender) -> None:
    """Read single keys as long as it takes."""
    import termios
    import tty

    before = termios.tcgetattr(sys.stdin)
    try:
        tty.setcbreak(sys.stdin)
        print(KEYS)
        drive(sender, Keyboard())
    finally:
        termios.tcsetattr(sys.stdin, termios.TCSADRAIN, before)
        print()


def main() -> None:
    """Parse the command line and drive."""
    parser = argparse.ArgumentParser(description="Send commands to a running rover.")
    parser.add_argument("--to", default=f"udp:{LOOPBACK}:18700", help="udp:ADDRESS:PORT, unix:PATH")
    parser.add_argument("--key-file", type=Path, help="the key the rover uses")
    parser.add_argument("--throttle", type=float, default=0.0)
    parser.add_argument("--steer", type=float, default=0.0)
    parser.add_argument("--seconds", type=float, default=0.5)
    parser.add_argument("--keys", action="store_true", help="drive with the keyboard")
    asked = parser.parse_args()
    key = asked.key_file.read_bytes().strip() if asked.key_file else None
    sender = Sender(asked.to, key)
    try:
        if asked.keys:
            drive_with_keys(sender)
        else:
            drive(sender, planned(asked.throttle, asked.steer, asked.seconds))
    finally:
        sender.close()
    if sender.answers:
        print("the rover answered")
    else:
        print(f"no answer from {asked.to}: is slipguard run going, and the key the same?")


if __name__ == "__main__":
    main()
