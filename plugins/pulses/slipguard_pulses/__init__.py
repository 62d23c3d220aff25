"""Servo pulses: 1 to 2 ms wide, from pins of the computer or from an I2C pulse board."""

from slipguard_pulses.outputs import FULL_RANGE_US, PulseOutputs, PulseSettings, make_outputs
from slipguard_pulses.slew import Slew

__all__ = ["FULL_RANGE_US", "PulseOutputs", "PulseSettings", "Slew", "make_outputs"]
