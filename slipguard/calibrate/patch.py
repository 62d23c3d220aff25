"""A calibration as YAML: what belongs into the rover file, and where it came from."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from typing import Any

from slipguard.calibrate.result import Calibration
from slipguard.config import Config
from slipguard.section import Section, dump_yaml, load_section, plain, read_text

WRITES = {
    "level": (
        "imu.accel_bias_mps2",
        "imu.gyro_bias_radps",
        "imu.rotation_deg",
        "imu.accel_bias_sd_mps2",
        "imu.gyro_bias_sd_radps",
    ),
    "noise": ("imu.accel_noise_mps2", "imu.gyro_noise_radps", "imu.rate_hz"),
    "straight": ("rover.wheel_radius_m", "imu.rotation_deg"),
    "delay": ("encoders.delay_s", "encoders.delay_sd_s", "imu.delay_s"),
    "circle": ("rover.track_m", "rover.max_steer_deg"),
    "deadband": ("limits.throttle_dead_band",),
}
"""Step to the settings it may write."""

ANGLES = ("roll", "pitch", "yaw")
MEASURED = {"level": ("roll", "pitch"), "straight": ("yaw",)}
"""Step to the angles of ``imu.rotation_deg`` it measures; it keeps the others as it found them."""


def patch_text(calibration: Calibration, date: str) -> str:
    """The patch of one calibration.

    Parameters
    ----------
    date : str
        When it was made; nothing here looks at a clock.
    """
    document: dict[str, Any] = {}
    for name, value in calibration.settings.items():
        section, _, key = name.partition(".")
        document.setdefault(section, {})[key] = value
    document["calibration"] = {
        calibration.step: {
            "date": date,
            "method": calibration.method,
            "drives": [{"name": d.name, "sha256": d.sha256} for d in calibration.drives],
            "values": {
                v.name: {"value": _short(v.value), "sd": _short(v.sd), "unit": v.unit}
                for v in calibration.values
            },
        }
    }
    head = "# Made by slipguard calibrate. Two sd either way hold the truth 95 times in 100.\n"
    return head + _dump(document)


def merged(rover: str | os.PathLike[str], patches: Sequence[str | os.PathLike[str]]) -> str:
    """The text of a rover file with patches laid over it; a later one wins.

    Raises
    ------
    ConfigError
        File, line and key of what is wrong in the rover file or in a patch, or that no step wrote.
    """
    for path in patches:
        _check_origin(load_section(read_text(path, "calibration"), str(path)))
    # Each is judged where it stands, so that an error names the right file.
    Config.load(rover, *patches)
    sections = [load_section(read_text(path, "calibration"), str(path)) for path in patches]
    _check_mounting(sections)
    document = plain(load_section(read_text(rover, "rover file"), str(rover)))
    for section in sections:
        _lay_over(document, plain(section))
    names = ", ".join(os.path.basename(p) for p in (rover, *patches))
    return f"# Made by slipguard calibrate apply from {names}\n{_dump(document)}"


def _check_origin(patch: Section) -> None:
    """Refuse a file that no step wrote: a rover file laid over another would win in everything."""
    wanted = "expected a file that 'slipguard calibrate STEP --out FILE' wrote"
    if "calibration" not in patch or not patch.section("calibration"):
        raise patch.error(None, f"no section calibration: {wanted}")
    steps = patch.section("calibration")
    steps.check_keys(WRITES)
    may = {name for step in steps for name in WRITES[step]}
    for section in patch:
        if section == "calibration":
            continue
        for key in patch.section(section) or (None,):
            if f"{section}.{key}" not in may:
                said = f"not written by {' or '.join(steps)}: {wanted}"
                where = patch if key is None else patch.section(section)
                raise where.error(section if key is None else key, said)


def _check_mounting(patches: Sequence[Section]) -> None:
    """Refuse a patch that would undo an angle of the IMU that one before it measured."""
    told: dict[str, tuple[float, str]] = {}
    for patch in patches:
        angles = patch.section("imu").get("rotation_deg") if "imu" in patch else None
        if angles is None:
            continue
        mine = {name for step in patch.section("calibration") for name in MEASURED.get(step, ())}
        for name, angle in zip(ANGLES, angles, strict=True):
            if name in mine:
                told[name] = (angle, os.path.basename(patch.source))
            elif name in told and angle != told[name][0]:
                before = told[name][1]
                raise patch.section("imu").error(
                    "rotation_deg",
                    f"another {name} than {before} measured; work this out again, with "
                    f"--after {before}",
                )


def _lay_over(under: dict[str, Any], over: Mapping[str, Any]) -> None:
    for key, value in over.items():
        if isinstance(value, Mapping) and isinstance(under.get(key), dict):
            _lay_over(under[key], value)
        else:
            under[key] = value


def _short(value: float) -> float:
    return float(f"{value:.6g}")


def _dump(document: Mapping[str, Any]) -> str:
    return dump_yaml(dict(document), default_flow_style=None, width=100, allow_unicode=True)
