"""Console sessions of the README: `python tests/console.py` writes what the commands really print into the page."""

import builtins
import contextlib
import io
import os
import re
import shlex
import shutil
import sys
import tempfile
from collections.abc import Iterator, Sequence
from datetime import datetime
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
PAGE = ROOT / "README.md"
NOW = datetime(2026, 5, 12, 18, 0).astimezone()
ASKED = re.compile(r"^\d+\.\d min, .* > (.*)$", re.MULTILINE)  # a question of `practise` and what was typed
BLOCK = re.compile(r"```console\n(.*?)```", re.DOTALL)


@contextlib.contextmanager
def _workplace() -> Iterator[None]:
    """A temporary folder with the demo logs in it, as the current one."""
    before = Path.cwd()
    with tempfile.TemporaryDirectory() as folder:
        shutil.copytree(ROOT / "demo_logs", Path(folder) / "demo_logs")
        os.chdir(folder)
        try:
            yield
        finally:
            os.chdir(before)


def run(command: str, typed: Sequence[str] = ()) -> str:
    """What one `advisor ...` command prints, both streams, as in a terminal; `typed` answers its questions."""
    from advisor.cli import options
    from advisor.cli.main import main

    options.now = lambda: NOW  # so that a bare time is the same day whenever this runs
    words = shlex.split(command)
    assert words[0] == "advisor", command
    if words[1] == "guide":
        from on_site import printed_visit

        return printed_visit(words[2])
    printed = io.StringIO()
    answers = iter(typed)

    def answer(question: str) -> str:
        typed_now = next(answers)
        print(question + typed_now)
        return typed_now

    argv, sys.argv = sys.argv, words
    keyboard, builtins.input = builtins.input, answer  # type: ignore[assignment]
    try:
        with contextlib.redirect_stdout(printed), contextlib.redirect_stderr(printed), contextlib.suppress(SystemExit):
            main()
    finally:
        sys.argv, builtins.input = argv, keyboard
    return printed.getvalue()


def played(page: str) -> str:
    """The page with every session's output replaced by what the commands print now."""
    with _workplace():

        def session(match: re.Match[str]) -> str:
            commands = [line[2:] for line in match[1].splitlines() if line.startswith("$ ")]
            typed = ASKED.findall(match[1])
            return "```console\n" + "".join(f"$ {command}\n{run(command, typed)}" for command in commands) + "```"

        return BLOCK.sub(session, page)


if __name__ == "__main__":
    PAGE.write_text(played(PAGE.read_text(encoding="utf-8")), encoding="utf-8")
