"""pwm-brake: slipguard's conformance kit, and what the kernel must be told."""

from __future__ import annotations

import pytest
from pwm_brake import KernelPwm, PwmBrake, Settings

from slipguard.testing import make_decision
from slipguard.testing.kit import ActuatorContract

SETTINGS = Settings(outputs={"fl": 0, "fr": 1, "rl": 2, "rr": 3})


class FakePwm:
    """Remembers the pulse of every output; fails when told to."""

    def __init__(self):
        self.duty_ns = {}
        self.broken = False

    def start(self, output, duty_ns):
        self.set(output, duty_ns)

    def set(self, output, duty_ns):
        if self.broken:
            raise OSError("no such output")
        self.duty_ns[output] = duty_ns


@pytest.fixture
def pwm():
    return FakePwm()


class TestPwmBrake(ActuatorContract):
    """Every test of the kit, on pretended outputs."""

    section = "pwm-brake: {outputs: {fl: 0, fr: 1, rl: 2, rr: 3}}"

    @pytest.fixture
    def actuator(self, pwm):
        return PwmBrake(SETTINGS, pwm=lambda chip: pwm)

    @pytest.fixture
    def outputs(self, pwm):
        return lambda: {
            f"brake.{wheel}": (pwm.duty_ns[output] - 1_100_000) / 800_000
            for wheel, output in SETTINGS.outputs.items()
        }

    @pytest.fixture
    def break_hardware(self, pwm):
        return lambda broken: setattr(pwm, "broken", broken)


def test_the_kernels_files_get_nanoseconds(tmp_path):
    """Half a brake between 1.1 and 1.9 ms is 1.5 ms: 1 500 000 ns of 20 000 000."""
    (tmp_path / "pwm2").mkdir()
    settings = Settings(outputs={"rl": 2}, chip=str(tmp_path))
    with PwmBrake(settings, pwm=KernelPwm) as brake:
        assert (tmp_path / "pwm2" / "duty_cycle").read_text() == "1900000\n"
        brake.apply(make_decision(brakes=(0.0, 0.0, 0.5, 0.0)))
        assert (tmp_path / "pwm2" / "duty_cycle").read_text() == "1500000\n"
        assert (tmp_path / "pwm2" / "period").read_text() == "20000000\n"
        assert (tmp_path / "pwm2" / "enable").read_text() == "1\n"
    assert (tmp_path / "pwm2" / "duty_cycle").read_text() == "1900000\n", "held at the end"


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"outputs": {}}, "outputs: found none"),
        ({"outputs": {"fl": 1, "fr": 1}}, "outputs: two wheels are on one output"),
        ({"outputs": {"fl": 1}, "full_us": 1100.0}, "full_us: found 1100"),
    ],
)
def test_settings_that_do_not_go_together(wrong, said):
    """Found on the desk, not on the slope."""
    with pytest.raises(ValueError, match=said):
        Settings(**wrong)
