"""What a report of a fault needs to say of the program and of the machine that it runs on."""

from __future__ import annotations

from importlib.metadata import PackageNotFoundError, version

from kinematics import __version__

LIBRARIES = ("numpy", "numba", "llvmlite", "scipy", "pandas", "matplotlib", "click", "rich", "tomlkit")


def about_lines() -> list[str]:
    """Version, source of the kernels, Python, libraries, system, processors and where machine code is kept."""
    import os
    import platform

    from kinematics import compiled

    found = []
    for name in LIBRARIES:
        try:
            found.append(f"{name} {version(name)}")
        except PackageNotFoundError:
            found.append(f"{name} is missing")
    kept = "nowhere" if compiled.CACHE_FOLDER is None else str(compiled.CACHE_FOLDER)
    return [
        f"kinematics {__version__}",
        f"Python {platform.python_version()} ({platform.python_implementation()})",
        ", ".join(found),
        f"{platform.platform()}, {os.cpu_count() or 0} processors, {platform.machine()}",
        f"machine code: {kept}",
    ]
