"""The rover file: what is accepted, and that every refusal says where and what instead."""

from __future__ import annotations

import copy
import pickle
import re
from dataclasses import MISSING, fields

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

from slipguard import Config, ConfigError
from slipguard.config import settings_table
from slipguard.section import Section

MINIMAL = """\
rover: {mass_kg: 5.0, wheelbase_m: 0.36, track_m: 0.30, wheel_radius_m: 0.075, max_steer_deg: 25,
        steered: front, drive: open}
encoders: {counts_per_rev: 96, direction: quadrature}
imu: {accel_noise_mps2: 0.08, gyro_noise_radps: 0.004}
"""
VALUES = {
    "rover": {
        "mass_kg": 5.0,
        "wheelbase_m": 0.36,
        "track_m": 0.3,
        "wheel_radius_m": 0.075,
        "max_steer_deg": 25,
        "steered": "front",
        "drive": "open",
    },
    "encoders": {"counts_per_rev": 96, "direction": "quadrature"},
    "imu": {"accel_noise_mps2": 0.08, "gyro_noise_radps": 0.004},
}


def refusal(text: str) -> str:
    with pytest.raises(ConfigError) as caught:
        Config.parse(text, source="rover.yaml")
    return str(caught.value)


def with_mass(value: str) -> str:
    return MINIMAL.replace("mass_kg: 5.0", f"mass_kg: {value}")


def test_minimal_file_is_enough():
    """The keys promised to be enough are enough, and arrive as numbers in SI units."""
    config = Config.parse(MINIMAL)
    assert config.rover.mass_kg == 5.0
    assert config.rover.max_steer_deg == 25.0
    assert isinstance(config.rover.max_steer_deg, float)
    assert config.encoders.counts_per_rev == 96.0
    assert config.imu.rate_hz == 200.0
    assert dict(config.plugins) == {}


def test_rovers_that_report_wheel_speeds_need_no_counts():
    """`encoders: {kind: speed}` stands alone, as promised."""
    text = MINIMAL.replace("{counts_per_rev: 96, direction: quadrature}", "{kind: speed}")
    assert Config.parse(text).encoders.kind == "speed"


def test_load_reads_a_file_and_names_it_in_errors(tmp_path):
    """An error leads to the file on disk, not to a nameless text."""
    path = tmp_path / "my rover.yaml"
    path.write_text(MINIMAL, encoding="utf-8")
    assert Config.load(path) == Config.parse(MINIMAL)
    assert Config.load(str(path)) == Config.parse(MINIMAL)
    path.write_text(with_mass("heavy"), encoding="utf-8")
    with pytest.raises(ConfigError, match=re.escape(f"{path}:1: rover.mass_kg: found 'heavy'")):
        Config.load(path)


def test_byte_order_mark_and_windows_line_ends_are_read():
    """Files written by Windows editors load."""
    assert Config.parse("\ufeff" + MINIMAL.replace("\n", "\r\n")) == Config.parse(MINIMAL)


@pytest.mark.parametrize("name", ["missing.yaml", ".", "nul\0.yaml"])
def test_unreadable_path_is_one_clear_error(tmp_path, name):
    """A missing file, a directory and an impossible name are ConfigErrors, not tracebacks."""
    with pytest.raises(ConfigError, match="cannot read the rover file"):
        Config.load(tmp_path / name)


def test_file_that_is_not_utf8_names_the_line(tmp_path):
    """A file in another encoding is refused with the line to look at."""
    path = tmp_path / "rover.yaml"
    path.write_bytes(MINIMAL.encode() + b"# caf\xe9\n")
    with pytest.raises(ConfigError, match=r"rover\.yaml:5: not UTF-8 text: found byte 0xe9"):
        Config.load(path)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "rover.yaml:1: empty; expected sections rover, encoders and imu"),
        ("# nothing\n", "rover.yaml:1: empty; expected sections rover, encoders and imu"),
        ("5 kg", "rover.yaml:1: top level: found '5 kg', expected a section of keys"),
        ("- rover\n", "rover.yaml:1: top level: found ['rover'], expected a section of keys"),
        (
            MINIMAL.replace("imu:", "imuu:"),
            "rover.yaml:4: imuu: unknown key; did you mean 'imu'?",
        ),
        (
            MINIMAL + "wings: {}\n",
            "rover.yaml:5: wings: unknown key; known: rover, encoders, imu,",
        ),
        (
            MINIMAL.replace("accel_noise_mps2", "accel_noise"),
            "rover.yaml:4: imu.accel_noise: unknown key; did you mean 'accel_noise_mps2'?",
        ),
        (
            MINIMAL.replace("imu:", "# imu:"),
            "rover.yaml:1: imu: missing; this section must be given",
        ),
        (
            MINIMAL.replace("        steered: front, drive: open}", "        drive: open}"),
            "rover.yaml:1: rover.steered: missing; expected one of front, rear, both, skid: which",
        ),
        (
            MINIMAL.replace("counts_per_rev: 96, ", ""),
            "rover.yaml:3: encoders.counts_per_rev: missing; expected counts per wheel revolution",
        ),
        (
            MINIMAL.replace("steered: front", "steered: frnt"),
            "rover.yaml:2: rover.steered: found 'frnt', expected one of front, rear, both, skid; "
            "did you mean 'front'?",
        ),
        (
            MINIMAL.replace("steered: front", "steered: no"),
            "rover.yaml:2: rover.steered: found False, expected one of front, rear, both, skid",
        ),
        (
            MINIMAL.replace("imu: {", "imu: {position_m: [1, 2], "),
            "rover.yaml:4: imu.position_m: found [1, 2], expected three numbers",
        ),
        (
            MINIMAL.replace("imu: {", "imu: {position_m: [1, 2, .nan], "),
            "rover.yaml:4: imu.position_m: found [1, 2, nan], expected three numbers",
        ),
        (
            MINIMAL.replace("imu: {", "imu: {delay_s: 3, "),
            "rover.yaml:4: imu.delay_s: found 3, expected a number from 0 to 0.25 s",
        ),
        (
            MINIMAL.replace("imu: {", "imu: {rate_hz: 0, "),
            "rover.yaml:4: imu.rate_hz: found 0, expected a number above 0 up to 10000 Hz",
        ),
        (
            MINIMAL + "limits: {link_timeout_s: 86400}\n",
            "rover.yaml:5: limits.link_timeout_s: found 86400, expected a number above 0 up to "
            "10 s",
        ),
        (
            MINIMAL + "limits: {link_timeout_s: 10.1}\n",
            "rover.yaml:5: limits.link_timeout_s: found 10.1, expected a number above 0 up to 10",
        ),
        (
            MINIMAL.replace("encoders: {", "encoders: {speed_noise_radps: 1e-12, "),
            "encoders.speed_noise_radps: found 1e-12, expected a number of at least 0.0001 rad/s",
        ),
        (
            MINIMAL + "brakes: 4\n",
            "rover.yaml:5: brakes: found 4, expected a section of keys",
        ),
        (
            MINIMAL + "imu: {accel_noise_mps2: 0.08, gyro_noise_radps: 0.004}\n",
            "rover.yaml:5: imu: given twice",
        ),
        (
            MINIMAL.replace("wheel_radius_m: 0.075, ", ""),
            "rover.yaml:1: rover.wheel_radius_m: missing; expected a number above 0 up to 2 m: "
            "rolling radius under load",
        ),
        (
            with_mass("8,0"),
            "rover.yaml:1: rover.0: unknown key; if it is the end of a number, write a decimal "
            "point: 8.0",
        ),
        (
            MINIMAL + "brakes:\n  lag_s: 0,06\n",
            "rover.yaml:6: brakes.lag_s: found '0,06', expected a number of at least 0 s; with a "
            "decimal point: 0.06",
        ),
        (
            MINIMAL.replace("mass_kg: 5.0", "mass_kg:5.0"),
            "rover.yaml:1: rover.mass_kg:5.0: unknown key; after a colon there must be a blank",
        ),
        (
            MINIMAL + "brakes:\n  lag_s:0.06\n  slew_per_s: 12\n",
            "rover.yaml:6: not valid YAML: after a colon there must be a blank",
        ),
        (
            MINIMAL + "brakes:\n  slew_per_s: 12\n  lag_s:0.06\n",
            "rover.yaml:7: not valid YAML: after a colon there must be a blank",
        ),
        (
            MINIMAL + "spin: {slip_ratio: 2}\n",
            "rover.yaml:5: spin.slip_ratio: found 2, expected a number from 0 to 1",
        ),
        (
            "- rover: {mass_kg: 5.0}\n",
            "rover.yaml:1: top level: found [{'rover': {...}}], expected a section of",
        ),
        (
            with_mass("5.0, mass_kg: 6.0"),
            "rover.yaml:1: rover.mass_kg: given twice",
        ),
        (
            MINIMAL + "plugins:\n  horn:\n    pin: 3\n    pin: 4\n",
            "rover.yaml:8: plugins.horn.pin: given twice",
        ),
        (
            MINIMAL + "? [a, b]\n: 1\n",
            "rover.yaml:5: expected a plain word as the key",
        ),
        (MINIMAL + "rover: {\n", "not valid YAML"),
        (MINIMAL + "\tx: 1\n", "that cannot start any token; indent with blanks"),
        (MINIMAL + "# \0\n", "rover.yaml:5: not valid YAML: character U+0000 is not allowed"),
        (MINIMAL + "---\na: 1\n", "rover.yaml:5: not valid YAML"),
        (MINIMAL + "sim: " + "[" * 5000, "not valid YAML: nested too deeply"),
        (MINIMAL + "sim: " + "{a: " * 2000, "not valid YAML: nested too deeply"),
        (with_mass("&m [*m]"), "rover.yaml:1: "),
        (MINIMAL + "plugins: &p {a: *p}\n", "rover.yaml:5: "),
    ],
)
def test_each_mistake_names_file_line_key_found_and_expected(text, message):
    """The builder sees where the mistake is and what to write instead, on one line."""
    found = refusal(text)
    assert message in found
    assert not found.endswith("-")
    assert "\n" not in found
    assert re.match(r"rover\.yaml:\d+: ", found)


@pytest.mark.parametrize(
    "value",
    [
        ".nan",
        ".inf",
        "-.inf",
        "true",
        "null",
        "0",
        "-5",
        "'5'",
        "five",
        "[5]",
        "{a: 5}",
        "1e400",
        "9" * 400,
        "9" * 5000,
        "2020-13-45",
        "2020-01-01",
        '"\\U00110000"',
        "!!int ''",
        "!!bool maybe",
        "!!timestamp soon",
        "!!float abc",
        "!!binary x",
        "!!python/object:os.system x",
        "!!set {a}",
        "!!omap [a]",
    ],
)
def test_no_other_value_passes_for_a_mass(value):
    """NaN, infinities, booleans, text, dates, tags and huge numbers are not a mass."""
    found = refusal(with_mass(value))
    assert re.match(r"rover\.yaml:1: ", found)
    assert "\n" not in found
    assert len(found) < 300


@pytest.mark.parametrize(("text", "kg"), [("5e0", 5.0), ("5E+0", 5.0), ("50.e-1", 5.0), ("5", 5.0)])
def test_numbers_are_read_as_everybody_writes_them(text, kg):
    """`5e0` is a number: YAML 1.2, section 10.3.2 (YAML 1.1 and PyYAML take it for text)."""
    assert Config.parse(with_mass(text)).rover.mass_kg == kg


def test_alias_bomb_is_refused_without_building_it():
    """A short text that means a billion values costs nothing ("billion laughs")."""
    lines = ["plugins:", "  a: &a0 [1, 2]"]
    lines += [f"  b{i}: &a{i} [{', '.join([f'*a{i - 1}'] * 10)}]" for i in range(1, 10)]
    found = refusal(MINIMAL + "\n".join(lines) + "\n")
    assert "more than" in found
    assert len(found) < 300


def test_anchors_and_merges_work():
    """Anchors, aliases and merge keys are YAML: plugins of one make can share settings."""
    text = MINIMAL + (
        "plugins:\n  left: &servo {pin: 3, rate_hz: 50}\n  right:\n    <<: *servo\n    pin: 4\n"
    )
    plugins = Config.parse(text).plugins
    assert dict(plugins["left"]) == {"pin": 3, "rate_hz": 50}
    assert dict(plugins["right"]) == {"pin": 4, "rate_hz": 50}


def test_optional_section_left_empty_means_its_defaults():
    """`brakes:` with every line below it commented out is not an error."""
    assert Config.parse(MINIMAL + "brakes:\n") == Config.parse(MINIMAL)


def test_plugin_sections_keep_their_lines():
    """A plugin can report its own mistakes with file, line and key."""
    config = Config.parse(MINIMAL + "plugins:\n  horn:\n    pin: 3\n", source="rover.yaml")
    horn = config.plugins["horn"]
    assert isinstance(horn, Section)
    assert str(horn.error("pin", "no")) == "rover.yaml:7: plugins.horn.pin: no"


def test_config_travels_to_other_processes():
    """Tuning sends a Config to worker processes: it pickles and copies, plugins included."""
    config = Config.parse(MINIMAL + "plugins: {horn: {pin: 3}}\nsim: {seed: 1}\n")
    assert pickle.loads(pickle.dumps(config)) == config
    assert copy.deepcopy(config) == config


def test_with_changes_replaces_and_checks():
    """A setting changed in code is converted and checked like one read from a file."""
    config = Config.parse(MINIMAL)
    changed = config.with_changes(rover__mass_kg=6, imu__position_m=[0, 0, 1])
    assert changed.rover.mass_kg == 6.0
    assert isinstance(changed.rover.mass_kg, float)
    assert changed.imu.position_m == (0.0, 0.0, 1.0)
    assert config.rover.mass_kg == 5.0
    assert config.with_changes() == config


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"rover__mass_kg": float("nan")}, "rover.mass_kg: found nan, expected a number above 0"),
        ({"rover__mass_kg": True}, "rover.mass_kg: found True, expected a number above 0"),
        ({"rover__mas_kg": 1}, "rover.mas_kg: unknown key; did you mean 'mass_kg'?"),
        ({"rover__max_steer_deg": 5e-324}, "rover.max_steer_deg: found 5e-324, expected a number"),
        ({"limits__max_speed_mps": 1e200}, "limits.max_speed_mps: found 1e+200, expected a number"),
        ({"imu__position_m": [0, 0, 1e200]}, "imu.position_m: found [0, 0, 1e+200], expected thr"),
        ({"rovr__mass_kg": 1}, "rovr: unknown section; did you mean 'rover'?"),
        ({"rover": 1}, "rover.: unknown key"),
        ({"plugins__horn": 1}, "plugins: unknown section"),
        ({"encoders__counts_per_rev": None}, "encoders.counts_per_rev: missing"),
    ],
)
def test_with_changes_refuses_what_a_file_may_not_say(changes, message):
    """A typing error in a tuning script is a ConfigError that names the setting."""
    with pytest.raises(ConfigError, match=re.escape(message)):
        Config.parse(MINIMAL).with_changes(**changes)


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        (
            "mass_kg: 5.0",
            "mass_kg: 8000",
            "1: rover.mass_kg: found 8000, expected a number above 0",
        ),
        (
            "max_steer_deg: 25",
            "max_steer_deg: 0.43",
            "1: rover.max_steer_deg: found 0.43, expected a number from 2 to 80 deg; 0.43 rad "
            "would be 24.6 deg",
        ),
        (
            "wheel_radius_m: 0.075",
            "wheel_radius_m: 0.25",
            "1: rover.wheel_radius_m: found 0.25, expected at most half of rover.wheelbase_m, "
            "which is 0.36 m",
        ),
        (
            "accel_noise_mps2: 0.08",
            "accel_noise_mps2: 80",
            "4: imu.accel_noise_mps2: found 80, expected a number above 0 up to 10 m/s2",
        ),
        (
            "gyro_noise_radps: 0.004",
            "gyro_noise_radps: 4",
            "4: imu.gyro_noise_radps: found 4, expected a number above 0 up to 1 rad/s",
        ),
        (
            "drive: open}",
            "drive: open, top_speed_mps: 500}",
            "2: rover.top_speed_mps: found 500, expected a number above 0 up to 50 m/s",
        ),
        (
            "imu:",
            "limits: {max_speed_mps: 500, traction_brake_max_speed_mps: 51}\nimu:",
            "4: limits.max_speed_mps: found 500, expected a number above 0 up to 50 m/s\n"
            "rover.yaml:4: limits.traction_brake_max_speed_mps: found 51, expected a number from 0",
        ),
    ],
)
def test_a_value_in_other_units_is_noticed(old, new, message):
    """Grams, mg, radians, a diameter, km/h: none is taken for what it cannot be."""
    assert f"rover.yaml:{message}" in refusal(MINIMAL.replace(old, new))


@pytest.mark.parametrize(
    ("old", "new", "hint"),
    [
        (
            "wheelbase_m: 0.36",
            "wheelbase_m: 410",
            "; 410 mm would be 0.41 m, 410 cm would be 4.1 m",
        ),
        ("wheelbase_m: 0.36", "wheelbase_m: 36", "36 mm would be 0.036 m, 36 cm would be 0.36 m"),
        ("mass_kg: 5.0", "mass_kg: 5200", "up to 3000 kg; 5200 g would be 5.2 kg"),
        ("wheelbase_m: 0.36", "wheelbase_m: 4e7", "up to 10 m"),
        ("max_steer_deg: 25", "max_steer_deg: 250", "from 0 to 80 deg"),
    ],
)
def test_a_number_of_a_smaller_unit_is_said_in_the_right_one(old, new, hint):
    """Drawings are in millimetres, tapes in centimetres: the number to write stands in the
    message, where it is one."""
    assert refusal(MINIMAL.replace(old, new)).splitlines()[0].endswith(hint)


def test_a_decimal_comma_between_braces_is_put_right():
    """YAML takes the end of the number for a key: the number meant stands in the message."""
    assert "rover.1: unknown key; if it is the end of a number, write a decimal point: 4.1" in (
        refusal(MINIMAL.replace("mass_kg: 5.0", "mass_kg: 4,1"))
    )


def test_none_as_the_settings_table_prints_it():
    """Whoever copies it from there is understood; where it cannot be none, it is refused."""
    text = MINIMAL + "limits: {max_speed_mps: none}\n"
    assert Config.parse(text).limits.max_speed_mps is None
    assert "mass_kg: found 'none'" in refusal(MINIMAL.replace("mass_kg: 5.0", "mass_kg: none"))


def test_skid_steering_needs_no_steer_angle():
    """It has none; wherever an axle steers the angle must be given. Whoever gives one for skid
    steering is not refused."""
    without = MINIMAL.replace(" max_steer_deg: 25,", "")
    skid = Config.parse(without.replace("steered: front", "steered: skid"))
    assert skid.rover.max_steer_deg == 0.0
    assert Config.parse(MINIMAL.replace("steered: front", "steered: skid")).rover.steered == "skid"
    message = "rover.max_steer_deg: missing; expected a number from 2 to 80 deg: the steer angle"
    for steered in ("front", "rear", "both"):
        found = refusal(without.replace("steered: front", f"steered: {steered}"))
        assert found.startswith(f"rover.yaml:1: {message}")
        with pytest.raises(ConfigError, match=f"^{message}"):
            skid.with_changes(rover__steered=steered)


def test_settings_table_covers_every_setting_and_its_defaults_are_valid():
    """The one table of settings is complete, has units and meanings, and obeys its own limits."""
    config = Config.parse(MINIMAL)
    rows = list(settings_table())
    carried = ("plugins", "live", "sim", "hardware", "calibration")
    sections = [f.name for f in fields(Config) if f.name not in carried]
    keys = [(name, f.name) for name in sections for f in fields(getattr(config, name))]
    assert [(row.section, row.key) for row in rows] == keys
    for row in rows:
        assert row.doc, row
        # Required for counts, and where an axle steers.
        if row.default is not MISSING and row.key not in ("counts_per_rev", "max_steer_deg"):
            config.with_changes(**{f"{row.section}__{row.key}": row.default})
        value = getattr(getattr(config, row.section), row.key)
        assert row.unit or not isinstance(value, float), f"{row.section}.{row.key} has no unit"


def test_required_settings_are_the_promised_ones():
    """No further setting ever becomes required: the documented minimal file stays enough."""
    required = {(r.section, r.key) for r in settings_table() if r.default is MISSING}
    promised = {(section, key) for section, keys in VALUES.items() for key in keys}
    assert required <= promised


def test_every_mistake_is_told_at_once():
    """Nobody mends a file one run at a time. A misspelt key is not told as a missing one too, and
    a file that is another's altogether does not fill the screen."""
    text = (
        "rover: {mass_kg: -5, wheelbase_m: 0.36, track_m: 0.3, wheel_radius: 0.075,\n"
        "        max_steer_deg: 25, steered: frnt, drive: open}\n"
        "encoders: {counts_per_rev: few}\n"
        "imuu: {accel_noise_mps2: 0.08}\n"
    )
    with pytest.raises(ConfigError) as caught:
        Config.parse(text, source="rover.yaml")
    assert [line[:40] for line in str(caught.value).splitlines()] == [
        "rover.yaml:4: imuu: unknown key; did you",
        "rover.yaml:1: rover.wheel_radius: unknow",
        "rover.yaml:1: rover.mass_kg: found -5, e",
        "rover.yaml:2: rover.steered: found 'frnt",
        "rover.yaml:3: encoders.counts_per_rev: f",
    ]
    with pytest.raises(ConfigError) as caught:
        Config.parse("".join(f"x{n}: 1\n" for n in range(50)), source="rover.yaml")
    assert str(caught.value).splitlines()[20:] == ["... and 30 more"]


# Words the loader knows, with traps, so that random documents get past the first check.
WORDS = st.sampled_from(
    ["rover", "encoders", "imu", "brakes", "plugins", "sim", "mass_kg", "track_m", "kind", "<<"]
)
SCALARS = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(),
    st.integers(min_value=10**300, max_value=10**320),
    st.floats(),
    st.text(max_size=8),
    st.dates(),
    st.binary(max_size=4),
    st.sampled_from(["front", "skid", "open", "quadrature", "counts", "speed"]),
)
DOCUMENTS = st.recursive(
    SCALARS,
    lambda inner: st.one_of(
        st.lists(inner, max_size=3),
        st.dictionaries(st.one_of(WORDS, st.text(max_size=4), st.integers()), inner, max_size=4),
    ),
    max_leaves=12,
)


def outcome(text: str) -> Config | str:
    try:
        return Config.parse(text, source="rover.yaml")
    except ConfigError as err:
        return str(err)


def is_total(text: str) -> None:
    found = outcome(text)
    if isinstance(found, Config):
        assert found.rover.mass_kg > 0
    else:
        for line in found.splitlines():
            assert re.match(r"rover\.yaml:\d+: |\.\.\. and \d+ more$", line)
            assert len(line) < 1000


@given(st.text())
def test_any_text_gives_a_config_or_a_config_error(text):
    """Whatever is in the file, the loader answers with a Config or a located ConfigError."""
    is_total(text)
    is_total(MINIMAL + text)


@given(st.text(alphabet="{}[]:,-?!&*<|>%@`'\"\\\n\t #aZ09.~=_U", max_size=60))
def test_any_yaml_punctuation_gives_a_config_or_a_config_error(text):
    """The same for texts made of what YAML gives a meaning to."""
    is_total(text)
    is_total(MINIMAL.replace("5.0", text))
    is_total(f"{MINIMAL}plugins: {text}")


@given(DOCUMENTS)
def test_any_document_gives_a_config_or_a_config_error(document):
    """The same for any valid YAML document, right and wrong types in every place."""
    is_total(yaml.safe_dump(document))
    is_total(yaml.safe_dump({**VALUES, "rover": document}))
    is_total(yaml.safe_dump({**VALUES, "plugins": document, "sim": document}))


@given(st.dictionaries(st.sampled_from(sorted(VALUES["rover"])), SCALARS, min_size=1))
def test_wrong_values_name_their_own_key(changes):
    """An error about one value names the key of a value that was changed, never another."""
    text = yaml.safe_dump({**VALUES, "rover": {**VALUES["rover"], **changes}})
    found = outcome(text)
    if not isinstance(found, Config):
        key = re.match(r"rover\.yaml:\d+: rover\.(\w+): ", found)
        assert key, found
        assert key[1] in changes, found


@given(
    st.floats(min_value=1e-6, max_value=200),
    st.floats(min_value=2, max_value=80).flatmap(
        lambda deg: st.tuples(st.just(deg), st.sampled_from(["front", "rear", "both", "skid"]))
    )
    | st.tuples(st.just(0.0) | st.floats(min_value=1e-12, max_value=80), st.just("skid")),
)
def test_every_valid_value_arrives_exactly(mass_kg, steering):
    """What is written is what the rover gets, to the last bit."""
    steer_deg, steered = steering
    changed = {"mass_kg": mass_kg, "max_steer_deg": steer_deg, "steered": steered}
    rover = Config.parse(yaml.safe_dump({**VALUES, "rover": {**VALUES["rover"], **changed}})).rover
    assert (rover.mass_kg, rover.max_steer_deg, rover.steered) == (mass_kg, steer_deg, steered)
