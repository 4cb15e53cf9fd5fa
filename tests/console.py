"""Commands run in memory; the console sessions of the pages."""

import builtins
import contextlib
import io
import re
import shlex
import shutil
import sys
import tempfile
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from unittest.mock import patch

ROOT = Path(__file__).resolve().parent.parent
PAGES = (ROOT / "README.md", ROOT / "demo_logs" / "SESSIONS.md")
NOW = datetime(2026, 5, 12, 18, 0).astimezone()  # shown by the clock, so that a bare time is always the same day
ASKED = re.compile(r"^\d+\.\d min, .* > (.*)$", re.MULTILINE)  # a question of `practise` and what was typed
BLOCK = re.compile(r"```console\n(.*?)```", re.DOTALL)


def called(words: Sequence[str], out: io.StringIO, err: io.StringIO, typed: Sequence[str] = ()) -> int:
    """Exit status of `advisor WORDS`, which prints to two texts; `typed` answers its questions."""
    from advisor.cli.main import main
    from advisor.dialogue import moments

    answers = iter(typed)

    def answer(question: str) -> str:
        typed_now = next(answers)
        print(question + typed_now)
        return typed_now

    with (
        patch.object(moments, "now", lambda: NOW),
        patch.object(sys, "argv", ["advisor", *words]),
        patch.object(builtins, "input", answer) if typed else contextlib.nullcontext(),
        contextlib.redirect_stdout(out),
        contextlib.redirect_stderr(err),
    ):
        try:
            main()
        except SystemExit as stop:
            return int(stop.code or 0)
    return 0


def run(command: str, typed: Sequence[str] = ()) -> str:
    """What one `advisor ...` command prints, both streams, as in a terminal; `typed` answers its questions."""
    program, *words = shlex.split(command)
    assert program == "advisor", command
    if words[0] == "guide":
        from on_site import printed_visit

        return printed_visit(words[1])
    printed = io.StringIO()
    called(words, printed, printed, typed)
    return printed.getvalue()


def played(page: str) -> str:
    """The page with every session's output replaced by what the commands print now."""

    def session(match: re.Match[str]) -> str:
        commands = [line[2:] for line in match[1].splitlines() if line.startswith("$ ")]
        typed = ASKED.findall(match[1])
        return "```console\n" + "".join(f"$ {command}\n{run(command, typed)}" for command in commands) + "```"

    with tempfile.TemporaryDirectory() as folder, contextlib.chdir(folder):
        shutil.copytree(ROOT / "demo_logs", "demo_logs")
        return BLOCK.sub(session, page)
