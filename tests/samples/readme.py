"""Makes the README's numbers anew: runs every command that it shows and puts in what they say.

`python -m tests.samples.readme` writes README.md; with `--check` it only tells what differs (exit status 1). Every
```sh block is run as on a terminal 100 columns wide. A block without a language behind it holds its output: whole, or
in a story an excerpt of lines. A **quote** in prose is a piece of the last command's output. Excerpts and quotes are
found again by their words: numbers may differ, and where the words are gone, or fit several places, that is said and a
person chooses.
"""

from __future__ import annotations

import os
import pty
import re
import shlex
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
README = ROOT / "README.md"
WIDTH = 100
FENCE = re.compile(r"^```(\w*)\n(.*?)^```$", re.MULTILINE | re.DOTALL)
INLINE = re.compile(r"`(kinematics [^`]+)`")
QUOTE = re.compile(r"\*\*(.+?)\*\*", re.DOTALL)
NUMBER = re.compile(r"\d+(?:[.,]\d+)*")
EXCERPT_LINES = 4  # an output block of fewer lines is an excerpt
PICTURE = "ladder.png"  # drawn by a command of the README, and shown in it
PROSE_WITH_QUOTES = "## A year at the co-op"


ESCAPE = re.compile(r"\x1b\[[0-9;]*m")  # bold heads


def on_a_terminal(command: str, folder: Path) -> str:
    """What a command shows on a terminal without colour, run in a folder: its answer, then its remarks."""
    ours, theirs = pty.openpty()
    environment = {**os.environ, "PYTHONPATH": str(ROOT), "TERM": "xterm", "COLUMNS": str(WIDTH), "NO_COLOR": "1"}
    arguments = [sys.executable, "-m", *shlex.split(command)]
    with subprocess.Popen(arguments, stdout=theirs, stderr=subprocess.PIPE, env=environment, cwd=folder) as process:
        os.close(theirs)
        shown = b""
        while piece := _read(ours):
            shown += piece
        os.close(ours)
        assert process.stderr is not None
        remarks = process.stderr.read().decode()
        status = process.wait()
    if status not in (0, 1):
        raise SystemExit(f"{command}: status {status}\n{remarks}")
    remarks = "".join(line for line in remarks.splitlines(keepends=True) if "compiling" not in line)
    text = ESCAPE.sub("", shown.decode()).replace("\r\n", "\n") + remarks
    return "\n".join(line.rstrip() for line in text.splitlines()).strip("\n")


def _read(terminal: int) -> bytes:
    try:
        return os.read(terminal, 65536)
    except OSError:  # the other end is closed
        return b""


def again(old: str, output: str) -> tuple[str, str]:
    """An excerpt as it stands in the output now, and what is wrong (empty where nothing is)."""
    said = " ".join(output.split())
    words = " ".join(old.split())
    if re.search(rf"(?<![\w.,]){re.escape(words)}(?!\w|[.,]\d)", said):
        return old, ""
    pattern = rf"(?<![\w.,]){_shape(words)}(?!\w|[.,]\d)"
    found = list(dict.fromkeys(match[0] for match in re.finditer(pattern, said)))
    if len(found) == 1:
        return found[0], ""
    return old, f"{len(found)} places fit {words!r}: {found[:6]}"


def _shape(words: str) -> str:
    """A pattern of the same words with any numbers."""
    pieces = NUMBER.split(words)
    return NUMBER.pattern.join(re.escape(piece) for piece in pieces)


def made_anew(text: str, picture: Path | None = None) -> tuple[str, list[str]]:
    """The README with today's output in it, and what could not be put in; the commands leave their files elsewhere, but
    for the picture that is shown, where a place for it is given.
    """
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "sample_gcode").symlink_to(ROOT / "sample_gcode")
        made = _made_anew(text, Path(folder))
        if picture is not None:
            shutil.copyfile(Path(folder) / PICTURE, picture)
        return made


def _made_anew(text: str, folder: Path) -> tuple[str, list[str]]:
    made, place, problems = "", 0, []
    output, quoting = "", False
    for fence in FENCE.finditer(text):
        prose = text[place : fence.start()]
        for section in re.findall(r"^## .*$", prose, re.MULTILINE):
            quoting = section == PROSE_WITH_QUOTES
        made += _quotes(prose, output, problems) if quoting and output else prose
        place = fence.end()
        if fence[1] == "sh":
            output = "\n".join(on_a_terminal(command, folder) for command in commands(fence[2]))
            made += fence[0]
        elif fence[1] == "python":
            _run_python(fence[2], folder)
            made += fence[0]
        elif fence[1]:
            made += fence[0]
        else:
            inline = INLINE.findall(prose)
            output = on_a_terminal(inline[-1], folder) if inline else output
            made += f"```\n{_block(fence[2].rstrip(), output, problems)}\n```"
    return made + text[place:], problems


def _run_python(code: str, folder: Path) -> None:
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    subprocess.run([sys.executable, "-c", code], cwd=folder, env=environment, stdout=subprocess.DEVNULL, check=True)


def commands(block: str) -> list[str]:
    """The program's own commands of a shell block; `a && b` counts as two."""
    parts = [part.strip() for line in block.splitlines() for part in line.split("&&")]
    return [part for part in parts if part.startswith("kinematics ")]


def _quotes(prose: str, output: str, problems: list[str]) -> str:
    def quote(match: re.Match[str]) -> str:
        new, problem = again(match[1], output)
        problems.extend([problem] if problem else [])
        return f"**{new}**"

    return QUOTE.sub(quote, prose)


def _block(old: str, output: str, problems: list[str]) -> str:
    if len(old.splitlines()) >= EXCERPT_LINES:
        return output
    lines = []
    for line in old.splitlines():
        new, problem = again(line, output)
        problems.extend([problem] if problem else [])
        lines.append(new)
    return "\n".join(lines)


def main() -> int:
    """Write the README, or tell what differs; exit status 1 where a person must look."""
    text = README.read_text(encoding="utf-8")
    only_check = "--check" in sys.argv[1:]
    new, problems = made_anew(text, None if only_check else ROOT / "sample_gcode" / PICTURE)
    for problem in problems:
        print(problem, file=sys.stderr)
    if only_check:
        return 1 if problems or new != text else 0
    README.write_text(new, encoding="utf-8")
    return 1 if problems else 0


if __name__ == "__main__":
    sys.exit(main())
