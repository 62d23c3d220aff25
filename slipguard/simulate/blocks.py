"""The simulated rover on a bench: chassis on blocks, wheels hanging, and somebody's hands.

The hands turn a wheel to an angle, as far as their strength goes against a brake; keep another one
still; tilt the chassis; turn it round. ``Wiring`` is how a builder connected it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import mujoco
import numpy as np
from numpy.typing import NDArray

from slipguard.config import Config
from slipguard.reading import Quad, Reading, quad
from slipguard.simulate.faults import Fault
from slipguard.simulate.plant import Plant
from slipguard.simulate.world import Surface, World

HAND_NM = 0.5
"""A hand on a tyre that pulls firmly but does not tear; the demo rover's brakes hold 0.8."""
HAND_NM_PER_RAD, HAND_NM_S_PER_RAD = 1.0, 0.05
DROP_M = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Wiring:
    """How encoders and brakes are connected; as it should be, if nothing is given.

    Attributes
    ----------
    encoders : (4,) int
        Whose wheel each channel reads: ``(1, 0, 2, 3)`` has the front ones swapped.
    signs : (4,) int
        -1: that channel counts backward.
    scale : float
        Share of the edges that are decoded.
    brakes : (4,) int or None each
        Which wheel each command presses; None: none.
    motor : int
        -1: it turns backward.
    """

    encoders: tuple[int, int, int, int] = (0, 1, 2, 3)
    signs: tuple[int, int, int, int] = (1, 1, 1, 1)
    scale: float = 1.0
    brakes: tuple[int | None, ...] = (0, 1, 2, 3)
    motor: int = 1

    def read(self, reading: Reading) -> Reading:
        """What arrives of what the sensors give."""
        return replace(
            reading,
            counts=self._wheels(reading.counts, whole=True),
            wheel_speed_radps=self._wheels(reading.wheel_speed_radps, whole=False),
        )

    def pressed(self, brakes: Sequence[float]) -> Quad:
        """Which brakes a command presses."""
        found = [0.0] * 4
        for command, wheel in zip(brakes, self.brakes, strict=True):
            if wheel is not None:
                found[wheel] = max(found[wheel], command)
        return quad(found)

    def _wheels(
        self, values: Sequence[float | None] | None, *, whole: bool
    ) -> list[float | None] | None:
        if values is None:
            return None
        found: list[float | None] = []
        for source, sign in zip(self.encoders, self.signs, strict=True):
            value = values[source]
            if value is not None:
                value = sign * value * self.scale
                value = math.floor(value) if whole else value
            found.append(value)
        return found


class OnBlocks(Plant):
    """A rover whose wheels hang, until ``lower``.

    ``hands``: wheel index to the angle, radians from where it was at the start, to which a hand
    turns it or at which it keeps it. ``tilt``: roll, pitch, yaw of the chassis in degrees, nose UP
    and left side up positive; follow it smoothly.
    """

    def __init__(
        self,
        config: Config,
        seed: int,
        *,
        wiring: Wiring | None = None,
        faults: Sequence[Fault] = (),
    ) -> None:
        self.wiring = wiring if wiring is not None else Wiring()
        self.hands: Mapping[int, float] = {}
        self.tilt = (0.0, 0.0, 0.0)
        self.supply = True
        self._blocks = False
        self._was_tilt = self.tilt
        super().__init__(config, World(), seed, faults=faults)
        self._pose: NDArray[np.float64] = self._data.qpos[:7].copy()
        self._ground_surface = self._surface
        self._surface = Surface(World(features=(lambda x, y: 0.0 * x - DROP_M,)), self._tall)
        self._model.opt.gravity[:] = 0.0  # the blocks carry the chassis
        self._blocks = True

    def lower(self) -> None:
        """Take the blocks away, gently: the rover stands on level ground."""
        self._surface = self._ground_surface
        self._model.opt.gravity[2] = -9.81
        self._blocks = False
        self.hands = {}

    @property
    def on_blocks(self) -> bool:
        """Whether its wheels hang."""
        return self._blocks

    @property
    def angles_rad(self) -> Quad:
        """Where each wheel stands."""
        return quad(self._data.qpos[self._hub_q].tolist())

    def reading(
        self,
        throttle: float | None = None,
        steer: float | None = None,
        motor_enabled: bool | None = None,
        command_age_s: float | None = None,
    ) -> Reading:
        """What arrives through the wiring."""
        return self.wiring.read(super().reading(throttle, steer, motor_enabled, command_age_s))

    def act(self, throttle: float, steer: float, brakes: Sequence[float]) -> None:
        """Advance by one IMU sample with what was sent; ``supply`` is what the kill switch cuts."""
        wiring = self.wiring
        self.step(wiring.motor * throttle, steer, wiring.pressed(brakes), self.supply)

    def _advance(self, brake_nm: Sequence[float], *, blocked: bool) -> None:
        data = self._data
        data.qfrc_applied[self._hub_v] = 0.0
        for wheel, target in self.hands.items():
            dof = self._hub_v[wheel]
            angle, rate = data.qpos[self._hub_q[wheel]], data.qvel[dof]
            pull = HAND_NM_PER_RAD * (target - angle) - HAND_NM_S_PER_RAD * rate
            data.qfrc_applied[dof] = max(-HAND_NM, min(HAND_NM, pull))
        super()._advance(brake_nm, blocked=blocked)
        if self._blocks:
            self._carry()

    def _carry(self) -> None:
        """The chassis is where blocks and hands keep it."""
        roll, pitch, yaw = (math.radians(a) for a in self.tilt)
        before = [math.radians(a) for a in self._was_tilt]
        self._was_tilt = self.tilt
        q = _quaternion(roll, -pitch, yaw)  # about +y the nose goes down
        was = _quaternion(before[0], -before[1], before[2])
        back = np.zeros(4)
        turned = np.zeros(4)
        mujoco.mju_negQuat(back, was)
        mujoco.mju_mulQuat(turned, back, q)
        rate = np.zeros(3)
        mujoco.mju_quat2Vel(rate, turned, self.dt_s)
        now = np.zeros(4)
        mujoco.mju_mulQuat(now, self._pose[3:7], q)
        self._data.qpos[:3], self._data.qpos[3:7] = self._pose[:3], now
        self._data.qvel[:3], self._data.qvel[3:6] = 0.0, rate
        # Springs at their stops would only shake.
        self._data.qvel[self._spring_v] = 0.0


def _quaternion(roll: float, pitch: float, yaw: float) -> NDArray[np.float64]:
    """Yaw, then pitch, then roll about own axes."""
    total = np.array([1.0, 0.0, 0.0, 0.0])
    for angle, axis in ((yaw, 2), (pitch, 1), (roll, 0)):
        part, product = np.zeros(4), np.zeros(4)
        part[0], part[1 + axis] = math.cos(angle / 2), math.sin(angle / 2)
        mujoco.mju_mulQuat(product, total, part)
        total = product
    return total
