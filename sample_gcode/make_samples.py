"""Makes the sample jobs, the same bytes every time: `python make_samples.py [--into DIR] [--check]`."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from jobs import JOBS


def main() -> int:
    """Write the jobs, or with `--check` compare them with those that stand there; exit status 1 where they differ."""
    parser = argparse.ArgumentParser(description="Makes the sample jobs.")
    here = Path(__file__).resolve().parent
    parser.add_argument("--into", type=Path, default=here, metavar="DIR", help="folder of the jobs (this one)")
    parser.add_argument("--check", action="store_true", help="write nothing, tell which jobs differ")
    options = parser.parse_args()
    different = 0
    if not options.check:
        options.into.mkdir(parents=True, exist_ok=True)
    for name, make in JOBS.items():
        path = options.into / name
        made = make().encode("ascii")
        if not options.check:
            path.write_bytes(made)
            print(f"{path}: {len(made)} bytes")
        elif not path.is_file() or path.read_bytes() != made:
            print(f"{path}: differs from what this script makes", file=sys.stderr)
            different += 1
    return 1 if different else 0


if __name__ == "__main__":
    sys.exit(main())
