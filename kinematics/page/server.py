"""The live page's server: what each address answers, and how it is run."""

from __future__ import annotations

import contextlib
import os
import re
import socket
import tempfile
from collections.abc import AsyncIterator, Callable, Iterable
from functools import cache, partial
from importlib.resources import files
from pathlib import Path
from typing import Any, NamedTuple

import anyio.to_thread
import uvicorn
from starlette.applications import Starlette
from starlette.middleware.gzip import GZipMiddleware
from starlette.requests import ClientDisconnect, Request
from starlette.responses import HTMLResponse, JSONResponse, Response
from starlette.routing import Route

from kinematics import __version__
from kinematics.errors import InputError
from kinematics.page.answers import rest_document, sheet_document, total_document
from kinematics.page.curve import curve_document
from kinematics.page.downloads import estimate_text, machine_text, report_text
from kinematics.page.explorer import Explorer
from kinematics.page.guard import Application, Guard
from kinematics.page.knobs import settings_from
from kinematics.page.layer_picture import layer_document
from kinematics.page.money import orders_document, upgrades_document
from kinematics.page.shelf import LARGEST_DROP, ShelfJob
from kinematics.page.turns import DOWNLOADS, REST, TOTALS, OvertakenError, Place, Turns
from kinematics.reports.documents import head
from kinematics.reports.path_pictures import SHADED_BY_CAUSE, SHADED_BY_SPEED
from kinematics.reports.screens import CAUTION
from kinematics.reports.style import DARK, LIGHT, DrawingLook

# What stands in an address beside settings.
OWN_FIELDS = ("job", "keep", "knob", "layer", "by", "dark", "stacked", "tab", "number", "name", "shown", "prints")
SCRIPTS = ("explore.js", "asking.js", "knobs.js", "answers.js", "plots.js")
PLOTS = "plotly.js"
A_DAY = "private, max-age=86400"
NO_LONGER = "no-store"
SECONDS_TO_STOP = 2
MOST_REQUESTS = 64  # requests
MOST_DIGITS = 20  # of a size that is told


class Asked(NamedTuple):
    """What an address asks: jobs, settings, those that were kept, and all else by name."""

    jobs: list[ShelfJob]
    settings: dict[str, Any]
    kept: list[dict[str, Any]]
    own: dict[str, str]

    @property
    def place(self) -> Place | None:
        """Where the question stands among those of its tab; None where it does not tell."""
        number = self.own.get("number", "")
        if not self.own.get("tab") or not number.isdecimal():
            return None
        return Place(self.own["tab"][:40], self.own["path"], int(number[:12]))


def asked(explorer: Explorer, request: Request) -> Asked:
    """What a request asks. Raises InputError for settings that are none, and where there is no job."""
    pairs = request.query_params.multi_items()
    jobs = explorer.shelf.chosen([value for name, value in pairs if name == "job"])
    if not jobs:
        raise InputError.at("", "there is no job yet", "a G-code file that is dropped onto the page")
    from urllib.parse import parse_qsl

    kept = [settings_from(parse_qsl(value)) for name, value in pairs if name == "keep"]
    settings = _settings_of(request)
    own = {name: value for name, value in pairs if name in OWN_FIELDS} | {"path": request.url.path}
    return Asked(jobs, settings, kept, own)


def _settings_of(request: Request) -> dict[str, Any]:
    return settings_from([pair for pair in request.query_params.multi_items() if pair[0] not in OWN_FIELDS])


class PageServer:
    """The answers of a live page by address."""

    def __init__(self, explorer: Explorer) -> None:
        self.explorer = explorer
        self.turns = Turns()

    def prepare(self) -> None:
        """Read and plan every job once. Raises InputError where one cannot be used."""
        for one in self.explorer.shelf.jobs():
            self.turns.now(TOTALS, partial(self.explorer.timed_anew, [one], {}))

    def application(self) -> Starlette:
        """The addresses, and what each of them does."""
        routes = [
            Route("/", self.page),
            Route("/sheet", self.sheet),
            Route("/total", partial(self._asked, TOTALS, self._total)),
            Route("/rest", partial(self._asked, REST, self._rest)),
            Route("/curve", partial(self._asked, REST, self._curve)),
            Route("/layer", partial(self._asked, REST, self._layer)),
            Route("/upgrades", partial(self._asked, DOWNLOADS, self._upgrades)),
            Route("/orders", self.orders),
            Route("/machine.toml", self.machine_file),
            Route("/report.html", self.report),
            Route("/estimate.json", self.estimate),
            Route("/jobs", self.drop, methods=["POST"]),
            Route("/look.css", _style),
            Route(f"/{PLOTS}", _plots),
            *(Route(f"/{name}", partial(_script, name)) for name in SCRIPTS),
        ]
        handlers = {InputError: self._cannot, OvertakenError: _overtaken, Exception: _unforeseen}
        return Starlette(routes=routes, exception_handlers=handlers, lifespan=self._lifespan)  # type: ignore[arg-type]

    @contextlib.asynccontextmanager
    async def _lifespan(self, _: Starlette) -> AsyncIterator[None]:
        try:
            yield
        finally:
            self.turns.stop()
            self.explorer.shelf.clear()

    async def page(self, _: Request) -> Response:
        """The page itself."""
        return HTMLResponse(page_text(self.explorer), headers={"cache-control": NO_LONGER})

    async def sheet(self, _: Request) -> Response:
        """What does not change while knobs are turned."""
        return self._json(await self.turns.answered(REST, lambda: sheet_document(self.explorer)))

    async def _asked(self, thread: str, answer: Callable[[Asked], dict[str, Any]], request: Request) -> Response:
        question = asked(self.explorer, request)
        return self._json(await self.turns.answered(thread, lambda: answer(question), question.place))

    def _total(self, question: Asked) -> dict[str, Any]:
        return total_document(self.explorer, question.jobs, question.settings)

    def _rest(self, question: Asked) -> dict[str, Any]:
        return rest_document(self.explorer, question.jobs, question.settings)

    def _curve(self, question: Asked) -> dict[str, Any]:
        return curve_document(self.explorer, question.jobs, question.settings, question.own.get("knob", ""))

    def _layer(self, question: Asked) -> dict[str, Any]:
        own = question.own
        shown = next((one for one in question.jobs if str(one.number) == own.get("shown")), question.jobs[0])
        told = own.get("layer", "")
        layer = int(told[:9]) if told.isdecimal() else None
        how = SHADED_BY_SPEED if own.get("by") == SHADED_BY_SPEED else SHADED_BY_CAUSE
        dark, stacked = (own.get(name) == "1" for name in ("dark", "stacked"))
        return layer_document(self.explorer, shown, question.settings, layer, how, dark, stacked)

    def _upgrades(self, question: Asked) -> dict[str, Any]:
        told = question.own.get("prints", "")
        return upgrades_document(self.explorer, question.jobs, question.settings, told)

    async def orders(self, request: Request) -> Response:
        """The orders, as the printers are and with the setting on each of them."""
        settings = _settings_of(request)
        return self._json(await self.turns.answered(DOWNLOADS, lambda: orders_document(self.explorer, settings)))

    async def machine_file(self, request: Request) -> Response:
        """A copy of the machine file with the setting in it."""
        settings = _settings_of(request)
        text = await self.turns.answered(DOWNLOADS, lambda: machine_text(self.explorer, settings))
        return _download(text, "application/toml", "machine.toml")

    async def report(self, request: Request) -> Response:
        """The report on the setting and those that were kept."""
        question = asked(self.explorer, request)
        text = await self.turns.answered(
            DOWNLOADS, lambda: report_text(self.explorer, question.jobs, question.settings, question.kept)
        )
        return _download(text, "text/html", "report.html")

    async def estimate(self, request: Request) -> Response:
        """The document of `estimate --json` for the setting."""
        question = asked(self.explorer, request)
        text = await self.turns.answered(
            DOWNLOADS, lambda: estimate_text(self.explorer, question.jobs, question.settings)
        )
        return _download(text, "application/json", "estimate.json")

    async def drop(self, request: Request) -> Response:
        """Take a file that is dropped onto the page: what comes is written down piece by piece, and not for long."""
        told = request.headers.get("content-length", "")
        if told.isdecimal() and int(told[:MOST_DIGITS]) > LARGEST_DROP:
            return self._refused(413, f"this file is larger than {LARGEST_DROP // 1_000_000} MB")
        file = await self._written(request)
        if file is None:
            return self._refused(413, f"this file is larger than {LARGEST_DROP // 1_000_000} MB")
        name = request.query_params.get("name", "")
        put = partial(self.explorer.shelf.put, file, name, self.explorer.machine)
        job = await self.turns.answered(REST, put)
        return self._json({"number": job.number, "name": job.name})

    async def _written(self, request: Request) -> Path | None:
        """The file that a request brings, in the temporary folder; None where it is too large, and then nowhere."""
        handle, path = tempfile.mkstemp(dir=self.explorer.shelf.folder)
        taken = 0
        with os.fdopen(handle, "wb") as file:
            try:
                async for piece in request.stream():
                    taken += len(piece)
                    if taken > LARGEST_DROP:
                        break
                    await anyio.to_thread.run_sync(file.write, piece)
            except ClientDisconnect:
                taken = LARGEST_DROP + 1
        if taken > LARGEST_DROP:
            Path(path).unlink()
            return None
        return Path(path)

    def _json(self, document: dict[str, Any], status: int = 200) -> Response:
        return JSONResponse(self.explorer.told(document), status, headers={"cache-control": NO_LONGER})

    def _refused(self, status: int, *words: str) -> Response:
        return self._json({"findings": list(words)}, status)

    async def _cannot(self, _: Request, error: InputError) -> Response:
        return self._refused(422, *(str(one) for one in error.findings))


async def _overtaken(_: Request, __: Exception) -> Response:
    return JSONResponse({"overtaken": True}, 409, headers={"cache-control": NO_LONGER})


async def _unforeseen(_: Request, error: Exception) -> Response:
    """Nobody sees a traceback; which kind of failure it was helps who has to find it."""
    words = "not enough memory for this job" if isinstance(error, MemoryError) else "this should not have happened"
    told = {"findings": [f"{words} ({type(error).__name__})"]}
    return JSONResponse(told, 500, headers={"cache-control": NO_LONGER})


def _download(text: str, kind: str, name: str) -> Response:
    headers = {"content-disposition": f'attachment; filename="{name}"', "cache-control": NO_LONGER}
    return Response(text.encode("utf-8", "backslashreplace"), media_type=f"{kind}; charset=utf-8", headers=headers)


@cache
def plot_script() -> str:
    """The library that draws plots, as its package brings it."""
    return (files("plotly") / "package_data" / "plotly.min.js").read_text(encoding="utf-8")


@cache
def style_marks() -> tuple[str, ...]:
    """Names of style elements that the library would put into the page, which the policy forbids: it leaves out those
    that are there already, and `explore.css` holds what its plots need of them.
    """
    return tuple(sorted(set(re.findall(r'getElementById\("([0-9a-f]{32,})"\)', plot_script()))))


async def _plots(_: Request) -> Response:
    return Response(plot_script(), media_type="text/javascript", headers={"cache-control": A_DAY})


def _text_of(name: str) -> str:
    return (files("kinematics.page") / "templates" / name).read_text(encoding="utf-8")


async def _script(name: str, _: Request) -> Response:
    return Response(_text_of(name), media_type="text/javascript", headers={"cache-control": NO_LONGER})


def _colours(look: DrawingLook) -> str:
    return " ".join(f"--{name}: {colour};" for name, colour in look.named().items())


async def _style(_: Request) -> Response:
    text = f":root {{ {_colours(LIGHT)} }}\n@media (prefers-color-scheme: dark) {{ :root {{ {_colours(DARK)} }} }}\n"
    return Response(text + _text_of("explore.css"), media_type="text/css", headers={"cache-control": NO_LONGER})


def page_text(explorer: Explorer) -> str:
    """The page as HTML; what it shows of jobs and settings is asked for by its scripts."""
    import jinja2

    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("kinematics.page", "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template("explore.html").render(
        machine=explorer.names.told(explorer.words),
        command=explorer.names.told(explorer.started_by),
        caution=CAUTION,
        marks=style_marks(),
        megabytes=LARGEST_DROP // 1_000_000,
        version=__version__,
    )


def guarded(server: PageServer, port: int, names: Iterable[str] = (), open_to_all: bool = False) -> Application:
    """The whole application behind its guard; arguments as `Guard` takes them."""
    packed: Any = GZipMiddleware(server.application(), minimum_size=2000, compresslevel=1)
    return Guard(packed, port, names, open_to_all)


def listening(host: str, port: int, elsewhere: bool) -> socket.socket:
    """A socket that listens at an address; at any free port where that one is taken and `elsewhere` will do.

    Raises InputError where nothing can listen there.
    """
    try:
        kind, _, _, _, _ = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0]
    except (OSError, UnicodeError):
        raise InputError.at("--host", f"{host!r} is no address of this computer", "127.0.0.1, or another one") from None
    for tried in (port, 0) if elsewhere else (port,):
        try:
            return socket.create_server((host, tried), family=kind)
        except OSError as error:
            reason = error.strerror or str(error)
    raise InputError.at("--port", f"nothing can listen at {host}, port {port}: {reason.lower()}", "another port")


def serve(server: PageServer, listener: socket.socket, names: Iterable[str], open_to_all: bool) -> None:
    """Answer until somebody stops the program."""
    port = listener.getsockname()[1]
    config = uvicorn.Config(
        guarded(server, port, names, open_to_all),
        log_level="critical",
        access_log=False,
        server_header=False,
        ws="none",
        http="h11",
        lifespan="on",
        limit_concurrency=MOST_REQUESTS,
        timeout_graceful_shutdown=SECONDS_TO_STOP,
    )
    uvicorn.Server(config).run(sockets=[listener])


def document_of(address: str, explorer: Explorer) -> dict[str, Any]:
    """Where the page is, with which machine and jobs, as plain data."""
    jobs = [one.name for one in explorer.shelf.jobs()]
    return head() | {"address": address, "machine": explorer.machine.as_dict(), "jobs": jobs}
