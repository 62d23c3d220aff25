"""The operator's commands: what a message looks like, and which ones are believed.

No socket in here: bytes and times go in, commands and answers come out.

**A message** is one datagram: a JSON object, and, where a key is used, a line end and the
HMAC-SHA256 (RFC 2104, FIPS 180-4) of the bytes before that line end, as 64 hexadecimal digits::

    {"token": "", "seq": 7, "sent_s": 812.25, "age_s": 0.01,
     "throttle": 0.2, "steer": -0.1, "motor_enabled": true}

=================== ============================================================================
``token``           what the rover last answered; ``""`` at first
``seq``             whole number that grows with every message
``sent_s``          the sender's monotonic clock as it sends, seconds
``age_s``           how old the stick's position was then, seconds
``throttle``        -1..1
``steer``           -1..1, left positive
``motor_enabled``   true or false
=================== ============================================================================

**The answer** to a message with an unknown token is ``{"token": "..."}``, signed alike: the
sender uses it from then on. A token is random and good for one session, so a sender that was
started again is let in, and nothing recorded in an earlier session ever is. In a session the
sequence must grow, so no message counts twice. While one sender drives, others wait until it
has been silent for a time; the guard has lost the link by then, and asks for neutral.

**Age.** A command's age is the stick's, plus what the message took longer than the quickest one
of its session, plus the time since: a message held up in a queue is old when it arrives.
"""

from __future__ import annotations

import hmac
import json
import math
import secrets
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

MOST_BYTES = 1024
MOST_AGE_S = 3600.0
DRIFT = 2e-4
"""Share by which two clocks may run apart; crystals stay within half of it. Judgement."""

UNREADABLE = "unreadable"
UNSIGNED = "wrong signature"
REPEATED = "repeated or out of order"
OTHER_SENDER = "another sender drives"
NO_TOKEN = "asked for a token"


class BadMessageError(ValueError):
    """A message that cannot be a command, and why."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Message:
    """One message as it was sent."""

    token: str
    seq: int
    sent_s: float
    age_s: float
    throttle: float
    steer: float
    motor_enabled: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Command:
    """What the operator asks for, and how old that is now, seconds. None: no new value."""

    throttle: float | None
    steer: float | None
    motor_enabled: bool | None
    age_s: float | None


def sign(body: bytes, key: bytes | None) -> bytes:
    """The datagram for a body: signed where there is a key."""
    if key is None:
        return body
    return body + b"\n" + hmac.digest(key, body, "sha256").hex().encode()


def verify(datagram: bytes, key: bytes | None) -> bytes | None:
    """The body of a datagram; None when its signature is wrong or missing."""
    body, _, signature = datagram.partition(b"\n")
    if key is None:
        return body
    right = hmac.digest(key, body, "sha256").hex().encode()
    return body if hmac.compare_digest(right, signature.strip()) else None


def decode(body: bytes) -> Message:
    """Read a message.

    Raises
    ------
    BadMessageError
        What was found and what was expected.
    """
    try:
        found = json.loads(body, object_pairs_hook=_once, parse_constant=_no_number)
    except (ValueError, RecursionError) as err:  # UnicodeDecodeError is a ValueError
        raise BadMessageError(f"not JSON: {err}") from None
    if not isinstance(found, dict):
        raise BadMessageError(f"found a {type(found).__name__}, expected an object")
    expected = Message.__slots__
    if found.keys() != set(expected):
        raise BadMessageError(f"found keys {sorted(found)}, expected {sorted(expected)}")
    token, enabled = found["token"], found["motor_enabled"]
    if not isinstance(token, str) or not isinstance(enabled, bool):
        raise BadMessageError("expected a text as token, true or false as motor_enabled")
    if type(found["seq"]) is not int or not 0 <= found["seq"] < 2**63:
        raise BadMessageError(f"seq: found {found['seq']!r}, expected a whole number from 0")
    return Message(
        token=token,
        seq=found["seq"],
        sent_s=_number(found, "sent_s", -1e12, 1e12),
        age_s=_number(found, "age_s", 0.0, MOST_AGE_S),
        throttle=_number(found, "throttle", -1.0, 1.0),
        steer=_number(found, "steer", -1.0, 1.0),
        motor_enabled=enabled,
    )


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) != len(pairs):
        raise ValueError("a key is given twice")
    return found


def _no_number(word: str) -> float:
    raise ValueError(f"{word} is no number in JSON (RFC 8259, section 6)")


def _number(found: dict[str, Any], key: str, low: float, high: float) -> float:
    value = found[key]
    if type(value) not in (int, float) or not low <= value <= high:  # NaN compares false
        raise BadMessageError(f"{key}: found {value!r}, expected a number from {low:g} to {high:g}")
    return float(value)


class Receiver:
    """Decides which messages count.

    Parameters
    ----------
    key : bytes or None
        Every message must be signed with it.
    silence_s : float
        The sender that drives must have been silent for so long before another one may.
    make_token : callable, optional
        A new random token each call.
    """

    def __init__(
        self,
        key: bytes | None,
        silence_s: float,
        make_token: Callable[[], str] = lambda: secrets.token_hex(16),
    ) -> None:
        self.accepted = 0
        self.refused: Counter[str] = Counter()
        self.last_problem = ""
        self._key = key
        self._silence_s = silence_s
        self._make_token = make_token
        self._token: str | None = None  # of the sender that drives
        self._seq = -1
        self._offered = make_token()  # to the next one
        self._offered_seq = -1
        self._newest: Message | None = None
        self._at_s = -math.inf
        self._age_s = 0.0  # on arrival
        self._fastest_s = 0.0  # smallest difference of the clocks seen in this session

    def receive(self, datagram: bytes, now_s: float) -> bytes | None:
        """Take one datagram that arrived at ``now_s``; the answer to send back, if any."""
        if len(datagram) > MOST_BYTES:
            self._refuse(UNREADABLE, f"more than {MOST_BYTES} bytes")
            return None
        body = verify(datagram, self._key)
        if body is None:
            self._refuse(UNSIGNED, "is the key the same on both sides?")
            return None
        try:
            message = decode(body)
        except BadMessageError as err:
            self._refuse(UNREADABLE, str(err))
            return None
        if message.token == self._token:
            if message.seq <= self._seq or self._clock_went_back(message):
                self._refuse(REPEATED, f"seq {message.seq} after {self._seq}")
                return None
        elif message.token == self._offered:
            if message.seq <= self._offered_seq:
                self._refuse(REPEATED, f"seq {message.seq} after {self._offered_seq}")
                return None
            self._offered_seq = message.seq  # also when it must wait: it was seen
            if now_s - self._at_s <= self._silence_s:
                self._refuse(OTHER_SENDER, f"until it is silent for {self._silence_s:g} s")
                return None
            self._token, self._newest = self._offered, None
            self._offered, self._offered_seq = self._make_token(), -1
        else:
            self.refused[NO_TOKEN] += 1
            return sign(json.dumps({"token": self._offered}).encode(), self._key)
        self._accept(message, now_s)
        return None

    def command(self, now_s: float) -> Command | None:
        """The newest command, aged; None before the first."""
        newest = self._newest
        if newest is None:
            return None
        return Command(
            throttle=newest.throttle,
            steer=newest.steer,
            motor_enabled=newest.motor_enabled,
            age_s=self._age_s + max(0.0, now_s - self._at_s),
        )

    def _accept(self, message: Message, now_s: float) -> None:
        difference_s = now_s - message.sent_s
        if self._newest is None:
            self._fastest_s = difference_s
        else:
            drifted_s = self._fastest_s + DRIFT * max(0.0, now_s - self._at_s)
            self._fastest_s = min(drifted_s, difference_s)
        self._age_s = message.age_s + difference_s - self._fastest_s
        self._newest, self._at_s, self._seq = message, now_s, message.seq
        self.accepted += 1

    def _clock_went_back(self, message: Message) -> bool:
        return self._newest is not None and message.sent_s < self._newest.sent_s

    def _refuse(self, reason: str, detail: str) -> None:
        self.refused[reason] += 1
        self.last_problem = f"{reason}: {detail}"
