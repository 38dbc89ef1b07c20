"""`kinematics explore` as a command: what it needs, where it answers, how it ends."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import urllib.request
from pathlib import Path

import pytest

from kinematics.cli import explore
from tests.cli.conftest import ROOT, Run
from tests.cli.conftest import folder as folder
from tests.cli.conftest import run as run
from tests.house.test_house import modules_after
from tests.page.conftest import running


def test_without_the_extra_it_says_in_a_sentence_how_to_get_it(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(explore, "find_spec", lambda name: None if name != "uvicorn" else object())
    ran = run("explore", "hook.gcode", "--machine", "middling")
    assert ran.status == 2
    assert ran.out == ""
    assert len(ran.err.splitlines()) == 1
    assert (
        "the live page needs starlette and plotly, not installed here: pip install starlette uvicorn plotly" in ran.err
    )


def test_nothing_of_the_server_is_loaded_by_any_other_command() -> None:
    script = (
        "import sys\nfrom kinematics.cli.program import main\n"
        "try:\n    main(['estimate', 'sample_gcode/bracket.gcode', '--machine', 'quick'])\nexcept SystemExit:\n    pass"
    )
    loaded = modules_after(script)
    assert "numpy" in loaded
    assert not loaded & {"starlette", "uvicorn", "anyio", "plotly"}


def test_bad_input_is_told_before_anything_is_served(run: Run) -> None:
    assert run("explore", "nothing.gcode", "--machine", "middling").status == 2
    assert run("explore", "hook.gcode", "--machine", "nothing.toml").status == 2
    ran = run("explore", "hook.gcode", "--machine", "middling", "--orders", "orders.csv")
    assert (ran.status, "--orders, --printers and --start together" in ran.err) == (2, True)
    ran = run("explore", "hook.gcode", "--machine", "middling", "--host", "no.such.name.invalid")
    assert (ran.status, "is no address of this computer" in ran.err) == (2, True)


def test_a_port_that_is_told_and_taken_is_an_error_and_the_usual_one_gives_way(run: Run) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        ran = run("explore", "hook.gcode", "--machine", "middling", "--port", str(port))
        assert (ran.status, f"port {port}" in ran.err) == (2, True)
        from kinematics.page.server import listening

        with listening("127.0.0.1", port, True) as other:
            assert other.getsockname()[1] not in (0, port)


def test_it_says_where_it_answers_and_answers_there() -> None:
    with running("sample_gcode/test_cube.gcode", "--machine", "quick") as (address, _):
        assert address.startswith("http://127.0.0.1:")
        with urllib.request.urlopen(f"{address}total") as answer:
            assert json.load(answer)["total_s"] > 0.0
            assert "server" not in answer.headers


@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGTERM])
def test_it_ends_when_it_is_told_to_and_leaves_nothing_behind(how: signal.Signals, tmp_path: Path) -> None:
    words = [sys.executable, "-m", "kinematics", "explore", "sample_gcode/test_cube.gcode", "--machine", "quick"]
    environment = os.environ | {"PYTHONPATH": str(ROOT), "TMPDIR": str(tmp_path)}
    process = subprocess.Popen(
        [*words, "--port", "0"], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment, cwd=ROOT
    )
    assert process.stdout is not None
    address = process.stdout.readline().strip()
    body = b"G1 X10 E1 F600\n"
    asked = urllib.request.Request(f"{address}jobs?name=a.gcode", body, {"origin": address.rstrip("/")})
    with urllib.request.urlopen(asked) as answer:
        assert json.load(answer)["name"] == "a.gcode"
    assert list(tmp_path.glob("kinematics-*/*"))
    process.send_signal(how)
    _, told = process.communicate(timeout=60)
    assert not list(tmp_path.glob("kinematics-*"))
    assert "Traceback" not in told
    if how == signal.SIGINT:
        assert process.returncode == 0
        assert told.splitlines()[-1] == "stopped"
