"""Decisions, alerts and plugins out of thin air, for tests of plugins."""

from __future__ import annotations

import textwrap
from collections.abc import Callable
from dataclasses import fields
from typing import Any, get_type_hints

from slipguard.config import Config
from slipguard.decision import Alert, Decision, Hold
from slipguard.estimate import Estimate
from slipguard.finding import Finding
from slipguard.plugin.discover import Plugin
from slipguard.plugin.register import Register
from slipguard.reading import Quad

ROVER = """\
rover: {mass_kg: 5.0, wheelbase_m: 0.36, track_m: 0.30, wheel_radius_m: 0.075,
        max_steer_deg: 25, steered: front, drive: open}
encoders: {counts_per_rev: 96, direction: quadrature}
imu: {accel_noise_mps2: 0.08, gyro_noise_radps: 0.004}
plugins:
"""


def make_config(plugins: str = "") -> Config:
    """A rover whose ``plugins:`` section is ``plugins``, YAML lines indented by any amount.

    The section begins on line 6 of a file called ``rover.yaml``.
    """
    return Config.parse(ROVER + textwrap.indent(textwrap.dedent(plugins), "  "), "rover.yaml")


def make_estimate(t_s: float = 0.0, **values: Any) -> Estimate:
    """An estimate at rest on level ground, but for ``values``."""
    blank: dict[Any, Any] = {float: 0.0, Quad: (0.0, 0.0, 0.0, 0.0), bool: False, int: 0}
    hints = get_type_hints(Estimate)
    filled = {f.name: blank.get(hints[f.name]) for f in fields(Estimate)}
    return Estimate(**{**filled, "t_s": t_s, **values})


def make_decision(
    t_s: float = 0.0,
    *,
    brakes: Quad = (0.0, 0.0, 0.0, 0.0),
    throttle: float = 0.0,
    throttle_limit: float = 1.0,
    alerts: tuple[Alert, ...] = (),
    findings: tuple[Finding, ...] = (),
    hold: Hold = Hold.OFF,
    estimate: Estimate | None = None,
) -> Decision:
    """A decision as the guard would give it; nothing is validated."""
    return Decision(
        t_s=t_s,
        throttle=throttle,
        throttle_limit=throttle_limit,
        brakes=brakes,
        findings=findings,
        alerts=alerts,
        hold=hold,
        estimate=estimate if estimate is not None else make_estimate(t_s),
    )


def make_alert(message: str = "rear left wheel spins", **values: Any) -> Alert:
    """An alert about a spinning wheel, but for ``values``."""
    filled = {"t_s": 0.0, "level": "warning", "topic": "wheel_spin", "wheel": "rl"}
    return Alert(**{**filled, "message": message, **values})


def make_plugin(
    name: str,
    *,
    actuator: Callable[..., Any] | None = None,
    alert_sink: Callable[..., Any] | None = None,
    sensor_source: Callable[..., Any] | None = None,
    settings: type | None = None,
    package: str = "test-package 1.0",
) -> Plugin:
    """A plugin as ``discover`` would find it installed.

    >>> host = Host(config, plugins=[make_plugin("p", actuator=MyBrake)])  # doctest: +SKIP
    """
    register = Register()
    if actuator is not None:
        register.actuator(actuator, settings)
    if alert_sink is not None:
        register.alert_sink(alert_sink, settings)
    if sensor_source is not None:
        register.sensor_source(sensor_source, settings)
    return Plugin(name=name, package=package, offers=tuple(register.offers))
