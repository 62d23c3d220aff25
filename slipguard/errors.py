"""Errors, by whose fault it is. Each is also the standard class a caller would expect."""

from __future__ import annotations


class SlipguardError(Exception):
    """Base of every error slipguard raises on purpose."""


class ConfigError(SlipguardError, ValueError):
    """A rover file is wrong: file, line, key, what was found and what was expected."""


class RecordingError(SlipguardError, ValueError):
    """A recorded drive is wrong: file, line, column, what was found and what was expected."""


class PluginError(SlipguardError, RuntimeError):
    """A plugin is wrong: which plugin, and what it must do instead."""


class ArmingError(SlipguardError, RuntimeError):
    """The rover is not fit to drive: every check that failed, a line each."""


class CalibrationError(RecordingError):
    """A recorded drive is too poor to calibrate from: which drive, why, and what to drive."""


SIMULATOR_NEEDED = (
    "the simulator needs mujoco; install it, in slipguard's folder, with: pip install '.[sim]'"
)


def unwritable(path: object, err: Exception, what: str = "") -> RecordingError:
    """That a file cannot be written, why, and what to do where its folder is missing.

    ``what``: what the file holds, in words, e.g. ``'the labels'``.
    """
    reason = (err.strerror or err) if isinstance(err, OSError) else err
    if isinstance(err, FileNotFoundError):
        reason = "its folder is not there; make it first"
    return RecordingError(f"{path}: cannot write{f' {what}' if what else ''}: {reason}")
