"""`kinematics explore`."""

from __future__ import annotations

from collections.abc import Sequence
from importlib.util import find_spec
from pathlib import PurePath
from typing import TYPE_CHECKING, Any

import click

from kinematics.cli.options import JobOptions, job_options, jobs_with_moves, machine_or_stand_in, machine_words
from kinematics.cli.report import check_shop, command_text
from kinematics.cli.shop import order_book

if TYPE_CHECKING:
    from kinematics.business.runs import OrderBook
    from kinematics.jobs.prepared import PreparedJob
    from kinematics.machine import Machine
    from kinematics.page.explorer import Explorer

PACKAGES = ("starlette", "uvicorn", "plotly")  # what the extra `page` brings
PORT = 6240  # the usual one; another where it is taken
HERE = "127.0.0.1"


@click.command("explore")
@job_options(required=False)
@click.option(
    "--host",
    default=HERE,
    metavar="ADDRESS",
    help=f"Address to answer at (default: {HERE}, this computer alone; 0.0.0.0 is everybody on the network).",
)
@click.option("--port", type=click.IntRange(0, 65535), metavar="N", help=f"Port to answer at (default: {PORT}).")
@click.option("--orders", metavar="ORDERS.csv", help="Orders, for parts a day; together with --printers and --start.")
@click.option("--printers", metavar="PRINTERS.csv", help="The printers of the orders.")
@click.option("--start", metavar="WHEN", help="When the shop starts: 2026-03-02.")
@click.option("--open", "opens", is_flag=True, help="Open the page in the browser.")
@click.pass_context
def command(
    context: click.Context,
    asked: JobOptions,
    host: str,
    port: int | None,
    orders: str | None,
    printers: str | None,
    start: str | None,
    opens: bool,
) -> None:
    """The same as a report, live: turn a knob and see the time.

    A page in your browser, answered by this program alone until Ctrl-C ends it. Every change plans the whole job again.
    Without JOB, drop a G-code file onto the page.
    """
    from kinematics.cli import console

    _check_packages()
    machine = machine_or_stand_in(asked)
    check_shop(orders, printers, start)
    prepared = jobs_with_moves(asked)
    book = None if orders is None else order_book(asked, orders, printers or "", start or "")
    from kinematics.page.server import PageServer, document_of, listening, serve

    listener = listening(host, PORT if port is None else port, port is None)
    tables = [name for name in (orders, printers) if name is not None]
    explorer = explorer_of(asked, prepared, machine, command_text(context), book, tables)
    server = PageServer(explorer)
    try:
        server.prepare()
        from kinematics import compiled

        compiled.mark_warm()
        own_host, own_port = listener.getsockname()[:2]
        others = own_host not in (HERE, "::1")
        address = f"http://{_in_address(_reached_at(host))}:{own_port}/"
        if asked.as_json:
            console.say_json(document_of(address, explorer))
        else:
            console.say([address])
        console.flush_answer()
        if others:
            console.remark("everybody on this network can see this page and drop files onto it")
        console.remark("open it in a browser; Ctrl-C ends it")
        if opens:
            import webbrowser

            webbrowser.open(address)
        serve(server, listener, _names_of(host), others)
    except KeyboardInterrupt:
        console.remark("stopped")
    finally:
        server.turns.stop()
        explorer.shelf.clear()
        listener.close()


def _check_packages() -> None:
    """Raises InputError where what the page is made with is not there."""
    from kinematics.errors import InputError

    missing = [name for name in PACKAGES if find_spec(name) is None]
    if missing:
        found = f"the live page needs {' and '.join(missing)}, not installed here"
        hint = 'kinematics with its extra "page" brings them all'
        raise InputError.at("explore", f"{found}: pip install {' '.join(PACKAGES)}", hint=hint)


def explorer_of(
    asked: JobOptions,
    prepared: Sequence[PreparedJob],
    machine: Machine,
    started_by: str,
    book: OrderBook | None = None,
    tables: Sequence[str] = (),
) -> Explorer:
    """What the page is about; `tables` are files that its texts may name beside those of the options."""
    from kinematics.gcode.dialect_file import load_dialect
    from kinematics.gcode.dialects import DIALECTS
    from kinematics.page.explorer import Explorer
    from kinematics.page.shelf import JobReading, Shelf
    from kinematics.reports.page import Names
    from kinematics.studies.estimate import STAND_IN

    dialect = DIALECTS[asked.dialect] if asked.dialect in DIALECTS else load_dialect(asked.dialect)
    given = [(PurePath(path).name, job) for path, job in zip(asked.jobs, prepared, strict=True)]
    shelf = Shelf(given, JobReading(dialect, asked.file_limits, asked.block_delete))
    more = [name for name in (machine.proof.start_file, machine.proof.end_file) if name]
    if book is not None:
        more += [order.job for order in book.orders if order.job is not None]
        more += [printer.machine.source for printer in book.printers]
    names = Names([*asked.read, *tables, machine.source, str(shelf.folder), *more])
    words, laid_over = machine_words(asked, machine), _laid_over(machine, asked.material, asked.settings)
    return Explorer(machine, words, asked.machine_name or STAND_IN, laid_over, shelf, started_by, names, book)


def _laid_over(machine: Machine, material: str | None, settings: Sequence[str]) -> dict[str, Any]:
    """The settings of the material and of `--set`, of which the later one stands."""
    from kinematics.machine import parse_settings
    from kinematics.machine.file import is_named_alike
    from kinematics.machine.settings import with_later

    found: dict[str, Any] = {}
    for one in machine.materials:
        if material is not None and is_named_alike(one.name, material):
            found = dict(one.set)
    for text in settings:
        found = with_later(found, parse_settings(text), machine)
    return found


def _reached_at(host: str) -> str:
    """The address that stands for this computer where it answers at all of its own."""
    return {"0.0.0.0": HERE, "::": "::1"}.get(host, host)


def _in_address(host: str) -> str:
    return f"[{host}]" if ":" in host else host


def _names_of(host: str) -> list[str]:
    """What this computer is called where it answers others: by what was told, and by its own name."""
    import socket

    own = socket.gethostname()
    return [host] if host == HERE else [host, own, f"{own}.local"]
