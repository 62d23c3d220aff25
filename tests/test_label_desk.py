"""Labels edited in a page: what is saved is what the reader takes, and nothing else is lost."""

from __future__ import annotations

import hashlib
import http.client
import json
import threading
from pathlib import Path

import pytest

from slipguard import Config
from slipguard.cli import main
from slipguard.cli.exits import Exit
from slipguard.errors import RecordingError
from slipguard.recording import Event, Labels, load_labels, open_recording
from slipguard.recording.relabel import relabelled

REPLAY = Path(__file__).parent.parent / "replay"
SPIN = {"kind": "wheel_spin", "wheel": "fl", "start_s": 1.0, "end_s": 2.0}
WRITTEN = """\
# by hand, on the slope behind the barn
vehicle: survey rover   # the old one
events:
- {kind: rolling, start_s: 3.5, end_s: 4.5}  # not sure of the end

# what the weather was
notes: 'rain'
proposed: true
# the end
"""


def test_every_line_but_the_events_stays():
    """Comments of a person are their work too."""
    text = relabelled(WRITTEN, [SPIN], proposed=False, source="a.yaml")
    assert text.startswith(
        "# by hand, on the slope behind the barn\nvehicle: survey rover   # the old one\n\n"
        "# what the weather was\nnotes: 'rain'\n# the end\nevents:\n"
    )
    again = relabelled(text, [SPIN], proposed=True, source="a.yaml")
    assert again.replace("proposed: true\n", "") == text


@pytest.mark.parametrize(
    "text", ["", "# nothing yet\n", "{vehicle: rover, events: []}", "notes: no line end"]
)
def test_any_labels_file_can_be_given_events(text, tmp_path):
    """Empty, comments alone, in one line, without a last line end."""
    (tmp_path / "a.yaml").write_text(relabelled(text, [SPIN], proposed=False, source="a.yaml"))
    labels = load_labels(tmp_path / "a.yaml")
    assert labels.events == (Event(**SPIN),)
    assert labels.vehicle == ("rover" if "vehicle" in text else "")
    assert labels.notes == ("no line end" if "notes" in text else "")


# -- over the wire -------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def report(tmp_path_factory):
    gather = pytest.importorskip("slipguard.report", reason="needs bokeh")
    lines = (REPLAY / "parking_on_the_bank.csv").read_text().splitlines(keepends=True)
    drive = tmp_path_factory.mktemp("drive") / "bank.csv"
    drive.write_text("".join(lines[:601]))
    return gather.report_drive(open_recording(drive), Config.load(REPLAY / "rover.yaml"))


@pytest.fixture
def served(report, tmp_path):
    """A server for the first 3 s of a drive, whose labels file does not exist yet."""
    from slipguard.report import LabelDesk, LabelServer

    with LabelServer(LabelDesk(report, tmp_path / "bank.csv"), 0) as server:
        thread = threading.Thread(target=server.serve_forever, args=(0.01,))
        thread.start()
        yield server
        server.shutdown()
        thread.join()


def ask(server, method, path="", body=None, **headers):
    """Status and answer; with what a page of its own would send, where not said otherwise."""
    own = f"127.0.0.1:{server.server_port}"
    sent = {"Host": own, "Origin": f"http://{own}", "Content-Type": "application/json"}
    sent |= {name.replace("_", "-"): value for name, value in headers.items()}
    connection = http.client.HTTPConnection("127.0.0.1", server.server_port, timeout=10)
    connection.request(
        method,
        path or f"/{'labels' if method == 'POST' else ''}?token={server.token}",
        body,
        {name: value for name, value in sent.items() if value},
    )
    answer = connection.getresponse()
    text = answer.read().decode()
    connection.close()
    return answer.status, text


def wanted(*events, version, confirmed=True):
    return json.dumps({"version": version, "events": events, "confirmed": confirmed})


def version_of(server) -> str:
    """As the page says it, without the second that making a page takes."""
    path = server.desk.path
    return hashlib.sha256(path.read_bytes() if path.exists() else b"").hexdigest()[:16]


def test_saved_is_saved_and_what_was_there_is_kept(served):
    """Confirmed ones too; and the copy holds what a person wrote."""
    path = served.desk.path
    path.write_text(WRITTEN)
    status, said = ask(served, "POST", body=wanted(SPIN, version=version_of(served)))
    assert status == 200, said
    assert load_labels(path) == Labels(
        vehicle="survey rover", notes="rain", events=(Event(**SPIN),), proposed=False
    )
    assert json.loads(said)["kept"] == "bank.yaml.old"
    assert path.with_name("bank.yaml.old").read_text() == WRITTEN
    body = wanted(version=json.loads(said)["version"], confirmed=False)
    assert ask(served, "POST", body=body)[0] == 200
    assert load_labels(path).events == ()
    assert load_labels(path).proposed
    assert sorted(p.name for p in path.parent.iterdir()) == ["bank.yaml", "bank.yaml.old"]


@pytest.mark.parametrize(
    ("events", "expected"),
    [
        ([{**SPIN, "end_s": 99.0}], "is not in the drive bank.csv, which lasts from 0 to"),
        ([{**SPIN, "wheel": "front"}], "wheel"),
        ([{**SPIN, "wheel": None}], "wheel: missing"),
        ([{**SPIN, "start_s": 2.5}], "before start_s"),
        ([SPIN, {**SPIN, "start_s": 1.5}], "two of one kind and wheel may not overlap"),
        ([{**SPIN, "kind": "tired"}], "kind"),
        ([{**SPIN, "start_s": "soon"}], "start_s"),
        ([{**SPIN, "start_s": [1]}], "expected {version, events"),
        (["spin"], "expected {version, events"),
    ],
)
def test_what_the_reader_would_refuse_is_not_saved(events, expected, served):
    """The same checks as for a file, the same words, and the file as it was."""
    text = "# by hand\nevents: []\n"
    served.desk.path.write_text(text)
    body = wanted(*events, version=version_of(served))
    status, said = ask(served, "POST", body=body)
    assert status == 422
    assert expected in json.loads(said)["error"]
    assert served.desk.path.read_text() == text
    assert len(list(served.desk.path.parent.iterdir())) == 1


def test_numbers_that_are_none_are_refused(served):
    """NaN compares with nothing, so it would be inside every drive."""
    version = version_of(served)
    for number in ("NaN", "Infinity", "1e999"):
        body = wanted(SPIN, version=version).replace("2.0", number)
        assert ask(served, "POST", body=body)[0] == 422
    assert not served.desk.path.exists()


def test_a_file_changed_meanwhile_is_not_written_over(served):
    """An editor may be open beside the page."""
    version = version_of(served)
    served.desk.path.write_text(WRITTEN)
    status, said = ask(served, "POST", body=wanted(SPIN, version=version))
    assert status == 409
    assert "was changed" in json.loads(said)["error"]
    assert served.desk.path.read_text() == WRITTEN


@pytest.mark.parametrize(
    "headers",
    [
        {"Host": "rover.example:80"},
        {"Host": "rover.example:80", "Origin": "http://rover.example:80"},
        {"Origin": "http://rover.example"},
        {"Origin": "null"},
        {"Origin": ""},
        {"Content_Type": "text/plain"},
        {"path": "/labels?token=guessed"},
        {"path": "/labels"},
    ],
)
def test_others_are_refused(headers, served):
    """A page elsewhere can make a browser send requests here: none of them is answered."""
    body = wanted(SPIN, version=version_of(served))
    status, _ = ask(served, "POST", body=body, **headers)
    assert status == 403
    assert not served.desk.path.exists()


def test_the_page_says_which_version_it_is_of(served):
    """What is saved starts from what was shown."""
    served.desk.path.write_text("events: []\n")
    status, text = ask(served, "GET")
    assert status == 200
    about = json.loads(text.split('id="editing">')[1].split("</script>")[0])
    assert about["version"] == version_of(served)
    assert about["confirmed"]


def test_the_page_is_not_for_others_either(served):
    """A recording may say where somebody lives."""
    assert ask(served, "GET", "/")[0] == 403
    assert ask(served, "GET", Origin="http://rover.example")[0] == 403
    assert ask(served, "GET", Host="rover.example")[0] == 403
    assert ask(served, "GET", f"/elsewhere?token={served.token}")[0] == 404
    assert served.server_address[0] == "127.0.0.1"


def test_a_port_in_use_is_said(served, report, tmp_path):
    """With what to do about it."""
    from slipguard.report import LabelDesk, LabelServer

    with pytest.raises(RecordingError, match="--port"):
        LabelServer(LabelDesk(report, tmp_path / "a.csv"), served.server_port)


def test_write_and_serve_do_not_go_together(capsys):
    """Which of them would win?"""
    drive = str(REPLAY / "parking_on_the_bank.csv")
    assert main(["label", drive, "--serve", "--write"]) == Exit.USAGE
    assert "--serve" in capsys.readouterr().err
