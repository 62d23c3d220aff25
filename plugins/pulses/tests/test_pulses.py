"""Pulses: what the board's registers and the pins show."""

from __future__ import annotations

import pytest
from gpiozero import Device
from gpiozero.pins.mock import MockFactory, MockPWMPin
from hypothesis import given
from hypothesis import strategies as st
from slipguard_pulses import PulseSettings, Slew, make_outputs
from slipguard_pulses.board import BoardOutputs, prescale
from slipguard_pulses.fake_board import FakeBoard
from slipguard_pulses.gpio import GpioOutputs

from slipguard import PluginError
from slipguard.section import Section
from slipguard.testing import serve_i2c


@pytest.fixture
def board():
    return FakeBoard()


@pytest.fixture
def outputs(board):
    return BoardOutputs(PulseSettings(), make_bus=lambda number: board, sleep=lambda s: None)


def test_through_the_real_bus_library(monkeypatch, board):
    """What smbus2 makes of our calls is what the chip must be told."""
    serve_i2c(monkeypatch, board)
    outputs = make_outputs(PulseSettings())
    outputs.open({3: 1500.0})
    assert board.pulse_us(3) == pytest.approx(1500, abs=3)
    outputs.set_us({3: 1900.0})
    assert board.pulse_us(3) == pytest.approx(1900, abs=3)
    outputs.set_us({3: None})
    assert board.pulse_us(3) is None
    board.broken = True
    with pytest.raises(OSError, match="Remote I/O error"):
        outputs.set_us({3: 1900.0})
    outputs.close()


def test_the_divider_is_that_of_the_datasheet():
    """NXP PCA9685 datasheet, 7.3.5: 200 Hz from 25 MHz is 30 (from memory)."""
    assert prescale(25e6, 200) == 30


@pytest.mark.parametrize("frame_hz", [40, 50, 60, 100, 200, 330])
@pytest.mark.parametrize("pulse_us", [1000, 1234, 1500, 2000])
def test_the_board_makes_the_pulse_it_was_asked_for(board, frame_hz, pulse_us):
    """Width within half a step of the chip, rate within the rounding of its divider."""
    settings = PulseSettings(frame_hz=frame_hz)
    outputs = BoardOutputs(settings, make_bus=lambda number: board, sleep=lambda s: None)
    outputs.open({3: pulse_us})
    step_us = 1e6 / board.frame_hz() / 4096
    assert board.pulse_us(3) == pytest.approx(pulse_us, abs=step_us / 2 + 1e-9)
    assert board.frame_hz() == pytest.approx(frame_hz, rel=0.03)


def test_nothing_else_comes_out_while_it_is_set_up(board, outputs):
    """The first pulse is the right one, and outputs that are not used stay silent."""
    seen = []
    write = board.write_byte_data

    def watched(*arguments):
        write(*arguments)
        seen.append(board.pulse_us(0))

    board.write_byte_data = watched
    outputs.open({0: 1700})
    assert {round(us) for us in seen if us is not None} == {1698}
    assert board.pulse_us(1) is None


def test_a_board_that_holds_is_not_stopped_by_a_restart(board, outputs):
    """After a crash the brakes stay on while the program starts again."""
    outputs.open({0: 1900})
    slept = board.slept
    again = BoardOutputs(PulseSettings(), make_bus=lambda number: board, sleep=lambda s: None)
    again.open({0: 1900})
    assert board.slept == slept
    assert board.pulse_us(0) == pytest.approx(1900, abs=3)


def test_a_board_that_lost_its_power_is_set_up_again(board, outputs):
    """A brown-out makes servos limp; the next command brings all of them back, and is counted."""
    outputs.open({0: 1100, 1: 1900})
    board.power_cycle()
    assert board.pulse_us(1) is None
    outputs.set_us({0: 1200})
    assert board.pulse_us(0) == pytest.approx(1200, abs=3)
    assert board.pulse_us(1) == pytest.approx(1900, abs=3)
    assert outputs.resets == 1


def test_only_what_changed_is_written(board, outputs):
    """The bus is slow: four servos at 100 kHz must fit into the deadline."""
    outputs.open({0: 1100, 1: 1100})
    before = board.writes
    outputs.set_us({0: 1100, 1: 1100})
    assert board.writes == before
    outputs.set_us({0: 1100, 1: 1200})
    assert board.writes == before + 1


def test_what_did_not_arrive_is_sent_again(board, outputs):
    """After a fault of the bus the hardware shows what was last asked for."""
    outputs.open({0: 1100})
    write = board.write_i2c_block_data
    board.write_i2c_block_data = lambda *a: (_ for _ in ()).throw(OSError(121, "no"))
    with pytest.raises(OSError, match="no"):
        outputs.set_us({0: 1900})
    board.write_i2c_block_data = write
    outputs.set_us({0: 1900})
    assert board.pulse_us(0) == pytest.approx(1900, abs=3)


def test_a_board_that_is_gone_is_an_error_even_when_nothing_changed(board, outputs):
    """A pulled plug is noticed at the next command."""
    outputs.open({0: 1100})
    board.broken = True
    with pytest.raises(OSError, match="Remote I/O"):
        outputs.set_us({0: 1100})


def test_none_stops_the_pulses_and_close_does_not(board, outputs):
    """Close leaves the board holding; None is for servos that may rest."""
    outputs.open({0: 1900, 1: 1900})
    outputs.set_us({0: None})
    assert board.pulse_us(0) is None
    outputs.close()
    assert board.closed
    assert board.pulse_us(1) == pytest.approx(1900, abs=3)


@pytest.fixture
def pins():
    before = Device.pin_factory
    Device.pin_factory = MockFactory(pin_class=MockPWMPin)
    yield Device.pin_factory
    Device.pin_factory.reset()
    Device.pin_factory = before


def test_pins_show_the_duty_cycle_of_the_pulse(pins):
    """1500 us at 50 Hz is 7.5 % on; None is silence; close ends it."""
    outputs = GpioOutputs(PulseSettings(driver="gpio"))
    outputs.open({17: 1500})
    pin = pins.pin(17)
    assert pin.frequency == 50
    assert pin.state == pytest.approx(0.075)
    outputs.set_us({17: 2000})
    assert pin.state == pytest.approx(0.1)
    outputs.set_us({17: None})
    assert pin.state == 0.0
    outputs.close()
    assert pin.frequency is None
    outputs.close()


class Daemon(MockFactory):
    """Looks like gpiozero's client of the pigpio daemon."""


Daemon.__module__ = "gpiozero.pins.pigpio"


def test_pulses_that_outlive_the_program_are_never_a_surprise(pins, monkeypatch):
    """The daemon's pulses go on after kill -9: the arming rule must know before the motor turns."""
    monkeypatch.delenv("GPIOZERO_PIN_FACTORY", raising=False)
    Device.pin_factory = Daemon(pin_class=MockPWMPin)
    outputs = GpioOutputs(PulseSettings(driver="gpio"))
    assert outputs.when_silent.does == "releases"
    with pytest.raises(PluginError, match="set GPIOZERO_PIN_FACTORY to pigpio"):
        outputs.open({17: 1500})
    monkeypatch.setenv("GPIOZERO_PIN_FACTORY", "pigpio")
    chosen = GpioOutputs(PulseSettings(driver="gpio"))
    assert chosen.when_silent.does == "holds_last"
    chosen.open({17: 1500})
    chosen.close()


def test_the_driver_is_chosen_by_the_settings():
    """And says what a killed program leaves behind."""
    assert make_outputs(PulseSettings()).when_silent.does == "holds_last"
    assert make_outputs(PulseSettings(driver="gpio")).when_silent.does == "releases"


def test_a_frame_rate_without_room_for_the_pulse_is_refused():
    """2000 us pulses do not fit into frames of 2 ms."""
    with pytest.raises(ValueError, match=r"pulses\.frame_hz: found 500, expected a whole number "
                                         "from 40 to 330 Hz"):  # fmt: skip
        Section({"frame_hz": 500}, path="pulses").read(PulseSettings)


@given(st.lists(st.tuples(st.floats(0, 1), st.floats(-1e12, 1e12)), min_size=1, max_size=50))
def test_motion_is_never_faster_than_its_limit(steps):
    """Whatever time does, one step moves no more than a tenth of a second may."""
    slew = Slew(0.5, per_s=3.0)
    last = 0.5
    for target, t_s in steps:
        value = slew.step(target, t_s)
        assert abs(value - last) <= 0.3 + 1e-9
        assert min(last, target) - 1e-9 <= value <= max(last, target) + 1e-9
        last = value


def test_motion_at_a_steady_rate_is_as_fast_as_its_limit():
    """3 units a second for half a second is 1.5 units."""
    slew = Slew(0.0, per_s=3.0)
    for i in range(51):
        slew.step(100.0, i * 0.01)
    assert slew.value == pytest.approx(1.5)
