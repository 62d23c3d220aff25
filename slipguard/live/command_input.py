"""Where the operator's commands arrive: a UDP or Unix datagram socket, read without waiting."""

from __future__ import annotations

import contextlib
import ipaddress
import os
import socket
import stat
from pathlib import Path
from typing import Protocol

from slipguard.errors import ConfigError
from slipguard.live.command import MOST_BYTES, NO_TOKEN, Command, Receiver

MOST_A_ROUND = 64
"""Datagrams read in one round: a flood must not hold up the loop."""
LEAST_KEY_BYTES = 16
TOLD_EVERY_S = 10.0


class Operator(Protocol):
    """Whoever delivers the operator's commands."""

    def poll(self, now_s: float) -> Command | None:
        """The newest command, aged; None before the first. Never waits, never raises."""

    def news(self, now_s: float) -> str | None:
        """Something the driver should be told, once."""

    def close(self) -> None:
        """Let go."""


class CommandInput:
    """Commands from a socket.

    Parameters
    ----------
    address : str
        ``udp:ADDRESS:PORT`` or ``unix:PATH``.
    key : bytes, optional
        See ``slipguard.live.command``; a must where others than this computer can send.
    silence_s : float
        How long the sender that drives must be silent before another one may.

    Raises
    ------
    ConfigError
        The address cannot be used, or not without a key.
    """

    def __init__(self, address: str, key: bytes | None = None, *, silence_s: float = 0.6) -> None:
        self.receiver = Receiver(key, silence_s)
        self._told_s = float("-inf")
        self._told = 0
        self._path: Path | None = None
        kind, _, place = address.partition(":")
        if kind == "udp":
            self._socket = _bind_udp(address, place, key)
        elif kind == "unix":
            self._path = Path(place)
            self._socket = _bind_unix(address, self._path)
        else:
            raise _error(address, "expected udp:ADDRESS:PORT or unix:PATH")
        self._socket.setblocking(False)

    @property
    def address(self) -> str:
        """Where it listens."""
        if self._path is not None:
            return f"unix:{self._path}"
        host, port = self._socket.getsockname()[:2]
        return f"udp:[{host}]:{port}" if ":" in host else f"udp:{host}:{port}"

    def poll(self, now_s: float) -> Command | None:
        """Read what has arrived; the newest command."""
        for _ in range(MOST_A_ROUND):
            try:
                datagram, sender = self._socket.recvfrom(MOST_BYTES + 1)
            except BlockingIOError:
                break
            except OSError:  # e.g. an answer that could not be delivered: not ours to mend
                continue
            answer = self.receiver.receive(datagram, now_s)
            if answer is not None and sender:
                with contextlib.suppress(OSError):
                    self._socket.sendto(answer, sender)
        return self.receiver.command(now_s)

    def news(self, now_s: float) -> str | None:
        """That messages were refused, and why; told every ten seconds at most."""
        refused = self.receiver.refused
        total = sum(refused.values()) - refused[NO_TOKEN]
        if total == self._told or now_s - self._told_s < TOLD_EVERY_S:
            return None
        new, self._told, self._told_s = total - self._told, total, now_s
        return f"{new} command messages refused; the last one {self.receiver.last_problem}"

    def close(self) -> None:
        """Stop listening."""
        self._socket.close()
        if self._path is not None:
            self._path.unlink(missing_ok=True)


def read_key(path: str | os.PathLike[str]) -> bytes:
    """The key in a file, white space around it left out.

    Raises
    ------
    ConfigError
        It cannot be read, is too short, or others may read it.
    """
    try:
        with open(path, "rb") as file:
            mode = os.fstat(file.fileno()).st_mode
            key = file.read(4096).strip()
    except (OSError, ValueError) as err:
        reason = err.strerror if isinstance(err, OSError) else err
        raise ConfigError(f"{path}: cannot read the key: {reason}") from err
    if len(key) < LEAST_KEY_BYTES:
        raise ConfigError(
            f"{path}: found a key of {len(key)} bytes, expected at least {LEAST_KEY_BYTES}; make "
            "one with: openssl rand -hex 32"
        )
    if mode & (stat.S_IRWXG | stat.S_IRWXO):
        raise ConfigError(f"{path}: others may read this key; make it yours with: chmod 600")
    return key


def _bind_udp(address: str, place: str, key: bytes | None) -> socket.socket:
    host, _, port = place.rpartition(":")
    host = host.removeprefix("[").removesuffix("]")
    try:
        ip = ipaddress.ip_address("127.0.0.1" if host == "localhost" else host)
        number = int(port)
    except ValueError as err:
        raise _error(address, f"expected udp:ADDRESS:PORT, ADDRESS in numbers: {err}") from None
    if not 0 <= number < 2**16:
        raise _error(address, f"found port {number}, expected 0 to 65535")
    if not ip.is_loopback and key is None:
        raise _error(
            address,
            "found no key, expected key_file (or --key-file): whoever reaches this address could "
            "drive the rover",
        )
    made = socket.socket(socket.AF_INET6 if ip.version == 6 else socket.AF_INET, socket.SOCK_DGRAM)
    return _bound(made, (str(ip), number), address)


def _bind_unix(address: str, path: Path) -> socket.socket:
    if not str(path) or str(path) == ".":
        raise _error(address, "expected unix:PATH")
    made = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    if path.is_socket():
        try:
            made.connect(str(path))  # somebody listens: leave it alone
        except OSError:
            path.unlink(missing_ok=True)  # left behind by a program that was killed
        else:
            made.close()
            raise _error(address, "another program listens there")
    old = os.umask(0o177)  # only this user may send
    try:
        return _bound(made, str(path), address)
    finally:
        os.umask(old)


def _bound(made: socket.socket, where: object, address: str) -> socket.socket:
    try:
        made.bind(where)  # type: ignore[arg-type]
    except OSError as err:
        made.close()
        raise _error(address, f"cannot listen: {err.strerror or err}") from err
    return made


def _error(address: str, problem: str) -> ConfigError:
    return ConfigError(f"live.command {address}: {problem}")
