"""Which wheels to believe, and what they then say about the body's motion.

A wheel is believed while its counts stay within what the prediction explains. When they leave
it, the wheel is on its own until its rim runs at ground speed again. Three things keep this
honest:

- a wheel can slip only the way a torque drives it: a driven wheel that no brake holds cannot run
  slower than the ground, so where it seems to, the estimate is wrong and not the wheel;
- where one wheel spins the others may begin to slip too slowly for the gate; a cumulative sum of
  their innovations finds it;
- what a wheel lately did to the speed is taken back when it turns out to slip.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from slipguard.config import Config
from slipguard.frame import BRAKED, Frame
from slipguard.fuse import model
from slipguard.fuse.body import TURN_TRAVEL_NOISE, Body
from slipguard.fuse.direction import (
    ALONG_S,
    DRIVE_LINGER_S,
    NEAR_MPS,
    PASS_MPS2,
    STOOD_S,
    Direction,
)
from slipguard.fuse.model import N_STATE, NO_INFORMATION, P0, C, D, V
from slipguard.fuse.parting import Parting
from slipguard.fuse.recovery import Recovery
from slipguard.fuse.wheel_track import WheelTrack
from slipguard.reading import Quad

EDGE_COUNTS = 0.08  # sd of an edge's place: cheap discs are off by 0.3 of a count at the worst
TRUST_MARGIN_M = 0.003  # beyond its box, and so many sd of its prediction: it slips
TRUST_SD = 3.0
LOOSE_SPEED_MPS = 0.03  # margin of a wheel that reports speed
RUN_DOWN_MPS2 = 4.0  # at least, of what slips and nothing drives any more: bearings, gears
RUN_UP_MPS2 = 8.0  # at least, of what a brake held back and the motor turns: on wet ground
BRAKE_LINGER_S = 0.15  # so long after its command a brake still holds
DRAGGED_MPS = 0.1  # from which, at the latest, a rim may slip that is held back
CUSUM_DRIFT = 0.3  # in sd of an innovation; half of a bias that matters, and
CUSUM_LIMIT = 6.0
PULL_TAU_S = 0.15  # over which a wheel's effect on the speed counts as its own
PULL_DOUBT = 0.5  # share of what is taken back that is then unsure
REACH_SD = 2.0  # of the speed, for how far a gripping wheel can have come since its last reading
SAME_BOX = 0.25  # of a count: having moved less, and for
SAME_BOX_S = 0.1  # so long, a prediction learns nothing from being in its box still
REGRIP_SD = 1.0
APART_MPS = 0.1  # of one rim from the middle of all, beyond its own uncertainty
DOUBT_TAU_S = 20.0  # over which doubt fades by itself, and
DOUBT_SHARE = 0.5  # share of each change of speed by which it does; rims that follow it grip
MOST_AGE_S = 0.5
BLUR_S = 0.1  # a speed that is a mean over so long has all of the blur
MOST_BROKEN = 2  # encoders; where more seem to be, something else is wrong with all of them


class Wheels:
    """The four wheels.

    Attributes
    ----------
    tracks : list of 4 WheelTrack
    excess_m, excess_sd_m : list of 4 float
        Rim travel beyond prediction and count, and the standard deviation of the prediction.
    doubt_mps : float
        By how much the speed is wrong if wheels believed again after coasting still slip.
    """

    def __init__(self, config: Config) -> None:
        enc = config.encoders
        self._counted = enc.kind == "counts"
        self._one_channel = enc.one_channel
        self._neutral = config.limits.throttle_dead_band
        self._count_m = config.count_m
        self._edge_sd = 0.0002 + EDGE_COUNTS * self._count_m
        self._radius = config.rover.wheel_radius_m
        self._speed_noise = enc.speed_noise_radps * self._radius
        self._since_s = 0.0  # since any wheel last reported
        self._H = np.zeros((4, N_STATE))
        if self._counted:
            for i in range(4):
                self._H[i, P0 + i] = 1.0
        self._R = np.zeros((4, 4))
        self.tracks = [WheelTrack(self._count_m) for _ in range(4)]
        self.excess_m = [0.0] * 4
        self.excess_sd_m = [0.0] * 4
        self.doubt_mps = 0.0
        self._broken = [False] * 4
        self._silent = [False] * 4
        self._braked = [False] * 4
        self._unbraked_s = [0.0] * 4
        self._held = [False] * 4  # by a brake, and not driven against it
        self._may_slip = [[DRIVE_LINGER_S, DRIVE_LINGER_S] for _ in range(4)]
        self._sums = [[0.0, 0.0] for _ in range(4)]
        self._boxed_m = [0.0] * 4  # prediction of each wheel when its box was last used,
        self._boxed_s = [0.0] * 4  # and how long ago that was
        self._pull = [0.0] * 4  # what each wheel lately did to the speed estimate, m/s,
        self._force_pull = [0.0] * 4  # and to gravity along x, m/s2
        self._speed_at = [0.0] * 4  # speed estimate when each wheel last reported
        self._parting = Parting()
        self._direction = Direction(config)
        self._recovery = Recovery(self._count_m, config.rover.drive != "locked")
        # Of one step. Lists made anew would be allocated anew, which costs compiled code most.
        self._innovation = [0.0] * 4
        self._noise = [0.0] * 4
        self._robust = [0.0] * 4
        self._suspect = [False] * 4
        self._beyond_m = [0.0] * 4  # of the wheels believed
        self._slips_mps = [0.0] * 4  # how much faster than the ground each rim runs
        self._rims_mps = [0.0] * 4
        self._stopped = [False] * 4  # as a brake may hold it

    @property
    def still_s(self) -> float:
        """Time since any wheel counted of those that report; 0.0 if none does."""
        still_s = math.inf
        for i, wheel in enumerate(self.tracks):
            if not self._silent[i]:
                still_s = min(still_s, wheel.still_s)
        return still_s if still_s < math.inf else 0.0

    @property
    def middle_mps(self) -> float:
        """Rim speed of the two wheels in the middle."""
        fl, fr, rl, rr = self.tracks[0], self.tracks[1], self.tracks[2], self.tracks[3]
        return model.middle((fl.rim_mps, fr.rim_mps, rl.rim_mps, rr.rim_mps))

    @property
    def rim_jump_sd(self) -> Quad:
        """As in ``Estimate``."""
        fl, fr, rl, rr = self.tracks[0], self.tracks[1], self.tracks[2], self.tracks[3]
        return fl.jump_sd, fr.jump_sd, rl.jump_sd, rr.jump_sd

    @property
    def any_grip(self) -> bool:
        fl, fr, rl, rr = self.tracks[0], self.tracks[1], self.tracks[2], self.tracks[3]
        return fl.gripping or fr.gripping or rl.gripping or rr.gripping

    @property
    def all_grip(self) -> bool:
        fl, fr, rl, rr = self.tracks[0], self.tracks[1], self.tracks[2], self.tracks[3]
        return fl.gripping and fr.gripping and rl.gripping and rr.gripping

    # -- one frame ---------------------------------------------------------------------------

    def watch_torque(self, frame: Frame, brakes: Sequence[float], body: Body) -> None:
        """Note which way each wheel can slip. ``brakes`` (4,): commands of the step before."""
        drive = frame.drive
        unknown = math.isnan(drive)
        neutral = abs(drive) <= self._neutral
        # What drags holds a rim back, and turns none: it makes no slip where the rover stands.
        v = body.speed_mps
        moves_mps = min(DRAGGED_MPS, body.sure_way_mps)
        driven_ahead = unknown or drive > self._neutral
        driven_behind = unknown or drive < -self._neutral
        for i, wheel in enumerate(self.tracks):
            braked = brakes[i] > BRAKED
            self._braked[i] = braked
            self._unbraked_s[i] = 0.0 if braked else self._unbraked_s[i] + frame.dt_s
            held = braked and (neutral or unknown)
            freed = self._held[i] and not held
            self._held[i] = held
            if freed and self._counted and wheel.gripping:
                self._forget_phase_of(i, body)  # it was told from a lateness taken for known
            left, slip = self._may_slip[i], 0.0
            if not wheel.gripping:
                slip = abs(wheel.rim_mps - body.seen_hub_mps(i))
            runs_s = DRIVE_LINGER_S + slip / RUN_DOWN_MPS2
            # A brake alone holds it back against the motor, which then turns it soon again.
            freed_s = BRAKE_LINGER_S + body.late_s + slip / RUN_UP_MPS2 if braked else 0.0
            if driven_ahead or (neutral and v < -moves_mps):
                left[0] = runs_s
            else:
                left[0] = max(freed_s if v < -moves_mps else 0.0, left[0] - frame.dt_s)
            if driven_behind or (neutral and v > moves_mps):
                left[1] = runs_s
            else:
                left[1] = max(freed_s if v > moves_mps else 0.0, left[1] - frame.dt_s)
        if self._one_channel:
            self._direction.watch(frame)

    def leave_out(self, broken: Sequence[bool]) -> None:
        """Believe these encoders (4,) no more, unless that leaves too few."""
        count = 0
        for i in range(4):
            count += broken[i]
        for i in range(4):
            self._broken[i] = broken[i] and count <= MOST_BROKEN

    def miss(self, frame: Frame, body: Body) -> None:
        """Believe no wheel that has been silent for long."""
        for i, wheel in enumerate(self.tracks):
            self._silent[i] = frame.wheel_silent[i]
            if wheel.gripping and frame.wheel_silent[i]:
                self._distrust(i, body)

    def any_news(self, frame: Frame) -> bool:
        """Whether a wheel reported with this frame."""
        new = frame.wheel_new
        return bool(new[0] or new[1] or new[2] or new[3])

    def any_counts(self, frame: Frame) -> bool:
        """Whether a wheel of this frame went on."""
        new, step = frame.wheel_new, frame.wheel_step
        return (
            (new[0] and step[0] != 0.0)
            or (new[1] and step[1] != 0.0)
            or (new[2] and step[2] != 0.0)
            or (new[3] and step[3] != 0.0)
        )

    def predict(self, dt_s: float, accel_mps2: float) -> None:
        """Let the rims run on."""
        self._since_s += dt_s
        keep = max(0.0, 1.0 - dt_s / PULL_TAU_S)
        for i, wheel in enumerate(self.tracks):
            wheel.predict(dt_s)
            self._pull[i] *= keep
            self._force_pull[i] *= keep
        # Wheels that follow the body through speeding up and slowing down do grip.
        fade = self.doubt_mps * (1.0 - dt_s / DOUBT_TAU_S)
        self.doubt_mps = max(0.0, fade - DOUBT_SHARE * abs(accel_mps2) * dt_s)

    def correct(self, frame: Frame, body: Body, blind: bool) -> None:
        """Take what the wheels of this frame say."""
        if self._counted:
            self._take_counts(frame, body)
        else:
            self._take_speeds(frame, body)
        self._compare(body, blind)
        self._parting.note(self._since_s, body.speed_mps, self._mean_travel_m)
        self._since_s = 0.0
        if body.doubt.active and self._parting.rims_jump(self._mean_travel_m):
            body.doubt.end()

    @property
    def _mean_travel_m(self) -> float:
        fl, fr, rl, rr = self.tracks[0], self.tracks[1], self.tracks[2], self.tracks[3]
        return (fl.travel_m + fr.travel_m + rl.travel_m + rr.travel_m) / 4.0

    def _is_estimate_wrong(self, body: Body, slips: Sequence[float]) -> bool:
        """Whether wheels that leave the estimate together tell of the estimate, not of slip.

        ``slips``: of the wheels concerned, or 0.0.
        """
        for way in (1.0, -1.0):
            same, may = 0, False
            for i in range(4):
                if slips[i] * way > 0.0:
                    same += 1
                    may = may or self._may(i, way)
            if same < 3:
                continue
            if not may:
                return True  # no torque drives them that way
            if self._run_apart(body):
                return False
            return self._parting.estimate_left(
                way, body.speed_mps, self._mean_travel_m, body.accel_smooth[0]
            )
        return False

    def _note_slips(self, body: Body) -> None:
        for i, wheel in enumerate(self.tracks):
            self._slips_mps[i] = wheel.rim_mps - body.seen_hub_mps(i)

    def _run_apart(self, body: Body) -> bool:
        """Whether some rims keep to the ground and others do not: then those slip. One motor behind
        open differentials lets the mean of all four run on evenly even so."""
        self._note_slips(body)
        slips, var = self._slips_mps, 0.0
        for wheel in self.tracks:
            var = max(var, wheel.rim_var_mps2)
        return model.spread(slips, model.middle(slips)) > APART_MPS + math.sqrt(var)

    def forget_phase(self, body: Body) -> None:
        """Where inside its count a wheel stood still is not known, however long it stood."""
        for i, wheel in enumerate(self.tracks):
            if wheel.gripping and self._counted:
                self._forget_phase_of(i, body)

    def _forget_phase_of(self, i: int, body: Body) -> None:
        wheel = self.tracks[i]
        middle = 0.5 * (wheel.low_m + wheel.high_m)
        var = (wheel.high_m - wheel.low_m) ** 2 / 12 + 1e-8
        body.set_rim(i, middle, var, not self._held[i])

    def forget(self, body: Body) -> None:
        """After a gap each wheel is wherever its counts say."""
        for i, wheel in enumerate(self.tracks):
            wheel.still_s = 0.0  # equal counts on both sides of a gap are no sign of rest
            middle = 0.5 * (wheel.low_m + wheel.high_m)
            self._believe(i, body, middle, self._count_m**2 + 1e-8, 0.0)

    # -- counts ------------------------------------------------------------------------------

    def _take_counts(self, frame: Frame, body: Body) -> None:
        x, P = body.engine.x, body.engine.P
        late_s, hub_mps, hub_gain = body.late_s, body.hub_mps, body.hub_gain
        innovation, noise, robust = self._innovation, self._noise, self._robust
        suspect, suspects = self._suspect, 0
        body.look_back()
        v_var = float(P[V, V])
        v_sd = math.sqrt(max(0.0, v_var))
        shows = body.shows_late
        spinning = not self.all_grip
        for i, wheel in enumerate(self.tracks):
            innovation[i], noise[i], robust[i] = 0.0, NO_INFORMATION, NO_INFORMATION
            suspect[i] = False
            if not frame.wheel_new[i]:
                continue
            if frame.wheel_jump[i] or frame.wheel_back[i]:
                wheel.begin_anew()
                if wheel.gripping:
                    self._believe(i, body, wheel.rim_m, self._count_m**2, 0.0)
                continue
            age = frame.wheel_dt_s[i]
            step = frame.wheel_step[i]
            if self._one_channel and step != 0.0:
                left = self._may_slip[i]
                ahead, behind = left[0] > 0.0, left[1] > 0.0
                braked = self._braked[i]
                step = self._direction.signed(i, step, wheel, body, ahead, behind, braked)
            wheel.still_s = 0.0 if step else wheel.still_s + age
            # An edge just passed lies no further back than the wheel can have come since.
            fastest = abs(wheel.rim_mps)
            if wheel.gripping:
                fastest = max(fastest, abs(hub_mps[i]) + REACH_SD * v_sd)
            wheel.count(step, self._count_m, 1.3 * fastest * age + 0.001)
            # The prediction for the moment the count is from: p(t - D) = p(t) - D dp/dt.
            back, cov = -late_s * hub_gain[i], float(P[V, P0 + i])
            if v_var > 0.0:
                # Doubt about the speed that is younger than that moment does not show in it.
                back = max(back, min(0.0, -cov / v_var))
            self._H[i, V] = back
            mean = float(x[P0 + i]) - body.late_m[i]
            var = float(P[P0 + i, P0 + i]) + back * (2.0 * cov + back * v_var)
            # How late it is shows in a speed, not in the doubt about one, and not where a brake
            # may hold the wheel while the body goes on.
            later = -body.seen_hub_mps(i) if shows and not self._held[i] else 0.0
            self._H[i, D] = later
            late_cov = float(P[P0 + i, D]) + back * float(P[V, D])
            var = max(0.0, var + later * (2.0 * late_cov + later * float(P[D, D])))
            excess = model.box_excess(mean, wheel.low_m, wheel.high_m)
            self.excess_m[i], self.excess_sd_m[i] = excess, math.sqrt(var)
            sd = math.sqrt(var + self._edge_sd**2)
            wheel.correct(self._edge_sd)
            if self._broken[i]:
                if wheel.gripping:
                    self._distrust(i, body)
                continue
            if not wheel.gripping:
                self._try_regrip(i, body, age)
                continue
            if body.slides:  # a tyre that slides sideways holds along the wheel no more
                self._distrust(i, body)
                continue
            if excess == 0.0:
                wheel.grip(body.seen_hub_mps(i))
            # A box says little new to a prediction that has not moved in it since; said again and
            # again it would make one sure of the middle.
            self._boxed_s[i] += age
            moved = abs(mean - self._boxed_m[i]) > SAME_BOX * self._count_m
            if step != 0.0 or excess != 0.0 or moved or self._boxed_s[i] > SAME_BOX_S:
                innovation[i], noise[i] = model.box_update(
                    mean, var, wheel.low_m, wheel.high_m, self._edge_sd
                )
                self._boxed_m[i], self._boxed_s[i] = mean, 0.0
            far = abs(excess) > TRUST_MARGIN_M + TRUST_SD * sd
            creeps = self._creeps_along(i, innovation[i], var + noise[i], spinning)
            if far or creeps:
                suspect[i] = True
                suspects += 1
            robust[i] = model.robust(innovation[i], var, noise[i], abs(excess) / sd)
        slips = self._beyond_m
        for i in range(4):
            slips[i] = self.excess_m[i] if self.tracks[i].gripping else 0.0
        if suspects and self._is_estimate_wrong(body, slips):
            turn = self._one_channel and self.all_grip
            if turn and self._direction.mirrored(slips, body.speed_mps):
                self._turn_round(body)
                for i in range(4):
                    noise[i] = NO_INFORMATION  # what was measured was so against the other way
            else:
                body.doubt.begin(body.speed_mps)
        else:
            noise = robust
            # Where three follow the ground no torque need explain the fourth: it is broken.
            alone = suspects == 1 and self.all_grip
            for i in range(4):
                if suspect[i] and (alone or self._may(i, innovation[i])):
                    self._distrust(i, body)
                    noise[i] = NO_INFORMATION
        if self.any_grip:
            body.uncorrected_s = 0.0
        if min(noise) < NO_INFORMATION:
            for i in range(4):
                self._R[i, i] = noise[i]
            K = body.update(innovation, self._H, self._R)
            total = 0.0
            for i in range(4):
                pull = float(K[V, i] * innovation[i])
                self._pull[i] += pull
                self._force_pull[i] += float(K[C, i] * innovation[i])
                total += pull
            body.revise_past(total)

    def _may(self, i: int, slip: float) -> bool:
        """Whether wheel i can slip that way (positive: forward faster than the ground)."""
        turning = 0
        for wheel in self.tracks:
            if wheel.gripping and wheel.still_s < STOOD_S:
                turning += 1
        if self.tracks[i].still_s > STOOD_S and turning >= 2:
            return True  # others roll and this one does not turn: it may as well be dead
        return self._may_slip[i][0 if slip > 0.0 else 1] > 0.0

    def _creeps_along(self, i: int, innovation: float, S: float, spinning: bool) -> bool:
        """Whether wheel i has begun to slip along with one that spins.

        Page's cumulative sum (E. S. Page, Biometrika 41, 1954) of the normalised innovations
        finds a bias that no single one shows. With no wheel spinning a bias is the
        accelerometer's, and the wheels are right.
        """
        sums = self._sums[i]
        if not spinning:
            sums[0] = sums[1] = 0.0
            return False
        z = innovation / math.sqrt(S)
        sums[0] = max(0.0, sums[0] + z - CUSUM_DRIFT)
        sums[1] = max(0.0, sums[1] - z - CUSUM_DRIFT)
        return max(sums[0], sums[1]) > CUSUM_LIMIT

    def _distrust(self, i: int, body: Body) -> None:
        """Wheel i has left the ground's motion: take back what it lately did to the speed."""
        self.tracks[i].gripping = False
        self.tracks[i].calm_s = 0.0
        body.shift_speed(-self._pull[i], (PULL_DOUBT * self._pull[i]) ** 2)
        # Gravity, which it may have told rightly before it slipped, only in part.
        bent = PULL_DOUBT * self._force_pull[i]
        body.shift_force(-bent, bent * bent)
        self._pull[i] = self._force_pull[i] = 0.0
        self._sums[i][0] = self._sums[i][1] = 0.0

    def _turn_round(self, body: Body) -> None:
        """All of it goes as fast the other way."""
        body.turn_round()
        for i, wheel in enumerate(self.tracks):
            wheel.rim_mps = -wheel.rim_mps
            self._believe(i, body, wheel.rim_m, self._count_m**2, 0.0)

    def _try_regrip(self, i: int, body: Body, age: float) -> None:
        wheel = self.tracks[i]
        if self._one_channel:
            self._direction.turn_over(i, wheel, body, age)
        slip = wheel.rim_mps - body.seen_hub_mps(i)
        near_mps = NEAR_MPS + REGRIP_SD * math.sqrt(body.speed_var)
        if not self._may(i, slip):
            wheel.calm_s += 3.0 * age
        elif abs(slip) < near_mps:
            wheel.calm_s += age
        else:
            wheel.calm_s = 0.0
        # Where the speed is hardly known, a rim that only passes by stays near it for longer.
        if wheel.calm_s >= max(ALONG_S, 2.0 * near_mps / PASS_MPS2) and not body.slides:
            self._believe(i, body, wheel.rim_m, wheel.rim_var_m2, slip)

    def _believe(self, i: int, body: Body, rim_m: float, var_m2: float, slip_mps: float) -> None:
        """Believe wheel i again, from where its rim is now, though it seems to slip so fast."""
        wheel = self.tracks[i]
        if not self.any_grip:
            # Nothing but the accelerometer spoke until now: if this wheel still slips, the
            # speed is wrong by as much, and no other wheel can say so.
            self.doubt_mps = max(self.doubt_mps, abs(slip_mps))
        body.set_rim(i, rim_m, var_m2, not self._held[i])
        self.excess_m[i] = 0.0
        wheel.gripping = True
        wheel.calm_s = 0.0

    # -- speeds ------------------------------------------------------------------------------

    def _take_speeds(self, frame: Frame, body: Body) -> None:
        innovation, R, H = self._innovation, self._R, self._H
        noise = self._speed_noise
        v, v_var = body.speed_mps, body.speed_var
        informed = False
        for i, wheel in enumerate(self.tracks):
            innovation[i], R[i, i] = 0.0, NO_INFORMATION
            if not frame.wheel_new[i]:
                continue
            age = min(frame.wheel_dt_s[i], MOST_AGE_S)
            rim = frame.wheel_radps[i] * self._radius
            # The body's rocking shows in a speed taken over a moment, not over long.
            hub = body.hub_mps[i] + body.body_turn_mps * min(1.0, age / BLUR_S)
            gain = body.hub_gain[i]
            wheel.travel_m += rim * age
            wheel.still_s = 0.0 if abs(rim) > 0.5 * noise else wheel.still_s + age
            # A speed is a mean over the time since the last one: what changed in it is open,
            # the more the longer that was.
            blur = (rim - wheel.rim_mps) ** 2 + (v - self._speed_at[i]) ** 2
            blur *= min(1.0, age / BLUR_S) ** 2
            wheel.report(rim, noise)
            self._speed_at[i] = v
            H[i, V] = gain
            turn = 2.0 * TURN_TRAVEL_NOISE * (hub - v)
            var = noise * noise + (0.01 * hub) ** 2 + turn * turn + blur / 3.0
            total = math.sqrt(gain * gain * v_var + var)
            slip = rim - hub
            far = abs(slip) > TRUST_SD * total + LOOSE_SPEED_MPS
            loose = self._broken[i] or (far and self._may(i, slip))
            # The first odd value may be a late one; travel is counted from the second.
            again = loose and not wheel.gripping
            self.excess_m[i] = self.excess_m[i] + slip * age if again else 0.0
            wheel.gripping = not loose
            if not loose:
                innovation[i], R[i, i] = slip, var
                informed = True
                body.uncorrected_s = 0.0
        if informed:
            body.update(innovation, H, R)

    # -- recovery ----------------------------------------------------------------------------

    def _compare(self, body: Body, blind: bool) -> None:
        """With no wheel believed: if wheels follow the body, the speed is what is wrong."""
        recovery = self._recovery
        if blind or self.any_grip or body.slides:
            recovery.forget()
            return
        self._note_slips(body)
        slips = self._slips_mps
        rims, stopped = self._rims_mps, self._stopped
        for i, wheel in enumerate(self.tracks):
            rims[i] = wheel.rim_mps
            stopped[i] = wheel.still_s >= STOOD_S and self._unbraked_s[i] < BRAKE_LINGER_S
        if self._is_estimate_wrong(body, slips):
            recovery.found(slips, model.middle(slips), True)
        elif not recovery.step(self._since_s, body, rims, slips, stopped):
            return
        self._follow(body, recovery.by_mps, recovery.sd_mps, recovery.grip)
        if recovery.doubt:
            body.doubt.begin(body.speed_mps)

    def _follow(self, body: Body, by_mps: float, sd_mps: float, grip: Sequence[bool]) -> None:
        """The speed was off by ``by_mps``. ``grip`` (4,): the wheels that grip."""
        body.shift_speed(by_mps, sd_mps * sd_mps)
        for i, wheel in enumerate(self.tracks):
            if grip[i]:
                slip = self._slips_mps[i] - by_mps
                self._believe(i, body, wheel.rim_m, wheel.rim_var_m2, slip)
