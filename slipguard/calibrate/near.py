"""Whether what was measured can be of the rover that the rover file describes."""

from __future__ import annotations

import numpy as np

from slipguard.calibrate.samples import Array, Samples
from slipguard.settings import GRAVITY_MPS2

OF_GRAVITY = (0.8, 1.2)


def need_near(
    samples: Samples,
    name: str,
    found: float,
    told: float,
    unit: str,
    within: tuple[float, float],
    likely: str,
) -> None:
    """Refuse a setting that comes out far from what the rover file says.

    A tape read wrong, or a unit, is off by far; what a calibration is for is off by little. Which
    of the two numbers is wrong is for the builder to find out, so both are told.

    Parameters
    ----------
    found, told : float
        The setting as measured, and as the rover file has it.
    within : tuple of float
        The least and the most of what was measured, over what the rover file has.
    likely : str
        What to look at, in words.

    Raises
    ------
    CalibrationError
    """
    if told > 0.0 and not within[0] * told <= found <= within[1] * told:
        raise samples.refuse(
            f"{name} comes out as {found:.3g} {unit}, and the rover file says {told:.3g}: too far "
            f"apart to be an inexact guess. Likely {likely}; mend it and calibrate again"
        )


def need_gravity(samples: Samples, accel_mps2: Array) -> None:
    """Refuse an accelerometer that does not feel gravity in the mean of samples (n, 3).

    Raises
    ------
    CalibrationError
    """
    felt = float(np.linalg.norm(accel_mps2.mean(axis=0)))
    if not OF_GRAVITY[0] * GRAVITY_MPS2 <= felt <= OF_GRAVITY[1] * GRAVITY_MPS2:
        raise samples.refuse(
            f"the accelerometer feels {felt:.3g} in the mean, and gravity is {GRAVITY_MPS2:.2f} "
            "m/s2: another unit (1 is g, 1000 is mg), or another range than the source believes"
        )
