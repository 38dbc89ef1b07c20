"""`python -m kinematics`."""

import os
import sys
import warnings

INTERRUPTED = b"kinematics: interrupted\n"


def run() -> None:
    """Run the program and leave at once: taking the compiler apart again would take longer than many an answer."""
    status: object = 0
    try:
        _open_streams()
        sys.unraisablehook = _unraisable
        warnings.simplefilter("ignore")  # of libraries, to whoever writes programs; what concerns a maker is a notice
        from kinematics.cli import console, program

        try:
            program.main()
        except SystemExit as leaving:
            status = leaving.code
        try:
            console.flush_answer()
        except Exception as error:
            status = program.told(error)
    except KeyboardInterrupt:  # in the first tenth of a second, or the last
        os.write(2, INTERRUPTED)
        status = 130
    try:
        if sys.stderr is not None:
            sys.stderr.flush()
    except (OSError, ValueError):
        pass  # nobody is there to hear of it
    os._exit(status if isinstance(status, int) else 0)


def _unraisable(what: object) -> None:
    """End where Ctrl-C falls into what no exception leaves, as the import system's own callbacks."""
    if isinstance(getattr(what, "exc_value", None), KeyboardInterrupt):
        os.write(2, INTERRUPTED)
        os._exit(130)


def _open_streams() -> None:
    """Open what the caller has closed of the three streams, so that no file of ours is taken for one of them.

    Standard input is then empty, standard output takes nothing, and remarks are lost.
    """
    for number, how in enumerate((os.O_RDONLY, os.O_RDONLY, os.O_WRONLY)):
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, how)  # takes the lowest number that is free: this one
    if sys.stdin is None:
        sys.stdin = open(0, encoding="utf-8", closefd=False)  # noqa: SIM115 (stays open as long as the program runs)
    if sys.stdout is None:
        sys.stdout = open(1, "w", encoding="utf-8", closefd=False)  # noqa: SIM115
    if sys.stderr is None:
        sys.stderr = open(2, "w", encoding="utf-8", closefd=False)  # noqa: SIM115


if __name__ == "__main__":
    run()
