"""The operator's commands: which messages are believed, from sockets too."""

from __future__ import annotations

import hashlib
import hmac
import json
import math
import os
import runpy
import socket
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from slipguard import ConfigError
from slipguard.live import CommandInput, Receiver, read_key
from slipguard.live import command as module
from slipguard.live.command import MOST_BYTES, sign, verify

KEY = b"a key of at least sixteen bytes"
EXAMPLE = runpy.run_path(str(Path(__file__).parent.parent / "examples" / "send_command.py"))


def message(token: str, seq: int, sent_s: float = 0.0, **values: object) -> bytes:
    filled = {
        "token": token,
        "seq": seq,
        "sent_s": sent_s,
        "age_s": 0.0,
        "throttle": 0.25,
        "steer": -0.5,
        "motor_enabled": True,
    }
    return json.dumps({**filled, **values}).encode()


def receiver(key: bytes | None = None, silence_s: float = 0.6) -> Receiver:
    tokens = iter(f"token {i}" for i in range(1000))
    return Receiver(key, silence_s, lambda: next(tokens))


def greet(rx: Receiver, now_s: float, key: bytes | None = None) -> str:
    """Ask for a token, as a sender that has none does."""
    answer = rx.receive(sign(message("", 0), key), now_s)
    assert answer is not None
    body = verify(answer, key)
    assert body is not None
    return str(json.loads(body)["token"])


def test_a_signature_is_the_published_one():
    """HMAC-SHA256 as others compute it: RFC 4231, test case 2, so any sender can be written."""
    signed = sign(b"what do ya want for nothing?", b"Jefe")
    published = b"5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"
    assert signed == b"what do ya want for nothing?\n" + published
    assert verify(signed, b"Jefe") == b"what do ya want for nothing?"


def test_a_session_begins_with_the_rovers_token():
    """Without the token nothing counts; with it commands do, and grow old."""
    rx = receiver()
    assert rx.command(10.0) is None
    token = greet(rx, 10.0)
    assert rx.command(10.0) is None, "asking for a token is no command"
    assert rx.receive(message(token, 1, sent_s=5.0, age_s=0.02), 10.1) is None
    command = rx.command(10.35)
    assert (command.throttle, command.steer, command.motor_enabled) == (0.25, -0.5, True)
    assert command.age_s == pytest.approx(0.02 + 0.25)


@pytest.mark.parametrize("key", [None, KEY])
def test_a_message_counts_once(key):
    """Repeated, reordered or replayed: the sequence must grow."""
    rx = receiver(key)
    token = greet(rx, 0.0, key)
    captured = [sign(message(token, seq, sent_s=seq / 50), key) for seq in range(1, 6)]
    for datagram in captured:
        rx.receive(datagram, 1.0)
    assert rx.accepted == 5
    rx.receive(sign(message(token, 6, sent_s=0.2, throttle=0.0), key), 1.1)
    for datagram in captured:
        rx.receive(datagram, 2.0)
    assert rx.accepted == 6
    assert rx.refused[module.REPEATED] == 5
    assert rx.command(2.0).throttle == 0.0


def test_an_earlier_session_can_not_be_played_back():
    """What was captured yesterday drives nothing today, with the right key and all."""
    rx = receiver(KEY)
    old = greet(rx, 0.0, KEY)
    captured = [sign(message(old, seq, sent_s=seq / 50), KEY) for seq in range(1, 50)]
    for i, datagram in enumerate(captured):
        rx.receive(datagram, i / 50)
    new = greet(rx, 10.0, KEY)
    rx.receive(sign(message(new, 0, sent_s=0.0, throttle=0.0), KEY), 10.0)
    for i, datagram in enumerate(captured):
        answer = rx.receive(datagram, 20.0 + i)
        assert answer is not None, "it is told the next token, and cannot sign with it"
    assert rx.command(20.0).throttle == 0.0
    fresh = Receiver(KEY, 0.6)  # the rover was started again: other tokens
    for datagram in captured:
        fresh.receive(datagram, 0.0)
    assert fresh.command(0.0) is None


def test_tokens_are_random():
    """A token that can be guessed is none."""
    tokens = {greet(Receiver(None, 0.6), 0.0) for _ in range(100)}
    assert len(tokens) == 100
    assert all(len(token) == 32 for token in tokens)


def test_a_sender_that_was_started_again_is_let_in():
    """Its sequence begins anew; it waits until the old session has been silent."""
    rx = receiver(silence_s=0.6)
    first = greet(rx, 0.0)
    rx.receive(message(first, 1000, sent_s=100.0), 0.0)
    second = greet(rx, 0.2)
    rx.receive(message(second, 1, sent_s=3.0, throttle=0.0), 0.5)
    assert rx.refused[module.OTHER_SENDER] == 1
    assert rx.command(0.5).throttle == 0.25
    rx.receive(message(second, 2, sent_s=3.2, throttle=0.0), 0.7)
    assert rx.command(0.7).throttle == 0.0
    assert rx.receive(message(first, 1001, sent_s=101.0), 0.8) is not None, "the old one is out"
    assert rx.command(0.8).throttle == 0.0


def test_what_had_to_wait_can_not_be_played_back_either():
    """Messages refused because another sender drove were seen: they begin no session later."""
    rx = receiver()
    rx.receive(message(greet(rx, 0.0), 1), 0.0)
    waiting = greet(rx, 0.1)
    seen = message(waiting, 7, throttle=0.9)
    rx.receive(seen, 0.2)
    rx.receive(seen, 5.0)
    assert rx.command(5.0).throttle == 0.25
    assert rx.refused[module.REPEATED] == 1


def test_two_senders_do_not_take_turns():
    """The one that drives keeps the rover, however eager the other is."""
    rx = receiver()
    token = greet(rx, 0.0)
    rx.receive(message(token, 1), 0.0)
    other = greet(rx, 0.0)
    for i in range(2, 200):
        t_s = i / 50
        rx.receive(message(other, i, sent_s=t_s, throttle=-1.0), t_s)
        rx.receive(message(token, i, sent_s=t_s), t_s)
        assert rx.command(t_s).throttle == 0.25


def test_a_message_held_up_on_the_way_is_old():
    """A queue somewhere must not make a three seconds old command look fresh."""
    rx = receiver()
    token = greet(rx, 0.0)
    for seq in range(1, 20):
        rx.receive(message(token, seq, sent_s=seq / 50), 100.0 + seq / 50)
    assert rx.command(100.38).age_s == pytest.approx(0.0, abs=1e-6)
    rx.receive(message(token, 20, sent_s=0.40), 103.4)
    assert rx.command(103.4).age_s == pytest.approx(3.0, abs=0.01)


def test_clocks_that_run_apart_do_not_age_commands():
    """Half a part in ten thousand, either way, for an hour: the age stays right."""
    for share in (1 - 1e-4, 1 + 1e-4):
        rx = receiver()
        token = greet(rx, 0.0)
        for seq in range(1, 3600):
            rx.receive(message(token, seq, sent_s=seq * share), float(seq))
            assert rx.command(float(seq)).age_s < 0.01


def test_a_senders_clock_that_is_put_back_stops_the_rover():
    """Old and new cannot be told apart then: nothing is believed until a new session."""
    rx = receiver()
    token = greet(rx, 0.0)
    rx.receive(message(token, 1, sent_s=1e6), 0.0)
    for seq in range(2, 100):
        rx.receive(message(token, seq, sent_s=seq / 50), seq / 50)
    assert rx.command(2.0).age_s == pytest.approx(2.0)


@pytest.mark.parametrize(
    ("body", "said"),
    [
        (b"", "not JSON"),
        (b"\xff\xfe", "not JSON"),
        (b"[" * 900, "not JSON"),
        (b"[1]", "found a list"),
        (b"{}", "found keys []"),
        (message("", 1, throttle=1.5), "throttle: found 1.5, expected a number from -1 to 1"),
        (message("", 1, throttle=True), "throttle: found True"),
        (message("", 1, throttle=None), "throttle: found None"),
        (message("", 1, steer="0.1"), "steer: found '0.1'"),
        (message("", 1, age_s=-0.1), "age_s: found -0.1"),
        (message("", 1, sent_s=math.nan), "NaN is no number in JSON"),
        (message("", 1, sent_s=1e300), "sent_s: found 1e+300"),
        (message("", 1, motor_enabled=1), "true or false as motor_enabled"),
        (message("", -1), "seq: found -1"),
        (message("", 1.5), "seq: found 1.5"),
        (message("", True), "seq: found True"),
        (message("", 10**30), "expected a whole number"),
        (message("", 1, more=1), "found keys"),
        (message("", 1)[:-1] + b', "seq": 2}', "a key is given twice"),
        (b"1" * (MOST_BYTES + 1), "more than 1024 bytes"),
    ],
)
def test_what_is_no_command_is_refused_by_name(body, said):
    """Damaged, wrong or malicious: counted, told, and without effect."""
    rx = receiver()
    token = greet(rx, 0.0)
    rx.receive(message(token, 1), 0.0)
    assert rx.receive(body, 0.1) is None
    assert rx.refused[module.UNREADABLE] == 1
    assert said in rx.last_problem
    assert rx.command(0.1).throttle == 0.25


@given(st.one_of(st.binary(max_size=1100), st.text(max_size=300).map(str.encode)), st.booleans())
def test_no_bytes_crash_the_receiver(datagram, with_key):
    """Anybody may send anything."""
    rx = receiver(KEY if with_key else None)
    rx.receive(datagram, 0.0)
    assert rx.command(0.0) is None
    assert sum(rx.refused.values()) == 1


@given(st.integers(0, 2000), st.integers(0, 255))
def test_a_signed_message_that_was_touched_is_refused(place, byte):
    """One changed byte anywhere, body or signature, and it does not count."""
    rx = receiver(KEY)
    token = greet(rx, 0.0, KEY)
    whole = sign(message(token, 1), KEY)
    touched = bytearray(whole)
    touched[place % len(whole)] = byte
    rx.receive(bytes(touched), 0.0)
    assert (rx.command(0.0) is None) == (bytes(touched) != whole)


def test_without_the_key_nothing_counts():
    """Unsigned, or signed with another key, by whoever reaches the address."""
    rx = receiver(KEY)
    token = greet(rx, 0.0, KEY)
    for key in (None, b"another key of sixteen bytes"):
        assert rx.receive(sign(message(token, 1), key), 0.0) is None
        assert rx.receive(sign(message("", 1), key), 0.0) is None
    assert rx.refused == {module.NO_TOKEN: 1, module.UNSIGNED: 4}
    right = hmac.new(KEY, message(token, 1), hashlib.sha256).hexdigest().encode()
    rx.receive(message(token, 1) + b"\n" + right, 0.0)
    assert rx.command(0.0) is not None


# -- sockets --------------------------------------------------------------------------------------


def talk(inbox: CommandInput, key: bytes | None) -> list[float]:
    """The example's sender against the real socket; the throttles received, in order."""
    sender = EXAMPLE["Sender"](inbox.address, key)
    received = []
    for i in range(8):
        sender.send(i / 10, 0.0)
        command = inbox.poll(i / 50)
        received.append(command.throttle if command else math.nan)
    sender.close()
    assert sender.answers == 1
    return received


@pytest.mark.parametrize("key", [None, KEY])
@pytest.mark.parametrize("kind", ["udp4", "udp6", "unix"])
def test_the_example_drives_over_a_real_socket(kind, key, tmp_path):
    """The sender in examples/, which shares no code with the receiver, is understood."""
    address = {
        "udp4": "udp:127.0.0.1:0",
        "udp6": "udp:[::1]:0",
        "unix": f"unix:{tmp_path / 'command'}",
    }[kind]
    if kind == "udp6" and not socket.has_ipv6:
        pytest.skip("no IPv6 here")
    inbox = CommandInput(address, key)
    try:
        received = talk(inbox, key)
    finally:
        inbox.close()
    assert math.isnan(received[0]), "the first message asks for a token"
    assert received[1:] == [i / 10 for i in range(1, 8)]
    assert not (tmp_path / "command").exists()


def test_a_flood_takes_a_bounded_time_of_a_round():
    """Thousands of datagrams in the queue: a round reads some, and goes on."""
    inbox = CommandInput("udp:127.0.0.1:0")
    sender = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    host, port = inbox._socket.getsockname()
    for _ in range(200):
        sender.sendto(b"x", (host, port))
    assert inbox.poll(0.0) is None
    assert inbox.receiver.refused[module.UNREADABLE] == 64
    assert "64 command messages refused; the last one unreadable" in inbox.news(0.0)
    inbox.poll(0.1)
    assert inbox.news(0.1) is None, "told every ten seconds at most"
    assert "64 command" in inbox.news(11.0)
    sender.close()
    inbox.close()


def test_only_this_computer_and_user_can_send_without_a_key(tmp_path):
    """Beyond loopback a key is a must; a Unix socket is the user's own."""
    for address in ("udp:0.0.0.0:0", "udp:[::]:0", "udp:192.0.2.1:5"):
        with pytest.raises(ConfigError, match="found no key, expected key_file"):
            CommandInput(address)
    CommandInput("udp:0.0.0.0:0", KEY).close()
    path = tmp_path / "command"
    inbox = CommandInput(f"unix:{path}")
    assert path.stat().st_mode & 0o777 == 0o600
    inbox.close()


def test_an_address_in_use_is_told_and_a_dead_socket_is_not_in_use(tmp_path):
    """Two programs must not share the commands; a killed one must not block the next start."""
    path = tmp_path / "command"
    first = CommandInput(f"unix:{path}")
    with pytest.raises(ConfigError, match="another program listens there"):
        CommandInput(f"unix:{path}")
    first._socket.close()  # as kill -9 leaves it
    CommandInput(f"unix:{path}").close()
    taken = CommandInput("udp:127.0.0.1:0")
    with pytest.raises(ConfigError, match=r"live\.command udp:.*: cannot listen: Address already"):
        CommandInput(taken.address)
    taken.close()


@pytest.mark.parametrize(
    ("address", "said"),
    [
        ("tcp:1.2.3.4:5", "expected udp:ADDRESS:PORT or unix:PATH"),
        ("udp:rover.local:5", "ADDRESS in numbers"),
        ("udp:127.0.0.1:http", "expected udp:ADDRESS:PORT"),
        ("udp:127.0.0.1:70000", "found port 70000, expected 0 to 65535"),
        ("unix:", "expected unix:PATH"),
    ],
)
def test_wrong_addresses_are_told(address, said):
    """With what was given and what is expected."""
    with pytest.raises(ConfigError) as caught:
        CommandInput(address)
    assert str(caught.value).startswith(f"live.command {address}: ")
    assert said in str(caught.value)


def test_a_key_must_be_long_and_private(tmp_path):
    """A key that others read, or guess, protects nothing."""
    path = tmp_path / "drive.key"
    with pytest.raises(ConfigError, match="cannot read the key: No such file"):
        read_key(path)
    path.write_bytes(b"short\n")
    with pytest.raises(ConfigError, match="found a key of 5 bytes, expected at least 16"):
        read_key(path)
    path.write_bytes(KEY + b"\n")
    os.chmod(path, 0o640)
    with pytest.raises(ConfigError, match="others may read this key"):
        read_key(path)
    os.chmod(path, 0o600)
    assert read_key(path) == KEY
