"""From recordings of simple drives to settings, each with its uncertainty.

Six steps, in this order: ``level`` (biases and mounting of the IMU), ``noise`` (of its samples),
``straight`` (counts a metre), ``delay`` (how late the wheels' data arrive), ``circle`` (track,
steering, yaw gyro), ``deadband`` (throttle).
``GUIDE`` says what to drive for each. A step takes ``Samples`` and settings and returns a
``Calibration``; a drive too poor for it is refused with a ``CalibrationError`` that says why.

Every ``Value`` comes with a standard deviation: the truth lies within two of them about 95 times
in 100, as far as what the step assumes holds; each step says what that is.
"""

from slipguard.calibrate.circle import circle
from slipguard.calibrate.deadband import deadband
from slipguard.calibrate.delay import delay
from slipguard.calibrate.guide import GUIDE
from slipguard.calibrate.level import level
from slipguard.calibrate.noise import noise
from slipguard.calibrate.patch import merged, patch_text
from slipguard.calibrate.result import Calibration, Value
from slipguard.calibrate.samples import Samples, Source, load_samples
from slipguard.calibrate.straight import straight

__all__ = [
    "GUIDE",
    "Calibration",
    "Samples",
    "Source",
    "Value",
    "circle",
    "deadband",
    "delay",
    "level",
    "load_samples",
    "merged",
    "noise",
    "patch_text",
    "straight",
]
