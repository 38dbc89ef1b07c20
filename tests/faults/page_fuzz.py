"""Requests of every kind to the live page, thousands in one process: `python -m tests.faults.page_fuzz RUNS SEED`.

Whatever is asked, the page answers within a second of processor time (a report within five) with what it has, or with
why not: never with 500 or more, an exception, a path of the disk, a number that is none in JSON, or without its
policy; nothing is left behind, and memory stays where it is. The server is asked as uvicorn asks it, so that addresses,
headers and bodies may hold any bytes. What breaks is printed with its number; the same seed makes the same run again.
"""

from __future__ import annotations

import asyncio
import gc
import gzip
import json
import random
import resource
import sys
import tempfile
import time
import warnings
from collections.abc import Iterator, MutableMapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, NamedTuple
from unittest import mock
from urllib.parse import quote, unquote

from kinematics.cli.explore import explorer_of
from kinematics.cli.options import JobOptions
from kinematics.jobs.prepared import PreparedJob
from kinematics.machine import load_machine
from kinematics.page import server as page_server
from kinematics.page import shelf, turns
from kinematics.page.guard import Application
from kinematics.page.server import PageServer, guarded
from tests.cli.conftest import BRACKET, HOOK
from tests.cli.test_fuzz import GCODE_LETTERS, JOB_NUMBERS, damaged, random_bytes
from tests.malformed.jobs import JOBS
from tests.malformed.page_requests import ASKED

PORT = 6240
HOST = f"127.0.0.1:{PORT}".encode()
LONGEST, LONGEST_REPORT = 1.0, 5.0  # s of processor time
PATIENCE = 60.0  # s of the clock, where a machine is busy
WHILE_COMPILING = 600.0  # the same for what may have to be compiled first
LARGEST = 20_000  # bytes of a file that is dropped, here
MOST_MOVES = 2_000  # of one, here
MOST_MEMORY = 200_000_000  # bytes beyond those of the first requests
WARM = 200  # requests
ANSWERS = frozenset({200, 307, 400, 403, 404, 405, 409, 413, 414, 421, 422})
REPORTS = ("/report.html", "/upgrades", "/orders", "/rest", "/sheet")
ADDRESSES = ("/", "/total", "/rest", "/curve", "/layer", "/upgrades", "/orders", "/machine.toml", "/report.html",
             "/estimate.json", "/jobs", "/sheet", "/look.css", "/plotly.js", "/explore.js", "/nothing", "//total",
             "/../jobs", "/total/", "/%2e%2e/jobs", "")  # fmt: skip
QUICK_ONES = ADDRESSES[1:5]  # which are asked most
# What asks for every kind of kernel there is: of plain limits, filters, moves that are tied to each other, ranges.
PREPARING = (
    "acceleration=900&knob=speed&layer=1",
    "vibration.x.filter=ZVD&vibration.x.filter_frequency_hz=40&knob=corner",
    "controller.moves_per_s=300&motion.lookahead_moves=9&knob=flow",
    "speed=%7Blow%3D1,likely%3D2,high%3D3%7D&knob=acceleration",
)
NAMES = ("acceleration", "speed", "corner", "flow", "job", "keep", "knob", "layer", "by", "dark", "stacked", "tab",
         "number", "name", "shown", "prints", "vibration.x.filter", "vibration.y.filter", "motion.lookahead_moves",
         "vibration.x.filter_frequency_hz", "axes.x.max_speed_mm_s", "cooling.shortest_layer_s", "machine.mechanism",
         "controller.moves_per_s", "filament.pressure_advance_s", "motion.by_label.outer.speed_cap_mm_s", "nonsense",
         "hotend.max_flow_mm3_s", "motors.x.torque_nm", "vibration.x.filter_impulses", "machine.bed_mm", "upgrade",
         "economy.staffed", "stops.homing_s", "quality.ringing_budget_mm", "quality.rounding_budget_mm", "", "a.b.c",
         "motion.arc_tolerance_mm", "motion.curve_window_mm", "motion.short_run_mm",
         "filament.diameter_mm")  # fmt: skip
VALUES = ("1", "2", "9", "300", "4000", "0.1", "0", "-1", "1e-300", "1e300", "nan", "inf", "-inf", "9" * 400, "1_0",
          "true", "none", "ZVD", "three-hump-EI", "own", "linear-delta", "speed", "binds",
          "[1, 2]", "{low=1, likely=2, high=3}",
          "[[0, 0.4], [600, 0.3]]", "[" * 300, "{a=1}", "'", '"', "\x00", "\ud800", "²", "١٢", "<script>", "../../etc",
          "acceleration=900&speed=2", "acceleration=9%ff", "a" * 3000, "", " ", "\n", "=", "1;2")  # fmt: skip
LETTERS = bytes(range(256))

Message = MutableMapping[str, Any]


class Sent(NamedTuple):
    """A request: method, address as it is on the wire, query, headers, pieces of a body (None: who asks has gone)."""

    method: str
    address: bytes
    query: bytes
    headers: tuple[tuple[bytes, bytes], ...]
    body: tuple[bytes | None, ...] = (b"",)


class Told(NamedTuple):
    """An answer: status, headers, body, and the processor time (s) that it took."""

    status: int
    headers: dict[bytes, bytes]
    body: bytes
    seconds: float


async def answer(application: Application, sent: Sent, patience: float = PATIENCE) -> Told:
    """Ask once; wait for so many seconds."""
    pieces = list(sent.body)
    told: list[Message] = []

    async def receive() -> Message:
        if not pieces:
            await asyncio.sleep(PATIENCE)
        piece = pieces.pop(0) if pieces else None
        if piece is None:
            return {"type": "http.disconnect"}
        return {"type": "http.request", "body": piece, "more_body": bool(pieces)}

    async def send(message: Message) -> None:
        told.append(message)

    scope = {
        "type": "http", "asgi": {"version": "3.0", "spec_version": "2.4"}, "http_version": "1.1", "scheme": "http",
        "method": sent.method, "path": unquote(sent.address.decode("latin-1")), "raw_path": sent.address,
        "query_string": sent.query, "headers": list(sent.headers), "root_path": "", "state": {},
        "client": ("127.0.0.1", 50000), "server": ("127.0.0.1", PORT),
    }  # fmt: skip
    begun = time.process_time()
    await asyncio.wait_for(application(scope, receive, send), patience)
    seconds = time.process_time() - begun
    if not told:
        raise AssertionError("no answer")
    body = b"".join(one.get("body", b"") for one in told[1:])
    return Told(told[0]["status"], dict(told[0]["headers"]), body, seconds)


def check(sent: Sent, told: Told, folder: str) -> None:
    """Raise AssertionError for an answer that must not be; `folder` must not be told."""
    assert told.status in ANSWERS, f"status {told.status}: {told.body[:300]!r}"
    assert b"default-src 'none'" in told.headers.get(b"content-security-policy", b""), "no policy"
    most = LONGEST_REPORT if any(sent.address.startswith(one.encode()) for one in REPORTS) else LONGEST
    assert told.seconds <= most, f"{told.seconds:.1f} s"
    there = told.headers.get(b"location", b"http://" + HOST + b"/")
    assert there.startswith(b"http://" + HOST + b"/"), f"sent elsewhere: {there!r}"
    body = gzip.decompress(told.body) if told.headers.get(b"content-encoding") == b"gzip" else told.body
    assert folder.encode() not in body, "a path of the disk"
    assert b"Traceback (most" not in body, "a traceback"
    if told.headers.get(b"content-type", b"").startswith(b"application/json") and body:
        json.loads(body, parse_constant=lambda name: sys.exit(f"{name} in JSON"))


def made(chance: random.Random) -> Sent:
    """A request at random: mostly sound in all but one or two places."""
    address: str = chance.choice(QUICK_ONES if chance.random() < 0.6 else ADDRESSES)
    method = "POST" if address == "/jobs" else "GET"
    if chance.random() < 0.05:
        method = chance.choice(("HEAD", "POST", "PUT", "DELETE", "OPTIONS", "get", "\x00", "CONNECT"))
    on_the_wire = address.encode()
    if chance.random() < 0.05:
        on_the_wire = damaged(chance, on_the_wire, b"/.%0ae2f?#\\\xff", [b"%00", b"%ff", b"/" * 50])
    return Sent(method, on_the_wire, _query(chance), _headers(chance, method), _body(chance, method))


def _query(chance: random.Random) -> bytes:
    pairs = [(chance.choice(NAMES), chance.choice(VALUES)) for _ in range(chance.choice((0, 1, 1, 2, 2, 3, 8, 70)))]
    if chance.random() < 0.5:  # what goes well together
        pairs += [("acceleration", f"{chance.uniform(10, 9000):.3g}"), ("job", chance.choice("1123456"))]
        pairs += [("knob", chance.choice(NAMES)), ("layer", str(chance.randrange(-1, 40)))]
    text = "&".join(f"{_quoted(name)}={_quoted(value)}" for name, value in pairs).encode()
    if chance.random() < 0.2:
        text = damaged(chance, text, b"&=%;+.[]{}'\"0123456789\x00\xff", [b"%ff", b"%00", b"&&", b"1e999"])
    return text if chance.random() < 0.98 else text * 200


def _quoted(text: str) -> str:
    return quote(text, safe="", errors="surrogatepass")


def _headers(chance: random.Random, method: str) -> tuple[tuple[bytes, bytes], ...]:
    headers = [(b"host", HOST), (b"origin", b"http://" + HOST), (b"accept-encoding", b"gzip")]
    if method == "POST":
        headers.append((b"content-length", chance.choice((b"1", b"0", b"x", b"", b"-5", b"9" * 5000, b"\xb2", b"300"))))
    if chance.random() < 0.15:
        name = chance.choice((b"host", b"origin", b"sec-fetch-site", b"sec-fetch-mode", b"accept-encoding",
                              b"range", b"content-type", b"cookie", b"if-none-match",
                              b"transfer-encoding", b"expect"))  # fmt: skip
        value = damaged(chance, HOST, LETTERS, [b"[::1]", b":99999", b"none", b"null", b"bytes=0-", b"gzip;q=x", b",,"])
        headers.append((name, value))
    if chance.random() < 0.05:
        headers.pop(0)
    chance.shuffle(headers)
    return tuple(headers)


def _body(chance: random.Random, method: str) -> tuple[bytes | None, ...]:
    if method != "POST":
        return (b"",)
    content = chance.choice((HOOK.encode(), BRACKET.encode()[:3000], *(one for one, _, _ in JOBS.values())))
    way = chance.randrange(6)
    if way in (0, 1):
        content = damaged(chance, content, GCODE_LETTERS, JOB_NUMBERS)
    elif way == 2:
        content = random_bytes(chance, chance.choice((None, GCODE_LETTERS)))
    elif way == 3:
        content = gzip.compress(content)[: chance.choice((None, 20, 9))]
    elif way == 4:
        content = content * (1 + LARGEST // max(1, len(content)))
    cuts = sorted(chance.randrange(len(content) + 1) for _ in range(chance.randrange(4)))
    pieces = [content[one:two] for one, two in zip([0, *cuts], [*cuts, len(content)], strict=True)]
    return (*pieces, *((None,) if chance.random() < 0.1 else ()))


@contextmanager
def a_page(folder: Path) -> Iterator[tuple[PageServer, Application]]:
    """A page about a small job, which takes small files and keeps few tabs."""
    job = folder / "hook.gcode"
    job.write_text(HOOK)
    asked = JobOptions((str(job),), machine_name="quick")
    explorer = explorer_of(asked, [PreparedJob(str(job))], load_machine("quick"), "kinematics explore")
    server = PageServer(explorer)
    with (
        mock.patch.object(page_server, "LARGEST_DROP", LARGEST),
        mock.patch.object(shelf, "MOST_MOVES", MOST_MOVES),
        mock.patch.object(turns, "MOST_TABS", 8),
    ):
        try:
            yield server, guarded(server, PORT)
        finally:
            server.turns.stop()
            explorer.shelf.clear()


def memory() -> int:
    """What this process has in memory (bytes), once all that is garbage is gone."""
    gc.collect()
    return int(Path("/proc/self/statm").read_text().split()[1]) * resource.getpagesize()


def sound(address: str, query: str) -> Sent:
    """A request as the page itself sends it."""
    headers = ((b"host", HOST), (b"origin", b"http://" + HOST), (b"accept-encoding", b"gzip"))
    return Sent("GET", address.encode(), query.encode(), headers)


async def prepare(application: Application) -> None:
    """Ask for everything once, so that all is compiled that will be asked for."""
    for query in PREPARING:
        for address in (*QUICK_ONES, "/report.html", "/estimate.json"):
            await answer(application, sound(address, query), WHILE_COMPILING)


class Searched(NamedTuple):
    """What broke, and what was in memory (bytes) after WARM requests, 0 where there were fewer, and at the end."""

    broken: list[str]
    memory_at_first: int
    memory_at_last: int


async def search(requests: Sequence[Sent]) -> Searched:
    """Ask all of them; what broke."""
    broken: list[str] = []
    with tempfile.TemporaryDirectory(prefix="secret-folder-") as name, a_page(Path(name)) as (server, application):
        await prepare(application)
        at_first = 0
        for number, sent in enumerate(requests):
            if number == WARM:
                at_first = memory()
            try:
                with warnings.catch_warnings():
                    warnings.simplefilter("error")
                    check(sent, await answer(application, sent), name)
            except Exception as error:
                broken.append(f"{number}: {type(error).__name__}: {error}\n  {sent}"[:1500])
        at_last = memory()
        if at_first and at_last - at_first > MOST_MEMORY:
            broken.append(f"memory grew by {(at_last - at_first) / 1e6:.0f} MB")
        left = [*server.explorer.shelf.folder.iterdir()]
        if len(left) > shelf.MOST_DROPPED:
            broken.append(f"{len(left)} files are left of those that were dropped")
        if len(server.turns._newest) > turns.MOST_TABS:
            broken.append(f"{len(server.turns._newest)} tabs are kept")
    return Searched(broken, at_first, at_last)


def requests_of(runs: int, seed: int) -> list[Sent]:
    """What once broke something, and so many requests at random."""
    found = [Sent(*one) for one in ASKED]
    return [*found, *(made(random.Random(seed * 1_000_003 + number)) for number in range(runs))]


def main() -> None:
    """Search, and tell what broke."""
    runs, seed = int(sys.argv[1]), int(sys.argv[2])
    requests = requests_of(runs, seed)
    begun = time.monotonic()
    found = asyncio.run(search(requests))
    print("\n".join(found.broken))
    megabytes = f"{found.memory_at_last / 1e6:.0f} MB in memory"
    if found.memory_at_first:
        megabytes += f", {found.memory_at_first / 1e6:.0f} after the first {WARM}"
    seconds = time.monotonic() - begun
    print(f"{len(requests):,} requests in {seconds:.0f} s, {len(found.broken)} broke something; {megabytes}")
    sys.exit(1 if found.broken else 0)


if __name__ == "__main__":
    main()
