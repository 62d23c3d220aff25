"""A real Mosquitto broker on loopback, and somebody who listens to it."""

from __future__ import annotations

import json
import os
import queue
import shutil
import socket
import subprocess
import time

import paho.mqtt.client as mqtt
import pytest

MOSQUITTO = shutil.which("mosquitto", path=os.environ.get("PATH", "") + ":/usr/sbin:/sbin")


class Broker:
    """One broker process; may be stopped and started again on the same port."""

    def __init__(self, home, lines=()):
        self.port = free_port()
        self.config = home / "mosquitto.conf"
        user = ["user root"] if os.geteuid() == 0 else []
        self.config.write_text(
            "\n".join([*user, "persistence false", f"listener {self.port} 127.0.0.1", *lines, ""])
        )
        self.process = None

    def start(self):
        self.process = subprocess.Popen(
            [MOSQUITTO, "-c", str(self.config)],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            text=True,
        )
        for _ in range(1000):
            if self.process.poll() is not None:
                pytest.fail(f"the broker ended: {self.process.stderr.read()}")
            try:
                socket.create_connection(("127.0.0.1", self.port), 1).close()
                return self
            except OSError:
                time.sleep(0.01)
        pytest.fail("the broker does not listen")

    def stop(self):
        if self.process is not None:
            self.process.terminate()
            self.process.wait(30)
            self.process.stderr.close()
            self.process = None


class Listener:
    """Everything that is published, in order."""

    def __init__(self, broker, configure=lambda client: None):
        self.messages = queue.Queue()
        client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)
        configure(client)
        ready = queue.Queue()
        client.on_connect = lambda c, *_: c.subscribe("#", qos=1)
        client.on_subscribe = lambda *_: ready.put(True)
        client.on_message = lambda c, d, m: self.messages.put((m.topic, m.retain, m.payload))
        client.connect("127.0.0.1", broker.port)
        client.loop_start()
        self.client = client
        ready.get(timeout=30)

    def next(self, topic):
        """The next message on a topic, decoded; whether it was retained."""
        while True:
            found, retained, payload = self.messages.get(timeout=30)
            if found == topic:
                return json.loads(payload), retained

    def close(self):
        self.client.disconnect()
        self.client.loop_stop()


def free_port():
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


@pytest.fixture
def start_broker(tmp_path):
    """Start a broker with more lines of configuration."""
    if MOSQUITTO is None:
        pytest.skip("mosquitto is not installed here (Debian: apt install mosquitto)")
    brokers = []

    def start(*lines):
        broker = Broker(tmp_path, lines or ("allow_anonymous true",))
        brokers.append(broker)
        return broker.start()

    yield start
    for broker in brokers:
        broker.stop()


@pytest.fixture
def broker(start_broker):
    return start_broker()


@pytest.fixture
def listen():
    """Listen to a broker."""
    listeners = []

    def listen(broker, configure=lambda client: None):
        listeners.append(Listener(broker, configure))
        return listeners[-1]

    yield listen
    for listener in listeners:
        listener.close()
