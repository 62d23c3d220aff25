"""How long a round of the live loop works, with every plugin on mock hardware, in real time.

    python tests/live_load.py [SECONDS] [--view]

Needs the plugin packages. Brakes on a fake pulse board (front) and a virtual CAN bus (rear), the
speed controller on another board, encoders on fake lines, the motion sensor on a fake chip, the
battery through the serial bridge on a pseudo-terminal; alerts to the null device and, where
mosquitto is installed, to a broker on this computer; a recorder, JSON lines or the terminal view,
and commands from another process 50 times a second.
"""

from __future__ import annotations

import argparse
import io
import math
import os
import random
import runpy
import shutil
import socket
import subprocess
import sys
import tempfile
import time
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path
from typing import Any

from rich.console import Console
from slipguard_can_brake import CanBrake
from slipguard_can_brake import Settings as CanSettings
from slipguard_console_alert import ConsoleAlert
from slipguard_console_alert import Settings as ConsoleSettings
from slipguard_esc_throttle import EscThrottle
from slipguard_esc_throttle import Settings as EscSettings
from slipguard_imu_i2c import ImuI2c
from slipguard_imu_i2c import Settings as ImuSettings
from slipguard_mqtt_alert import MqttAlert
from slipguard_mqtt_alert import Settings as MqttSettings
from slipguard_pulses import PulseSettings
from slipguard_pulses.board import BoardOutputs
from slipguard_pulses.fake_board import FakeBoard
from slipguard_quadrature_gpio import Encoder, QuadratureGpio
from slipguard_quadrature_gpio import Settings as QuadratureSettings
from slipguard_serial_bridge import SerialBridge
from slipguard_serial_bridge import Settings as SerialSettings
from slipguard_servo_brake import Servo, ServoBrake
from slipguard_servo_brake import Settings as ServoSettings

from slipguard import WHEELS, Config
from slipguard.cli.run_lines import JsonLines
from slipguard.cli.run_view import View
from slipguard.live import CommandInput, LiveSettings, Loop, Recorder
from slipguard.live.interpreter import undisturbed
from slipguard.live.pace import Spread
from slipguard.plugin.host import Host
from slipguard.section import Section
from slipguard.testing import make_plugin

HOME = Path(__file__).parent.parent
RATE_HZ = 100.0
ROVER = """
rover: {mass_kg: 5.0, wheelbase_m: 0.36, track_m: 0.30, wheel_radius_m: 0.075,
        max_steer_deg: 25, steered: front, drive: open}
encoders: {counts_per_rev: 96, direction: quadrature}
imu: {accel_noise_mps2: 0.08, gyro_noise_radps: 0.004, rate_hz: 100}
"""


COUNT_M = 2 * math.pi * 0.075 / 96
ACCEL_MPS2, TOP_MPS = 1.0, 1.0


class Hardware:
    """Mock hardware, and a rover that speeds up to 1 m/s while the motor drives."""

    def __init__(self) -> None:
        lines = runpy.run_path(str(HOME / "plugins/quadrature-gpio/tests/test_quadrature_gpio.py"))
        chip = runpy.run_path(str(HOME / "plugins/imu-i2c/tests/test_imu_i2c.py"))
        serial = runpy.run_path(str(HOME / "plugins/serial-bridge/tests/test_serial_bridge.py"))
        nodes = runpy.run_path(str(HOME / "plugins/can-brake/tests/test_can_brake.py"))
        self.encoders = {w: Encoder(a=2 * i, b=2 * i + 1) for i, w in enumerate(WHEELS)}
        self.lines = lines["FakeLines"](range(8))
        self.chip = chip["FakeChip"]()
        self.board = serial["Board"]()
        self.nodes = nodes["Nodes"]("load")
        self._random = random.Random(1)
        self._speed_mps = 0.0
        self._travel_m = 0.0
        self._counts = 0

    def live(self, throttle: float = 0.0) -> None:
        """One round's worth of edges, one sample of the motion sensor, one line, two frames."""
        noise, dt_s = self._random.gauss, 1 / RATE_HZ
        before_mps = self._speed_mps
        way = ACCEL_MPS2 * dt_s * (1 if throttle > 0 else -1)
        self._speed_mps = min(max(before_mps + way, 0.0), TOP_MPS)
        self._travel_m += self._speed_mps * dt_s
        counts = int(self._travel_m / COUNT_M)
        for encoder in self.encoders.values():
            self.lines.turn(encoder, counts - self._counts)
        self._counts = counts
        along_g = (self._speed_mps - before_mps) / dt_s / 9.81
        accel_g = (noise(along_g, 0.01), noise(0, 0.01), noise(1, 0.01))
        self.chip.measure(accel_g, (noise(0, 0.2), noise(0, 0.2), noise(0, 0.2)))
        self.board.send(step_us=10_000, v=(11_800,))
        while self.nodes.bus.recv(0.0) is not None:
            pass
        self.nodes.report(("rl", "rr"))

    def close(self) -> None:
        """Let go of the bus and the pseudo-terminal."""
        self.board.close()
        self.nodes.bus.shutdown()


def outputs() -> BoardOutputs:
    """A fake pulse board."""
    board = FakeBoard()
    return BoardOutputs(PulseSettings(), lambda bus: board)


def plugins(hardware: Hardware, broker_port: int | None) -> list[Any]:
    """Every plugin there is."""
    servos = ServoSettings(servos={"fl": Servo(output=0), "fr": Servo(output=1)})
    nodes = CanSettings(
        channel="load",
        interface="virtual",
        node_when_silent="applies",
        signals={"rl": "BrakeRL", "rr": "BrakeRR"},
    )
    made = [
        make_plugin("servo-brake", actuator=lambda: ServoBrake(servos, outputs())),
        make_plugin("can-brake", actuator=lambda: CanBrake(nodes)),
        make_plugin("esc", actuator=lambda: EscThrottle(EscSettings(output=0), outputs())),
        make_plugin(
            "quadrature",
            sensor_source=lambda: QuadratureGpio(
                QuadratureSettings(wheels=hardware.encoders), lambda _: hardware.lines
            ),
        ),
        make_plugin(
            "imu", sensor_source=lambda: ImuI2c(ImuSettings(rate_hz=100), lambda _: hardware.chip)
        ),
        make_plugin(
            "serial",
            sensor_source=lambda: SerialBridge(
                SerialSettings(port=hardware.board.port, provides=("battery_v",))
            ),
        ),
        make_plugin("console", alert_sink=lambda: ConsoleAlert(ConsoleSettings())),
    ]
    if broker_port is not None:
        mqtt = MqttSettings(port=broker_port)
        made.append(make_plugin("mqtt", alert_sink=lambda: MqttAlert(mqtt)))
    return made


def broker(stack: ExitStack) -> int | None:
    """A broker on this computer; None where mosquitto is not installed."""
    program = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin")
    if program is None:
        return None
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port: int = free.getsockname()[1]
    process = subprocess.Popen(
        [program, "-p", str(port)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    stack.callback(process.wait)
    stack.callback(process.terminate)
    return port


def measure(seconds: float, view: bool = False) -> dict[str, Any]:
    """Drive for so long; work and lateness of the rounds, seconds."""
    config = Config.parse(ROVER)
    hardware = Hardware()
    own = Spread()
    with ExitStack() as stack:
        stack.callback(hardware.close)
        port = broker(stack)
        made = plugins(hardware, port)
        section = Section({plugin.name: {} for plugin in made}, path="plugins")
        folder = stack.enter_context(tempfile.TemporaryDirectory())
        recorder = Recorder(folder, "counts").start()
        stack.callback(recorder.close)
        operator = CommandInput("udp:127.0.0.1:0")
        stack.callback(operator.close)
        loop = Loop(
            config,
            settings=LiveSettings(fail_safe="mock hardware", stop_on_faults=()),
            host=Host(replace(config, plugins=section), plugins=made),
            operator=operator,
            recorder=recorder,
        )
        silent = stack.enter_context(open(os.devnull, "w", encoding="utf-8"))
        if view:
            screen = Console(file=silent, width=100, force_terminal=True)
            loop.watchers.append(stack.enter_context(View("load", loop, screen)).watch)
        else:
            stack.callback(setattr, sys, "stdout", sys.stdout)
            sys.stdout = silent
            loop.watchers.append(stack.enter_context(JsonLines(10)).watch)
        sys.stderr, before = io.StringIO(), sys.stderr
        stack.callback(setattr, sys, "stderr", before)
        stack.enter_context(undisturbed())  # as Loop.run does
        stack.enter_context(loop)
        loop.watchers.append(live := lambda _: hardware.live())
        loop.arm()
        loop.watchers.remove(live)
        # Now that it is armed the stick goes to neutral, then forward.
        words = ["--to", operator.address, "--throttle", "0.3", "--seconds", str(seconds + 5)]
        sender = subprocess.Popen(
            [sys.executable, str(HOME / "examples" / "send_command.py"), *words],
            stdout=subprocess.DEVNULL,
        )
        stack.callback(sender.wait)
        stack.callback(sender.terminate)
        loop.pace.work, loop.pace.late = Spread(), Spread()  # without the start
        rounds = round(seconds * RATE_HZ)
        driven = 0
        for _ in range(rounds):
            begun_s = time.thread_time()
            done = loop.round()
            own.add(time.thread_time() - begun_s)
            driven += done.sent.throttle > 0
            hardware.live(done.sent.throttle)
        timing = loop.timing
    return {
        "broker": port is not None,
        "rounds": timing.rounds,
        "driven": driven,
        "overruns": timing.overruns,
        "skipped": timing.skipped,
        "late_p50_s": timing.late_p50_s,
        "late_p99_s": timing.late_p99_s,
        "late_worst_s": timing.late_worst_s,
        "work_p50_s": timing.work_p50_s,
        "work_p99_s": timing.work_p99_s,
        "work_p999_s": timing.work_p999_s,
        "work_worst_s": timing.work_worst_s,
        "own_p50_s": own.quantile_s(0.5),
        "own_p99_s": own.quantile_s(0.99),
        "own_p999_s": own.quantile_s(0.999),
        "own_worst_s": own.worst_s,
    }


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("seconds", type=float, nargs="?", default=30.0)
    parser.add_argument("--view", action="store_true", help="with the terminal view")
    asked = parser.parse_args()
    found = measure(asked.seconds, asked.view)
    share = found["work_p999_s"] * RATE_HZ
    for name, value in found.items():
        text = f"{1e3 * value:.3f} ms" if name.endswith("_s") else value
        print(f"{name.removesuffix('_s'):12} {text}")
    print(f"99.9 % of the rounds work for less than {share:.0%} of the period")


if __name__ == "__main__":
    main()
