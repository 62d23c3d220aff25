"""Frames in, estimates out: predict with the IMU, correct with the wheels that grip.

A wheel is believed while its counts stay within what the prediction explains. When they leave
it, the wheel is on its own (slipping) until its rim runs at ground speed again; its excess
travel meanwhile is the distance its rim has gone beyond the ground. When no wheel is believed,
the accelerometer alone carries the speed, and the standard deviation says so.
"""

from __future__ import annotations

import math

import numpy as np

from slipguard.config import Config
from slipguard.estimate import Estimate
from slipguard.frame import Frame
from slipguard.fuse import geometry, model
from slipguard.fuse.filterpy_engine import FilterpyEngine
from slipguard.fuse.model import N_STATE, NO_INFORMATION, P0, B, C, V
from slipguard.fuse.rest import STILL_S, RestWatch
from slipguard.fuse.slip import slip_ratio
from slipguard.fuse.wheel_track import WheelTrack
from slipguard.reading import Quad
from slipguard.settings import GRAVITY_MPS2

# Process noise. Chosen on simulated drives, see DEVELOPERS.md.
SPEED_NOISE = 0.012  # (m/s)/sqrt(s): what an accelerometer misses on smooth ground
VIBRATION_NOISE = 0.02  # s^0.5: more of it in proportion to vibration
COASTING_NOISE = 0.2  # s^0.5: the most of it, long after a wheel last corrected: it may alias
WHEEL_PERIOD_S = 0.01  # between corrections for which VIBRATION_NOISE holds
START_FORCE_SD = 2.0  # m/s2: gravity along x and bias before anything is known, a 20 % slope
TRAVEL_NOISE = 0.003  # m/sqrt(m): micro-slip and uneven ground, a random walk by distance
TURN_TRAVEL_NOISE = 0.1  # share of the yaw term of hub speed that is not believed
DRIFT_NOISE = 0.02  # (m/s2)/sqrt(s): gravity along x beyond what the gyro follows
ROCK_NOISE = 0.012  # m/sqrt(s) for each rad/s the body rocks
ROCK_TAU_S = 0.3
GYRO_SCALE_NOISE = 0.01  # sqrt(s): gyro scale and mounting, of the gravity a turn carries over
BIAS_NOISE = 0.0005  # (rad/s)/sqrt(s)
BLIND_ACCEL_NOISE = 1.5  # (m/s)/sqrt(s): without an accelerometer

SIDE_NOISE = 0.01  # s^0.5: speed noise for each m/s2 of centripetal acceleration
SIDE_SLIDE_NOISE = 0.3  # s^0.5: the same when the tyres cannot hold it
SPUN_RADPS = 1.5  # yaw rate beyond what the steering explains: the rover has spun round
SPUN_NOISE = 2.0  # s^-0.5, of speed and of gravity along x, while it does
SLIDE_MPS2 = 4.0  # centripetal acceleration from which they may not

MOST_CREEP_FORCE = 5.0  # m/s2
SCALE_SD = 0.005  # of speed: tyre radius as calibrated
CREEP_SD = 0.5  # of the creep: how well the tyres' stiffness is known

TRUST_MARGIN_M = 0.003
TRUST_SD = 3.0
NEUTRAL = 0.03
SLIP_LINGER_S = 0.3
DEAD_S = 0.15
CUSUM_DRIFT = 0.3
CUSUM_LIMIT = 6.0
DOUBT_TAU_S = 20.0
DOUBT_SHARE = 0.5
PULL_TAU_S = 0.15
PULL_DOUBT = 0.5
REGRIP_MPS = 0.06
REGRIP_SD = 1.0
REGRIP_S = 0.06

QUIET_TAU_S = 0.1
COMPARE_S = 1.0
COMPARE_MPS = 0.3
COMPARE_SHARE = 0.2
REST_SPEED_SD = 0.01  # m/s
REST_DRIFT_NOISE = 0.003  # (m/s2)/sqrt(s): a body at rest keeps its pitch
REST_FORCE_SD = 0.01  # m/s2
ROLL_TAU_S = 1.5
IMU_LOST_S = 0.1


class Fusion:
    """Owns the filter and the four wheels."""

    def __init__(self, config: Config) -> None:
        rover, enc, imu = config.rover, config.encoders, config.imu
        self._config = config
        self._counted = enc.kind == "counts"
        self._unsigned = self._counted and enc.direction == "unsigned"
        self._radius = rover.wheel_radius_m
        self._count_m = config.count_m
        driven = {"front": (2.0, 2.0, 0.0, 0.0), "rear": (0.0, 0.0, 2.0, 2.0)}.get(rover.drive)
        # Creep of each gripping tyre per m/s2 of specific force along x.
        self._creep = [
            share / (GRAVITY_MPS2 * rover.tyre_slip_stiffness) for share in driven or (1.0,) * 4
        ]
        # Yaw rate per m/s at full lock, half as much again; skid steering has no such bound.
        steer_arm = rover.wheelbase_m * (0.5 if rover.steered == "both" else 1.0)
        self._most_turn = 1.5 * math.tan(math.radians(rover.max_steer_deg)) / steer_arm
        self._edge_sd = 0.0002 + 0.03 * self._count_m
        self._where = geometry.wheel_positions_m(rover)
        self._still_x = geometry.no_side_slip_x_m(rover)
        front, rear = geometry.steers(rover)
        self._steered = (front, front, rear, rear)
        self._accel_sample_var = imu.accel_noise_mps2**2
        self._gyro_sample_var = imu.gyro_noise_radps**2
        self._lever = imu.position_m

        x = np.zeros(N_STATE)
        P = np.zeros((N_STATE, N_STATE))
        P[V, V] = rover.top_speed_mps**2
        P[C, C] = START_FORCE_SD**2
        P[B, B] = imu.gyro_bias_sd_radps**2
        for i in range(4):
            x[P0 + i] = 0.5 * self._count_m
            P[P0 + i, P0 + i] = self._count_m**2 / 12 + 1e-8
        self._engine = FilterpyEngine(x, P)
        self._F = np.eye(N_STATE)
        self._Q = np.zeros((N_STATE, N_STATE))
        self._hub_gain = np.ones(4)
        self._travel_var = np.zeros(4)
        self._H_wheels = np.zeros((4, N_STATE))
        if self._counted:
            for i in range(4):
                self._H_wheels[i, P0 + i] = 1.0
        self._R_wheels = np.zeros((4, 4))
        self._H_rest = np.zeros((3, N_STATE))
        self._H_rest[0, V] = self._H_rest[1, C] = self._H_rest[2, B] = 1.0
        self._R_rest = np.diag([REST_SPEED_SD**2, self._accel_sample_var, self._gyro_sample_var])

        self.wheels = [WheelTrack(self._count_m) for _ in range(4)]
        self._excess = [0.0] * 4
        self._excess_sd = [0.0] * 4  # of the prediction it was measured against
        self._may_slip = [[SLIP_LINGER_S, SLIP_LINGER_S] for _ in range(4)]
        self._sums = [[0.0, 0.0] for _ in range(4)]
        self._pull = [0.0] * 4  # what each wheel lately did to the speed estimate, m/s
        self._hub = [0.0] * 4  # as the encoders see it: relative to the turning body
        self._imu_seen = False
        self._gyro_bias = [0.0, 0.0, 0.0]  # x and z; y is in the filter
        self._s_y = 0.0
        self._accel_x = 0.0
        self._accel_smooth = [0.0, 0.0, 0.0]
        self._vibration_var = 0.0
        self._lever_speed = 0.0
        self._distance = 0.0
        self._at_rest = False
        self._doubt = 0.0  # by how much the speed is wrong if wheels believed again still slip
        self._rock = 0.0  # mean square of pitch and roll rate, (rad/s)2
        self._uncorrected_s = 0.0
        self._speed_at = [0.0] * 4  # speed estimate when each wheel last reported
        self._compare_s = 0.0
        self._compare_from: tuple[float, list[float]] = (0.0, [0.0] * 4)
        self._rest = RestWatch(self._count_m, imu.accel_noise_mps2, imu.gyro_noise_radps)
        self._rested = False
        self._yaw = 0.0

    # -- one frame ---------------------------------------------------------------------------

    def step(self, frame: Frame, brakes: Quad) -> Estimate:
        """Take one frame and say what is believed after it.

        ``brakes`` (4,): brake commands of the step before, which tell what slip there can be.
        """
        self._watch_torque(frame, brakes)
        if frame.gap:
            self._forget_motion()
        if frame.imu_new:
            self._take_imu(frame)
        blind = not self._imu_seen or frame.imu_age_s > IMU_LOST_S
        if frame.dt_s > 0.0:
            self._predict(frame, blind)
        if any(frame.wheel_new):
            if self._counted:
                self._correct_with_counts(frame)
            else:
                self._correct_with_speeds(frame)
            self._compare_wheels(blind)
        self._watch_rest(frame, blind)
        return self._estimate(frame, blind)

    def _watch_torque(self, frame: Frame, brakes: Quad) -> None:
        """Which way each wheel can slip: only the way a torque drives it, or drove it lately.

        A driven wheel that no brake holds cannot run slower than the ground; where it seems to,
        the estimate is wrong and not the wheel.
        """
        throttle = frame.throttle
        backward = self._engine.x[V] < 0.0
        for i in range(4):
            ahead = behind = True
            if throttle is not None:
                drive = throttle if frame.motor_enabled else 0.0
                drags = brakes[i] > 0.02 or abs(drive) <= NEUTRAL
                ahead = drive > NEUTRAL or (drags and backward)
                behind = drive < -NEUTRAL or (drags and not backward)
            left = self._may_slip[i]
            left[0] = SLIP_LINGER_S if ahead else max(0.0, left[0] - frame.dt_s)
            left[1] = SLIP_LINGER_S if behind else max(0.0, left[1] - frame.dt_s)

    def _may(self, i: int, slip: float) -> bool:
        """Whether wheel i can slip that way (positive: forward faster than the ground)."""
        if self.wheels[i].still_s > DEAD_S and sum(w.still_s < DEAD_S for w in self.wheels) >= 2:
            return True  # others turn and this one does not: it may as well be dead
        return self._may_slip[i][0 if slip > 0.0 else 1] > 0.0

    # -- IMU ---------------------------------------------------------------------------------

    def _take_imu(self, frame: Frame) -> None:
        fx, fy, fz = frame.accel
        if not self._imu_seen:
            self._imu_seen = True
            self._s_y = fy
            self._accel_smooth = [fx, fy, fz]
        dt = frame.dt_s
        k = min(1.0, dt / QUIET_TAU_S)
        smooth = self._accel_smooth
        deviation = 0.0
        for j, f in enumerate((fx, fy, fz)):
            d = f - smooth[j]
            smooth[j] += k * d
            deviation += d * d
        self._vibration_var += k * (deviation / 3.0 - self._vibration_var)

    def _gravity_z(self, s_x: float) -> float:
        return math.sqrt(max(0.25 * GRAVITY_MPS2**2, GRAVITY_MPS2**2 - s_x**2 - self._s_y**2))

    # -- prediction --------------------------------------------------------------------------

    def _predict(self, frame: Frame, blind: bool) -> None:
        dt = frame.dt_s
        engine = self._engine
        x = engine.x
        v, c, b = float(x[V]), float(x[C]), float(x[B])
        spun = False
        if blind:
            wx = wy = 0.0
            self._yaw = wz = geometry.yaw_from_steer(v, frame.steer_rad, self._config.rover)
            accel, s_z = 0.0, GRAVITY_MPS2
        else:
            wx = frame.gyro[0] - self._gyro_bias[0]
            wy = frame.gyro[1] - b
            self._yaw = wz = frame.gyro[2] - self._gyro_bias[2]
            s_z = self._gravity_z(c)
            v_side = -wz * self._still_x
            accel = frame.accel[0] - c + wz * v_side
        px, py, pz = self._lever
        lever_speed = wy * pz - wz * py
        v_new = v + accel * dt
        if not blind:
            # The IMU's own speed differs from the middle's by omega x lever arm.
            v_new -= lever_speed - self._lever_speed - px * (wy * wy + wz * wz) * dt
            self._lever_speed = lever_speed
        self._accel_x = (v_new - v) / dt if dt > 0.001 else accel
        mean = 0.5 * (v + v_new)

        moved = np.array(x)
        moved[V] = v_new
        if not blind:
            moved[C] = c + (-wy * s_z + wz * self._s_y) * dt
            self._s_y += (-wz * c + wx * s_z) * dt
            self._s_y += (frame.accel[1] - v * wz - self._s_y) * min(1.0, dt / ROLL_TAU_S)
        body_turn = wy * self._radius
        force = max(-MOST_CREEP_FORCE, min(MOST_CREEP_FORCE, self._accel_smooth[0]))
        travel_noise = TRAVEL_NOISE**2
        # A body that rocks has wheels on slopes of their own, whose rims go another way.
        rock = 0.0 if blind else wx * wx + wy * wy
        self._rock += (rock - self._rock) * min(1.0, dt / ROCK_TAU_S)
        rocking = ROCK_NOISE**2 * self._rock + 1e-8
        for i in range(4):
            px_i, py_i = self._where[i]
            hub, gain = geometry.hub_speed(mean, wz, px_i, py_i, self._still_x, self._steered[i])
            rim = hub + abs(hub) * self._creep[i] * force
            self._hub[i] = rim - body_turn
            self._hub_gain[i] = gain
            moved[P0 + i] += (rim - body_turn) * dt
            turn = TURN_TRAVEL_NOISE * (hub - mean)
            self._travel_var[i] = (travel_noise * abs(hub) + turn * turn * 0.05 + rocking) * dt
        self._distance += mean * dt
        # Wheels that follow the body through speeding up and slowing down do grip.
        self._doubt = max(
            0.0, self._doubt * (1.0 - dt / DOUBT_TAU_S) - DOUBT_SHARE * abs(accel) * dt
        )

        if blind:
            accel_var = BLIND_ACCEL_NOISE**2 * dt
        else:
            vibration = max(0.0, self._vibration_var - self._accel_sample_var)
            self._uncorrected_s += dt
            gain = VIBRATION_NOISE * math.sqrt(max(1.0, self._uncorrected_s / WHEEL_PERIOD_S))
            gain = min(COASTING_NOISE, gain)
            # A turning body that also moves sideways feels it forwards: omega_z v_y. How far it
            # moves sideways is not measured, least of all once the tyres let go.
            turn_force = abs(wz * v)
            sliding = max(0.0, min(1.0, (turn_force - SLIDE_MPS2) / SLIDE_MPS2))
            side = turn_force * (SIDE_NOISE + SIDE_SLIDE_NOISE * sliding)
            spun = self._most_turn > 0.0 and abs(wz) > self._most_turn * abs(v) + SPUN_RADPS
            if spun:  # faster than any steering turns it: it spins round
                side = SPUN_NOISE
            accel_var = self._accel_sample_var * dt * dt + dt * (
                SPEED_NOISE**2 + gain * gain * vibration + side * side
            )
        turning = GYRO_SCALE_NOISE * GRAVITY_MPS2 * math.hypot(wy, wz)
        drift_noise = REST_DRIFT_NOISE if self._at_rest else DRIFT_NOISE
        if spun:
            drift_noise = SPUN_NOISE
        drift = (drift_noise**2 + turning * turning) * dt
        drift += self._gyro_sample_var * (GRAVITY_MPS2 * dt) ** 2
        model.transition(dt, s_z if not blind else 0.0, self._hub_gain, self._F)
        model.process_noise(dt, accel_var, drift, BIAS_NOISE**2 * dt, self._travel_var, self._Q)
        engine.predict(moved, self._F, self._Q)
        keep = max(0.0, 1.0 - dt / PULL_TAU_S)
        for i, wheel in enumerate(self.wheels):
            wheel.predict(dt)
            self._pull[i] *= keep

    # -- wheels ------------------------------------------------------------------------------

    def _correct_with_counts(self, frame: Frame) -> None:
        if self._rested and any(
            new and step for new, step in zip(frame.wheel_new, frame.wheel_step, strict=True)
        ):
            self._forget_phase()
        x, P = self._engine.x, self._engine.P
        innovation = np.zeros(4)
        R = self._R_wheels
        informed = False
        spinning = any(not w.gripping for w in self.wheels)
        for i, wheel in enumerate(self.wheels):
            R[i, i] = NO_INFORMATION
            if not frame.wheel_new[i]:
                continue
            if frame.wheel_jump[i]:
                self._anchor(i, wheel.low_m + 0.5 * self._count_m, self._count_m**2)
                continue
            age = frame.wheel_dt_s[i]
            step = self._directed(i, frame.wheel_step[i])
            wheel.still_s = 0.0 if step else wheel.still_s + age
            wheel.count(step, self._count_m, 1.3 * abs(wheel.rim_mps) * age + 0.001)
            mean, var = float(x[P0 + i]), float(P[P0 + i, P0 + i])
            excess = model.box_excess(mean, wheel.low_m, wheel.high_m)
            self._excess[i], self._excess_sd[i] = excess, math.sqrt(max(0.0, var))
            sd = math.sqrt(var + self._edge_sd**2)
            wheel.correct(self._edge_sd)
            if wheel.gripping:
                if excess == 0.0:
                    wheel.grip(self._hub[i])
                innovation[i], R[i, i] = model.box_update(
                    mean, var, wheel.low_m, wheel.high_m, self._edge_sd
                )
                far = abs(excess) > TRUST_MARGIN_M + TRUST_SD * sd
                creeps = self._creeps_along(i, innovation[i], var + R[i, i], spinning)
                if (far or creeps) and self._may(i, innovation[i]):
                    self._distrust(i, wheel)
                    R[i, i] = NO_INFORMATION
                else:
                    R[i, i] = model.robust(innovation[i], var, R[i, i], abs(excess) / sd)
                    informed = informed or R[i, i] < NO_INFORMATION
            else:
                self._try_regrip(i, wheel, age)
        if any(w.gripping for w in self.wheels):
            self._uncorrected_s = 0.0
        if informed:
            K = self._engine.update(innovation, self._H_wheels, R)
            for i in range(4):
                self._pull[i] += float(K[V, i] * innovation[i])

    def _creeps_along(self, i: int, innovation: float, S: float, spinning: bool) -> bool:
        """Whether wheel i has begun to slip along with one that spins.

        All driven wheels get the same torque, so where one spins the others may follow, too
        slowly for the gate. Page's cumulative sum (E. S. Page, Biometrika 41, 1954) of the
        normalised innovations finds a bias that no single one shows. With no wheel spinning a
        bias is the accelerometer's, and the wheels are right.
        """
        sums = self._sums[i]
        if not spinning:
            sums[0] = sums[1] = 0.0
            return False
        z = innovation / math.sqrt(S)
        sums[0] = max(0.0, sums[0] + z - CUSUM_DRIFT)
        sums[1] = max(0.0, sums[1] - z - CUSUM_DRIFT)
        return max(sums) > CUSUM_LIMIT

    def _distrust(self, i: int, wheel: WheelTrack) -> None:
        """Wheel i has left the ground's motion: take back what it lately did to the speed."""
        wheel.gripping = False
        wheel.calm_s = 0.0
        self._engine.shift(V, -self._pull[i], (PULL_DOUBT * self._pull[i]) ** 2)
        self._pull[i] = 0.0
        self._sums[i][0] = self._sums[i][1] = 0.0

    def _directed(self, i: int, step: float) -> float:
        """Counts with their sign; one-channel encoders take it from the wheel's motion."""
        if not self._unsigned or step == 0.0:
            return step
        speed = self.wheels[i].rim_mps if not self.wheels[i].gripping else self._hub[i]
        return -step if speed < 0.0 else step

    def _try_regrip(self, i: int, wheel: WheelTrack, age: float) -> None:
        sd = math.sqrt(float(self._engine.P[V, V]))
        slip = wheel.rim_mps - self._hub[i]
        if not self._may(i, slip):
            wheel.calm_s += 3.0 * age
        elif abs(slip) < REGRIP_MPS + REGRIP_SD * sd:
            wheel.calm_s += age
        else:
            wheel.calm_s = 0.0
        if wheel.calm_s >= REGRIP_S:
            self._anchor(i, wheel.rim_m, wheel.rim_var_m2)

    def _anchor(self, i: int, rim_m: float, var_m2: float) -> None:
        """Believe wheel i again, from where its rim is now."""
        if not any(w.gripping for w in self.wheels):
            # Nothing but the accelerometer spoke until now: if this wheel still slips, the
            # speed is wrong by as much, and no other wheel can say so.
            slip = self.wheels[i].rim_mps - self._hub[i]
            self._doubt = max(self._doubt, abs(slip))
        self._engine.reset(P0 + i, rim_m, var_m2)
        self._excess[i] = 0.0
        self.wheels[i].gripping = True
        self.wheels[i].calm_s = 0.0

    def _correct_with_speeds(self, frame: Frame) -> None:
        x, P = self._engine.x, self._engine.P
        innovation = np.zeros(4)
        R, H = self._R_wheels, self._H_wheels
        noise = self._config.encoders.speed_noise_radps * self._radius
        v, sd2 = float(x[V]), float(P[V, V])
        informed = False
        for i, wheel in enumerate(self.wheels):
            R[i, i] = NO_INFORMATION
            if not frame.wheel_new[i]:
                continue
            px, py = self._where[i]
            hub, gain = geometry.hub_speed(v, self._yaw, px, py, self._still_x, self._steered[i])
            rim = frame.wheel_radps[i] * self._radius
            wheel.travel_m += rim * min(frame.wheel_dt_s[i], 0.5)
            age = min(frame.wheel_dt_s[i], 0.5)
            wheel.still_s = 0.0 if abs(rim) > 0.5 * noise else wheel.still_s + age
            # A speed is a mean over the time since the last one: what changed in it is open.
            blur = (rim - wheel.rim_mps) ** 2 + (v - self._speed_at[i]) ** 2
            wheel.rim_mps = rim
            self._speed_at[i] = v
            H[i, V] = gain
            turn = 2.0 * TURN_TRAVEL_NOISE * (hub - v)
            var = noise * noise + (0.01 * hub) ** 2 + turn * turn + blur / 3.0
            total = math.sqrt(gain * gain * sd2 + var)
            slip = rim - hub
            loose = abs(slip) > TRUST_SD * total + 0.03 and self._may(i, slip)
            # The first odd value may be a late one; travel is counted from the second.
            again = loose and not wheel.gripping
            self._excess[i] = self._excess[i] + slip * age if again else 0.0
            wheel.gripping = not loose
            if not loose:
                innovation[i], R[i, i] = slip, var
                informed = True
                self._uncorrected_s = 0.0
        if informed:
            self._engine.update(innovation, H, R)

    def _compare_wheels(self, blind: bool) -> None:
        """With no wheel believed: if wheels follow the accelerometer, the speed is what is wrong.

        The rim of a wheel that grips changes its speed as the body does; a spinning rim follows
        the motor. Three wheels that kept their distance to the estimate while the body clearly
        sped up or slowed down, and agree among themselves, are gripping.
        """
        if blind or any(w.gripping for w in self.wheels):
            self._compare_s = 0.0
            return
        v = float(self._engine.x[V])
        slips = [w.rim_mps - h for w, h in zip(self.wheels, self._hub, strict=True)]
        if self._compare_s == 0.0:
            self._compare_from = (v, slips)
        self._compare_s += 1.0 / self._config.encoders.rate_hz
        v_then, slips_then = self._compare_from
        change = abs(v - v_then)
        if change < COMPARE_MPS:
            if self._compare_s > COMPARE_S:
                self._compare_s = 0.0
            return
        self._compare_s = 0.0
        near = COMPARE_SHARE * change
        middle = sorted(slips)[1:3]
        mean = 0.5 * (middle[0] + middle[1])
        follow = [
            i
            for i in range(4)
            if abs(slips[i] - slips_then[i]) < near and abs(slips[i] - mean) < near
        ]
        if len(follow) >= 3:
            self._engine.shift(V, mean, near * near)
            for i in follow:
                self._anchor(i, self.wheels[i].rim_m, self.wheels[i].rim_var_m2)

    # -- rest --------------------------------------------------------------------------------

    def _watch_rest(self, frame: Frame, blind: bool) -> None:
        x, P = self._engine.x, self._engine.P
        still_s = min(w.still_s for w in self.wheels)
        if blind:
            self._at_rest = still_s >= STILL_S
            return
        if not frame.imu_new:
            self._at_rest = self._at_rest and still_s > 0.0
            return
        wx, wy, wz = frame.gyro
        force = frame.accel[0] - float(x[C])
        self._at_rest = self._rest.step(
            frame.dt_s,
            still_s,
            float(x[V]),
            math.sqrt(float(P[V, V])),
            force,
            math.sqrt(float(P[C, C])),
            max(abs(wx - self._gyro_bias[0]), abs(wy - x[B]), abs(wz - self._gyro_bias[2])),
            math.sqrt(float(P[B, B])),
            self._vibration_var,
        )
        if not self._at_rest:
            if self._rested:
                # Gravity along x was held to be constant; from here on it is only known so well.
                self._engine.shift(C, 0.0, REST_FORCE_SD**2)
                self._forget_phase()
            self._rested = False
            return
        self._rested = True
        innovation = np.array([-x[V], force, frame.gyro[1] - x[B]], dtype=float)
        self._engine.update(innovation, self._H_rest, self._R_rest)
        k = min(1.0, frame.dt_s / 0.5)
        for j in (0, 2):
            self._gyro_bias[j] += k * (frame.gyro[j] - self._gyro_bias[j])
        self._s_y += k * (frame.accel[1] - self._s_y)

    def _forget_phase(self) -> None:
        """Where inside its count a wheel stood still is not known, however long it stood."""
        if not self._counted:
            return
        for i, wheel in enumerate(self.wheels):
            if wheel.gripping:
                middle = 0.5 * (wheel.low_m + wheel.high_m)
                self._engine.reset(P0 + i, middle, (wheel.high_m - wheel.low_m) ** 2 / 12 + 1e-8)

    # -- faults ------------------------------------------------------------------------------

    def _forget_motion(self) -> None:
        """After a gap the speed is unknown; what stands still (bias, mounting) is kept."""
        engine = self._engine
        engine.reset(V, float(engine.x[V]), self._config.rover.top_speed_mps**2)
        engine.P[C, C] += 0.5**2
        for i, wheel in enumerate(self.wheels):
            self._anchor(i, 0.5 * (wheel.low_m + wheel.high_m), self._count_m**2 + 1e-8)

    # -- output ------------------------------------------------------------------------------

    def _estimate(self, frame: Frame, blind: bool) -> Estimate:
        x, P = self._engine.x, self._engine.P
        v = float(x[V])
        body_turn = 0.0 if blind else (frame.gyro[1] - float(x[B])) * self._radius
        rim, slip, ratio = [0.0] * 4, [0.0] * 4, [0.0] * 4
        for i, wheel in enumerate(self.wheels):
            px, py = self._where[i]
            hub, _ = geometry.hub_speed(v, self._yaw, px, py, self._still_x, self._steered[i])
            if wheel.gripping and self._excess[i] == 0.0:
                rim[i] = hub
            else:
                rim[i] = wheel.rim_mps + (body_turn if self._counted else 0.0)
                slip[i] = rim[i] - hub
                ratio[i] = slip_ratio(rim[i], hub)
        # Common to all wheels, so that no wheel can tell: radius and creep.
        creep = max(self._creep) * min(MOST_CREEP_FORCE, abs(self._accel_smooth[0]))
        scale_sd = math.hypot(SCALE_SD, CREEP_SD * creep)
        s_x = max(-0.99 * GRAVITY_MPS2, min(0.99 * GRAVITY_MPS2, float(x[C])))
        bias_sd = self._config.imu.accel_bias_sd_mps2
        return Estimate(
            t_s=frame.t_s,
            speed_mps=v,
            speed_sd_mps=math.sqrt(max(0.0, float(P[V, V])) + (scale_sd * v) ** 2 + self._doubt**2),
            accel_mps2=self._accel_x,
            distance_m=self._distance,
            yaw_rate_radps=self._yaw,
            grade_rad=math.asin(s_x / GRAVITY_MPS2),
            grade_sd_rad=math.sqrt(max(0.0, float(P[C, C])) + bias_sd**2) / GRAVITY_MPS2,
            wheel_speed_mps=(rim[0], rim[1], rim[2], rim[3]),
            slip_mps=(slip[0], slip[1], slip[2], slip[3]),
            slip_sd_mps=tuple(  # type: ignore[arg-type]
                math.sqrt(max(0.0, float(P[V, V])) + w.rim_sd_mps**2) for w in self.wheels
            ),
            slip_ratio=(ratio[0], ratio[1], ratio[2], ratio[3]),
            excess_travel_m=tuple(self._excess),  # type: ignore[arg-type]
            excess_sd_m=tuple(self._excess_sd),  # type: ignore[arg-type]
            wheel_travel_m=tuple(w.travel_m for w in self.wheels),  # type: ignore[arg-type]
            side_slope_rad=math.asin(max(-0.99, min(0.99, self._s_y / GRAVITY_MPS2))),
            lateral_mps2=self._accel_smooth[1],
            at_rest=self._at_rest,
            coasting=not any(w.gripping for w in self.wheels),
        )
