"""Play a scenario with a rover, with or without help, and keep what happened."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from slipguard.config import Config
from slipguard.decision import Decision
from slipguard.reading import WHEELS, Reading
from slipguard.recording import Labels, Writer, labels_path, save_labels
from slipguard.recording.columns import COUNTS, STANDARD, WHEEL_SPEEDS
from slipguard.simulate.labels import (
    Label,
    asked_direction,
    in_order,
    label_drive,
    label_faults,
    slight_events,
)
from slipguard.simulate.link import Link
from slipguard.simulate.plant import Plant
from slipguard.simulate.scenario import Scenario
from slipguard.simulate.truth import Truth

Array = NDArray[np.float64]
SOURCE = "simulated: a rover in a physics engine, no real vehicle; see slipguard.simulate"


class Helper(Protocol):
    """Whoever helps the driver; ``slipguard.Guard`` is one."""

    def step(self, reading: Reading, /) -> Decision: ...


@dataclass(slots=True)
class Drive:
    """What happened: readings, truth and (with a helper) decisions, one a sample."""

    scenario: Scenario
    config: Config
    seed: int
    readings: list[Reading] = field(default_factory=list)
    truth: list[Truth] = field(default_factory=list)
    decisions: list[Decision] = field(default_factory=list)

    def truth_column(self, name: str) -> Array:
        """A field of the truth over time: (n,) or, for one value a wheel, (n, 4)."""
        return np.array([getattr(t, name) for t in self.truth])

    def command_column(self, name: str, unknown: float = 0.0) -> Array:
        """A command of the operator as the rover received it, over time: (n,)."""
        values = (getattr(r, name) for r in self.readings)
        return np.array([unknown if v is None else float(v) for v in values])

    def asked(self) -> Array:
        """Direction of motion the driver asks for and could get, +1, 0 or -1: (n,)."""
        return asked_direction(**self._commands())

    def _commands(self) -> dict[str, Any]:
        return {
            "throttle": self.command_column("throttle"),
            "motor_enabled": self.command_column("motor_enabled", 1.0),
            "command_age_s": self.command_column("command_age_s"),
            "link_timeout_s": self.config.limits.link_timeout_s,
            "neutral": self.config.limits.throttle_dead_band,
        }

    def _motion(self) -> dict[str, Any]:
        return {name: self.truth_column(name) for name in ("rim_mps", "ground_mps", "speed_mps")}

    def labels(self) -> list[Label]:
        """Events that truly happened, broken sensors included, slight ones left out."""
        t_s, motion = self.truth_column("t_s"), self._motion()
        found = label_drive(t_s, **motion, **self._commands())
        return in_order(found + label_faults(t_s, motion["rim_mps"], self.scenario.faults))

    def happened(self) -> list[Label]:
        """All that truly happened: the labels, and what was too slight for one."""
        labels, t_s = self.labels(), self.truth_column("t_s")
        return in_order(labels + slight_events(t_s, labels, **self._motion(), asked=self.asked()))

    def write(self, path: str | Path) -> None:
        """Write ``NAME.csv`` (or ``.csv.gz``), and ``NAME.yaml`` with the labels, beside it."""
        wheels = WHEEL_SPEEDS if self.config.encoders.kind == "speed" else COUNTS
        columns = [wheels[STANDARD.index(c) - 1] if c in COUNTS else c for c in STANDARD]
        with Writer(path, [*columns, *TRUE], decimals=TRUE) as writer:
            for reading, truth in zip(self.readings, self.truth, strict=True):
                writer.write(reading, truth_cells(truth))
        labels = Labels(
            vehicle=_vehicle(self.config),
            source=SOURCE,
            notes=f"{self.scenario.notes} Scenario {self.scenario.name}, seed {self.seed}.",
            events=tuple(one.event for one in self.happened()),
        )
        save_labels(labels, labels_path(path))


def run(
    scenario: Scenario,
    config: Config,
    seed: int,
    helper: Helper | None = None,
    *,
    plant_config: Config | None = None,
    watch: Callable[[Plant], None] | None = None,
) -> Drive:
    """Play ``scenario`` once.

    Parameters
    ----------
    scenario : Scenario
    config : Config
        What the helper believes of the rover.
    seed : int
        Sensor and link noise.
    helper : object with ``step(reading) -> Decision``, optional
        Its throttle and brakes act on the rover. None: nobody helps; the operator's throttle
        goes to the motor, and to neutral when the link has been silent for
        ``sim.failsafe_s``.
    plant_config : Config, optional
        The rover as it really is, where that differs.
    watch : callable, optional
        Called with the plant before each step of the helper, for a yardstick that may see
        the truth.
    """
    plant = Plant(
        plant_config or config,
        scenario.world,
        seed,
        x_m=scenario.x_m,
        y_m=scenario.y_m,
        heading_deg=scenario.heading_deg,
        faults=scenario.faults,
    )
    link = Link(plant.sim, scenario.link, np.random.default_rng([seed, 3]))
    drive = Drive(scenario, plant.config, seed)
    for _ in range(round(scenario.duration_s / plant.dt_s) + 1):
        t, truth = plant.t_s, plant.truth()
        if link.due(t):
            link.send(t, *scenario.operator(t, truth))
        throttle, steer, age = link.receive(t)
        enabled = scenario.motor_enabled(t)
        reading = plant.reading(round(throttle, 4), round(steer, 4), enabled, round(age, 4))
        drive.readings.append(reading)
        drive.truth.append(truth)
        brakes = (0.0, 0.0, 0.0, 0.0)
        if helper is not None:
            if watch is not None:
                watch(plant)
            decision = helper.step(reading)
            drive.decisions.append(decision)
            throttle, brakes = decision.throttle, decision.brakes
        elif age > plant.sim.failsafe_s:
            throttle = 0.0
        push = [0.0, 0.0, 0.0]
        for knock in scenario.knocks:
            if knock.start_s <= t < knock.start_s + knock.duration_s:
                push = [a + b for a, b in zip(push, knock.force_n, strict=True)]
        plant.step(
            throttle,
            steer,
            brakes,
            enabled,
            blocked=t < scenario.blocked_until_s,
            push_n=(push[0], push[1], push[2]),
        )
    return drive


TRUE = {
    "true_speed_mps": 4,
    "true_accel_mps2": 3,
    "true_grade_rad": 5,
    "true_yaw_rate_radps": 4,
    "true_x_m": 4,
    "true_y_m": 4,
    **{f"true_{w}_slip_mps": 4 for w in WHEELS},
    **{f"true_{w}_ground_mps": 4 for w in WHEELS},
    **{f"true_{w}_load_n": 2 for w in WHEELS},
}
"""Truth columns of a recorded drive, and their decimals."""


def truth_cells(truth: Truth) -> dict[str, float]:
    """Truth as columns of a recorded drive."""
    cells = {
        "true_speed_mps": truth.speed_mps,
        "true_accel_mps2": truth.accel_mps2,
        "true_grade_rad": truth.grade_rad,
        "true_yaw_rate_radps": truth.yaw_rate_radps,
        "true_x_m": truth.x_m,
        "true_y_m": truth.y_m,
    }
    for i, w in enumerate(WHEELS):
        cells[f"true_{w}_slip_mps"] = truth.slip_mps[i]
        cells[f"true_{w}_ground_mps"] = truth.ground_mps[i]
        cells[f"true_{w}_load_n"] = truth.load_n[i]
    return cells


def _vehicle(config: Config) -> str:
    rover = config.rover
    return (
        f"survey rover, {rover.mass_kg:g} kg, wheelbase {rover.wheelbase_m:g} m, wheel radius "
        f"{rover.wheel_radius_m:g} m, {rover.drive} drive, steered: {rover.steered}"
    )
