"""Recorded drives: read, write, validate, label. Memory stays flat however long the drive.

The format: UTF-8 CSV (or the same columns as Parquet, ``.parquet``), ``.csv`` or
``.csv.gz``, one header row, columns in any order, SI units.

========================================= ======================================================
column                                    holds
========================================= ======================================================
``t_s``                                   monotonic seconds of the row; in every row
``fl_count`` ``fr_count`` ``rl_count``    cumulative encoder counts at each wheel
``rr_count``
``fl_radps`` ``fr_radps`` ``rl_radps``    wheel speeds, of rovers that report these instead; with
``rr_radps``                              the front two alone (one speed a side, skid steering)
                                          the rear wheels are the front ones
``ax_mps2`` ``ay_mps2`` ``az_mps2``       specific force, ISO 8855 axes: forward, left, up
``gx_radps`` ``gy_radps`` ``gz_radps``    angular rate about them
``throttle`` ``steer``                    the operator's request, each -1..1
``motor_enabled``                         0, 1, true or false
``command_age_s``                         age of the operator's last command
``motor_current_a`` ``motor_speed_radps`` optional sensors
``battery_v``
``fl_brake_position`` ... ``rr_...``      measured brake travel, each 0..1; optional
``marker``                                a note, text; optional
``true_*``                                truth, e.g. ``true_speed_mps``; never read by the guard
anything else                             carried along
========================================= ======================================================

A blank cell means: no new value. An absent column means: not measured. ``nan`` and ``inf`` are
passed on as what the sensor delivered. Beside ``NAME.csv`` an optional ``NAME.yaml`` holds
``vehicle``, ``source``, ``notes`` and ``events: [{kind, wheel, start_s, end_s}]``.
"""

from slipguard.recording.columns import STANDARD as STANDARD_COLUMNS
from slipguard.recording.labels import Event, Labels, labels_path, load_labels, save_labels
from slipguard.recording.reader import Recording, Row, open_recording
from slipguard.recording.writer import TableWriter, Writer

__all__ = [
    "STANDARD_COLUMNS",
    "Event",
    "Labels",
    "Recording",
    "Row",
    "TableWriter",
    "Writer",
    "labels_path",
    "load_labels",
    "open_recording",
    "save_labels",
]
