"""The program run inside this process, in a fresh folder with two small jobs: as for the command line's own tests."""

from tests.cli.conftest import folder, run

__all__ = ["folder", "run"]
