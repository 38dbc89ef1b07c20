"""Who may ask the page's server, and what every answer carries."""

from __future__ import annotations

import pytest
from starlette.testclient import TestClient

from kinematics.page.guard import POLICY, Guard, host_and_port
from kinematics.page.server import PageServer, guarded
from tests.page.conftest import HERE, PORT

PATHS = ("/", "/sheet", "/total", "/rest", "/curve?knob=acceleration", "/layer", "/machine.toml", "/look.css")


@pytest.mark.parametrize(
    ("told", "found"),
    [
        ("127.0.0.1:6240", ("127.0.0.1", 6240)),
        ("LocalHost", ("localhost", 80)),
        ("[::1]:6240", ("::1", 6240)),
        ("[::1]", ("::1", 80)),
        ("[::1]x", None),
        ("[::1", None),
        ("a:b:1", None),
        ("", None),
        (":6240", None),
        ("here:", None),
        ("here:6240x", None),
        ("here:１", None),
    ],
)
def test_a_host_header_is_read_as_it_stands(told: str, found: tuple[str, int] | None) -> None:
    assert host_and_port(told) == found


@pytest.mark.parametrize("host", ["127.0.0.1:6240", "localhost:6240", "[::1]:6240"])
def test_names_of_this_computer_are_answered(client: TestClient, host: str) -> None:
    assert client.get("/total", headers={"host": host}).status_code == 200


@pytest.mark.parametrize(
    "host",
    ["bikes.example:6240", "127.0.0.1", "127.0.0.1:80", "localhost.bikes.example:6240", "192.168.1.5:6240", "", "[::1"],
)
@pytest.mark.parametrize("path", PATHS)
def test_a_foreign_name_that_leads_here_is_not(client: TestClient, host: str, path: str) -> None:
    answer = client.get(path, headers={"host": host})
    assert answer.status_code == 421
    assert "host" not in answer.text
    assert answer.headers["content-security-policy"] == POLICY


def test_on_the_network_it_is_asked_by_address_or_by_a_name_that_was_told(client: TestClient) -> None:
    server: PageServer = client.app._application.app.routes[1].endpoint.__self__  # type: ignore[attr-defined]
    with TestClient(guarded(server, PORT, ["workshop"], True), base_url=HERE) as open_to_all:
        for host, status in (("192.168.1.5", 200), ("workshop", 200), ("[fe80::1]", 200), ("bikes.example", 421)):
            assert open_to_all.get("/sheet", headers={"host": f"{host}:6240"}).status_code == status


@pytest.mark.parametrize("method", ["PUT", "DELETE", "PATCH", "OPTIONS", "TRACE"])
@pytest.mark.parametrize("path", ["/", "/jobs", "/total"])
def test_other_methods_are_refused(client: TestClient, method: str, path: str) -> None:
    assert client.request(method, path, headers={"origin": HERE}).status_code == 405


def test_only_files_are_sent(client: TestClient) -> None:
    for path in ("/", "/total", "/machine.toml", "/report.html"):
        assert client.post(path, headers={"origin": HERE}).status_code == 405
    assert client.get("/jobs").status_code == 405


@pytest.mark.parametrize(
    "origin", [None, "null", "http://bikes.example", "http://localhost:6241", "https://127.0.0.1:6240"]
)
def test_what_another_page_sends_is_refused(client: TestClient, origin: str | None) -> None:
    headers = {} if origin is None else {"origin": origin}
    assert client.post("/jobs?name=a.gcode", content=b"G1 X10 F600\n", headers=headers).status_code == 403
    assert len(client.get("/sheet").json()["jobs"]) == 1


def test_another_page_may_lead_here_and_ask_nothing(client: TestClient) -> None:
    foreign = {"sec-fetch-site": "cross-site", "sec-fetch-mode": "navigate"}
    assert client.get("/", headers=foreign).status_code == 200
    assert client.get("/report.html", headers=foreign).status_code == 403
    for mode in ("no-cors", "cors"):
        for path in PATHS:
            assert client.get(path, headers=foreign | {"sec-fetch-mode": mode}).status_code == 403
    assert client.get("/total", headers={"sec-fetch-site": "same-site"}).status_code == 403
    assert client.get("/total", headers={"origin": "http://bikes.example"}).status_code == 403
    assert client.get("/total", headers={"sec-fetch-site": "same-origin"}).status_code == 200


@pytest.mark.parametrize("path", [*PATHS, "/nothing/here", "/total?acceleration=quick"])
def test_every_answer_forbids_what_is_not_its_own(client: TestClient, path: str) -> None:
    headers = client.get(path).headers
    assert headers["content-security-policy"] == POLICY
    for part in ("default-src 'none'", "script-src 'self'", "style-src 'self'", "frame-ancestors 'none'"):
        assert part in POLICY
    assert "unsafe" not in POLICY
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["cross-origin-resource-policy"] == "same-origin"
    assert headers["referrer-policy"] == "no-referrer"
    assert "access-control-allow-origin" not in headers


def test_an_endless_address_is_refused(client: TestClient) -> None:
    assert client.get("/total?job=" + "1" * 9000).status_code == 414
    many = "&".join(f"motion.by_label.n{i}.speed_cap_mm_s=9" for i in range(61))
    answer = client.get(f"/total?{many}")
    assert answer.status_code == 422
    assert "60 at most" in answer.text


def test_no_other_kind_of_connection_is_opened() -> None:
    async def nothing(*_: object) -> None:
        raise AssertionError("it was let through")

    import asyncio

    asyncio.run(Guard(nothing, PORT)({"type": "websocket", "headers": []}, nothing, nothing))
