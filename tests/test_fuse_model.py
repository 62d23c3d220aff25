"""The motion model: F, Q, and what a count is as a measurement."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy import integrate, special, stats
from synthetic import drive, rover

from slipguard.frame import Frame
from slipguard.fuse import model
from slipguard.fuse.body import Body
from slipguard.fuse.filterpy_engine import FilterpyEngine
from slipguard.fuse.late import LateTravel
from slipguard.fuse.model import N_STATE, NO_INFORMATION, P0, B, C, D, V

Q_M = 0.0049
"""About one count of the demo rover, metres."""


def posterior(mean: float, var: float, low: float, high: float, edge_sd: float):
    """Mean and variance after a Kalman update with what ``box_update`` returns, H = 1."""
    innovation, R = model.box_update(mean, var, low, high, edge_sd)
    gain = var / (var + R)
    return mean + gain * innovation, (1.0 - gain) * var


# --- A count as a measurement ----------------------------------------------------------------


@given(
    low=st.floats(-4.0, 3.9),
    width=st.floats(0.2, 6.0),
    sd=st.floats(1e-4, 0.1),
    mean=st.floats(-0.1, 0.1),
)
def test_box_has_the_moments_of_a_truncated_normal(low, width, sd, mean):
    """Sharp edges: mean and variance as scipy.stats.truncnorm has them."""
    low, high = max(low, -4.5), low + width
    expected = stats.truncnorm(low, high, loc=mean, scale=sd)
    new_mean, new_var = posterior(mean, sd**2, mean + low * sd, mean + high * sd, 0.0)
    assert new_mean == pytest.approx(expected.mean(), abs=2e-5 * sd)
    assert new_var == pytest.approx(expected.var(), rel=1e-4, abs=2e-6 * sd**2)


@pytest.mark.parametrize("edge", [0.1, 0.5, 2.0])
@pytest.mark.parametrize(("low", "high"), [(-1.0, 0.5), (0.8, 2.0), (-3.0, -1.5), (-0.2, 0.2)])
def test_box_with_blurred_edges_matches_numerical_integration(edge, low, high):
    """Bayes' rule by quadrature: prior times the chance that the edges lie on both sides."""
    mean, sd = 0.3, 0.7
    edge_sd = edge * sd

    def weight(p):
        inside = special.ndtr((p - low) / edge_sd) - special.ndtr((p - high) / edge_sd)
        return math.exp(-0.5 * ((p - mean) / sd) ** 2) * inside

    span = (mean - 9 * sd, mean + 9 * sd)
    mass, first, second = (
        integrate.quad(lambda p, n=n: weight(p) * p**n, *span, epsabs=1e-12, limit=200)[0]
        for n in range(3)
    )
    new_mean, new_var = posterior(mean, sd**2, low, high, edge_sd)
    assert new_mean == pytest.approx(first / mass, abs=1e-7)
    assert new_var == pytest.approx(second / mass - (first / mass) ** 2, abs=1e-7)


def test_one_count_is_uniform_over_its_width():
    """Knowing nothing but the count leaves q^2 / 12: the variance of a uniform distribution."""
    mean, var = posterior(0.5, 1.0, 0.0, Q_M, 0.0)
    assert mean == pytest.approx(Q_M / 2, rel=1e-3)
    assert var == pytest.approx(Q_M**2 / 12, rel=1e-4)


@given(
    mean=st.floats(-1.0, 1.0),
    sd=st.floats(1e-5, 1.0),
    low=st.floats(-1.0, 1.0),
    width=st.floats(1e-4, 1.0),
    edge=st.floats(0.0, 0.1),
)
def test_box_never_adds_doubt_and_never_overshoots(mean, sd, low, width, edge):
    """Total over its range: the variance does not grow, R is positive, and the mean moves
    towards the box and not through it."""
    innovation, R = model.box_update(mean, sd**2, low, low + width, edge)
    assert math.isfinite(innovation)
    assert R >= 0.0
    new_mean, new_var = posterior(mean, sd**2, low, low + width, edge)
    assert 0.0 <= new_var <= sd**2 * (1 + 1e-9)
    nearest, farthest = sorted((low, low + width), key=lambda edge_m: abs(edge_m - mean))
    if model.box_excess(mean, low, low + width):
        span = sorted((mean, farthest))
        assert span[0] - 1e-9 <= new_mean <= span[1] + 1e-9
    else:
        assert abs(new_mean - mean) <= abs(farthest - nearest) + 1e-9


def test_a_count_far_from_the_prediction_puts_it_on_the_near_edge():
    """Beyond five standard deviations: the moments there lie within 0.2 of one of the edge."""
    for low, high, edge in ((6.0, 7.0, 6.0), (-7.0, -6.0, -6.0)):
        exact = stats.truncnorm(low, high)
        new_mean, new_var = posterior(0.0, 1.0, low, high, 0.0)
        assert new_mean == pytest.approx(edge, abs=1e-6)
        assert abs(new_mean - exact.mean()) < 0.2
        assert new_var < exact.var()


def test_a_count_that_says_nothing_changes_nothing():
    """A box far wider than the prior carries no information, and no rounding error in its stead."""
    assert model.box_update(0.0, 1e-6, -1.0, 1.0, 0.0) == (0.0, NO_INFORMATION)


def test_a_difference_of_counts_is_coarse_and_coloured():
    """Why no count is differenced: q^2 / 6 a difference, correlated -0.5 with the next one.

    Two ends of q^2 / 12 each (J. Sachs, "How to Estimate Encoder Velocity Without Making Stupid
    Mistakes", 2012, and by hand); measured on the made-up drives other tests stand on, at a
    speed that is no whole number of counts a reading.
    """
    config = rover()
    q = config.count_m
    squares, products, single = [], [], []
    for k in range(8):  # speeds of 1 1/16, 1 3/16 ... counts a reading: every fraction alike
        speed = q / 0.01 * (1 + (k + 0.5) / 8)
        made = drive(config, [(0.0, speed), (4.0, speed)], creep=0.0, seed=k)
        counts = np.array([r.counts for r in made.readings if r.counts], dtype=float) * q
        way = speed * 0.01 * np.arange(len(counts))[:, None]
        single.append(np.var(counts - way, axis=0))
        error = np.diff(counts, axis=0) - speed * 0.01
        squares.append(np.mean(error**2))
        products.append(np.mean(error[1:] * error[:-1]))
    assert np.mean(squares) == pytest.approx(q**2 / 6, rel=0.05)
    assert np.mean(products) / np.mean(squares) == pytest.approx(-0.5, abs=0.05)
    assert np.mean(single) == pytest.approx(q**2 / 12, rel=0.05)


@pytest.mark.parametrize("share", [0.0, 0.25, 0.5, 0.9])
def test_variance_of_counts_in_a_window(share):
    """f (1 - f) counts^2 with f the part of a count left over: published for the M method
    (as above). The sum rule behind q^2 / 6 is its mean over f, 1/6."""
    rng = np.random.default_rng(1)
    phase = rng.uniform(size=200_000)
    counts = np.floor(phase + 3 + share)
    assert np.var(counts) == pytest.approx(share * (1 - share), abs=0.002)


@given(st.floats(0.0, 20.0), st.floats(1e-6, 1.0), st.floats(1e-6, 1.0))
def test_a_wheel_outside_its_box_pulls_no_harder_the_further_it_is(distance, var, R):
    """A wheel that begins to slip must not take the speed with it: a redescending influence."""
    assume(distance > 0)

    def pull(d: float) -> float:
        innovation = d * math.sqrt(var + R)
        return var / (var + model.robust(innovation, var, R, d)) * innovation

    assert model.robust(distance, var, R, distance) >= R
    if distance <= model.ROBUST_SD:
        assert model.robust(distance, var, R, distance) == R
    most = model.ROBUST_SD * math.sqrt(var)
    assert pull(distance) <= max(most, pull(model.ROBUST_SD)) * (1 + 1e-9)
    # From four standard deviations on, a quarter of the most it can.
    assert pull(max(distance, 4.0)) <= most / 4 * (1 + 1e-9)


@given(st.floats(-1, 1), st.floats(-1, 1), st.floats(0, 1))
def test_excess_is_the_way_to_the_near_edge(mean, low, width):
    """Inside the box nothing is certain; outside, the distance with its sign."""
    high = low + width
    excess = model.box_excess(mean, low, high)
    if low <= mean <= high:
        assert excess == 0.0
    else:
        assert mean + excess == pytest.approx(low if mean < low else high, abs=1e-12)


# --- Encoders that speak late ----------------------------------------------------------------


def test_a_rim_whose_speed_is_not_known_tells_nothing_of_lateness():
    """After a gap: whatever its counts then say, they are not 0.4 s late."""
    body = late_body(0.03)
    body.forget_speed()
    body.set_rim(1, 7.5, 2e-6, True)
    assert body.engine.P[P0 + 1, D] == 0.0


def late_body(late_s: float) -> Body:
    """Driving at 2 m/s for half a second, its wheels ``late_s`` late, speed and lateness unsure."""
    config = rover().with_changes(encoders__delay_s=late_s, encoders__delay_sd_s=0.03)
    body = Body(config, FilterpyEngine)
    body.engine.reset(V, 2.0, 0.1**2, [0.0] * N_STATE)
    body.engine.reset(C, 0.0, 0.05**2, [0.0] * N_STATE)
    frame = Frame(dt_s=0.005, imu_new=True, accel=(0.0, 0.0, 9.81), gyro=(0.0, 0.0, 0.0))
    for _ in range(100):
        body.take_imu(frame)
        body.predict(frame, False)
    body.look_back()
    return body


def seen_rim(body: Body, i: int) -> tuple[float, float]:
    """Mean and variance of where rim i was at the moment its encoder speaks of."""
    body.look_back()
    h = np.zeros(N_STATE)
    h[P0 + i], h[V], h[D] = 1.0, -body.late_s * body.hub_gain[i], -body.seen_hub_mps(i)
    return float(body.engine.x[P0 + i]) - body.late_m[i], float(h @ body.engine.P @ h)


@pytest.mark.parametrize("late_s", [0.0, 0.03, 0.2])
def test_what_a_late_encoder_said_stays_said_when_the_speed_is_moved(late_s):
    """The speed was wrong all the while: the rim is elsewhere now, not where it was seen."""
    body = late_body(late_s)
    before = [seen_rim(body, i) for i in range(4)]
    now_m = body.engine.x[P0:D].copy()
    body.shift_speed(-0.4, 0.3**2)
    for i in range(4):
        assert seen_rim(body, i) == pytest.approx(before[i], abs=1e-9)
    assert body.engine.x[P0:D] - now_m == pytest.approx(-0.4 * late_s, abs=1e-9)


@pytest.mark.parametrize("late_s", [0.0, 0.03, 0.2])
def test_a_rim_that_is_believed_again_is_where_it_was_seen(late_s):
    """Its variance is that of the count alone; where it is now hangs on speed and lateness."""
    body = late_body(late_s)
    body.set_rim(1, 7.5, 2e-6, True)
    assert seen_rim(body, 1) == pytest.approx((7.5, 2e-6), abs=1e-9)
    assert body.engine.x[P0 + 1] == pytest.approx(7.5 + 2.0 * late_s, abs=2e-3)
    sd_now = math.hypot(late_s * math.sqrt(body.speed_var), 2.0 * 0.03)
    assert math.sqrt(body.engine.P[P0 + 1, P0 + 1]) == pytest.approx(sd_now, rel=0.1)


@pytest.mark.parametrize(("looks_s", "is_s"), [(-0.02, 0.03), (0.02, 0.05), (0.3, 0.25)])
def test_wheels_are_no_earlier_than_stated_nor_far_too_late(looks_s, is_s):
    """What only looks so goes back to the speed as the two hang together, and is no more a
    lateness: an IMU that lies looks like counts that come early."""
    body = late_body(0.03)
    body.engine.P[V, D] = body.engine.P[D, V] = -0.5 * body.engine.P[D, D]
    body.engine.shift([0.0] * D + [1.0], looks_s, 0.0)
    speed_mps, var = body.speed_mps, body.engine.P.copy()
    body.bound_lateness()
    assert body.late_s == pytest.approx(is_s, abs=1e-12)
    by_s = is_s - (0.03 + looks_s)
    assert body.speed_mps - speed_mps == pytest.approx(-0.5 * by_s, abs=1e-12)
    assert (var == body.engine.P).all()


@given(
    late_s=st.floats(0.0, 0.12),
    changes=st.lists(st.tuples(st.integers(1, 12), st.floats(-0.5, 0.5)), max_size=5),
)
def test_a_revised_past_is_the_past_at_the_revised_speed(late_s, changes):
    """Travel kept in sums against travel counted again from the speeds as they turned out."""
    ring, speeds, dt = LateTravel(), [], 0.005
    for steps, change in [*changes, (30, 0.0)]:
        for _ in range(steps):
            speeds.append(1.0)
            ring.remember(dt, 0.25, [1.0, 1.0, 2.0, 2.0])
        ring.revise(change, [1.0, 1.0, 2.0, 2.0])
        speeds = [s + change for s in speeds]
    late_m = [0.0] * 4
    ring.look_back(late_s, late_m)
    whole, part = divmod(late_s / dt, 1.0)
    past = speeds[::-1]
    travel = sum(past[: int(whole)]) * dt + part * dt * past[int(whole)]
    assert late_m == pytest.approx([travel, travel, 2 * travel, 2 * travel], abs=1e-9)


# --- Prediction ------------------------------------------------------------------------------


class Spy:
    """Stands in for the filter: keeps what the prediction hands it."""

    def __init__(self, x: model.Array) -> None:
        self.x = np.array(x, dtype=float)
        self.P = np.eye(N_STATE)

    def predict(self, moved: list[float], F: model.Array, Q: model.Array) -> None:
        self.moved, self.F, self.Q = np.array(moved), F.copy(), Q.copy()


def predicted(x: model.Array, frame: Frame, steered: str = "front") -> Spy:
    body = Body(rover(steered=steered), FilterpyEngine)
    body.take_imu(frame)
    body.engine = spy = Spy(x)
    body.predict(frame, False)
    return spy


@pytest.mark.parametrize("steered", ["front", "skid"])
@pytest.mark.parametrize(
    ("v", "c", "b", "accel", "gyro"),
    [
        (1.2, 0.9, 0.01, (1.5, 0.8, 9.6), (0.1, -0.4, 0.7)),
        (-0.8, -1.5, -0.03, (-2.0, 0.1, 9.6), (0.0, 0.3, -0.5)),
        (0.3, 0.0, 0.0, (0.0, 0.0, 9.8), (0.0, 0.0, 0.0)),
    ],
)
def test_transition_matrix_is_the_derivative_of_the_prediction(steered, v, c, b, accel, gyro):
    """F against central differences of the prediction itself, entry by entry, in units of what a
    step of 5 ms changes. What the model leaves out on purpose (creep, s_z of c) is a few per
    cent of it."""
    dt = 0.005
    frame = Frame(dt_s=dt, imu_new=True, accel_age_s=0.0, gyro_age_s=0.0, accel=accel, gyro=gyro)
    x = np.array([v, c, b, 0.0, 0.0, 0.0, 0.0, 0.0])
    F = predicted(x, frame, steered).F
    h = 1e-4
    numeric = np.zeros((N_STATE, N_STATE))
    for j in range(N_STATE):
        d = np.zeros(N_STATE)
        d[j] = h
        after, before = predicted(x + d, frame, steered), predicted(x - d, frame, steered)
        numeric[:, j] = (after.moved - before.moved) / (2 * h)
    assert F / dt == pytest.approx(numeric / dt, abs=0.06)


def test_prediction_keeps_what_stands_still():
    """At rest on a slope, wheels still and the accelerometer reading gravity: nothing moves."""
    lean = 9.80665 * math.sin(0.2)
    frame = Frame(dt_s=0.005, imu_new=True, accel=(lean, 0.0, 9.6), gyro=(0.0, 0.0, 0.0))
    x = np.array([0.0, lean, 0.0, 0.1, 0.2, 0.3, 0.4, 0.05])
    assert predicted(x, frame).moved == pytest.approx(x, abs=1e-12)


def test_gravity_follows_a_turn_on_a_slope():
    """A quarter turn on a 20 % slope takes all of gravity along x away, 1.92 m/s2 = g sin of
    11.31 degrees; ds/dt = -omega x s keeps step (kinematics of a rotating frame, any textbook)."""
    body = Body(rover(), FilterpyEngine)
    slope = math.atan(0.2)
    assert math.degrees(slope) == pytest.approx(11.3099, abs=1e-4)
    g = 9.80665
    assert g * math.sin(slope) == pytest.approx(1.9232, abs=1e-4)
    body.engine.x[C] = g * math.sin(slope)
    rate, dt = math.radians(30.0), 0.005
    for k in range(601):
        heading = k * dt * rate
        s_x, s_y = (
            g * math.sin(slope) * math.cos(heading),
            -g * math.sin(slope) * math.sin(heading),
        )
        frame = Frame(
            dt_s=dt if k else 0.0,
            imu_new=True,
            accel_age_s=0.0,
            gyro_age_s=0.0,
            accel=(s_x, s_y, g * math.cos(slope)),
            gyro=(0.0, 0.0, rate),
        )
        body.take_imu(frame)
        if k:
            body.predict(frame, False)
    assert body.force_mps2 == pytest.approx(0.0, abs=0.03)


@given(
    dt=st.floats(1e-4, 0.5),
    accel_var=st.floats(0.0, 10.0),
    drift_var=st.floats(0.0, 10.0),
    bias_var=st.floats(0.0, 1.0),
    travel=st.lists(st.floats(0.0, 0.1), min_size=4, max_size=4),
)
def test_process_noise_is_a_covariance(dt, accel_var, drift_var, bias_var, travel):
    """Symmetric and without a negative eigenvalue, whatever the share of wheel and body noise.

    A Q that is none made the speed's variance negative while the IMU was away."""
    Q = np.full((N_STATE, N_STATE), 0.0)
    model.process_noise(dt, accel_var, drift_var, bias_var, np.array(travel), 0.0, Q)
    assert (Q == Q.T).all()
    values = np.linalg.eigvalsh(Q)
    assert values[0] >= -1e-12 * max(1.0, values[-1])


def test_process_noise_is_that_of_white_acceleration():
    """Var v = q t, cov(v, p) = q t^2 / 2, var p = q t^3 / 3, all wheels alike: integrated white
    noise, e.g. Bar-Shalom, Li, Kirubarajan 2001, sec. 6.2.2 (from memory). Two half steps make
    a whole one."""
    dt, q = 0.01, 0.4

    def step(t: float) -> tuple[model.Array, model.Array]:
        Q, F = np.zeros((N_STATE, N_STATE)), np.eye(N_STATE)
        model.process_noise(t, q * t, 0.0, 0.0, np.zeros(4), 0.0, Q)
        model.transition(t, 0.0, np.ones(4), 0.0, F)
        return Q, F

    whole, _ = step(dt)
    for i in range(4):
        assert whole[V, V] == pytest.approx(q * dt)
        assert whole[V, P0 + i] == pytest.approx(q * dt**2 / 2)
        assert whole[P0 + i, P0 + (i + 1) % 4] == pytest.approx(q * dt**3 / 3)
    half, F = step(dt / 2)
    wheels = [V, P0, P0 + 1, P0 + 2, P0 + 3]
    twice = (F @ half @ F.T + half)[np.ix_(wheels, wheels)]
    assert twice == pytest.approx(whole[np.ix_(wheels, wheels)], rel=1e-9)
    assert whole[B, B] == whole[C, C] == 0.0
