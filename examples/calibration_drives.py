"""The drives of ``slipguard calibrate guide`` in the simulator: try the steps on a desk.

    .venv/bin/pip install '.[sim,calibrate]' && mkdir desk && cp replay/rover.yaml desk
    for drive in stands rest line starts left right; do
      slipguard simulate examples/calibration_drives.py:$drive --no-guard --out desk/$drive.csv
    done
    cd desk
    slipguard calibrate level stands.csv --out level.yaml
    slipguard calibrate noise rest.csv --out noise.yaml
    slipguard calibrate straight line.csv --length 4.93 --after level.yaml --out straight.yaml
    slipguard calibrate delay starts.csv --after straight.yaml --out delay.yaml
    slipguard calibrate circle left.csv right.csv --turns 1 --after straight.yaml --out circle.yaml
    slipguard calibrate apply rover.yaml level.yaml noise.yaml straight.yaml delay.yaml \
      circle.yaml --out rover_calibrated.yaml

The length is ``true_x_m`` of the last row, as your tape would say. ``deadband`` is not among them:
the simulated motor has none. Started as a program, this drives the line with a rover whose wheels
are larger than believed, and finds that from Python. Everything here is simulated; on a real rover
you drive it yourself.
"""

from __future__ import annotations

import math

from slipguard import Config
from slipguard.calibrate import Samples, Source, straight
from slipguard.simulate import DEMO_ROVER, Scenario, Truth, World, run
from slipguard.simulate.scenario import Driver, keep_line

STAND_S = 5.0
LINE_M = 5.0
SKID_RADPS = 0.6
"""How quickly a rover with skid steering is turned; steer alone would spin it on the spot."""


def turn(config: Config, truth: Truth, way: float) -> float:
    """Steer to turn to the left (``way`` 1) or the right (-1) as tightly as it can."""
    if config.rover.steered != "skid":
        return way
    return max(-1.0, min(1.0, 0.45 * way + 0.6 * (way * SKID_RADPS - truth.yaw_rate_radps)))


def stand(config: Config, way: float) -> float:
    """Steer while it stands; with skid steering that alone would turn it."""
    return 0.0 if config.rover.steered == "skid" else way


def stands(seed: int, config: Config) -> Scenario:
    """For ``level``: stands, drives a half circle, stands; the ground slopes by 1 %."""
    driver = Driver.of(config)

    def operator(t_s: float, truth: Truth) -> tuple[float, float]:
        turned = abs(truth.heading_rad) > 2.9
        if 20.0 < t_s < 32.0 and not turned:
            return driver.cruise(truth, 0.5), turn(config, truth, 1.0)
        return driver.stop(truth), stand(config, 1.0)

    return Scenario(
        name="stands",
        notes="Stands, turns round, stands.",
        world=World(slope_deg=0.3),
        duration_s=52.0,
        operator=operator,
    )


def rest(seed: int, config: Config) -> Scenario:
    """For ``noise``: stands for two minutes, motor off."""
    return Scenario(
        name="rest",
        notes="Stands.",
        world=World(),
        duration_s=120.0,
        operator=lambda t_s, truth: (0.0, 0.0),
        motor_enabled=lambda t_s: False,
    )


def line(seed: int, config: Config) -> Scenario:
    """For ``straight``: drives about five metres; ``true_x_m`` of the last row is the tape."""
    driver = Driver.of(config)

    def operator(t_s: float, truth: Truth) -> tuple[float, float]:
        if t_s < STAND_S:
            return 0.0, 0.0
        if truth.x_m < LINE_M - 0.35:
            return driver.cruise(truth, min(1.0, 1.2 * (t_s - STAND_S))), keep_line(truth)
        return driver.stop(truth), keep_line(truth)

    return Scenario(
        name="line",
        notes="Drives a straight line.",
        world=World(),
        duration_s=2 * STAND_S + LINE_M + 3.0,
        operator=operator,
    )


def starts(seed: int, config: Config) -> Scenario:
    """For ``delay``: ten brisk starts and stops, ahead and back by turns."""
    driver = Driver.of(config)

    def operator(t_s: float, truth: Truth) -> tuple[float, float]:
        number, into = divmod(t_s - STAND_S, 4.0)
        if not 0 <= number < 10:
            return 0.0, 0.0
        if into < 1.0:
            return driver.cruise(truth, 0.8 if number % 2 == 0 else -0.8), keep_line(truth)
        return driver.stop(truth), keep_line(truth)

    return Scenario(
        name="starts",
        notes="Starts and stops, ten times.",
        world=World(),
        duration_s=2 * STAND_S + 40.0,
        operator=operator,
    )


def left(seed: int, config: Config) -> Scenario:
    """For ``circle``: one whole turn to the left, nose back where it was."""
    return _circle(config, 1.0)


def right(seed: int, config: Config) -> Scenario:
    """For ``circle``: one whole turn to the right."""
    return _circle(config, -1.0)


def _circle(config: Config, way: float) -> Scenario:
    driver = Driver.of(config)
    base = config.rover.wheelbase_m / (2.0 if config.rover.steered == "both" else 1.0)
    if config.rover.steered == "skid":
        one_turn_s = 2.0 * math.pi / SKID_RADPS
    else:
        radius_m = base / math.tan(math.radians(config.rover.max_steer_deg))
        one_turn_s = 2.0 * math.pi * radius_m / 0.4

    def operator(t_s: float, truth: Truth) -> tuple[float, float]:
        # The operator keeps no memory: the first half of a turn is told from the last by time.
        into = (way * truth.heading_rad) % (2.0 * math.pi)
        near_end = t_s > STAND_S + 0.5 * one_turn_s
        to_go = 2.0 * math.pi - into if into > 1.0 else 0.0
        if t_s < STAND_S:
            return 0.0, stand(config, way)
        if near_end:
            if to_go > 0.03:
                speed_mps = min(0.4, 0.08 + 0.6 * to_go)
                return driver.cruise(truth, speed_mps), turn(config, truth, way)
            return driver.stop(truth), stand(config, way)
        return driver.cruise(truth, 0.4), turn(config, truth, way)

    return Scenario(
        name="left" if way > 0 else "right",
        notes="Drives a whole circle.",
        world=World(),
        duration_s=2.0 * STAND_S + 1.3 * one_turn_s + 4.0,
        operator=operator,
    )


def main() -> None:
    """The line, with wheels of 78 mm; the rover file believes in 75."""
    believed, true = DEMO_ROVER, DEMO_ROVER.with_changes(rover__wheel_radius_m=0.078)
    drive = run(line(1, true), true, seed=1)
    length_m = drive.truth[-1].x_m - drive.truth[0].x_m
    found = straight(Samples.of(drive.readings, Source("line", "")), believed, length_m)
    for value in found.values:
        print(f"{value.name}: {value.value:.5g} +- {2 * value.sd:.2g} {value.unit}")


if __name__ == "__main__":
    main()
