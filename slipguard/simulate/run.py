"""Play a scenario with a rover, with or without help, and keep what happened."""

from __future__ import annotations

import csv
import gzip
import io
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol

import numpy as np
import yaml
from numpy.typing import NDArray

from slipguard.config import Config
from slipguard.decision import Decision
from slipguard.reading import WHEELS, Reading
from slipguard.simulate.labels import Label, label_drive
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

    def labels(self) -> list[Label]:
        """Events that truly happened."""

        def command(name: str, default: float) -> Array:
            values = (getattr(r, name) for r in self.readings)
            return np.array([default if v is None else float(v) for v in values])

        return label_drive(
            self.truth_column("t_s"),
            rim_mps=self.truth_column("rim_mps"),
            ground_mps=self.truth_column("ground_mps"),
            speed_mps=self.truth_column("speed_mps"),
            throttle=command("throttle", 0.0),
            motor_enabled=command("motor_enabled", 1.0),
            command_age_s=command("command_age_s", 0.0),
        )

    def write(self, path: str | Path) -> None:
        """Write ``NAME.csv`` (or ``.csv.gz``) and ``NAME.yaml`` with the labels."""
        path = Path(path)
        text = io.StringIO(newline="")
        writer = csv.writer(text, lineterminator="\n")
        speeds = self.config.encoders.kind == "speed"
        writer.writerow(_header(speeds))
        for reading, truth in zip(self.readings, self.truth, strict=True):
            writer.writerow(_row(reading, truth, speeds))
        data = text.getvalue().encode()
        if path.suffix == ".gz":
            with path.open("wb") as raw, gzip.GzipFile("", "wb", 9, raw, mtime=0) as packed:
                packed.write(data)
        else:
            path.write_bytes(data)
        stem = path.name.removesuffix(".gz").removesuffix(".csv")
        about = {
            "vehicle": _vehicle(self.config),
            "source": SOURCE,
            "notes": f"{self.scenario.notes} Seed {self.seed}.",
            "events": [
                {"kind": e.kind, "wheel": e.wheel, "start_s": e.start_s, "end_s": e.end_s}
                for e in self.labels()
            ],
        }
        text_yaml = yaml.safe_dump(about, sort_keys=False, allow_unicode=True, width=96)
        path.with_name(f"{stem}.yaml").write_text(text_yaml, encoding="utf-8")


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


def _header(speeds: bool) -> list[str]:
    wheel = "{}_radps" if speeds else "{}_count"
    return [
        "t_s",
        *(wheel.format(w) for w in WHEELS),
        *(f"a{a}_mps2" for a in "xyz"),
        *(f"g{a}_radps" for a in "xyz"),
        "throttle",
        "steer",
        "motor_enabled",
        "command_age_s",
        "true_speed_mps",
        "true_accel_mps2",
        "true_grade_rad",
        "true_yaw_rate_radps",
        "true_x_m",
        "true_y_m",
        *(f"true_{w}_slip_mps" for w in WHEELS),
        *(f"true_{w}_ground_mps" for w in WHEELS),
        *(f"true_{w}_load_n" for w in WHEELS),
    ]


def _row(r: Reading, t: Truth, speeds: bool) -> list[Any]:
    wheels = r.wheel_speed_radps if speeds else r.counts
    return [
        f"{r.t_s:.6g}",
        *(wheels or ("",) * 4),
        *(r.accel_mps2 or ("",) * 3),
        *(r.gyro_radps or ("",) * 3),
        r.throttle,
        r.steer,
        int(bool(r.motor_enabled)),
        r.command_age_s,
        f"{t.speed_mps:.4f}",
        f"{t.accel_mps2:.3f}",
        f"{t.grade_rad:.5f}",
        f"{t.yaw_rate_radps:.4f}",
        f"{t.x_m:.4f}",
        f"{t.y_m:.4f}",
        *(f"{v:.4f}" for v in t.slip_mps),
        *(f"{v:.4f}" for v in t.ground_mps),
        *(f"{v:.2f}" for v in t.load_n),
    ]


def _vehicle(config: Config) -> str:
    rover = config.rover
    return (
        f"survey rover, {rover.mass_kg:g} kg, wheelbase {rover.wheelbase_m:g} m, wheel radius "
        f"{rover.wheel_radius_m:g} m, {rover.drive} drive, steered: {rover.steered}"
    )
