"""Settings of plugins: every type a plugin may declare is read, checked and told with its place."""

from __future__ import annotations

from dataclasses import dataclass

import pytest

from slipguard import ConfigError
from slipguard.plugin import setting
from slipguard.section import load_section


@dataclass(frozen=True, slots=True, kw_only=True)
class Servo:
    """Settings of one servo."""

    pin: int = setting(low=0, high=27, doc="GPIO number")
    gain: float = setting(1.0, unit="-", above=0, high=2, doc="gain")


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """One of everything."""

    name: str = setting("x", doc="any text")
    mode: str = setting("slow", choices=("slow", "fast"), doc="how")
    count: int | None = setting(None, low=1, doc="how many")
    levels: tuple[float, ...] = setting((0.0, 1.0), unit="-", low=0, high=1, doc="levels")
    servo: Servo = setting(Servo(pin=3), doc="the servo")
    spare: Servo | None = setting(None, doc="another servo")
    servos: dict[str, Servo] | None = setting(None, choices=("fl", "fr"), doc="servos by wheel")
    words: dict[str, str] | None = setting(None, choices=("fl", "fr"), doc="names by wheel")
    position_m: tuple[float, float, float] = setting((0.0, 0.0, 0.0), unit="m", doc="where")

    def __post_init__(self):
        if self.mode == "fast" and self.count is None:
            raise ValueError("count: missing; mode fast needs it")
        if self.name == "rubbish":
            raise ValueError("this cannot be: never")


def read(text):
    return load_section(f"a:\n{text}", "f.yaml").section("a").read(Settings)


def test_everything_given():
    """Nested settings, settings by wheel, lists and optional ones come out as their types."""
    found = read(
        """
  name: "007"
  mode: fast
  count: 2
  levels: [0, 0.5, 1]
  servo: {pin: 5}
  spare: {pin: 6, gain: 2}
  servos: {fr: {pin: 7}}
  words: {fl: left}
  position_m: [1, 2, 3]
"""
    )
    assert found == Settings(
        name="007",
        mode="fast",
        count=2,
        levels=(0.0, 0.5, 1.0),
        servo=Servo(pin=5),
        spare=Servo(pin=6, gain=2.0),
        servos={"fr": Servo(pin=7)},
        words={"fl": "left"},
        position_m=(1.0, 2.0, 3.0),
    )
    assert isinstance(found.spare.gain, float)


def test_nothing_given():
    """Every default holds; null is none where none is allowed."""
    assert read("") == Settings()
    assert read("  count: null\n  spare: ~\n  servos:\n") == Settings()


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("  name: 7", "f.yaml:2: a.name: found 7, expected a text, e.g. \"7\""),
        ("  count: 1.5", "f.yaml:2: a.count: found 1.5, expected a whole number of at least 1"),
        ("  count: true", "f.yaml:2: a.count: found True, expected a whole number"),
        ("  levels: 1", "f.yaml:2: a.levels: found 1, expected a list"),
        ("  levels:\n    - 0\n    - 2", "f.yaml:2: a.levels: found 2, expected a number from 0"),
        ("  servo: {}", "f.yaml:2: a.servo.pin: missing; expected a whole number from 0 to 27: "
                        "GPIO number"),
        ("\n  servo:\n    gain: 1\n    pin: 28", "f.yaml:5: a.servo.pin: found 28, expected a "
                                                 "whole number from 0 to 27"),
        ("  servo: 3", "f.yaml:2: a.servo: found 3, expected a section of keys"),
        ("  servos: {rl: {pin: 1}}", "f.yaml:2: a.servos.rl: unknown key; known: fl, fr"),
        ("  servos: {fl: {pin: x}}", "f.yaml:2: a.servos.fl.pin: found 'x', expected a whole"),
        ("  servos: {fl: {pin: 1, pin: 2}}", "f.yaml:2: a.servos.fl.pin: given twice"),
        ("  words: {fl: 3}", "f.yaml:2: a.words.fl: found 3, expected a text"),
        ("  position_m: [1, 2]", "f.yaml:2: a.position_m: found [1, 2], expected three numbers"),
        ("  mode: fast", "f.yaml:2: a.count: missing; mode fast needs it"),
        ("  mode: fats", "f.yaml:2: a.mode: found 'fats', expected one of slow, fast; did you "
                         "mean 'fast'?"),
        ("  name: rubbish", "a: this cannot be: never"),
        ("  nmae: x", "f.yaml:2: a.nmae: unknown key; did you mean 'name'?"),
    ],
)  # fmt: skip
def test_every_mistake_is_told_with_its_place(text, said):
    """File, line and dotted key, down to one servo of one wheel."""
    with pytest.raises(ConfigError) as caught:
        read(text)
    assert said in str(caught.value)
