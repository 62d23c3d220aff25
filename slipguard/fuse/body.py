"""The body's motion: predicted with the IMU, pinned down at rest. Owns the Kalman filter."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from slipguard.config import Config
from slipguard.frame import Frame
from slipguard.fuse import geometry, model
from slipguard.fuse.engine import Engine
from slipguard.fuse.late import LateTravel
from slipguard.fuse.model import N_STATE, P0, Array, B, C, D, V
from slipguard.fuse.parting import AccelerometerDoubt
from slipguard.fuse.rest import STILL_S, RestWatch
from slipguard.settings import GRAVITY_MPS2

# Process noise. Chosen on simulated drives, see DEVELOPERS.md.
SPEED_NOISE = 0.012  # (m/s)/sqrt(s): what an accelerometer misses on smooth ground
VIBRATION_NOISE = 0.02  # s^0.5: more of it in proportion to vibration
FAST_MPS = 2.0  # above which it grows with speed: vibration of fast wheels beats slowly enough to
# be taken for motion, and their counts come fast enough to tell
COASTING_NOISE = 0.2  # s^0.5: the most of it, long after a wheel last corrected: it may alias
WHEEL_PERIOD_S = 0.01  # between corrections for which VIBRATION_NOISE holds
TRAVEL_NOISE = 0.003  # m/sqrt(m): micro-slip and uneven ground, a random walk by distance
TURN_TRAVEL_NOISE = 0.1  # share of the yaw term of hub speed that is not believed
ROCK_NOISE = 0.016  # m/sqrt(s) for each rad/s the body rocks
ROCK_TAU_S = 0.3
DRIFT_NOISE = 0.02  # (m/s2)/sqrt(s): gravity along x beyond what the gyro follows
VIBRATION_DRIFT = 0.15  # s^-0.5: more of it in proportion to vibration, in full from 1 m/s
GYRO_SCALE_NOISE = 0.01  # sqrt(s): gyro scale and mounting, of the gravity a turn carries over
BIAS_NOISE = 0.0005  # (rad/s)/sqrt(s)
BLIND_ACCEL_NOISE = 1.5  # (m/s)/sqrt(s): without an accelerometer
DOUBTED_FORCE_SD = 0.3  # m/s2: of gravity along x, after the accelerometer was doubted
SIDE_NOISE = 0.01  # s^0.5: speed noise for each m/s2 of centripetal acceleration
SIDE_SLIDE_NOISE = 0.3  # s^0.5: the same when the tyres cannot hold it
SLIDE_MPS2 = 4.0  # centripetal acceleration from which they may not
SPUN_RADPS = 1.5  # yaw rate beyond what the steering explains: the rover has spun round
SPUN_NOISE = 0.3  # s^-0.5, of speed and of gravity along x, while it does
SLIDE_FROM_MPS2 = 3.0  # centripetal acceleration from which sideways speed is followed
LEAST_SLIDE_MPS = 0.5  # a rover that stands does not slide, whatever its gyro says
MOST_SLIDE_S = 3.0  # what turns for longer is a broken gyro
SLIDE_LINGER_S = 0.3  # a rover that has spun round slides on for so long
SLIDE_TAU_S = 3.0  # within which tyres end a slide sideways

START_FORCE_SD = 2.0  # m/s2: gravity along x and bias before anything is known, a 20 % slope
MOST_TOP_SPEEDS = 1.5  # no rover is faster than so many times the speed it can never exceed
MOST_APART = 1.5  # nor than so many times its rims, where they are
MOST_BIAS_SD = 5.0  # nor is a bias so many of its standard deviations large
TURNED_SD_MPS = 0.1  # of the speed, after its sign was mistaken
REST_SPEED_SD = 0.01  # m/s
REST_DRIFT_NOISE = 0.003  # (m/s2)/sqrt(s): a body at rest keeps its pitch
REST_FORCE_SD = 0.01  # m/s2
REST_TAU_S = 0.5  # over which gyro bias and roll are learnt at rest
QUIET_TAU_S = 0.1  # smoothing of acceleration, for tilt and for what tyres push
ROLL_TAU_S = 1.5  # over which gravity across is learnt from what a turn leaves over

MOST_ACCEL_MPS2 = 12.0  # friction coefficients above 1.2 are not met; common practice, no source
MOST_CREEP_FORCE = 5.0  # m/s2
RADIUS_SD = 0.005  # of the tyre radius, where nobody says how well it is known
CREEP_SD = 0.5  # of the creep: how well the tyres' stiffness is known
LATE_NOISE = 0.0007  # s^0.5, of lateness: so that what a poor start taught is learnt again
LEAST_LATE_S, MOST_LATE_S = -0.1, 0.25
HARDLY_LATE_S = 0.01  # one reading of the wheels
SURE_WAY_SD = 2.0  # of the speed, above which its sign is sure
UNTIED = (0.0,) * N_STATE
_C_ALONE = tuple(1.0 if j == C else 0.0 for j in range(N_STATE))


class Body:
    """Speed, gravity, gyro bias and the four predicted rim travels, and what is known of each.

    Attributes
    ----------
    engine : Engine
        The filter; state as in ``model.py``.
    hub_mps : list of 4 float
        Rim speed each wheel has while it grips, as its encoder sees it: against the body.
    hub_gain : list of 4 float
        Derivative of each hub's speed by the body's.
    slides : bool
        Whether it has spun round, so that no wheel's rim tells of the speed forward.
    slid_s : float
        Time since the tyres may last have let go sideways.
    late_s : float
        How much later than the IMU the encoders speak; negative: earlier. Without an accelerometer
        nothing tells what happened since: then they speak of now.
    late_m : list of 4 float
        Predicted rim travel since the moment the encoders' last counts are from.
    """

    def __init__(self, config: Config, engine: type[Engine]) -> None:
        rover, imu = config.rover, config.imu
        self._top_speed = rover.top_speed_mps
        self._turn_arm = geometry.turn_arm_m(rover)
        self._radius = rover.wheel_radius_m
        sd_m = rover.wheel_radius_sd_m
        self._radius_sd = RADIUS_SD if sd_m is None else sd_m / rover.wheel_radius_m
        driven = {"front": (2.0, 2.0, 0.0, 0.0), "rear": (0.0, 0.0, 2.0, 2.0)}.get(rover.drive)
        # Creep of each gripping tyre per m/s2 of specific force along x.
        self._creep = [
            share / (GRAVITY_MPS2 * rover.tyre_slip_stiffness) for share in driven or (1.0,) * 4
        ]
        # Yaw rate per m/s at full lock, half as much again; 0.0: skid steering has no such bound.
        steer_arm = rover.wheelbase_m * (0.5 if rover.steered == "both" else 1.0)
        most_rad = 0.0 if rover.steered == "skid" else math.radians(rover.max_steer_deg)
        self._most_turn = 1.5 * math.tan(most_rad) / steer_arm
        self._where = geometry.wheel_positions_m(rover)
        self._still_x = geometry.no_side_slip_x_m(rover)
        front, rear = geometry.steers(rover)
        self._steered = (front, front, rear, rear)
        self._accel_var = imu.accel_noise_mps2**2
        self._gyro_var = imu.gyro_noise_radps**2
        self._lever = imu.position_m

        self._most_speed = MOST_TOP_SPEEDS * rover.top_speed_mps
        self._most_force = GRAVITY_MPS2 + MOST_BIAS_SD * imu.accel_bias_sd_mps2
        self._gyro_bias_sd = imu.gyro_bias_sd_radps
        x = np.zeros(N_STATE)
        P = np.zeros((N_STATE, N_STATE))
        P[V, V] = rover.top_speed_mps**2
        P[C, C] = START_FORCE_SD**2
        P[B, B] = self._gyro_bias_sd**2
        for i in range(4):
            x[P0 + i] = 0.5 * config.count_m
            P[P0 + i, P0 + i] = config.count_m**2 / 12 + 1e-8
        x[D] = config.encoders.delay_s - imu.delay_s
        learns = config.encoders.kind == "counts" and config.encoders.delay_sd_s > 0.0
        P[D, D] = self._late_var = config.encoders.delay_sd_s**2 if learns else 0.0
        self.engine = engine(x, P)
        self._F = np.eye(N_STATE)
        self._Q = np.zeros((N_STATE, N_STATE))
        self.hub_gain = [1.0] * 4
        self._travel_var = [0.0] * 4
        self._moved = [0.0] * N_STATE
        self._H_rest = np.zeros((3, N_STATE))
        self._H_rest[0, V] = self._H_rest[1, C] = self._H_rest[2, B] = 1.0
        self._innovation = [0.0] * 3
        self._R_rest = np.diag([REST_SPEED_SD**2, self._accel_var, self._gyro_var])

        self.hub_mps = [0.0] * 4
        self.yaw_radps = 0.0
        self.accel_mps2 = 0.0
        self.distance_m = 0.0
        self.at_rest = False
        self.uncorrected_s = 0.0
        self.accel_smooth = [0.0, 0.0, 0.0]
        self._imu_seen = False
        self._led = True  # the accelerometer carries the speed
        self._as_now = False
        self._gyro_bias = [0.0, 0.0, 0.0]  # x and z; y is in the filter
        self._pitch_radps = 0.0
        self._s_y = 0.0
        self._side_mps = 0.0  # sideways speed of the middle
        self._spun_s = 0.0
        self._calm_s = SLIDE_LINGER_S  # since it last spun round
        self.slides = False
        self.slid_s = math.inf
        self._vibration_var = 0.0
        self._lever_speed = 0.0
        self._rock = 0.0  # mean square of pitch and roll rate, (rad/s)2
        self.doubt = AccelerometerDoubt()
        self._rest = RestWatch(config.count_m, imu.accel_noise_mps2, imu.gyro_noise_radps)
        # The wheels may speak of an earlier moment than the IMU. Where not, no ring is kept.
        self._least_late_s = float(x[D])
        self._may_be_late = float(x[D]) != 0.0 or learns
        self._late = LateTravel()
        self._speed_way = [0.0] * N_STATE
        self._late_way = [0.0] * N_STATE
        self._rim_ties = [0.0] * N_STATE
        self._late_noise = LATE_NOISE if learns else 0.0
        self.late_m = [0.0] * 4
        self.late_s = 0.0
        self._note_lateness()

    # -- what is believed --------------------------------------------------------------------

    @property
    def speed_mps(self) -> float:
        return float(self.engine.x[V])

    @property
    def speed_var(self) -> float:
        return max(0.0, float(self.engine.P[V, V]))

    @property
    def sure_way_mps(self) -> float:
        """Speed above which it is sure which way it goes, and so which way a wheel turns."""
        return SURE_WAY_SD * math.sqrt(self.speed_var)

    @property
    def shows_late(self) -> bool:
        """Whether wheels that are late would show it: it surely moves, and how is felt."""
        return self._led and abs(self.speed_mps) > self.sure_way_mps

    @property
    def scale_sd(self) -> float:
        """Share by which the speed may be wrong though all wheels agree: radius and creep."""
        creep = max(self._creep) * min(MOST_CREEP_FORCE, abs(self.accel_smooth[0]))
        creep_sd = CREEP_SD * creep
        return math.sqrt(self._radius_sd * self._radius_sd + creep_sd * creep_sd)

    @property
    def force_mps2(self) -> float:
        """Reaction to gravity along x, accelerometer bias included."""
        return float(self.engine.x[C])

    @property
    def force_var(self) -> float:
        return max(0.0, float(self.engine.P[C, C]))

    @property
    def side_slope_rad(self) -> float:
        return math.asin(max(-0.99, min(0.99, self._s_y / GRAVITY_MPS2)))

    @property
    def body_turn_mps(self) -> float:
        """Rim speed an encoder misses because the body pitches with the wheel."""
        return self._pitch_radps * self._radius

    def hub_speed(self, i: int, speed_mps: float, yaw_radps: float) -> tuple[float, float]:
        """Hub speed of wheel i along the wheel, and its derivative by the body's speed."""
        x_m, y_m = self._where[i]
        return geometry.hub_speed(speed_mps, yaw_radps, x_m, y_m, self._still_x, self._steered[i])

    def seen_hub_mps(self, i: int) -> float:
        """Hub speed of wheel i at the moment its encoder speaks of."""
        return self.hub_mps[i] - self.hub_gain[i] * self.accel_mps2 * self.late_s

    def update(self, innovation: Sequence[float], H: Array, R: Array) -> Array:
        """As that of the engine."""
        K = self.engine.update(innovation, H, R)
        self._note_lateness()
        return K

    def _note_lateness(self) -> None:
        """To be called when the state's may have changed."""
        late_s = max(LEAST_LATE_S, min(MOST_LATE_S, float(self.engine.x[D])))
        self.late_s = 0.0 if self._as_now else late_s

    # -- one frame ---------------------------------------------------------------------------

    def lead(self, blind: bool) -> bool:
        """Whether the accelerometer has just begun, or ceased, to carry the speed on from what late
        encoders told."""
        self._led = not blind and not self.doubt.active
        as_now = not self._led and abs(float(self.engine.x[D])) > HARDLY_LATE_S
        changed = as_now != self._as_now
        self._as_now = as_now
        if changed:
            self._note_lateness()
            self.look_back()
        return changed

    def is_blind(self, frame: Frame, lost_s: float) -> bool:
        """Whether no IMU sample is fresh enough to predict with."""
        return not self._imu_seen or frame.imu_age_s > lost_s

    def take_imu(self, frame: Frame) -> None:
        """Smooth the accelerometer and measure how much it shakes."""
        if not self._imu_seen:
            self._imu_seen = True
            # Most likely it stands as it is switched on: all that is felt is gravity.
            self.engine.x[C] = max(-GRAVITY_MPS2, min(GRAVITY_MPS2, frame.accel[0]))
            self._s_y = frame.accel[1]
            for j in range(3):
                self.accel_smooth[j] = frame.accel[j]
        k = min(1.0, frame.imu_dt_s / QUIET_TAU_S)
        deviation = 0.0
        for j, f in enumerate(frame.accel):
            d = f - self.accel_smooth[j]
            self.accel_smooth[j] += k * d
            deviation += d * d
        self._vibration_var += k * (deviation / 3.0 - self._vibration_var)

    def predict(self, frame: Frame, blind: bool) -> None:
        """Carry the state over ``frame.dt_s``; ``blind``: without the IMU."""
        dt = frame.dt_s
        x = self.engine.x
        v, c, b = float(x[V]), float(x[C]), float(x[B])
        moved = self._moved
        for j in range(N_STATE):
            moved[j] = float(x[j])
        if blind:
            wx = wy = 0.0
            wz = geometry.yaw_from_steer(v, frame.steer_rad, self._turn_arm)
            accel, v_new, s_z = 0.0, v, 0.0
            self.slides = sliding = False
            accel_var, drift_noise = BLIND_ACCEL_NOISE**2 * dt, DRIFT_NOISE
        else:
            wx = frame.gyro[0] - self._gyro_bias[0]
            wy = frame.gyro[1] - b
            wz = frame.gyro[2] - self._gyro_bias[2]
            s_z = self._gravity_z(c)
            sliding = self._slide(frame.accel[1] - self._s_y - v * wz, v, wz, dt)
            turned = wz * self._side_mps  # a turn makes sideways speed forward speed
            felt = frame.accel[0] - c
            # Tyres cannot do more: it is a knock or a broken sample, so the wheels decide.
            accel = max(-MOST_ACCEL_MPS2, min(MOST_ACCEL_MPS2, felt)) + turned
            felt += turned
            v_new = v + accel * dt - self._lever_step(wy, wz, dt)
            moved[C] = c + (-wy * s_z + wz * self._s_y) * dt
            self._s_y += (-wz * c + wx * s_z) * dt
            if not sliding:
                self._s_y += (frame.accel[1] - v * wz - self._s_y) * min(1.0, dt / ROLL_TAU_S)
            accel_var, drift_noise = self._imu_noise(v, wz, dt)
            accel_var += ((felt - accel) * dt) ** 2
            if self.doubt.active:
                accel, v_new, accel_var = 0.0, v, BLIND_ACCEL_NOISE**2 * dt
                bias = self.doubt.step(dt, felt, v, c)
                if bias is not None:
                    moved[C] += bias
                    drift_noise = DOUBTED_FORCE_SD / math.sqrt(dt)
        self.slid_s = 0.0 if sliding else self.slid_s + dt
        moved[V] = v_new
        self.yaw_radps, self._pitch_radps = wz, wy
        self.accel_mps2 = (v_new - v) / dt if dt > 0.001 else accel
        mean = 0.5 * (v + v_new)
        self.distance_m += mean * dt
        self._move_hubs(moved, mean, wx, wy, wz, dt)

        turning_var = (GYRO_SCALE_NOISE * GRAVITY_MPS2) ** 2 * (wy * wy + wz * wz)
        drift = (drift_noise**2 + turning_var) * dt
        drift += self._gyro_var * (GRAVITY_MPS2 * dt) ** 2
        model.transition(dt, s_z, self.hub_gain, 0.0 if blind else self._radius, self._F)
        late = 0.0 if self.at_rest else self._late_noise**2 * dt
        model.process_noise(
            dt, accel_var, drift, BIAS_NOISE**2 * dt, self._travel_var, late, self._Q
        )
        self.engine.predict(moved, self._F, self._Q)

    def _slide(self, side_mps2: float, v: float, wz: float, dt: float) -> bool:
        """Keep the sideways speed of the middle. Returns whether the tyres may have let go.

        ``side_mps2``: rate of the sideways speed, as felt. A body whose tyres hold turns about
        the point without side slip, still_x ahead of the middle. One that turns faster than they
        hold goes on as it was (Newton's law along y): what was forward is sideways a quarter turn
        later, and rims tell nothing of it.
        """
        held_mps = -wz * self._still_x
        fast = max(abs(v), abs(self._side_mps - held_mps)) > LEAST_SLIDE_MPS
        spins = self._most_turn > 0.0 and abs(wz) > self._most_turn * abs(v) + SPUN_RADPS
        self._calm_s = 0.0 if spins and fast else self._calm_s + dt
        self._spun_s = self._spun_s + dt if self._calm_s < SLIDE_LINGER_S else 0.0
        self.slides = 0.0 < self._spun_s < MOST_SLIDE_S
        if not self.slides and abs(wz * v) < SLIDE_FROM_MPS2:
            self._side_mps = held_mps
            return False
        side = self._side_mps + side_mps2 * dt
        side += (held_mps - self._side_mps) * min(1.0, dt / SLIDE_TAU_S)
        self._side_mps = max(-self._most_speed, min(self._most_speed, side))
        return True

    def _gravity_z(self, s_x: float) -> float:
        return math.sqrt(max(0.25 * GRAVITY_MPS2**2, GRAVITY_MPS2**2 - s_x**2 - self._s_y**2))

    def _lever_step(self, wy: float, wz: float, dt: float) -> float:
        """Speed change the IMU feels that the middle does not: omega x lever arm."""
        px, py, pz = self._lever
        lever_speed = wy * pz - wz * py
        step = lever_speed - self._lever_speed - px * (wy * wy + wz * wz) * dt
        self._lever_speed = lever_speed
        return step

    def _imu_noise(self, v: float, wz: float, dt: float) -> tuple[float, float]:
        """Variance added to v over dt, and the drift noise of c."""
        vibration = max(0.0, self._vibration_var - self._accel_var)
        self.uncorrected_s += dt
        gain = VIBRATION_NOISE * math.sqrt(max(1.0, self.uncorrected_s / WHEEL_PERIOD_S))
        gain = min(COASTING_NOISE, gain * max(1.0, abs(v) / FAST_MPS))
        # A turning body that also moves sideways feels it forwards: omega_z v_y. How far it
        # moves sideways is not measured, least of all once the tyres let go.
        turn_force = abs(wz * v)
        sliding = max(0.0, min(1.0, (turn_force - SLIDE_MPS2) / SLIDE_MPS2))
        side = turn_force * (SIDE_NOISE + SIDE_SLIDE_NOISE * sliding)
        drift_noise = REST_DRIFT_NOISE
        if not self.at_rest:
            # Vibration of turning wheels that aliases to a slow beat looks like gravity along x.
            beat = math.sqrt(vibration) * min(1.0, abs(v))
            drift_noise = DRIFT_NOISE + VIBRATION_DRIFT * beat
        if self.slides:
            side = drift_noise = SPUN_NOISE  # faster than any steering turns it: it spins round
        per_second = SPEED_NOISE**2 + gain * gain * vibration + side * side
        return self._accel_var * dt * dt + dt * per_second, drift_noise

    def _move_hubs(
        self, moved: list[float], mean: float, wx: float, wy: float, wz: float, dt: float
    ) -> None:
        """Predict rim travel of each wheel, and how uncertain that is."""
        force = max(-MOST_CREEP_FORCE, min(MOST_CREEP_FORCE, self.accel_smooth[0]))
        # A body that rocks has wheels on slopes of their own, whose rims go another way.
        self._rock += (wx * wx + wy * wy - self._rock) * min(1.0, dt / ROCK_TAU_S)
        rocking = ROCK_NOISE**2 * self._rock + 1e-8
        for i in range(4):
            hub, self.hub_gain[i] = self.hub_speed(i, mean, wz)
            rim = hub + abs(hub) * self._creep[i] * force - wy * self._radius
            self.hub_mps[i] = rim
            moved[P0 + i] += rim * dt
            turn = TURN_TRAVEL_NOISE * (hub - mean)
            spread = TRAVEL_NOISE**2 * abs(hub) + turn * turn * 0.05 + rocking
            self._travel_var[i] = spread * dt
        if self._may_be_late:
            self._late.remember(dt, MOST_LATE_S, self.hub_mps)

    # -- late encoders -----------------------------------------------------------------------

    def look_back(self) -> None:
        """Bring ``late_m`` up to date."""
        if not self._may_be_late:
            return
        late_s = self.late_s
        if late_s >= 0.0:
            self._late.look_back(late_s, self.late_m)
            return
        for i in range(4):  # the IMU is the late one: carry each rim on
            self.late_m[i] = late_s * self.hub_mps[i]

    def bound_lateness(self) -> None:
        """What looks earlier than stated, or far too late, is no lateness: it goes back to the
        other states, as they hang together (projection onto a constraint: D. Simon, *IET Control
        Theory and Applications* 4, 2010, from memory)."""
        x, P = self.engine.x, self.engine.P
        late_s = float(x[D])
        by_s = max(self._least_late_s, min(MOST_LATE_S, late_s)) - late_s
        if by_s != 0.0 and float(P[D, D]) > 0.0:
            along = self._late_way
            for j in range(N_STATE):
                along[j] = float(P[j, D]) / float(P[D, D])
            self.engine.shift(along, by_s, 0.0)
            self.revise_past(along[V] * by_s)
        self._note_lateness()

    def revise_past(self, change_mps: float) -> None:
        """The speed was off by ``change_mps``, and so it was a moment ago."""
        if self._may_be_late:
            self._late.revise(change_mps, self.hub_gain)

    def shift_speed(self, by_mps: float, var: float) -> None:
        """The speed was off by ``by_mps``, with ``var``, and so was the travel since the moment
        the encoders speak of: what they said stays said."""
        along = self._speed_way
        along[V] = 1.0
        for i in range(4):
            along[P0 + i] = self.late_s * self.hub_gain[i]
        self.engine.shift(along, by_mps, var)
        self.revise_past(by_mps)

    def shift_force(self, by_mps2: float, var: float) -> None:
        """Gravity along x was off by ``by_mps2``, with ``var``."""
        self.engine.shift(_C_ALONE, by_mps2, var)

    def turn_round(self) -> None:
        """It goes as fast the other way, and what was learnt of gravity meanwhile is not so."""
        self.shift_speed(-2.0 * self.speed_mps, TURNED_SD_MPS**2)
        self.shift_force(0.0, START_FORCE_SD**2)

    def set_rim(self, i: int, rim_m: float, var_m2: float, free: bool) -> None:
        """Rim i was at ``rim_m`` at the moment its encoder speaks of, with ``var_m2``; how far it
        has come since hangs on the speed and, where it is ``free`` to roll, on how long ago that
        was."""
        ties = self._rim_ties
        ties[V] = self.late_s * self.hub_gain[i]
        ties[D] = self.seen_hub_mps(i) if free and self.shows_late else 0.0
        self.engine.reset(P0 + i, rim_m + self.late_m[i], var_m2, ties)

    # -- rest --------------------------------------------------------------------------------

    def watch_rest(self, frame: Frame, still_s: float, blind: bool) -> bool:
        """Decide on rest and, at rest, pin speed, gravity and gyro bias. Whether a rest ended."""
        x = self.engine.x
        rested = self.at_rest
        if blind:
            self.at_rest = still_s >= STILL_S
            return False
        if not frame.imu_new:
            self.at_rest = self.at_rest and still_s > 0.0
            return False
        wx, wy, wz = frame.gyro
        v, b = float(x[V]), float(x[B])
        force = frame.accel[0] - float(x[C])
        self.at_rest = self._rest.step(
            frame.imu_dt_s,
            still_s,
            v,
            math.sqrt(self.speed_var),
            force,
            math.sqrt(self.force_var),
            max(abs(wx - self._gyro_bias[0]), abs(wy - b), abs(wz - self._gyro_bias[2])),
            math.sqrt(max(0.0, float(self.engine.P[B, B]))),
            self._vibration_var,
        )
        if not self.at_rest:
            if rested:
                # Gravity along x was held to be constant; from here on it is only known so well.
                self.shift_force(0.0, REST_FORCE_SD**2)
            return rested
        found = self._innovation
        found[0], found[1], found[2] = -v, force, wy - b
        self.update(found, self._H_rest, self._R_rest)
        k = min(1.0, frame.imu_dt_s / REST_TAU_S)
        for j in (0, 2):
            self._gyro_bias[j] += k * (frame.gyro[j] - self._gyro_bias[j])
        self._s_y += k * (frame.accel[1] - self._s_y)
        return False

    def is_wrong(self, rims_mps: float) -> bool:
        """Whether what is believed cannot be: bad data got in and spoilt it.

        ``rims_mps``: speed of the rims in the middle; a rover that runs away is as fast as they.
        """
        x = self.engine.x
        v, c, b = float(x[V]), float(x[C]), float(x[B])
        most_mps = max(self._most_speed, abs(rims_mps) * MOST_APART)
        most_bias = MOST_BIAS_SD * self._gyro_bias_sd
        # Said so that what is no number cannot be either.
        can_be = abs(v) <= most_mps and abs(c) <= self._most_force and abs(b) <= most_bias
        return not can_be or self._rest.contradicted

    def forget(self, frame: Frame) -> None:
        """Start anew, as sure as a new one is; the wheels then say where each rim is."""
        x, P = self.engine.x, self.engine.P
        for j in range(N_STATE):
            x[j] = 0.0
            for k in range(N_STATE):
                P[j, k] = 0.0
        x[D] = self._least_late_s
        P[V, V] = self._top_speed**2
        P[C, C] = START_FORCE_SD**2
        P[B, B] = self._gyro_bias_sd**2
        P[D, D] = self._late_var
        self._note_lateness()
        self._late.forget()
        for i in range(4):
            self.late_m[i] = self.hub_mps[i] = 0.0
        self._s_y = frame.accel[1]
        for j in range(3):
            self._gyro_bias[j] = 0.0
            self.accel_smooth[j] = frame.accel[j]
        self.accel_mps2 = self._side_mps = self._lever_speed = self._rock = 0.0
        self._vibration_var = 0.0
        self.at_rest = False
        self._calm_s = SLIDE_LINGER_S
        self.slides = False
        self.doubt.end()
        self._rest.forget()

    def forget_speed(self) -> None:
        """After a gap the speed is unknown; what stands still (bias, mounting) is kept."""
        self.engine.reset(V, float(self.engine.x[V]), self._top_speed**2, UNTIED)
        self.shift_force(0.0, 0.5**2)
