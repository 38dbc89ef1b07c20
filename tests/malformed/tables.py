"""Tables of orders and printers for `shop`: what differs from a sound one, the exit status, and what is said."""

from __future__ import annotations

ORDERS = "order,hours\nhooks,2\n"
PRINTERS = "name,machine\nLeft,quick\n"
NO_SUCH_YEAR = "allowed: a date or a date and time from 1971 to 2999"

TABLES: dict[str, tuple[str, str, tuple[str, ...], int, str]] = {
    "a start beyond the calendar": (ORDERS, PRINTERS, ("--start", "9999-12-31"), 2, NO_SUCH_YEAR),
    "a start before all clocks": (ORDERS, PRINTERS, ("--start", "0001-01-01"), 2, NO_SUCH_YEAR),
    "a due date beyond the calendar": (
        "order,hours,due\nhooks,2,9999-12-31\n", PRINTERS, (), 2, f"due is '9999-12-31'; {NO_SUCH_YEAR}",
    ),
    "a printer that is free in the last year of all": (
        ORDERS, "name,machine,free_from\nLeft,quick,9999-12-31 23:59\n", (), 2, NO_SUCH_YEAR,
    ),
    "orders for a million years": (
        "order,hours,quantity\nhooks,99999,100000\nrims,1,1\n", PRINTERS, ("--start", "2990-01-01"), 1,
        "hooks: with it the orders take more than 40 years of printing",
    ),
    "a job with a zero byte in its name": (
        'order,job,hours\nhooks,"a\0b",\nrims,,1\n', PRINTERS, (), 1, "a\\x00b: no such file",
    ),
    "an order that is an escape": (
        'order,job,hours\n"\x1b[31mred",absent.gcode,\nrims,,1\n', PRINTERS, (), 1, "\\x1b[31mred",
    ),
}  # fmt: skip
