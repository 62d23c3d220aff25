"""Slip ratios against published values."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from slipguard.fuse.slip import slip_ratio, slip_ratio_iso8855

SPEEDS = st.floats(-20.0, 20.0)


@pytest.mark.parametrize(
    ("ground", "rim", "standard", "ours"),
    [
        (1.0, 1.25, 0.25, 0.20),
        (1.0, 0.8, -0.20, -0.20),
        (0.5, 1.0, 1.0, 0.5),
        (0.0, 1.0, math.inf, 1.0),
        (1.0, 0.0, -1.0, -1.0),
    ],
)
def test_slip_ratios_of_the_standard_and_of_the_bounded_form(ground, rim, standard, ours):
    """Protects the definition every threshold rests on.

    s = (rim - ground) / ground: SAE J670 (2008) and ISO 8855:2011, clause from memory. Over the
    larger of both speeds: the max-norm form of multibody tools. Values by hand.
    """
    assert slip_ratio_iso8855(rim, ground) == pytest.approx(standard)
    assert slip_ratio(rim, ground) == pytest.approx(ours)


def test_a_rover_that_stands_does_not_slip():
    """0 / 0 is no slip in either form."""
    assert slip_ratio_iso8855(0.0, 0.0) == 0.0
    assert slip_ratio(0.0, 0.0) == 0.0


@given(st.floats(0.2, 20.0), st.floats(1.0, 10.0))
def test_both_forms_agree_for_drive_slip(ground, factor):
    """s_max = s / (1 + s) for drive slip: algebra of the two definitions."""
    standard = slip_ratio_iso8855(ground * factor, ground)
    assert slip_ratio(ground * factor, ground) == pytest.approx(standard / (1.0 + standard))


@given(SPEEDS, SPEEDS)
def test_slip_ratio_is_bounded_and_mirrors_with_direction(rim, ground):
    """Within -1..1 whatever the sensors say; driving backwards is the mirror image."""
    ratio = slip_ratio(rim, ground)
    assert -1.0 <= ratio <= 1.0
    if abs(rim) != abs(ground):  # else nothing says which way the wheel goes
        assert slip_ratio(-rim, -ground) == ratio
    if rim * ground > 0.0:
        faster = abs(rim) - abs(ground)
        assert math.copysign(1.0, ratio) == math.copysign(1.0, faster) or ratio == 0.0


@given(st.floats(-0.1, 0.1), st.floats(-0.1, 0.1))
def test_creeping_is_not_called_full_slip(rim, ground):
    """Below 0.1 m/s the ratio is slip speed over 0.1 m/s: a floor against division by noise.

    Floors of this kind: MapleSim Tire help and PhysX 5.5 PxVehicleTireSlipParams.
    """
    expected = min(1.0, abs(rim - ground) / 0.1)
    assert abs(slip_ratio(rim, ground)) == pytest.approx(expected)
