"""The files a replay writes: one row per decision, and what happened in one JSON document."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Any

from slipguard.cli.json_text import write_json
from slipguard.decision import Decision
from slipguard.finding import Finding
from slipguard.reading import WHEELS
from slipguard.recording import Recording, TableWriter
from slipguard.score import Score
from slipguard.summary import DriveSummary

COLUMNS = (
    "t_s",
    "speed_mps",
    "speed_sd_mps",
    "grade_rad",
    *(f"{wheel}_slip_mps" for wheel in WHEELS),
    *(f"{wheel}_brake" for wheel in WHEELS),
    "throttle",
    "throttle_limit",
    "hold",
    "findings",
)


class DecisionTable(TableWriter):
    """Decisions as CSV, written exactly: the same drive gives the same bytes."""

    def __init__(self, path: Path) -> None:
        super().__init__(path, COLUMNS)

    def write(self, decision: Decision) -> None:
        """Append one decision."""
        estimate = decision.estimate
        self.write_cells(
            (
                decision.t_s,
                estimate.speed_mps,
                estimate.speed_sd_mps,
                estimate.grade_rad,
                *estimate.slip_mps,
                *decision.brakes,
                decision.throttle,
                decision.throttle_limit,
                decision.hold.value,
                " ".join(map(finding_name, decision.findings)),
            )
        )


def finding_name(finding: Finding) -> str:
    """E.g. ``wheel_spin:fl``, ``rolling``, ``sensor_fault:imu``."""
    parts = (finding.kind, finding.wheel, finding.sensor)
    return ":".join(part for part in parts if part)


def write_events(
    path: Path, recording: Recording, summary: DriveSummary, scores: Mapping[str, Score] | None
) -> None:
    """Write what happened in a drive.

    Raises
    ------
    RecordingError
        The file cannot be written.
    """
    document = {
        "drive": recording.path.name,
        "truncated": recording.truncated,
        "rows": summary.rows,
        "start_s": summary.start_s,
        "end_s": summary.end_s,
        "distance_m": summary.distance_m,
        "top_speed_mps": summary.top_speed_mps,
        "speed_error": _speed_error(summary),
        "findings": [asdict(episode) for episode in summary.episodes.episodes()],
        "alerts": [asdict(alert) for alert in summary.alerts],
        "holds": [asdict(span) for span in summary.holds],
        "brake_pressed_s": dict(zip(WHEELS, summary.brake_s, strict=True)),
        "brake_full_s": dict(zip(WHEELS, summary.brake_full_s, strict=True)),
        "throttle_limited_s": summary.limited_s,
        "score": None if scores is None else {kind: _score(s) for kind, s in scores.items()},
    }
    write_json(path, document)


def _speed_error(summary: DriveSummary) -> dict[str, Any] | None:
    error = summary.speed_error
    if not error.rows:
        return None
    return {
        "rows": error.rows,
        "rmse_mps": error.rmse_mps,
        "worst_mps": error.worst_mps,
        "inside_2_sigma": error.inside_2_sigma,
    }


def _score(score: Score) -> dict[str, Any]:
    return {
        "labelled": score.labelled,
        "found": len(score.found),
        "recall": score.recall,
        "false_alarms": [asdict(episode) for episode in score.false_alarms],
        "false_alarm_s": score.false_alarm_s,
        "missed": [
            {"kind": m.kind, "wheel": m.wheel, "start_s": m.start_s, "end_s": m.end_s}
            for m in score.missed
        ],
        "delay_p50_s": score.delay_s(50),
        "delay_p95_s": score.delay_s(95),
        "delays_s": list(score.delays_s),
    }
