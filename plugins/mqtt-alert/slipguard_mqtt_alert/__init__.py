"""Alerts and the rover's state, as JSON, to an MQTT broker."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from slipguard import Alert, Decision
from slipguard.plugin import AlertSink, Register, hookimpl, setting

LEVELS = ("info", "warning", "critical")
CLOSE_WITHIN_S = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Tls:
    """An encrypted connection. The broker's name is always checked against its certificate."""

    ca_file: str | None = setting(
        None, doc="certificate of who signed the broker's; none: those the system trusts"
    )
    cert_file: str | None = setting(None, doc="our own certificate, where the broker wants one")
    key_file: str | None = setting(None, doc="the key of cert_file")

    def __post_init__(self) -> None:
        if (self.cert_file is None) != (self.key_file is None):
            raise ValueError("cert_file: expected together with key_file")


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """The plugin's section of the rover file."""

    host: str = setting("localhost", doc="the broker")
    port: int | None = setting(None, low=1, high=65535, doc="none: 1883, or 8883 with tls")
    topic: str = setting("rover", doc="topics are topic/alert, topic/state and topic/status")
    client_id: str = setting("slipguard", doc="name at the broker; each rover its own")
    user: str | None = setting(None, doc="user at the broker")
    password_file: str | None = setting(None, doc="file that holds the password on its first line")
    tls: Tls | None = setting(None, doc="encrypt: {} for the system's authorities; none: plain")
    least_level: str = setting("info", choices=LEVELS, doc="quieter alerts are not sent")
    state_period_s: float | None = setting(
        0.5, unit="s", low=0.05, high=3600, doc="how often the state is sent; none: never"
    )
    keepalive_s: int = setting(
        10, unit="s", low=2, high=600, doc="a rover silent for 1.5 times this is called offline"
    )
    longest_pause_s: int = setting(
        30, unit="s", low=1, high=3600, doc="pauses between tries to connect double up to this"
    )

    def __post_init__(self) -> None:
        # MQTT 3.1.1, sections 4.7.1 and 4.7.2: wildcards and names of the broker's own.
        if not self.topic or any(c in self.topic for c in "+#\0") or self.topic.startswith("$"):
            raise ValueError(
                f"topic: found {self.topic!r}, expected a name without +, # and without $ in front"
            )
        if self.password_file is not None and self.user is None:
            raise ValueError("password_file: expected together with user")


class MqttAlert(AlertSink):
    """Publishes; connects, and connects again, in the background.

    ``topic/status`` is retained and ``{"online": true}`` while connected; the broker itself sets
    it to false when the rover falls silent (last will).
    """

    def __init__(self, settings: Settings) -> None:
        self._settings = settings
        self.state_period_s = settings.state_period_s
        self._port = settings.port or (1883 if settings.tls is None else 8883)
        self._client: Any = None
        self._trouble = "still connecting"

    @property
    def is_connected(self) -> bool:
        """Whether the broker is reached now."""
        return self._client is not None and bool(self._client.is_connected())

    def _open(self) -> None:
        from paho.mqtt.client import Client
        from paho.mqtt.enums import CallbackAPIVersion

        settings = self._settings
        client = Client(CallbackAPIVersion.VERSION2, client_id=settings.client_id)
        if settings.user is not None:
            client.username_pw_set(settings.user, _password(settings.password_file))
        if settings.tls is not None:
            client.tls_set(settings.tls.ca_file, settings.tls.cert_file, settings.tls.key_file)
        client.will_set(self._topic("status"), _json({"online": False}), qos=1, retain=True)
        client.reconnect_delay_set(1, settings.longest_pause_s)
        client.on_connect = self._connected
        client.on_connect_fail = self._not_connected
        client.on_disconnect = self._disconnected
        # The loop's thread connects; a broker that is away does not hold up the start.
        client.connect_async(settings.host, self._port, keepalive=settings.keepalive_s)
        client.loop_start()
        self._client = client

    def _send(self, alert: Alert) -> None:
        if LEVELS.index(alert.level) < LEVELS.index(self._settings.least_level):
            return
        message = {
            "t_s": alert.t_s,
            "level": alert.level,
            "topic": alert.topic,
            "wheel": alert.wheel,
            "message": alert.message,
        }
        self._publish("alert", message, qos=1, retain=False)

    def _update(self, decision: Decision) -> None:
        self._publish("state", state(decision), qos=0, retain=True)

    def _close(self) -> None:
        if self._client is None:
            return
        if self.is_connected:
            info = self._client.publish(
                self._topic("status"), _json({"online": False}), qos=1, retain=True
            )
            info.wait_for_publish(CLOSE_WITHIN_S)
        self._client.disconnect()
        self._client.loop_stop()
        self._client = None

    def _publish(self, name: str, message: dict[str, Any], *, qos: int, retain: bool) -> None:
        # Not left to the library's own queue: that one keeps the oldest when it is full.
        if not self.is_connected:
            where = f"{self._settings.host}:{self._port}"
            raise ConnectionError(f"not connected to {where}: {self._trouble}")
        info = self._client.publish(self._topic(name), _json(message), qos=qos, retain=retain)
        if info.rc != 0:
            raise ConnectionError(f"not sent: MQTT error {info.rc}")

    def _topic(self, name: str) -> str:
        return f"{self._settings.topic}/{name}"

    # Called in the client's own thread.

    def _connected(self, client: Any, data: Any, flags: Any, reason: Any, more: Any) -> None:
        if reason.is_failure:
            self._trouble = f"the broker refuses: {reason}"
            return
        client.publish(self._topic("status"), _json({"online": True}), qos=1, retain=True)

    def _not_connected(self, client: Any, data: Any) -> None:
        self._trouble = "the broker is not reached"

    def _disconnected(self, client: Any, data: Any, flags: Any, reason: Any, more: Any) -> None:
        if not self._trouble.startswith("the broker refuses"):
            self._trouble = f"connection lost: {reason}"


def state(decision: Decision) -> dict[str, Any]:
    """What ``topic/state`` shows: SI units, wheel order fl, fr, rl, rr."""
    estimate = decision.estimate
    return {
        "t_s": decision.t_s,
        "speed_mps": estimate.speed_mps,
        "speed_sd_mps": estimate.speed_sd_mps,
        "grade_rad": estimate.grade_rad,
        "slip_mps": estimate.slip_mps,
        "throttle": decision.throttle,
        "throttle_limit": decision.throttle_limit,
        "brakes": decision.brakes,
        "hold": str(decision.hold),
        "findings": [
            {"kind": f.kind, "wheel": f.wheel, "since_s": f.since_s, "reason": f.reason}
            for f in decision.findings
        ],
    }


def _json(message: dict[str, Any]) -> str:
    return json.dumps(_finite(message), allow_nan=False)


def _finite(value: Any) -> Any:
    """JSON knows no NaN and no infinity: null."""
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, dict):
        return {key: _finite(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [_finite(inner) for inner in value]
    return value


def _password(path: str | None) -> str | None:
    if path is None:
        return None
    return Path(path).read_text(encoding="utf-8").partition("\n")[0]


@hookimpl
def slipguard_register(register: Register) -> None:
    """Hand over the broker."""
    register.alert_sink(MqttAlert, Settings)
