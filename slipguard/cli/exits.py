"""Exit codes, in the one place that lists them."""

from __future__ import annotations

from enum import IntEnum

from slipguard.errors import ArmingError, ConfigError, PluginError, RecordingError, SlipguardError


class Exit(IntEnum):
    """How a command ended, for scripts."""

    DONE = 0
    FAULT = 1
    USAGE = 2
    CONFIG = 3
    RECORDING = 4
    PLUGIN = 5
    NOT_ARMED = 6
    REGRESSION = 7
    INTERRUPTED = 130


MEANING = {
    Exit.DONE: "done; a run: stopped as asked, by Ctrl-C too",
    Exit.FAULT: "a fault of slipguard itself",
    Exit.USAGE: "wrong usage of the command",
    Exit.CONFIG: "the rover file is missing or wrong",
    Exit.RECORDING: "a drive, its labels or an output file cannot be read or written",
    Exit.PLUGIN: "a plugin is wrong",
    Exit.NOT_ARMED: "the rover is not fit to drive: a check failed",
    Exit.REGRESSION: "a comparison of two rover files found a regression",
    Exit.INTERRUPTED: "interrupted from the keyboard; a run: by the second Ctrl-C",
}

EXIT_HELP = "\b\nExit codes:\n" + "\n".join(f"{code:5d}  {text}" for code, text in MEANING.items())
"""For the end of a command's help; the first character keeps the lines as they are."""

_CAUSES = {
    ConfigError: Exit.CONFIG,
    RecordingError: Exit.RECORDING,
    PluginError: Exit.PLUGIN,
    ArmingError: Exit.NOT_ARMED,
}


def exit_for(error: SlipguardError) -> Exit:
    """The exit code for an error slipguard raised on purpose."""
    for kind, code in _CAUSES.items():
        if isinstance(error, kind):
            return code
    return Exit.FAULT
