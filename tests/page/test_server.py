"""What the live page answers: the same numbers as the command line, and nothing of the disk."""

from __future__ import annotations

import json
import shlex
import threading
from collections.abc import AsyncIterator
from pathlib import Path
from urllib.parse import urlencode

import pytest
from starlette.testclient import TestClient

from kinematics.cli.explore import explorer_of
from kinematics.cli.options import JobOptions
from kinematics.cli.shop import order_book
from kinematics.jobs.prepared import PreparedJob
from kinematics.machine import Machine, load_machine
from kinematics.page import server as page_server
from kinematics.page import shelf
from kinematics.page.explorer import Explorer
from kinematics.page.server import PageServer, guarded
from kinematics.page.turns import OvertakenError, Place, Turns
from tests.cli.conftest import run_apart
from tests.page.conftest import BENCH, HERE, JOB, MACHINE, PORT, SAMPLES, SCRIPT, SQUARE, estimated

ONE_MICROSECOND = 1e-6
SAMPLE = str(SAMPLES / "test_cube.gcode")


def asking(job: str, machine: str) -> TestClient:
    """A page about a sample."""
    asked = JobOptions((job,), machine_name=machine)
    made = explorer_of(asked, [PreparedJob(job)], load_machine(machine), "kinematics explore")
    return TestClient(guarded(PageServer(made), PORT), base_url=HERE)


@pytest.mark.parametrize(
    "settings",
    [
        (),
        ("acceleration=3000",),
        ("speed=1.7",),
        ("corner=0.1", "flow=6"),
        ("vibration.x.filter=ZVDD", "vibration.x.filter_frequency_hz=40"),
        ("axes.y.max_acceleration_mm_s2=900", "acceleration=9000", "cooling.shortest_layer_s=3"),
    ],
)
def test_the_page_says_what_estimate_says(settings: tuple[str, ...]) -> None:
    document = estimated(SAMPLE, str(BENCH), *settings)
    query = urlencode([tuple(setting.split("=")) for setting in settings])
    with asking(SAMPLE, str(BENCH)) as client:
        total = client.get(f"/total?{query}").json()
        rest = client.get(f"/rest?{query}").json()
        taken = client.get(f"/estimate.json?{query}")
    assert total["total_s"] == document["total_s"]
    assert rest["total_s"] == document["total_s"]
    causes = {row["cause"]: row["set_s"] for row in rest["causes"] if row["set_s"]}
    for one in document["jobs"][0]["where_the_time_goes"]:
        if one["seconds"] >= 0.05:
            assert causes[one["cause"]] == pytest.approx(one["seconds"], abs=ONE_MICROSECOND)
    document["jobs"][0]["file"] = "test_cube.gcode"
    assert taken.json() == document


def test_a_job_that_sets_a_limit_itself_is_timed_as_on_the_command_line(tmp_path: Path) -> None:
    job = tmp_path / "own.gcode"
    job.write_text("M204 P300\n" + SQUARE)
    with asking(str(job), "quick") as client:
        total = client.get("/total?acceleration=9000").json()["total_s"]
        state = client.get("/rest?acceleration=9000").json()["knobs"]["acceleration"]
    assert total == estimated(str(job), "quick", "acceleration=9000")["total_s"]
    assert state["state"] == "silent"
    assert state["words"].startswith("The job sets this itself, once")


def test_a_curve_is_made_of_totals(client: TestClient) -> None:
    curve = client.get("/curve?knob=acceleration&speed=1.5").json()
    assert len(curve["values"]) > 20
    for i in (0, len(curve["values"]) // 2, -1):
        value = curve["values"][i]
        total = client.get(f"/total?acceleration={value}&speed=1.5").json()["total_s"]
        assert curve["total_s"][i] == pytest.approx(total, abs=ONE_MICROSECOND)
    assert curve["total_s"] == sorted(curve["total_s"], reverse=True)
    assert client.get("/curve?knob=nozzle").status_code == 422


def test_a_knob_past_its_cap_says_what_stops_it_and_an_idle_one_what_holds(client: TestClient) -> None:
    knobs = client.get("/rest?acceleration=9000").json()["knobs"]
    told = knobs["acceleration"]
    assert told["state"] == "past"
    assert told["words"] == "Past its cap: motor y takes 800 mm/s² at most"
    assert "hold it" in told["more"]
    assert {"motors.y.max_acceleration_mm_s2"} <= {other["name"] for other in told["others"]}
    assert knobs["flow"]["state"] == ""
    speed = client.get("/rest?speed=3").json()["knobs"]["speed"]
    assert speed["state"] in ("past", "rules")


def test_settings_that_are_none_are_told_as_they_are(client: TestClient) -> None:
    for query, words in (
        ("acceleration=quick", "motion.print_acceleration_mm_s2"),
        ("acceleration=-1", "motion.print_acceleration_mm_s2"),
        ("acelleration=900", "did you mean 'acceleration'?"),
        ("job=9", "this job is no longer here"),
    ):
        answer = client.get(f"/total?{query}")
        assert answer.status_code == 422
        assert any(words in finding for finding in answer.json()["findings"])


def everything(client: TestClient, query: str) -> dict[str, str]:
    """The text of every answer that a page shows."""
    paths = ("/", "/sheet", "/total", "/rest", "/layer", "/report.html", "/estimate.json")
    found = {path: client.get(f"{path}?{query}").text for path in paths}
    found["/curve"] = client.get(f"/curve?knob=acceleration&{query}").text
    found["refused"] = client.get("/total?acceleration=</script>").text
    return found


def test_no_path_of_the_disk_is_on_any_page(client: TestClient, explorer: Explorer, where: Path) -> None:
    put = client.post("/jobs?name=C%3A%5Cjobs%5Cother.gcode", content=SQUARE.encode(), headers={"origin": HERE}).json()
    assert put["name"] == "other.gcode"
    for query in ("acceleration=3000", f"job={put['number']}&acceleration=3000"):
        for path, text in everything(client, query).items():
            for secret in (str(where), "secret-folder", str(explorer.shelf.folder), explorer.shelf.folder.name):
                assert secret not in text, path


def test_nor_in_what_is_said_of_a_file_that_is_gone(tmp_path: Path) -> None:
    job = tmp_path / "gone.gcode"
    job.write_text(SQUARE)
    with asking(str(job), str(BENCH)) as client:
        assert client.get("/total").status_code == 200
        job.unlink()
        answer = client.get("/total?motion.arc_tolerance_mm=0.02")
    assert answer.status_code == 422
    assert "gone.gcode" in answer.text
    assert str(tmp_path) not in answer.text


def test_foreign_names_are_escaped(client: TestClient) -> None:
    found = everything(client, "acceleration=3000")
    page = found["/"]
    assert "&lt;i&gt;bench&lt;/i&gt; &amp; co" in page
    assert MACHINE not in page
    assert "<script>" not in page
    assert page.count("<script") == 1
    assert SCRIPT not in found["/report.html"]
    assert client.get("/sheet").headers["content-type"] == "application/json"
    assert json.loads(found["/sheet"])["jobs"][0]["name"] == JOB
    assert any("M999" in note for note in json.loads(found["/rest"])["notes"])


def drop(client: TestClient, name: str, content: bytes) -> int:
    """Drop a file; the status of the answer."""
    return client.post(f"/jobs?{urlencode({'name': name})}", content=content, headers={"origin": HERE}).status_code


def test_a_dropped_file_is_timed_and_goes_with_the_page(client: TestClient, explorer: Explorer, tmp_path: Path) -> None:
    job = tmp_path / "cube.gcode"
    job.write_text(SQUARE * 2)
    answer = client.post("/jobs?name=cube.gcode", content=job.read_bytes(), headers={"origin": HERE})
    number = answer.json()["number"]
    total = client.get(f"/total?job={number}&acceleration=2000").json()["total_s"]
    assert total == estimated(str(job), str(BENCH), "acceleration=2000")["total_s"]
    assert len(list(explorer.shelf.folder.iterdir())) == 1
    explorer.shelf.clear()
    assert not explorer.shelf.folder.exists()


def test_the_folder_of_dropped_files_is_gone_when_the_server_stops(explorer: Explorer) -> None:
    with TestClient(guarded(PageServer(explorer), PORT), base_url=HERE) as client:
        assert drop(client, "a.gcode", SQUARE.encode()) == 200
        assert explorer.shelf.folder.exists()
    assert not explorer.shelf.folder.exists()


def test_the_oldest_dropped_file_makes_room(client: TestClient, explorer: Explorer) -> None:
    for i in range(shelf.MOST_DROPPED + 2):
        assert drop(client, f"{i}.gcode", SQUARE.encode()) == 200
    names = [job["name"] for job in client.get("/sheet").json()["jobs"]]
    assert names == [JOB, "2.gcode", "3.gcode", "4.gcode", "5.gcode"]
    assert len(list(explorer.shelf.folder.iterdir())) == shelf.MOST_DROPPED
    assert client.get("/total?job=2").status_code == 422


def test_what_is_too_large_is_refused_and_leaves_nothing(
    client: TestClient, explorer: Explorer, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(page_server, "LARGEST_DROP", 1_000)
    assert drop(client, "a.gcode", SQUARE.encode()) == 413
    # told to be small, or not told at all, and large all the same
    many = (SQUARE.encode() for _ in range(100))
    answer = client.post("/jobs?name=a.gcode", content=many, headers={"origin": HERE})
    assert answer.status_code == 413
    assert list(explorer.shelf.folder.iterdir()) == []
    assert drop(client, "a.gcode", b"G1 X10 E1 F600\n") == 200


def test_of_a_file_without_end_no_more_is_taken_than_there_may_be(
    explorer: Explorer, monkeypatch: pytest.MonkeyPatch
) -> None:
    import asyncio

    monkeypatch.setattr(page_server, "LARGEST_DROP", 1_000)
    sent = []

    class Endless:
        async def stream(self) -> AsyncIterator[bytes]:
            for _ in range(1_000):
                sent.append(300)
                yield b"G1 X1\n" * 50

    assert asyncio.run(PageServer(explorer)._written(Endless())) is None  # type: ignore[arg-type]
    assert sum(sent) == 1_200
    assert list(explorer.shelf.folder.iterdir()) == []


@pytest.mark.parametrize("content", [b"", b"\x00\x01\x02", b"; nothing moves\n", b"\x1f\x8bbroken"])
def test_what_is_no_job_is_refused_and_leaves_nothing(client: TestClient, explorer: Explorer, content: bytes) -> None:
    answer = client.post("/jobs?name=a.gcode", content=content, headers={"origin": HERE})
    assert answer.status_code == 422
    assert answer.json()["findings"][0].startswith("a.gcode")
    assert list(explorer.shelf.folder.iterdir()) == []


def test_a_job_of_too_many_moves_is_refused(
    client: TestClient, explorer: Explorer, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(shelf, "MOST_MOVES", 5)
    assert drop(client, "a.gcode", SQUARE.encode()) == 422
    assert list(explorer.shelf.folder.iterdir()) == []


@pytest.mark.parametrize(
    ("told", "shown"),
    [
        ("../../etc/x.gcode", "x.gcode"),
        ("C:\\jobs\\x.gcode", "x.gcode"),
        ("", shelf.NAMELESS),
        ("/", shelf.NAMELESS),
        ("a" * 200 + ".gcode", "a" * 60 + "…" + "a" * 54 + ".gcode"),
    ],
)
def test_a_dropped_file_has_a_name_without_folders(told: str, shown: str) -> None:
    assert shelf.shown_name(told) == shown


def test_without_a_job_the_page_waits_for_one() -> None:
    machine = load_machine("middling")
    made = explorer_of(JobOptions(), [], machine, "kinematics explore")
    with TestClient(guarded(PageServer(made), PORT), base_url=HERE) as client:
        assert client.get("/").status_code == 200
        assert client.get("/sheet").json()["jobs"] == []
        assert "there is no job yet" in client.get("/total").text
        assert drop(client, "a.gcode", SQUARE.encode()) == 200
        assert client.get("/total").status_code == 200


def test_the_machine_file_that_is_taken_along_holds_the_setting(client: TestClient, where: Path) -> None:
    answer = client.get("/machine.toml?acceleration=2500&vibration.x.filter=ZVDD&knob=speed&job=1")
    assert answer.headers["content-disposition"] == 'attachment; filename="machine.toml"'
    machine = Machine.from_toml_text(answer.text, "copy")
    told = load_machine(str(where / "bench.toml"))
    assert machine == told.with_settings({"acceleration": 2500, "vibration.x.filter": "ZVDD"})
    assert "went" not in answer.text


def test_the_report_that_is_taken_along_holds_what_was_kept(client: TestClient) -> None:
    kept = urlencode({"keep": "speed=1.5"})
    text = client.get(f"/report.html?acceleration=2500&{kept}").text
    assert "this setting" in text
    assert "print speed in the file 1.5×" in text
    assert "&lt;u&gt;brisk&lt;/u&gt;" in text


def test_settings_that_are_tables_are_told_as_they_are_typed(tmp_path: Path) -> None:
    machine = tmp_path / "bench.toml"
    told = "{low = 900, likely = 1000, high = 1200}"
    machine.write_text(f"{BENCH.read_text()}\n[[candidate]]\nname = 'tried'\nset = {{ acceleration = {told} }}\n")
    query = urlencode({"acceleration": told, "vibration.x.modes": "[{frequency_hz = 48, damping_ratio = 0.1}]"})
    with asking(SAMPLE, str(machine)) as client:
        (tried,) = (one for one in client.get("/sheet").json()["candidates"] if one["name"] == "tried")
        assert tried["set"] == [["acceleration", told]]
        total = client.get(f"/total?{urlencode(dict(tried['set']))}").json()["total_s"]
        assert total == client.get("/total?acceleration=1000").json()["total_s"]
        command = client.get(f"/rest?{query}").json()["command"]
        total = client.get(f"/total?{query}").json()["total_s"]
        assert client.get(f"/report.html?{query}").status_code == 200
    words = [{"test_cube.gcode": SAMPLE, "bench.toml": str(machine)}.get(one, one) for one in shlex.split(command)]
    assert words[:2] == ["kinematics", "estimate"]
    assert json.loads(run_apart(*words[1:], "--json").out)["total_s"] == total


def test_upgrades_are_weighed_on_the_setting() -> None:
    machine = str(SAMPLES / "shop" / "bench.toml")
    with asking(SAMPLE, machine) as client:
        found = client.get("/upgrades?speed=1.2&prints=12").json()
        assert client.get("/upgrades?prints=-1").status_code == 422
        assert client.get("/sheet").json()["upgrades"][0] == {"name": "larger melt zone", "set": [["flow", "22"]]}
    told = run_apart("upgrades", SAMPLE, "--machine", machine, "--set", "speed=1.2", "--per-month", "12")
    rows = [line.split("\t") for line in told.out.splitlines() if "\t" in line]
    assert [[head for head, _ in found["heads"]], *found["rows"]] == rows
    assert len(rows) > 3


def test_orders_are_run_with_the_setting_on_every_printer(tmp_path: Path) -> None:
    (tmp_path / "cube.gcode").write_text(SQUARE)
    (tmp_path / "bench.toml").write_text(BENCH.read_text())
    (tmp_path / "orders.csv").write_text("order,job,quantity\ncubes,cube.gcode,4\n")
    (tmp_path / "printers.csv").write_text("name,machine\none,bench.toml\n")
    tables = [str(tmp_path / name) for name in ("orders.csv", "printers.csv")]
    job = str(tmp_path / "cube.gcode")
    asked = JobOptions((job,), machine_name=str(BENCH))
    book = order_book(asked, *tables, "2026-03-02")
    made = explorer_of(asked, [PreparedJob(job)], load_machine(str(BENCH)), "", book, tables)
    with TestClient(guarded(PageServer(made), PORT), base_url=HERE) as client:
        plain, turned = client.get("/orders").json(), client.get("/orders?speed=2").json()
    shop = ("shop", tables[0], "--printers", tables[1], "--start", "2026-03-02")
    assert plain["finding"] in run_apart(*shop).out
    assert "effects" not in plain
    assert turned["effects"]["rows"][-1][0] == "this setting"
    with_it = run_apart(*shop, "--candidate", "this setting: speed=2").out
    assert "\t".join(turned["effects"]["rows"][-1]) in with_it


def test_without_orders_there_are_none(client: TestClient) -> None:
    assert client.get("/sheet").json()["orders"] is False
    assert client.get("/orders").status_code == 422


def test_the_command_on_the_page_asks_the_same() -> None:
    with asking(SAMPLE, str(BENCH)) as client:
        rest = client.get("/rest?acceleration=3000&vibration.x.filter=ZVDD").json()
    words = shlex.split(rest["command"])
    assert words[:2] == ["kinematics", "estimate"]
    settings = [words[i + 1] for i, word in enumerate(words) if word == "--set"]
    assert estimated(SAMPLE, str(BENCH), *settings)["total_s"] == rest["total_s"]


def test_an_overtaken_question_is_not_worked_on() -> None:
    import asyncio

    turns, begun, worked = Turns(), threading.Event(), []

    def long_work() -> str:
        begun.set()
        threading.Event().wait(0.05)
        return "long"

    async def ask() -> None:
        first = asyncio.create_task(turns.answered("rest", long_work, Place("tab", "/rest", 1)))
        await asyncio.to_thread(begun.wait)
        second = asyncio.create_task(turns.answered("rest", lambda: worked.append(2), Place("tab", "/rest", 2)))
        await asyncio.sleep(0)
        third = asyncio.create_task(turns.answered("rest", lambda: worked.append(3), Place("tab", "/rest", 3)))
        other = asyncio.create_task(turns.answered("rest", lambda: worked.append("other"), Place("b", "/rest", 1)))
        assert await first == "long"
        with pytest.raises(OvertakenError):
            await second
        await third
        await other

    asyncio.run(ask())
    turns.stop()
    assert worked == [3, "other"]


def test_a_late_question_of_a_tab_is_told_that_it_is(client: TestClient) -> None:
    assert client.get("/total?tab=a&number=7").status_code == 200
    assert client.get("/total?tab=a&number=6").json() == {"overtaken": True}
    assert client.get("/total?tab=b&number=6").status_code == 200


def test_two_tabs_at_once_are_told_the_same(client: TestClient) -> None:
    found: dict[str, list[float]] = {"a": [], "b": []}

    def tab(name: str) -> None:
        for number in range(8):
            answer = client.get(f"/total?tab={name}&number={number}&acceleration={1000 + 100 * number}")
            found[name].append(answer.json()["total_s"])

    threads = [threading.Thread(target=tab, args=(name,)) for name in found]
    for one in threads:
        one.start()
    for one in threads:
        one.join()
    assert found["a"] == found["b"] == sorted(found["a"], reverse=True)
