"""What the host expects of a plugin's objects, as base classes that hold the common part.

Public methods are called by the host and are finished here: they know whether the object is
open, check what passes through, and call the underscored methods, which an author writes.

Calls to one object come one at a time and, after ``open``, from one thread. Building an object
(``__init__``) must not touch hardware: ``open`` does, so that a rover file can be checked on a
desk.
"""

from __future__ import annotations

import contextlib
import math
from abc import ABC, abstractmethod
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, fields
from types import TracebackType
from typing import Any, Literal, Self, final

from slipguard.decision import Alert, Decision
from slipguard.errors import PluginError
from slipguard.reading import WHEELS, Reading

BRAKES = tuple(f"brake.{wheel}" for wheel in WHEELS)
THROTTLE = "throttle"
CHANNELS = (*BRAKES, THROTTLE)
"""What an actuator can serve: ``brake.fl`` .. ``brake.rr`` (0..1), ``throttle`` (-1..1)."""

DRIVER = ("throttle", "steer", "motor_enabled", "command_age_s")
"""The fields of a Reading that hold what the driver asks for. They come with the driver's
messages, whose age and signature are checked, never from a sensor source.
"""

MEASURES = tuple(f.name for f in fields(Reading) if f.name not in ("t_s", *DRIVER))
"""Every field of a Reading that a sensor source can provide; none is also a channel."""


_SILENT_WORDS = {
    "holds_last": "holds the last command for ever",
    "releases": "releases",
    "applies": "applies",
}


@dataclass(frozen=True, slots=True)
class WhenSilent:
    """What the HARDWARE does when commands stop coming: a killed process, a dead board.

    Software can do nothing then, so this is what the rover is left with.

    Attributes
    ----------
    does : str
        ``'holds_last'``: keeps the last command for ever. ``'releases'``: the brake lets go,
        the motor goes to neutral. ``'applies'``: the brake closes.
    after_s : float
        Its own time-out before it does so, seconds; 0 means at once. No meaning for
        ``'holds_last'``.
    """

    does: str
    after_s: float = 0.0

    def __post_init__(self) -> None:
        if self.does not in _SILENT_WORDS:
            known = ", ".join(_SILENT_WORDS)
            raise ValueError(f"does: found {self.does!r}, expected one of {known}")
        if not (math.isfinite(self.after_s) and self.after_s >= 0):
            raise ValueError(f"after_s: found {self.after_s!r}, expected seconds of at least 0")

    def __str__(self) -> str:
        words = _SILENT_WORDS[self.does]
        if self.does == "holds_last":
            return words
        return f"{words} after {self.after_s:g} s" if self.after_s else f"{words} at once"


@dataclass(frozen=True, slots=True, kw_only=True)
class Health:
    """What a plugin knows about its own hardware.

    Attributes
    ----------
    failed : tuple of str
        Channels (or Reading fields, for a source) that do not work now.
    message : str
        What is wrong, for the driver.
    position : mapping of str to float
        Measured position by channel, 0..1, of those that measure it.
    temperature_c : mapping of str to float
        Measured temperature by channel, degrees Celsius.
    counts : mapping of str to int
        Running totals of faults worth knowing, e.g. ``{'crc_errors': 3}``.
    """

    failed: tuple[str, ...] = ()
    message: str = ""
    position: Mapping[str, float] = field(default_factory=dict)
    temperature_c: Mapping[str, float] = field(default_factory=dict)
    counts: Mapping[str, int] = field(default_factory=dict)


HEALTHY = Health()


def commands(decision: Decision, channels: tuple[str, ...]) -> dict[str, float]:
    """The part of a decision that concerns ``channels``.

    Raises
    ------
    ValueError
        A value that is not finite or out of range, naming channel, value and limits.
    """
    values = dict(zip(BRAKES, decision.brakes, strict=True))
    values[THROTTLE] = decision.throttle
    chosen = {channel: values[channel] for channel in channels}
    for channel, value in chosen.items():
        low = -1.0 if channel == THROTTLE else 0.0
        # Written so that NaN, which compares false with everything, is refused too.
        if not (math.isfinite(value) and low <= value <= 1.0):
            raise ValueError(f"{channel}: found {value!r}, expected a number from {low:g} to 1")
    return chosen


class _Device(ABC):
    """Built, then open, then closed: the life of every plugin object."""

    name: str = ""
    """The plugin's name, given by the host."""
    deadline_s: float = 0.005
    """How long one call may take before the host goes on without it, seconds."""

    _state: Literal["built", "open", "closed"] = "built"

    @final
    @property
    def is_open(self) -> bool:
        """Whether commands are accepted now."""
        return self._state == "open"

    @final
    def open(self) -> None:
        """Take hold of the hardware. Called once."""
        if self._state != "built":
            raise PluginError(f"{self._label()} was opened before; build a new one")
        try:
            self._open()
        except BaseException:
            self._state = "closed"
            with contextlib.suppress(Exception):  # the first error is the one to tell
                self._close()
            raise
        self._state = "open"

    @final
    def close(self) -> None:
        """Let go of the hardware, in its safe state. Calling it again does nothing."""
        was, self._state = self._state, "closed"
        if was == "open":
            self._leave()

    def __enter__(self) -> Self:
        if not self.is_open:
            self.open()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    @abstractmethod
    def _open(self) -> None:
        """Take hold of the hardware."""

    @abstractmethod
    def _close(self) -> None:
        """Let go of the hardware; also called when ``_open`` failed half way."""

    def _leave(self) -> None:
        self._close()

    def _check_open(self, call: str) -> None:
        if self._state != "open":
            what = "is closed" if self._state == "closed" else "is not open yet"
            raise PluginError(f"{self._label()} {what}: {call} refused")

    def _label(self) -> str:
        return self.name or type(self).__name__


class Actuator(_Device):
    """Something that moves: it turns decisions into pulses, frames, volts.

    An author sets ``channels`` and ``when_silent`` (on the class, or in ``__init__`` where they
    follow from the settings) and writes ``_open``, ``_write``, ``_safe_state`` and ``_close``;
    ``_health`` where the hardware can tell.
    """

    channels: tuple[str, ...]
    """The channels it serves, out of ``CHANNELS``."""
    when_silent: WhenSilent
    """What its hardware does when commands stop."""

    @final
    def apply(self, decision: Decision) -> None:
        """Put its share of a decision on the hardware.

        Raises
        ------
        ValueError
            A command that is not finite or out of range; the hardware keeps what it had.
        PluginError
            It is not open.
        """
        self._check_open("apply")
        command = commands(decision, self.channels)
        _call(self._write, command, decision)

    @final
    def safe_state(self, reason: str) -> None:
        """Go to the state the rover may be left in: motor neutral, brakes as the plugin's
        settings say (on, unless the builder chose otherwise). At once, without slew; ``apply``
        may follow.
        """
        self._check_open("safe_state")
        _call(self._safe_state, reason)

    @final
    def health(self) -> Health:
        """What it knows about its hardware; no slower than ``apply``."""
        self._check_open("health")
        health = self._health()
        _check_health(health, self.channels)
        return health

    @abstractmethod
    def _write(self, command: Mapping[str, float], decision: Decision) -> None:
        """Put ``command`` on the hardware: channel to value, finite and in range.

        Take the time from ``decision.t_s``.
        """

    @abstractmethod
    def _safe_state(self, reason: str) -> None:
        """Motor neutral, brakes where they may be left, at once."""

    def _health(self) -> Health:
        return HEALTHY

    def _leave(self) -> None:
        try:
            self._safe_state("closing")
        finally:
            self._close()


class AlertSink(_Device):
    """Somewhere alerts go. Each sink has a thread of its own, so it may be slow.

    An author writes ``_open``, ``_send`` and ``_close``; ``_update`` where it shows the state.
    """

    deadline_s: float = 5.0
    state_period_s: float | None = None
    """How often ``update`` wants the newest decision, seconds; None: never."""

    @final
    def send(self, alert: Alert) -> None:
        """Pass one alert on."""
        self._check_open("send")
        _call(self._send, alert)

    @final
    def update(self, decision: Decision) -> None:
        """Show the newest decision; those in between were dropped."""
        self._check_open("update")
        _call(self._update, decision)

    @abstractmethod
    def _send(self, alert: Alert) -> None:
        """Pass one alert on; raise where that failed, and it is tried again."""

    def _update(self, decision: Decision) -> None:
        raise NotImplementedError(f"{self._label()} sets state_period_s but has no _update")


class SensorSource(_Device):
    """Something that measures. Asked once a loop for what is new.

    An author sets ``provides`` and writes ``_open``, ``_read`` and ``_close``; ``_health``
    where faults are counted.
    """

    provides: tuple[str, ...]
    """The fields of ``Reading`` it fills, e.g. ``('counts',)``."""

    @final
    def read(self) -> Reading | None:
        """What is new since the last call, without waiting for it; None: nothing.

        Its ``t_s`` is left aside: the loop takes what it is given for news of the round that asks.
        How old values are on arrival is said in the rover file, e.g. ``imu.delay_s``.
        """
        self._check_open("read")
        reading = self._read()
        if reading is None:
            return None
        if not isinstance(reading, Reading):
            raise TypeError(f"_read returned {reading!r}, expected a Reading or None")
        for name in (*MEASURES, *DRIVER):
            if name not in self.provides and getattr(reading, name) is not None:
                raise ValueError(f"_read filled {name!r}, but provides only {self.provides}")
        return reading

    @final
    def health(self) -> Health:
        """What it knows about its hardware; no slower than ``read``."""
        self._check_open("health")
        health = self._health()
        _check_health(health, self.provides)
        return health

    @abstractmethod
    def _read(self) -> Reading | None:
        """What is new since the last call, without waiting for it."""

    def _health(self) -> Health:
        return HEALTHY


def _call(method: Callable[..., Any], *arguments: Any) -> None:
    """Call an author's method that is to return nothing, and insist on it."""
    returned = method(*arguments)
    if returned is not None:
        raise TypeError(
            f"{method.__name__} returned {returned!r}, expected None: raise where it failed"
        )


def _check_health(health: Any, names: tuple[str, ...]) -> None:
    if not isinstance(health, Health):
        raise TypeError(f"_health returned {health!r}, expected a Health")
    for where in (health.failed, health.position, health.temperature_c):
        for name in where:
            if name not in names:
                raise ValueError(f"_health names {name!r}, which is not one of {names}")
    for name, value in health.position.items():
        if not (math.isfinite(value) and 0.0 <= value <= 1.0):
            raise ValueError(f"_health: position of {name} is {value!r}, expected 0 to 1")


def check_object(kind: str, made: Any) -> None:
    """Refuse an object whose declarations do not hold.

    Raises
    ------
    PluginError
        What is declared and what is expected.
    """
    label = type(made).__name__
    if not (isinstance(made.deadline_s, int | float) and 0 < made.deadline_s < math.inf):
        raise PluginError(f"{label}.deadline_s is {made.deadline_s!r}, expected seconds above 0")
    if kind == "actuator":
        _check_names(label, "channels", getattr(made, "channels", None), CHANNELS)
        if not isinstance(getattr(made, "when_silent", None), WhenSilent):
            raise PluginError(
                f"{label}.when_silent is missing; expected e.g. WhenSilent('releases')"
            )
    elif kind == "sensor source":
        _check_provides(label, getattr(made, "provides", None))


def _check_provides(label: str, names: Any) -> None:
    for name in DRIVER:
        if isinstance(names, tuple) and name in names:
            raise PluginError(
                f"{label}.provides names {name!r}, which is the driver's: what the driver asks "
                "for comes as messages (live.command) or through an Operator, never from a sensor"
            )
    _check_names(label, "provides", names, MEASURES)


def _check_names(label: str, what: str, names: Any, known: tuple[str, ...]) -> None:
    expected = f"expected some of {', '.join(known)}"
    if not isinstance(names, tuple) or not names or len(set(names)) != len(names):
        raise PluginError(f"{label}.{what} is {names!r}; {expected}, each once, as a tuple")
    for name in names:
        if name not in known:
            raise PluginError(f"{label}.{what} names {name!r}; {expected}")
