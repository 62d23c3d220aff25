"""Alerts and state over MQTT, through a real broker."""

from __future__ import annotations

import math
import re
import shutil
import subprocess
import sys
import time
from pathlib import Path

import pytest
import yaml
from slipguard_mqtt_alert import MqttAlert, Settings, Tls

from slipguard import ConfigError, Finding
from slipguard.plugin.host import Host
from slipguard.plugin.outbox import Outbox
from slipguard.testing import make_alert, make_config, make_decision, make_estimate
from slipguard.testing.kit import AlertSinkContract


def wait_for(condition):
    """Until it is true; half a minute is for ever."""
    for _ in range(3000):
        if condition():
            return
        time.sleep(0.01)
    pytest.fail("waited in vain")


def connected(broker, **settings):
    sink = MqttAlert(Settings(host="127.0.0.1", port=broker.port, topic="r", **settings))
    sink.open()
    wait_for(lambda: sink.is_connected)
    return sink


class TestMqttAlert(AlertSinkContract):
    """The whole kit, through the broker."""

    section = "mqtt-alert: {host: 127.0.0.1}"

    @pytest.fixture
    def sink(self, broker):
        return MqttAlert(Settings(host="127.0.0.1", port=broker.port))

    @pytest.fixture
    def opened(self, sink):
        sink.open()
        wait_for(lambda: sink.is_connected)
        yield sink
        sink.close()


def test_an_alert_arrives_with_everything_in_it(broker, listen):
    """The pager has time, level, topic, wheel and sentence; it is not repeated to latecomers."""
    early = listen(broker)
    with connected(broker) as sink:
        sink.send(make_alert("Rad dreht durch 🛞", t_s=12.5))
        message, retained = early.next("r/alert")
        assert message == {
            "t_s": 12.5,
            "level": "warning",
            "topic": "wheel_spin",
            "wheel": "rl",
            "message": "Rad dreht durch 🛞",
        }
        assert not retained


def test_quieter_alerts_are_left_out(broker, listen):
    """least_level holds back what the pager is not for."""
    early = listen(broker)
    with connected(broker, least_level="critical") as sink:
        sink.send(make_alert("quiet", level="warning"))
        sink.send(make_alert("loud", level="critical"))
        assert early.next("r/alert")[0]["message"] == "loud"


def test_who_comes_later_sees_the_last_state_and_that_the_rover_is_there(broker, listen):
    """State and status are retained."""
    finding = Finding(
        kind="wheel_spin", wheel="fl", since_s=1.0, value=0.3, threshold=0.1, unit="m/s", detail="x"
    )
    estimate = make_estimate(2.0, speed_mps=0.5, grade_rad=math.nan)
    with connected(broker) as sink:
        sink.update(
            make_decision(
                2.0,
                brakes=(1.0, 0.0, 0.0, 0.0),
                throttle=0.3,
                findings=(finding,),
                estimate=estimate,
            )
        )
        first = listen(broker)
        late_status = first.next("r/status")
        assert late_status == ({"online": True}, True)
        late = listen(broker)
        state, retained = late.next("r/state")
    assert retained
    assert state["speed_mps"] == 0.5
    assert state["grade_rad"] is None
    assert state["brakes"] == [1.0, 0.0, 0.0, 0.0]
    assert state["hold"] == "off"
    assert state["findings"][0]["wheel"] == "fl"


def test_closing_says_offline(broker, listen):
    """A rover that was switched off is not shown as driving."""
    early = listen(broker)
    sink = connected(broker)
    assert early.next("r/status")[0] == {"online": True}
    sink.close()
    assert early.next("r/status")[0] == {"online": False}


def test_a_rover_that_dies_is_said_to_be_offline_by_the_broker(broker, listen):
    """kill -9: the last will speaks."""
    early = listen(broker)
    program = (
        "import time\nfrom slipguard_mqtt_alert import MqttAlert, Settings\n"
        f"sink = MqttAlert(Settings(host='127.0.0.1', port={broker.port}, topic='r'))\n"
        "sink.open()\ntime.sleep(600)\n"
    )
    rover = subprocess.Popen([sys.executable, "-c", program])
    try:
        assert early.next("r/status")[0] == {"online": True}
    finally:
        rover.kill()
        rover.wait(30)
    assert early.next("r/status")[0] == {"online": False}


def test_a_broker_that_is_away_does_not_hold_up_the_start(broker):
    """open returns, and sending says why it cannot."""
    broker.stop()
    sink = MqttAlert(Settings(host="127.0.0.1", port=broker.port))
    with sink:
        with pytest.raises(ConnectionError, match=rf"not connected to 127\.0\.0\.1:{broker.port}"):
            sink.send(make_alert())
        wait_for(lambda: sink._trouble != "still connecting")
        with pytest.raises(ConnectionError, match="the broker is not reached"):
            sink.send(make_alert())


def test_alerts_wait_for_the_broker_to_come_back(broker, listen):
    """Behind the ridge and out again: nothing is lost, and it is told."""
    told = []
    sink = connected(broker, longest_pause_s=1)
    outbox = Outbox(sink, time.monotonic, lambda *what: told.append(what))
    broker.stop()
    wait_for(lambda: not sink.is_connected)
    outbox.post(make_alert("behind the ridge"))
    outbox.pump()
    assert told[0][1].startswith("ConnectionError: not connected to")
    broker.start()
    again = listen(broker)
    assert again.next("r/status")[0] == {"online": True}
    wait_for(lambda: outbox.pump() and outbox.sent)
    assert again.next("r/alert")[0]["message"] == "behind the ridge"
    assert told[-1] == ("info", "works again")
    assert outbox.stop(30) is None


@pytest.fixture
def certificates(tmp_path):
    """An authority of our own and a certificate for 127.0.0.1, made by openssl."""
    if shutil.which("openssl") is None:
        pytest.skip("openssl is not installed here")

    def run(*arguments):
        subprocess.run(["openssl", *arguments], check=True, capture_output=True, cwd=tmp_path)

    for name in ("ca", "other"):
        run("req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", f"/CN={name}",
            "-keyout", f"{name}.key", "-out", f"{name}.pem")  # fmt: skip
    run("req", "-newkey", "rsa:2048", "-nodes", "-subj", "/CN=shed",
        "-keyout", "server.key", "-out", "server.csr")  # fmt: skip
    (tmp_path / "san").write_text("subjectAltName=IP:127.0.0.1\n")
    run("x509", "-req", "-in", "server.csr", "-CA", "ca.pem", "-CAkey", "ca.key",
        "-CAcreateserial", "-days", "2", "-extfile", "san", "-out", "server.pem")  # fmt: skip
    run("req", "-newkey", "rsa:2048", "-nodes", "-subj", "/CN=rover",
        "-keyout", "rover.key", "-out", "rover.csr")  # fmt: skip
    run("x509", "-req", "-in", "rover.csr", "-CA", "ca.pem", "-CAkey", "ca.key",
        "-CAcreateserial", "-days", "2", "-out", "rover.pem")  # fmt: skip
    return tmp_path


def test_an_encrypted_connection(start_broker, listen, certificates):
    """Encrypted, with the broker's certificate checked; one signed by somebody else is refused."""
    broker = start_broker(
        "allow_anonymous true",
        f"certfile {certificates / 'server.pem'}",
        f"keyfile {certificates / 'server.key'}",
    )
    ca = str(certificates / "ca.pem")
    early = listen(broker, lambda client: client.tls_set(ca))
    with connected(broker, tls=Tls(ca_file=ca)) as sink:
        sink.send(make_alert("secret"))
        assert early.next("r/alert")[0]["message"] == "secret"
    wrong = Tls(ca_file=str(certificates / "other.pem"))
    with MqttAlert(Settings(host="127.0.0.1", port=broker.port, tls=wrong)) as sink:
        wait_for(lambda: sink._trouble != "still connecting")
        assert not sink.is_connected


def test_a_broker_that_wants_to_know_who_calls(start_broker, certificates):
    """With a certificate of our own we are let in, without one we are not."""
    broker = start_broker(
        "allow_anonymous true",
        f"cafile {certificates / 'ca.pem'}",
        f"certfile {certificates / 'server.pem'}",
        f"keyfile {certificates / 'server.key'}",
        "require_certificate true",
    )
    ca = str(certificates / "ca.pem")
    mine = Tls(
        ca_file=ca,
        cert_file=str(certificates / "rover.pem"),
        key_file=str(certificates / "rover.key"),
    )
    connected(broker, tls=mine).close()
    with MqttAlert(Settings(host="127.0.0.1", port=broker.port, tls=Tls(ca_file=ca))) as stranger:
        wait_for(lambda: stranger._trouble != "still connecting")
        assert not stranger.is_connected


def test_user_and_password(start_broker, listen, tmp_path):
    """The password is read from its file; a wrong one is told as refused."""
    tool = shutil.which("mosquitto_passwd")
    if tool is None:
        pytest.skip("mosquitto_passwd is not installed here")
    users = tmp_path / "users"
    subprocess.run([tool, "-c", "-b", str(users), "rover", "s3cret"], check=True)
    broker = start_broker("allow_anonymous false", f"password_file {users}")
    (tmp_path / "good").write_text("s3cret\n")
    (tmp_path / "bad").write_text("guess\n")
    early = listen(broker, lambda client: client.username_pw_set("rover", "s3cret"))
    with connected(broker, user="rover", password_file=str(tmp_path / "good")) as sink:
        sink.send(make_alert("hello"))
        assert early.next("r/alert")[0]["message"] == "hello"
    settings = Settings(
        host="127.0.0.1", port=broker.port, user="rover", password_file=str(tmp_path / "bad")
    )
    with MqttAlert(settings) as sink:
        wait_for(lambda: sink._trouble.startswith("the broker refuses"))
        with pytest.raises(ConnectionError, match="the broker refuses: Not authorized"):
            sink.send(make_alert())


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("topic: a/#", "topic: found 'a/#', expected a name without"),
        ("topic: $SYS", "topic: found '$SYS', expected a name without"),
        ("password_file: p", "password_file: expected together with user"),
        ("tls: {cert_file: c}", "tls.cert_file: expected together with key_file"),
        ("port: 0", "port: found 0, expected a whole number from 1 to 65535"),
    ],
)
def test_wrong_settings_are_told_with_their_place(text, said):
    """Every mistake in the file names line and key."""
    with pytest.raises(ConfigError) as caught:
        Host(make_config(f"mqtt-alert:\n  {text}"))
    assert str(caught.value).startswith(f"rover.yaml:7: plugins.mqtt-alert.{said}")


def test_the_readme_example_works():
    """What the worked scenario says is what the plugin takes."""
    readme = (Path(__file__).parent.parent / "README.md").read_text(encoding="utf-8")
    (example,) = re.findall(r"```yaml\n(.*?)```", readme, re.DOTALL)
    Host(make_config(yaml.safe_dump(yaml.safe_load(example)["plugins"])))
