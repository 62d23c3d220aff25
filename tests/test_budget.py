"""The budget: its arithmetic against handbooks, its verdicts, its command."""

from __future__ import annotations

import json
import math
import re
from dataclasses import fields, replace
from pathlib import Path

import pytest
from hypothesis import example, given
from hypothesis import settings as hyp
from hypothesis import strategies as st

from slipguard import Config, Guard
from slipguard.budget import Design, Hardware, Verdict, Wishes, budget, load, roll_back
from slipguard.budget import formulas as f
from slipguard.budget.lines import at_least, at_most
from slipguard.budget.moving import stop_decel_mps2
from slipguard.budget.power import transfer_heat_j
from slipguard.budget.sensing import counts_needed, slip_seen_mps
from slipguard.cli import main
from slipguard.config import settings_table
from slipguard.simulate import Scenario, World
from slipguard.simulate import run as simulate

DEMO = Path(__file__).parent.parent / "replay" / "rover.yaml"
CHASSIS = (
    "rover: {mass_kg: 5.0, wheelbase_m: 0.36, track_m: 0.30, wheel_radius_m: 0.075, "
    "max_steer_deg: 25, steered: front, drive: %s%s}\n"
    "encoders: {counts_per_rev: %g, direction: quadrature}\n"
    "imu: {accel_noise_mps2: 0.08, gyro_noise_radps: 0.004}\n"
)
CLIMB_ONE = "climb 20 %, one wheel in the air"
FULL = """\
brakes: {max_torque_nm: 0.8, heat_limit_j: 400}
motor: {stall_torque_nm: 4}
limits: {max_speed_mps: 1.2}
hardware: {servo_torque_nm: 1.0, servo_lever_m: 0.015, disc_radius_m: 0.02, caliper_ratio: 1.5,
  count_rate_hz: 20000, battery_v: 12.0, battery_max_a: 120, motor_rpm_per_v: 1200,
  motor_resistance_ohm: 0.12, gear_ratio: 28}
"""


def rover(more: str = "", *, drive: str = "open", chassis: str = "", counts: float = 96) -> Config:
    return Config.parse(CHASSIS % (drive, chassis, counts) + more)


def line(name: str, more: str = FULL, wishes: Wishes | None = None, **kw):
    """The one line whose name begins so; every key counts as given."""
    config = rover(more, **kw)
    given = frozenset(
        [*(f"{row.section}.{row.key}" for row in settings_table())]
        + [f"hardware.{key}" for key in config.hardware]
    )
    (found,) = (x for x in budget(Design(config, given), wishes) if x.name.startswith(name))
    return found


# -- arithmetic ---------------------------------------------------------------------------------


def test_grades():
    """A grade in percent is 100 tan, and gravity pulls with its sine: 5 % 2.8624 degrees and
    0.04994 g, 12 % 6.8428, 20 % 11.3099, 30 % 16.6992 (trigonometry); 1.9232 m/s2 on 20 %."""
    for percent, deg, sine in (
        (5, 2.8624, 0.04994),
        (12, 6.8428, 0.11915),
        (18, 10.2040, 0.17715),
        (20, 11.3099, 0.19612),
        (30, 16.6992, 0.28735),
    ):
        assert math.degrees(f.grade_rad(percent)) == pytest.approx(deg, abs=1e-4)
        assert f.grade_force_n(1.0, percent) / 9.80665 == pytest.approx(sine, abs=1e-5)
    assert f.grade_force_n(1.0, 20.0) == pytest.approx(1.9232, abs=1e-4)


def test_axle_loads_on_a_grade():
    """Worked example: 10 kg, wheelbase 0.5 m, height 0.15 m, 20 %: 42.311 N in front, 53.851 N
    behind (moments; any vehicle dynamics handbook)."""
    front, rear = f.axle_loads_n(10.0, 20.0, 0.5, 0.15)
    assert (front, rear) == (pytest.approx(42.311, abs=1e-3), pytest.approx(53.851, abs=1e-3))
    assert f.grade_force_n(10.0, 20.0) == pytest.approx(19.232, abs=1e-3)


def test_grip_needed():
    """The same example: mu 0.2000 on four wheels, 0.3571 on the lower axle, 0.4545 on the upper.
    Four braked wheels hold up to tan(angle) = mu, so 0.19 (snow) does not hold 20 %."""
    config = Config.parse(
        "rover: {mass_kg: 10, wheelbase_m: 0.5, track_m: 0.4, wheel_radius_m: 0.06, "
        "max_steer_deg: 25, steered: front, drive: open, cog_height_m: 0.15}\n"
        "encoders: {counts_per_rev: 1024}\nimu: {accel_noise_mps2: 0.1, gyro_noise_radps: 0.01}\n"
    )
    design = Design(config, frozenset())
    found = {x.name: x for x in budget(design, Wishes(friction=0.4)) if x.name.startswith("grip")}
    four, _, lower, upper = found.values()
    assert four.needed == pytest.approx(0.2)
    assert lower.needed == pytest.approx(0.3571, abs=1e-4)
    assert upper.needed == pytest.approx(0.4545, abs=1e-4)
    assert [x.verdict for x in (four, lower, upper)] == ["enough", "thin", "not enough"]
    on_snow = budget(design, Wishes(friction=0.19))
    snow = {x.name: x.verdict for x in on_snow}
    assert snow["grip to hold: 4 wheels braked"] is Verdict.NOT_ENOUGH
    assert snow["roll-back on 20 %"] is Verdict.NOT_ENOUGH


@pytest.mark.parametrize(("mu", "deg"), [(0.19, 10.76), (0.05, 2.86), (0.38, 20.81)])
def test_the_steepest_grade_that_holds(mu, deg):
    """Four braked wheels hold up to tan(angle) = mu: on snow 10.76 degrees, on ice 2.86, on wet
    cobbles 20.81 (statics; friction by the Burckhardt curves, from memory)."""
    at_the_limit = Wishes(grade_percent=100.0 * math.tan(math.radians(deg)), friction=mu)
    assert line("grip to hold: 4", wishes=at_the_limit).needed == pytest.approx(mu, abs=2e-4)


def test_holding_torque():
    """5 kg on 20 %, r = 75 mm: m g sin r / 4 = 0.1803 N m a brake; 2 kg of payload: 7/5 of it."""
    found = line("hold 20 %")
    assert found.needed == pytest.approx(2.0 * 0.1803, abs=1e-4)
    assert line("hold", wishes=Wishes(payload_kg=2.0)).needed == pytest.approx(found.needed * 7 / 5)


def test_the_grade_is_said_in_degrees_too():
    """Whoever means 18 degrees and types 18 is told what was worked out: a slope half as steep."""
    assert line("hold", wishes=Wishes(grade_percent=18.0)).name.startswith("hold 18 % (10.2 deg),")


def test_transfer_through_open_differentials():
    """A brake torque T on the free wheel gives T to each of the other three and costs the motor
    4 T; climbing needs T = m g sin r / 3, with two in the air / 2 (torque balance)."""
    weight_nm = 5.0 * 9.80665 * math.sin(math.atan(0.2)) * 0.075
    assert line("climb 20 %, one").needed == pytest.approx(1.25 * weight_nm / 3)
    assert line("climb 20 %, two").needed == pytest.approx(1.25 * weight_nm / 2)
    assert line("motor: climb").needed == pytest.approx(2.0 * 4.0 * weight_nm / 2)
    assert line("climb 20 %, one", drive="rear").needed == pytest.approx(1.25 * weight_nm)
    # One driven axle, 25 N on each wheel, r = 60 mm, friction 0.8 under the one that grips: it
    # pulls with 20 N when the free one is braked with mu N r = 1.2 N m (any vehicle handbook).
    twenty_n = 20.0 / (9.80665 * math.sin(math.atan(0.2)))
    small = rover(FULL, drive="rear").with_changes(
        rover__mass_kg=twenty_n, rover__wheel_radius_m=0.06
    )
    (found,) = (x for x in budget(Design(small, frozenset())) if x.name == CLIMB_ONE)
    assert found.needed == pytest.approx(1.25 * 1.2)
    assert line("climb 20 %, one", drive="locked").verdict is Verdict.ENOUGH
    assert line("motor: climb", drive="locked").needed == pytest.approx(2.0 * weight_nm)


def test_disc_brake():
    """Coulomb friction: 2 faces x 0.35 x (0.5 N m / 15 mm x 1.5) x 20 mm = 0.70 N m."""
    assert f.clamp_torque_nm(0.5, 0.015, 1.5, 0.35, 2, 0.02) == pytest.approx(0.70)
    found = line("brake servo")
    assert (found.has, found.verdict) == (pytest.approx(0.70), Verdict.ENOUGH)
    weak = line("brake servo", FULL.replace("servo_torque_nm: 1.0", "servo_torque_nm: 0.2"))
    assert weak.verdict is Verdict.NOT_ENOUGH
    # 0.361 N m wished, 0.14 N m there: a servo of 0.2 x 0.361 / 0.14 = 0.52 N m.
    assert "a servo of 0.52 N m" in weak.change


def test_energy_and_stopping():
    """3.6 kg at 45.5 km/h: 287.5 J. Stopping with a = g / 2: 2 m/s and 0.25 s 0.908 m, 5 m/s and
    0.5 s 5.049 m (v t + v^2 / 2a, worked with 9.80665). The lines add the brakes' lag to the time
    a command takes, and to the time after which a link is lost."""
    assert f.kinetic_energy_j(3.6, 45.5 / 3.6) == pytest.approx(287.5, abs=0.1)
    half_g = 9.80665 / 2
    for v, t, d in (
        *((1, 0.1, 0.202), (1, 0.25, 0.352), (1, 0.5, 0.602)),
        *((2, 0.1, 0.608), (2, 0.25, 0.908), (2, 0.5, 1.408)),
        *((5, 0.1, 3.049), (5, 0.25, 3.799), (5, 0.5, 5.049)),
    ):
        assert f.stopping_m(v, t, half_g) == pytest.approx(d, abs=1e-3)
        assert f.speed_for_stop_mps(f.stopping_m(v, t, half_g), t, half_g) == pytest.approx(v)


def test_stopping_lines():
    """1.2 m/s, 1.5 m/s2, servo lag 0.06 s: with a latency of 0.5 s 0.672 + 0.48 = 1.152 m, with a
    link lost after 0.6 s 0.792 + 0.48 = 1.272 m. In 2 m stops what is as fast as
    sqrt(0.99^2 + 6) - 0.99 = 1.652 m/s."""
    more = FULL.replace("0.8,", "0.8, lag_s: 0.06,").replace("1.2}", "1.2, link_timeout_s: 0.6}")
    assert line("stop from top speed, by", more).has == pytest.approx(1.152)
    assert line("stop from top speed, link", more).has == pytest.approx(1.272)
    limit = line("speed limit", more)
    assert (limit.needed, limit.has) == (pytest.approx(1.652, abs=1e-4), 1.2)


def test_grip_and_brakes_bound_the_deceleration():
    """Nobody stops with 1.5 m/s2 on ice, nor with brakes that cannot."""
    assert stop_decel_mps2(rover(), Wishes()) == 1.5
    assert stop_decel_mps2(rover(), Wishes(friction=0.05)) == pytest.approx(0.49, abs=1e-2)
    weak = rover("brakes: {max_torque_nm: 0.05}\n")
    assert stop_decel_mps2(weak, Wishes()) == pytest.approx(4 * 0.05 / (5 * 0.075))


def test_tipping():
    """Half base over height: 0.15 m / 0.15 m tips at 45 degrees, 100 %. In a turn of radius R the
    inner wheels lift at v^2 = g R (track / 2) / h (statics)."""
    assert math.degrees(f.tip_angle_rad(0.15, 0.15)) == pytest.approx(45.0)
    tall = {"chassis": ", cog_height_m: 0.15"}
    assert line("tip-over grade, across", **tall).has == pytest.approx(100.0)
    radius = 0.36 / math.tan(math.radians(25))
    found = line("tip-over speed", **tall)
    assert found.has == pytest.approx(math.sqrt(0.7 * 9.80665 * radius))
    tall_skid = rover("", chassis=", cog_height_m: 0.15").with_changes(rover__steered="skid")
    for steer_deg in (0.0, 25.0):
        skid = tall_skid.with_changes(rover__max_steer_deg=steer_deg)
        (turn,) = (x for x in budget(Design(skid, frozenset())) if x.name.startswith("tip-over sp"))
        assert (turn.has, turn.verdict) == (None, Verdict.NOT_KNOWN)  # it turns on the spot
    assert line("tip-over grade, across").verdict is Verdict.NOT_KNOWN
    assert "rover.cog_height_m" in line("tip-over grade, across").change


def test_slip_seen_and_counts_needed_belong_together():
    """96 counts, r = 75 mm: one is 2 pi r / 96 = 4.909 mm. In 50 ms, 40 of them with readings:
    (4.909 + 3) mm / 40 ms. And the counts needed for just that slip in that time are 96."""
    config = rover()
    assert f.count_m(0.075, 96) == pytest.approx(4.909e-3, abs=1e-6)
    assert f.count_m(0.06, 1024) / 0.020 == pytest.approx(0.018408, abs=1e-6)  # one in 20 ms, m/s
    seen = slip_seen_mps(config, 0.05)
    assert seen == pytest.approx(7.909e-3 / 0.040, rel=1e-3)
    assert counts_needed(config, seen, 0.05) == pytest.approx(96.0)
    assert slip_seen_mps(config, 0.5) == config.spin.slip_speed_mps  # never less is called spin
    assert math.isinf(counts_needed(config, 0.13, 0.03))  # 2.6 mm: within the excess allowed
    assert math.isinf(slip_seen_mps(config, 0.01))


@pytest.mark.parametrize(("drive", "times"), [("open", 4), ("rear", 2), ("locked", 1)])
def test_counts_of_a_wheel_that_spins_free(drive, times):
    """The others still, it turns 4 times as fast as the shaft would drive all of them, behind
    three open differentials, twice behind one: a case turns at the mean of its two sides
    (kinematics). Top speed over a count of 4.909 mm, and 1.5 times that wished."""
    sheets = FULL.replace("limits: {max_speed_mps: 1.2}\n", "")
    speed_mps = 1200 * 12.0 / 28 * 2 * math.pi * 0.075 / 60
    config = rover(sheets, drive=drive)
    given = frozenset(f"hardware.{key}" for key in config.hardware)
    (found,) = (x for x in budget(Design(config, given)) if x.name.startswith("counts a second"))
    assert found.needed == pytest.approx(1.5 * times * speed_mps / 4.9087e-3, rel=1e-4)


def test_bias_as_grade():
    """50 mg, the zero-g error that data sheets of small sensors state, is 0.490 m/s2, 5.0 % of
    grade; one degree of pitch is 0.171 m/s2, 1.7 % (statics)."""
    for bias_mps2, percent in ((0.49, 5.0), (0.171, 1.744)):
        config = rover().with_changes(imu__accel_bias_sd_mps2=bias_mps2)
        (found,) = (x for x in budget(Design(config, frozenset())) if x.name.startswith("acc"))
        assert found.has == pytest.approx(percent, abs=0.01)
    assert f.bias_grade_percent(0.05 * 9.80665) == pytest.approx(5.006, abs=1e-3)
    assert f.bias_grade_percent(9.80665 * math.sin(math.radians(1))) == pytest.approx(
        100 * math.tan(math.radians(1))
    )


def test_motor():
    """Torque constant of 1000 rpm/V: 60 / (2 pi 1000) = 9.549e-3 N m/A (SI units of the same
    constant); 12 V, 0.12 ohm: 100 A stalled; 1200 rpm/V x 12 V / 28 turns the wheels at 514 rpm."""
    assert f.torque_constant_nm_per_a(1000.0) == pytest.approx(9.549e-3, abs=1e-6)
    assert line("stall current").needed == pytest.approx(100.0)
    assert line("stall current").verdict is Verdict.ENOUGH
    assert line("plausible: free").needed == pytest.approx(514.29 * 2 * math.pi * 0.075 / 60, 1e-4)
    assert line("plausible: stall t").needed == pytest.approx(60 / (2 * math.pi * 1200) * 100 * 28)


def test_heat_of_a_minute():
    """T = 0.2404 N m at (0.3 + 0.1) m/s of rim, r = 75 mm: 1.282 W, 76.9 J in a minute."""
    assert transfer_heat_j(rover(), Wishes()) == pytest.approx(76.9, abs=0.1)


# -- roll-back ----------------------------------------------------------------------------------


def test_free_roll_until_it_is_found():
    """On 20 % a rover rolls 5 mm in 72 ms (s = a t^2 / 2): with 94.25 counts, 5 mm each, it is
    found one encoder period and one IMU sample after that."""
    config = rover(counts=2 * math.pi * 75 / 5)
    assert roll_back(config, 20.0, 5.0).found_s == pytest.approx(0.0721 + 0.015, abs=1e-4)


@pytest.mark.parametrize(
    ("grade", "seen_mm", "free_ms"),
    [(20.0, 5.0, 72.1), (20.0, 0.368, 19.56), (10.0, 5.0, 101.2), (10.0, 0.368, 27.46)],
)
def test_free_roll_on_other_grades(grade, seen_mm, free_ms):
    """s = a t^2 / 2: 5 mm take 72 ms on 20 % and 101 ms on 10 %; a count of 0.368 mm (1024 counts,
    r = 60 mm) 19.6 and 27.5 ms. One encoder period and one IMU sample, 15 ms, come on top."""
    config = rover(counts=2 * math.pi * 75 / seen_mm)
    config = config.with_changes(rolling__travel_mm=0.1, rolling__speed_mps=0.001)
    found_s = roll_back(config, grade, 5.0).found_s
    assert found_s == pytest.approx(free_ms / 1000 + 0.015, abs=2e-4)


@pytest.mark.parametrize(("grade", "speed_mps"), [(20.0, 0.385), (10.0, 0.195)])
def test_speed_after_a_fifth_of_a_second(grade, speed_mps):
    """Found after 0.2 s the rover is at 0.385 m/s on 20 %, 0.195 on 10 % (v = a t), and a brake
    that bites at once, several times too strong, stands it within a few millimetres more."""
    strong = "brakes: {max_torque_nm: 50, lag_s: 0, slew_per_s: 1000}\n"
    early_s = roll_back(rover(strong), grade, 5.0).found_s
    config = rover(strong).with_changes(encoders__delay_s=0.2 - early_s)
    roll = roll_back(config, grade, 5.0)
    assert roll.found_s == pytest.approx(0.2)
    assert roll.speed_mps == pytest.approx(speed_mps, abs=1e-3)
    assert roll.travel_m == pytest.approx(0.5 * 0.2 * speed_mps, abs=2e-3)


def test_brakes_give_no_more_than_the_ground():
    """On ground that hardly holds 20 % tyres slide: from v it takes v^2 / 2 g (mu cos - sin) more,
    however strong the brakes (energy). A bound that forgets this promises millimetres on ice."""
    strong = "brakes: {max_torque_nm: 50, lag_s: 0, slew_per_s: 1000}\n"
    angle = math.atan(0.2)
    grips, slides = (roll_back(rover(strong), 20.0, 5.0, friction=mu) for mu in (2.0, 0.22))
    net = 9.80665 * (0.22 * math.cos(angle) - math.sin(angle))
    way_m = 0.5 * slides.speed_mps * slides.found_s
    assert slides.travel_m == pytest.approx(way_m + slides.speed_mps**2 / (2 * net), rel=0.02)
    assert slides.travel_m > 3.0 * grips.travel_m
    assert math.isinf(roll_back(rover(strong), 20.0, 5.0, friction=0.19).travel_m)
    slippery = Wishes(friction=0.205, roll_mm=50.0)
    assert line("roll-back on 20 %", wishes=slippery).verdict is Verdict.NOT_ENOUGH
    assert "more grip" in line("roll-back on 20 %", wishes=slippery).change


def test_a_faint_grade_is_held_too():
    """It takes long until such a roll is found, which is no brake that does not hold."""
    assert roll_back(rover(), 0.01, 5.0).travel_m < 1.0


def test_roll_back_grows_with_grade_count_and_lag():
    """What makes it longer must make the number longer."""
    rolls = [roll_back(rover(), grade, 5.0).travel_m for grade in (2, 5, 10, 20, 30)]
    assert rolls == sorted(rolls)
    coarse = roll_back(rover(counts=24), 20.0, 5.0).travel_m
    lazy = roll_back(rover("brakes: {lag_s: 0.3}\n"), 20.0, 5.0).travel_m
    assert min(coarse, lazy) > 1.5 * rolls[3]
    assert math.isinf(roll_back(rover("brakes: {max_torque_nm: 0.05}\n"), 20.0, 5.0).travel_m)


@pytest.mark.parametrize(("counts", "grade", "least"), [(24, 20.0, 0.1), (96, 10.0, 0.3)])
def test_roll_back_bounds_what_the_simulator_rolls(counts, grade, least):
    """The sum of parts against the whole loop: chocks pulled away under a rover that had let go.
    The budget is a bound, and not one that could be anything: with coarse counts the luck of their
    phases is more of it."""
    config = rover(counts=counts)
    drive = simulate(
        Scenario(
            name="chocks away",
            notes="",
            world=World(slope_deg=math.degrees(math.atan(grade / 100))),
            duration_s=4.2,
            operator=lambda t, truth: (0.5 if 0.5 < t < 2.0 else 0.0, 0.0),
            blocked_until_s=3.0,
        ),
        config,
        1001,
        Guard(config.with_changes(hold__grade_percent=100.0)),
    )
    x = [truth.x_m for truth in drive.truth if truth.t_s >= 3.0]
    rolled, bound = max(x) - min(x), roll_back(config, grade, 5.0).travel_m
    assert least * bound < rolled < bound


# -- verdicts -----------------------------------------------------------------------------------


def test_verdicts_at_their_edges():
    """Enough at the number itself; thin between; not enough below."""
    assert at_least(1.0, 1.0) is Verdict.ENOUGH
    assert at_least(0.9, 1.0) is Verdict.THIN
    assert at_least(0.7, 1.0) is Verdict.NOT_ENOUGH
    assert at_most(1.0, 1.0) is Verdict.ENOUGH
    assert at_most(1.2, 1.0) is Verdict.THIN
    assert at_most(math.inf, 1.0) is Verdict.NOT_ENOUGH


def test_a_default_is_no_fact(tmp_path):
    """A rover file without the brake's torque: what hangs on it is not known, and says which key;
    given, with the very same value, it is known."""
    path = tmp_path / "rover.yaml"
    path.write_text(CHASSIS % ("open", "", 96))
    hold = budget(load(path))[0]
    assert (hold.verdict, hold.has) == (Verdict.NOT_KNOWN, 0.8)
    assert "brakes.max_torque_nm" in hold.change
    path.write_text(CHASSIS % ("open", "", 96) + "brakes: {max_torque_nm: 0.8}\n")
    assert budget(load(path))[0].verdict is Verdict.ENOUGH


@pytest.mark.parametrize(
    ("more", "speed", "key"),
    [
        ("limits: {max_speed_mps: 1.0}\nhardware: {%s}", 1.0, "limits.max_speed_mps"),
        ("hardware: {%s}", 3.5048, "hardware.motor_rpm_per_v"),
        ("hardware: {battery_v: 12.6}", 15.0, "rover.top_speed_mps"),
    ],
)
def test_how_fast_it_is_by_the_best_that_is_known(tmp_path, more, speed, key):
    """A cap first; else what motor, gears and battery come to, 850 x 12.6 / 24 turns a minute of a
    wheel of 75 mm; a default stays "not known"."""
    path = tmp_path / "rover.yaml"
    sheets = "battery_v: 12.6, motor_rpm_per_v: 850, gear_ratio: 24"
    path.write_text(CHASSIS % ("open", "", 96) + more.replace("%s", sheets))
    (energy,) = (x for x in budget(load(path)) if x.name == "energy at top speed")
    assert energy.has == pytest.approx(0.5 * 5.0 * speed**2, rel=1e-4)
    assert energy.hangs_on.startswith(key)
    assert (energy.verdict is Verdict.NOT_KNOWN) == (key == "rover.top_speed_mps")


def test_the_demo_rover_has_verdicts():
    """What is not known of it needs a key that would change how it is driven."""
    unknown = [x for x in budget(load(DEMO)) if x.verdict is Verdict.NOT_KNOWN]
    keys = {x.hangs_on.split()[0] for x in unknown}
    assert keys == {"imu.accel_bias_sd_mps2", "rover.cog_height_m"}


def test_every_line_is_whole():
    """Formula, the number it hangs on, and something to do unless it is enough; keys that exist."""
    known = {f"{row.section}.{row.key}" for row in settings_table()}
    known |= {f"{row.section}.{row.key}" for row in settings_table({"hardware": Hardware})}
    for more in ("", FULL):
        for config in (rover(more), rover(more, drive="rear"), rover(more, drive="locked")):
            lines = budget(Design(config, frozenset()))
            assert len({x.name for x in lines}) == len(lines)
            for x in lines:
                assert x.formula
                assert x.hangs_on
                assert bool(x.change) == (x.verdict is not Verdict.ENOUGH), x
                key = x.hangs_on.split()[0]
                assert key.startswith("--") or key in known, x


def test_wheels_that_report_speeds_have_a_budget():
    """No count, no line about counts; the rest stays."""
    config = rover()
    config = replace(config, encoders=replace(config.encoders, kind="speed", counts_per_rev=None))
    names = [x.name for x in budget(Design(config, frozenset()))]
    assert "roll-back on 20 %" in names
    assert "counts needed" not in names


SIZES = st.integers(-12, 12).map(lambda k: 10.0**k)
"""All that a rover file may hold, as likely small as large."""


@given(
    mass=st.integers(-12, 2).map(lambda k: 10.0**k),
    sizes=st.tuples(*[st.integers(-12, 0).map(lambda k: 10.0**k)] * 4),
    drive=st.sampled_from(["open", "locked", "front", "rear"]),
    steered=st.sampled_from(["front", "rear", "both", "skid"]),
    steer=st.sampled_from([0.0, 1e-12, 2.0, 25.0, 80.0]),
    counts=st.sampled_from([None, 1.0, 24.0, 96.0, 1e6]),
    torque=SIZES,
    lag=st.sampled_from([0.0, 1e-12, 0.08, 5.0]),
    wishes=st.tuples(*[SIZES] * len(fields(Wishes))),
)
@example(
    mass=1.0, sizes=(1.0,) * 4, drive="open", steered="skid", steer=1e-12, counts=None,
    torque=1.0, lag=0.0, wishes=(1.0,) * 10,
)  # fmt: skip
@example(  # so steep that the load on the wheels is lost in rounding
    mass=1.0, sizes=(1.0,) * 4, drive="open", steered="front", steer=25.0, counts=None,
    torque=1.0, lag=0.0, wishes=(1e12,) + (1.0,) * 9,
)  # fmt: skip
@hyp(max_examples=40)
def test_any_rover_has_a_budget(mass, sizes, drive, steered, steer, counts, torque, lag, wishes):
    """All that a rover file may hold, with wishes nobody has: every line has a verdict, no number
    is NaN. Wheels do not overlap, and what steers does so by 2 degrees and more."""
    wheelbase, track, radius, height = sizes
    wheelbase, steer = max(wheelbase, 2 * radius), steer if steered == "skid" else max(steer, 2.0)
    config = rover(FULL).with_changes(
        rover__mass_kg=mass,
        rover__wheelbase_m=wheelbase,
        rover__track_m=track,
        rover__wheel_radius_m=radius,
        rover__cog_height_m=height,
        rover__drive=drive,
        rover__steered=steered,
        rover__max_steer_deg=steer,
        encoders__kind="speed" if counts is None else "counts",
        encoders__counts_per_rev=counts,
        brakes__max_torque_nm=torque,
        brakes__lag_s=lag,
    )
    wished = dict(zip([f.name for f in fields(Wishes)], wishes, strict=True))
    wished["friction"] = min(wished["friction"], 2.0)
    for x in budget(Design(config, frozenset()), Wishes(**wished)):
        assert x.verdict in Verdict
        assert bool(x.change) == (x.verdict is not Verdict.ENOUGH), x
        for number in (x.needed, x.has):
            assert number is None or not math.isnan(number), x


# -- command ------------------------------------------------------------------------------------


@pytest.fixture
def rover_file(tmp_path) -> Path:
    path = tmp_path / "rover.yaml"
    path.write_text(CHASSIS % ("open", ", cog_height_m: 0.11", 96) + FULL)
    return path


def test_table_fits(rover_file, capsys):
    """At most 100 columns; every question, its formula, and what to change."""
    assert main(["budget", str(rover_file)]) == 0
    text = capsys.readouterr().out
    assert max(map(len, text.splitlines())) <= 100
    for x in budget(load(rover_file)):
        assert x.name in " ".join(text.split())
    assert "What to change" in text
    below = text.partition("How each is worked out")[2].splitlines()
    assert all(x.startswith("  ") for x in below if x and x != "What to change")


def test_what_is_wanted_and_what_is_had_do_not_contradict_the_verdict(tmp_path, capsys):
    """Two ways to the same number need to agree, none to be above the other."""
    path = tmp_path / "rover.yaml"
    both = re.sub(r"^rover: \{", "rover: {top_speed_mps: 3.4, ", DEMO.read_text(), flags=re.M)
    path.write_text(both)
    assert main(["budget", str(path)]) == 0
    text = capsys.readouterr().out
    assert re.search(r"plausible: stall torque +~ 4\.25 +4 +N m +enough", text)
    assert re.search(r"plausible: free-running +~ 3\.5 +3\.4 +m/s +enough", text)
    for x in budget(load(path)):
        if x.verdict is Verdict.ENOUGH and x.needed is not None and not x.agree:
            assert (x.has <= x.needed) if x.at_most else (x.has >= x.needed), x


def test_advice_does_not_ask_for_what_is_there():
    """Four brakes may be fitted: a line about two of them is about the other two failing."""
    lines = [line(f"grip to hold: 2 braked, the {axle} axle") for axle in ("lower", "upper")]
    assert {x.change for x in lines} == {"", "fit the other axle's brakes too, or mend them"}


def test_what_to_give_first_stands_first(tmp_path, capsys):
    """A rover file of a beginner leaves most lines unknown: the keys that tell most, first."""
    path = tmp_path / "rover.yaml"
    path.write_text(CHASSIS % ("open", "", 96))
    assert main(["budget", str(path)]) == 0
    head = " ".join(capsys.readouterr().out.partition("Budget")[0].split())
    unknown = [x for x in budget(load(path)) if x.verdict is Verdict.NOT_KNOWN]
    assert head.startswith(f"{len(unknown)} of {len(budget(load(path)))} lines are not known.")
    assert "brakes.max_torque_nm (7 lines), " in head
    assert "rover.cog_height_m (3)" in head
    assert head.index("brakes.max_torque_nm") < head.index("rover.cog_height_m")
    named = re.findall(r"\w+\.\w+", head.partition("Give")[2])
    assert len(named) == 5
    known = {f"{row.section}.{row.key}" for row in settings_table()}
    assert set(named) <= known | {f"hardware.{f.name}" for f in fields(Hardware)}


def test_json(rover_file, capsys):
    """The same numbers, for machines; wishes arrive."""
    assert main(["budget", str(rover_file), "--as-json", "--grade", "30", "--payload", "1"]) == 0
    document = json.loads(capsys.readouterr().out)
    wishes = Wishes(grade_percent=30.0, payload_kg=1.0)
    lines = budget(load(rover_file), wishes)
    assert [x["name"] for x in document["lines"]] == [x.name for x in lines]
    assert [x["verdict"] for x in document["lines"]] == [x.verdict.value for x in lines]
    assert document["wishes"]["payload_kg"] == 1.0


def test_picture(rover_file, tmp_path, capsys):
    """Drawn when asked; never over another file."""
    for name in ("roll.png", "roll.svg"):
        assert main(["budget", str(rover_file), "--picture", str(tmp_path / name)]) == 0
        assert (tmp_path / name).stat().st_size > 5000
    assert main(["budget", str(rover_file), "--picture", str(tmp_path / "roll.png")]) == 2
    assert "already there" in capsys.readouterr().err
    assert main(["budget", str(rover_file), "--picture", str(tmp_path / "roll.txt")]) == 2


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        (["--grade", "-3"], 2, "--grade: found -3, expected a percentage above 0"),
        (["--friction", "nan"], 2, "--friction: found nan, expected a number above 0, 2 at the"),
        (["--friction", "50"], 2, "--friction: found 50, expected a number above 0, 2 at the most"),
        (["--payload", "-1"], 2, "--payload: found -1, expected 0 or a number above it"),
        (["--stop", "1e200"], 2, "--stop: found 1e+200, expected a number above 0 that a rover"),
    ],
)
def test_mistakes(rover_file, capsys, arguments, code, words):
    """Wishes nobody can have."""
    assert main(["budget", str(rover_file), *arguments]) == code
    said = " ".join(re.sub(r"[│╭╰─╮╯]", "", capsys.readouterr().err).split())
    assert words in said
    assert "_" not in said, "no name of the inside"


def test_a_wrong_key_of_the_hardware_has_its_line(rover_file, capsys):
    """As everywhere: file, line and key."""
    rover_file.write_text(rover_file.read_text().replace("servo_lever_m", "servo_levr_m"))
    assert main(["budget", str(rover_file)]) == 3
    assert "hardware.servo_levr_m: unknown key; did you mean 'servo_lever_m'" in (
        capsys.readouterr().err
    )
