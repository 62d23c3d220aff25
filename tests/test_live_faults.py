"""Every row of the fault table: what the rover does, and how soon."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest
from live_bench import CRUISE_MPS, FAULT_S, PERIOD_S, SILENT_S, Rig, broken, level
from live_faults import ROWS

HOME = Path(__file__).parent.parent
LIVE = HOME / "slipguard" / "live"


def documented(name):
    """A row of the README's table: found, throttle at zero, at rest (s), on the way (m), words."""
    for line in (HOME / "README.md").read_text(encoding="utf-8").splitlines():
        cells = [cell.strip() for cell in line.split("|")[1:-1]]
        if len(cells) == 6 and cells[0] == name:
            numbers = [None if c == "-" else float(c.split()[0]) for c in cells[1:5]]
            scaled = zip(numbers, (1e-3, 1e-3, 1.0, 1.0), strict=True)
            return [None if n is None else n * scale for n, scale in scaled], cells[5]
    pytest.fail(f"the README has no row {name!r}; python tests/live_faults.py prints the table")


@pytest.mark.large
@pytest.mark.parametrize("row", ROWS, ids=lambda row: row.name)
def test_fault(row):
    """Throttle at zero within two rounds of the fault being found; then a stop, and hold.

    And the README says so: its numbers are those measured here.
    """
    for name in ("can_brake", "mqtt_alert"):
        if name.replace("_", "-") in row.name:
            pytest.importorskip(f"slipguard_{name}", reason="install the plugin for this row")
    outcome = row.play()
    (found_s, zero_s, rest_s, way_m), does = documented(row.name)
    assert does == row.does
    assert outcome.throttle_zero_s == pytest.approx(zero_s, abs=2 * PERIOD_S)
    if not row.stops:
        assert outcome.throttle_zero_s is None
        assert outcome.end_mps == pytest.approx(CRUISE_MPS, abs=0.2)
        assert outcome.stopped_by == ()
        told = [text for text in outcome.alerts if text != "something to pass on"]
        assert row.silent or told, "nobody was told"
        return
    assert outcome.standstill_s is not None, "it still moves"
    assert outcome.seen_s is not None
    assert abs(outcome.end_mps) < 0.02
    assert outcome.seen_s == pytest.approx(found_s, abs=2 * PERIOD_S)
    assert outcome.standstill_s == pytest.approx(rest_s, abs=0.1)
    assert outcome.travel_m == pytest.approx(way_m, abs=0.1)
    if "plugin hangs" in row.name:  # one late answer may be chance, two rounds are a fault
        assert outcome.seen_s <= 2 * PERIOD_S
    if row.throttle_obeys:
        assert outcome.throttle_zero_s - outcome.seen_s <= 2 * PERIOD_S
    else:
        assert outcome.throttle_zero_s <= SILENT_S + 2 * PERIOD_S


def test_the_driver_is_told_in_words():
    """What is broken, whose it is, and what the rover does about it."""
    with Rig() as rig:
        outcome = rig.after(lambda: setattr(rig.front, "fault", broken("servo board gone")), 0.2)
    words = "brake.fl, brake.fr: plugin brake-0 (test-package 1.0): OSError: servo board gone"
    assert f"stopping: {words}" in outcome.alerts
    assert outcome.stopped_by == (words,)
    assert any(message.startswith("stopping: ") for message in rig.sink.messages)


def test_a_plugin_that_works_again_lets_nobody_drive_off_by_surprise():
    """The stick is still forward when the brake comes back: the rover waits for neutral."""
    stick = {"throttle": None}
    scenario = level()
    drive = scenario.operator

    def operator(t_s, truth):
        throttle, steer = drive(t_s, truth)
        return (throttle if stick["throttle"] is None else stick["throttle"]), steer

    with Rig(level(operator=operator)) as rig:
        rig.after(lambda: setattr(rig.front, "fault", broken()), 2.0)
        rig.front.fault = None
        rig.drive(rig.t_s + 3.0)
        assert not rig.rounds[-1].stopped_by
        assert {r.sent.throttle for r in rig.rounds[-300:]} == {0.0}
        stick["throttle"] = 0.0
        rig.drive(rig.t_s + 0.5)
        stick["throttle"] = None
        rig.drive(rig.t_s + 3.0)
        assert rig.rover.plant.truth().speed_mps > 1.0


def test_a_sensor_fault_stops_once_and_the_driver_may_go_on():
    """A rover whose IMU died must still be able to come home."""
    from slipguard.simulate.faults import ImuFault

    def operator(t_s, truth):
        return (0.25 if 0.8 < t_s < FAULT_S + 2.0 or t_s > FAULT_S + 3.0 else 0.0), 0.0

    fault = ImuFault(kind="missing", start_s=FAULT_S)
    with Rig(level(faults=(fault,), operator=operator)) as rig:
        rig.drive(FAULT_S + 2.0)
        assert abs(rig.rover.plant.truth().speed_mps) < 0.02
        rig.drive(FAULT_S + 5.0)
        assert rig.rover.plant.truth().speed_mps > 0.3
        kinds = {(f.kind, f.sensor) for f in rig.rounds[-1].sent.findings}
        assert ("sensor_fault", "imu") in kinds, "and it goes on saying so"


def test_which_faults_stop_is_the_builders_choice():
    """``live.stop_on_faults``: a rover on rough ground may go on when its IMU saturates."""
    from slipguard.simulate.faults import ImuFault

    fault = ImuFault(kind="saturated", start_s=FAULT_S, end_s=FAULT_S + 0.05)
    with Rig(level(faults=(fault,)), stop_on_faults=("encoder",)) as rig:
        outcome = rig.after(lambda: None, 1.0)
    assert outcome.throttle_zero_s is None
    assert outcome.stopped_by == ()


def test_no_time_but_the_monotonic_one_is_used():
    """The date may be set while the rover drives: it only ever names files."""
    used = {
        (path.name, node.attr)
        for path in LIVE.glob("*.py")
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Attribute)
        and isinstance(node.value, ast.Name)
        and node.value.id in ("time", "datetime", "date")
    }
    assert used <= {
        ("clock.py", "monotonic"),
        ("clock.py", "sleep"),
        ("loop.py", "monotonic"),
        ("recorder.py", "monotonic"),
        ("recorder.py", "strftime"),
    }
