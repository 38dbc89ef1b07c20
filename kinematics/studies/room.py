"""How many moves may be kept of a job: as many as memory holds while they are planned."""

from __future__ import annotations

import os
from pathlib import Path

BYTES_A_MOVE = 1500  # of a kept job at the worst: 50 its moves, 200 their features, the rest plans and what studies ask
SHARE = 0.5  # of memory; the rest is for other programs
FEWEST = 100_000  # moves, which take less than the program itself
GROUP_LIMITS = ("/sys/fs/cgroup/memory.max", "/sys/fs/cgroup/memory/memory.limit_in_bytes")


def most_moves_kept() -> int:
    """How many moves a job may have of which all are kept."""
    return max(FEWEST, int(SHARE * memory() / BYTES_A_MOVE))


def memory() -> int:
    """Bytes of memory that this process may have: of the machine, of its group, and what its own limit leaves."""
    found = [1 << 40]  # where nothing tells
    try:
        found.append(os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE"))
    except (AttributeError, OSError, ValueError):  # not on every system
        pass
    for path in GROUP_LIMITS:
        try:
            found.append(int(Path(path).read_text(encoding="ascii")))
        except (OSError, ValueError):  # "max" where there is none
            pass
    try:
        import resource

        limit, _ = resource.getrlimit(resource.RLIMIT_AS)
        if limit != resource.RLIM_INFINITY:
            used = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[0]) * resource.getpagesize()
            found.append(max(0, limit - used))
    except (ImportError, OSError, ValueError):
        pass
    return min(found)
