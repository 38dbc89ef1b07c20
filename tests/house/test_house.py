"""House rules that a machine can check: file sizes and names, docstrings, lazy imports, documented commands."""

from __future__ import annotations

import ast
import os
import re
import subprocess
import sys
from collections.abc import Collection, Iterator
from pathlib import Path

import click
import pytest

from kinematics.cli.program import COMMANDS, program
from kinematics.reports.guide import TOPICS, guide_lines

ROOT = Path(__file__).resolve().parents[2]
PACKAGE = ROOT / "kinematics"
LONGEST_FILE = 600  # lines of one subject
VAGUE_NAMES = {"util", "utils", "helper", "helpers", "common", "misc"}
COMPILER = {"numba", "llvmlite"}
SOURCES = sorted(PACKAGE.rglob("*.py"))
TESTS = sorted((ROOT / "tests").rglob("*.py"))
NAMES = [str(path.relative_to(ROOT)) for path in SOURCES]
HEAVY = ("numpy", "numba", "pandas", "pydantic", "rich", "matplotlib", "scipy", "jinja2", "numpy_financial")
Definition = ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef


def tree_of(path: Path) -> ast.Module:
    """The syntax of a file."""
    return ast.parse(path.read_text(encoding="utf-8"))


def definitions(body: list[ast.stmt], prefix: str = "") -> Iterator[tuple[str, Definition]]:
    """Functions and classes of a module or class by dotted name, not those inside functions."""
    for node in body:
        if isinstance(node, Definition):
            yield prefix + node.name, node
            if isinstance(node, ast.ClassDef):
                yield from definitions(node.body, f"{prefix}{node.name}.")


def imports_of(path: Path) -> set[str]:
    """Top-level packages that a file imports anywhere."""
    found: set[str] = set()
    for node in ast.walk(tree_of(path)):
        if isinstance(node, ast.Import):
            found |= {name.name.split(".")[0] for name in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module and node.level == 0:
            found.add(node.module.split(".")[0])
    return found


def modules_after(code: str) -> set[str]:
    """Top-level modules that are loaded after some code has run in a fresh process."""
    after = code + "\nimport sys; print('\\n' + ' '.join(sorted({name.split('.')[0] for name in sys.modules})))"
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    done = subprocess.run(
        [sys.executable, "-c", after], cwd=ROOT, env=environment, capture_output=True, text=True, check=True
    )
    return set(done.stdout.splitlines()[-1].split())


def after_command(*arguments: str) -> set[str]:
    """Top-level modules that are loaded after a command has run."""
    return modules_after(
        "from kinematics.cli.program import main\n"
        f"try:\n    main({list(arguments)!r})\n"
        "except SystemExit as left:\n    assert left.code == 0, left.code"
    )


def test_there_is_something_to_check() -> None:
    assert len(SOURCES) > 40


@pytest.mark.parametrize("path", [*SOURCES, *TESTS], ids=lambda path: str(path.relative_to(ROOT)))
def test_files_stay_short(path: Path) -> None:
    most = LONGEST_FILE if path in SOURCES else LONGEST_FILE + 10
    assert len(path.read_text(encoding="utf-8").splitlines()) <= most


@pytest.mark.parametrize("path", [*SOURCES, *TESTS], ids=lambda path: str(path.relative_to(ROOT)))
def test_files_are_named_by_what_they_hold(path: Path) -> None:
    names = {*path.relative_to(ROOT).with_suffix("").parts}
    assert not names & VAGUE_NAMES


@pytest.mark.parametrize("name", NAMES)
def test_public_names_have_docstrings(name: str) -> None:
    tree = tree_of(ROOT / name)
    without = [] if ast.get_docstring(tree) or not tree.body else ["the file"]
    for dotted, node in definitions(tree.body):
        public = not any(part.startswith("_") for part in dotted.split("."))
        if public and not ast.get_docstring(node):
            without.append(dotted)
    assert not without


@pytest.mark.parametrize("name", NAMES)
def test_docstrings_are_sentences(name: str) -> None:
    tree = tree_of(ROOT / name)
    odd = []
    for dotted, node in definitions(tree.body):
        text = ast.get_docstring(node)
        if text is None:
            continue
        first = re.split(r"\n\s*\n", text)[0]
        if not first.rstrip().endswith((".", ":", "?", "!")) or (not first[0].isupper() and first[0] not in "`[(123"):
            odd.append(dotted)
    assert not odd


@pytest.mark.parametrize("name", NAMES)
def test_only_three_files_know_the_compiler(name: str) -> None:
    """What asks it for machine code, what it is taught about rows of numbers, and what links code without it."""
    if name not in ("kinematics/compiling.py", "kinematics/compiled_lanes.py", "kinematics/linking.py"):
        assert not imports_of(ROOT / name) & COMPILER


@pytest.mark.parametrize("name", NAMES)
def test_kernels_live_where_the_cache_key_looks(name: str) -> None:
    from kinematics.compiled import KERNEL_ROOMS

    room = Path(name).parts[1]
    if "@compiled" in (ROOT / name).read_text(encoding="utf-8"):
        assert room in KERNEL_ROOMS or room.endswith(".py")


@pytest.mark.parametrize("name", NAMES)
def test_no_file_needs_what_only_the_tests_need(name: str) -> None:
    assert not imports_of(ROOT / name) & {"hypothesis", "pytest", "ruckig", "toppra"}


def test_the_version_is_told_once() -> None:
    import kinematics

    assert re.fullmatch(r"\d+\.\d+\.\d+", kinematics.__version__)
    assert "version =" not in (ROOT / "pyproject.toml").read_text().split("[tool.")[0].replace("target-version", "")


def test_importing_the_package_costs_nothing() -> None:
    assert not modules_after("import kinematics; dir(kinematics)") & {*HEAVY, "click"}


@pytest.mark.parametrize("arguments", [(), *((name,) for name in COMMANDS), ("machine", "new")], ids=" ".join)
def test_help_leaves_the_numbers_out(arguments: tuple[str, ...]) -> None:
    assert not after_command(*arguments, "--help") & set(HEAVY)


def test_an_estimate_loads_no_tables_and_no_pictures() -> None:
    for more in ((), ("--json",)):
        loaded = after_command("estimate", "sample_gcode/bracket.gcode", "--machine", "quick", *more)
        assert "numpy" in loaded
        assert not loaded & {"pandas", "matplotlib", "jinja2", "rich", "IPython", "numpy_financial"}


def test_a_comparison_loads_no_tables_and_no_pictures() -> None:
    loaded = after_command("compare", "sample_gcode/bracket.gcode", "--machine", "quick", "--candidate", "a: speed=2")
    assert not loaded & {"pandas", "matplotlib", "jinja2", "rich"}


def test_a_machine_is_shown_without_numbers() -> None:
    assert not after_command("machine", "show", "quick") & {"numpy", "numba", "pandas"}


def test_every_command_and_option_is_in_the_readme() -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    context = click.Context(program)
    missing = []
    for name in COMMANDS:
        command = program.get_command(context, name)
        inside = list(command.commands) if isinstance(command, click.Group) else []
        for words in [f"kinematics {name} {one}" for one in inside] or [f"kinematics {name}"]:
            if words not in readme and f"`{words.removeprefix('kinematics ')}`" not in readme:
                missing.append(words)
    assert not missing


def test_every_option_of_the_daily_commands_is_in_the_readme_or_a_guide() -> None:
    guides = ("\n".join(guide_lines(topic)) for topic in TOPICS)
    readme = "\n".join([(ROOT / "README.md").read_text(encoding="utf-8"), *guides])
    context = click.Context(program)
    options = {
        option
        for name in ("estimate", "compare", "ladder", "caps", "sweep", "target", "upgrades", "shop")
        for parameter in (program.get_command(context, name) or program).params
        if isinstance(parameter, click.Option)
        for option in parameter.opts
    }
    assert options
    missing = sorted(option for option in options if option not in readme and option not in ("-h", "--help"))
    assert not missing


def imported_by(module: str, path: Path, modules: Collection[str]) -> set[str]:
    """The modules of the package that a file imports, wherever in it that stands."""
    found: set[str] = set()
    for node in ast.walk(tree_of(path)):
        if isinstance(node, ast.ImportFrom) and node.module is not None:
            inside = {f"{node.module}.{one.name}" for one in node.names}
            found |= inside & {*modules} or {node.module}
        elif isinstance(node, ast.Import):
            found |= {one.name for one in node.names}
    return found & {*modules} - {module}


def test_no_more_than_two_files_import_each_other_in_a_circle() -> None:
    """Imports inside functions count as well: a reader goes that way, too."""
    paths = {".".join(path.relative_to(ROOT).with_suffix("").parts): path for path in PACKAGE.rglob("*.py")}
    paths = {name.removesuffix(".__init__"): path for name, path in paths.items()}
    reached = {name: imported_by(name, path, paths) for name, path in paths.items()}
    for _ in paths:
        grown = {name: one.union(*(reached[other] for other in one)) for name, one in reached.items()}
        if grown == reached:
            break
        reached = grown
    circles = {frozenset(other for other in one if name in reached[other]) for name, one in reached.items()}
    assert all(len(circle) <= 2 for circle in circles), [sorted(one) for one in circles if len(one) > 2]


def test_a_name_that_other_files_use_is_defined_once() -> None:
    """Classes, and constants that another file imports or takes from their module; others are a file's own."""
    paths = {".".join(path.relative_to(ROOT).with_suffix("").parts): path for path in PACKAGE.rglob("*.py")}
    defined: dict[str, set[str]] = {}
    used: set[tuple[str, str]] = set()
    for name, path in paths.items():
        for node in tree_of(path).body:
            if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
                defined.setdefault(node.name, set()).add(name)
                used.add((name, node.name))
            elif isinstance(node, ast.Assign | ast.AnnAssign):
                for target in node.targets if isinstance(node, ast.Assign) else [node.target]:
                    for one in ast.walk(target):
                        if isinstance(one, ast.Name) and one.id.isupper() and len(one.id) > 1:
                            defined.setdefault(one.id, set()).add(name)
        modules: dict[str, str] = {}
        for node in ast.walk(tree_of(path)):
            if isinstance(node, ast.ImportFrom) and node.module is not None:
                modules |= {one.asname or one.name: f"{node.module}.{one.name}" for one in node.names}
                used |= {(node.module, one.name) for one in node.names}
        for node in ast.walk(tree_of(path)):
            if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and node.value.id in modules:
                used.add((modules[node.value.id], node.attr))
    assert not {
        one: sorted(places)
        for one, places in defined.items()
        if len(places) > 1 and any((place, one) in used for place in places)
    }
