"""Registers of the MPU-6050 and its copies, and what their values mean.

From the chip's public register map (InvenSense, MPU-6000/MPU-6050 Register Map and Descriptions,
revision 4.2), written from memory.
"""

from __future__ import annotations

import math
import struct

SMPLRT_DIV = 0x19  # sample rate = 1 kHz / (1 + this), with the low-pass filter on
CONFIG = 0x1A  # bits 2..0: low-pass filter
GYRO_CONFIG = 0x1B  # bits 4..3: range
ACCEL_CONFIG = 0x1C  # bits 4..3: range
INT_ENABLE = 0x38  # bit 0: data ready
INT_STATUS = 0x3A  # bit 0: data ready; cleared by reading
ACCEL_XOUT_H = 0x3B  # 14 bytes, big endian: accel x y z, temperature, gyro x y z
PWR_MGMT_1 = 0x6B  # bit 7: reset; bit 6: sleep; bits 2..0: clock
WHO_AM_I = 0x75

RESET, SLEEP, CLOCK_GYRO_X = 0x80, 0x40, 0x01
DATA_READY = 0x01

ACCEL_RANGE_G = {2: 0, 4: 1, 8: 2, 16: 3}
GYRO_RANGE_DPS = {250: 0, 500: 1, 1000: 2, 2000: 3}
LOWPASS_HZ = {184: 1, 94: 2, 44: 3, 21: 4, 10: 5, 5: 6}
"""Bandwidth of the accelerometer; that of the gyro is within 5 %."""

FULL = 32768
G_MPS2 = 9.80665
"""Standard acceleration of free fall (3rd CGPM, 1901)."""

Vector = tuple[float, float, float]


def divider(rate_hz: float) -> int:
    """SMPLRT_DIV for a sample rate."""
    return round(1000.0 / rate_hz) - 1


def decode(block: bytes, range_g: int, range_dps: int) -> tuple[Vector, float, Vector]:
    """Accelerations m/s2, temperature degC and rates rad/s from the 14 bytes at ACCEL_XOUT_H.

    Temperature: raw / 340 + 36.53.
    """
    ax, ay, az, temperature, gx, gy, gz = struct.unpack(">7h", block)
    accel = range_g * G_MPS2 / FULL
    gyro = math.radians(range_dps) / FULL
    return (
        (ax * accel, ay * accel, az * accel),
        temperature / 340.0 + 36.53,
        (gx * gyro, gy * gyro, gz * gyro),
    )
