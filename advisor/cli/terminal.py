"""The keyboard and screen of a guided visit: lines out, one line in, and a wait that counts down.

Everything is said in words, so that it works without colour, over a slow line and read aloud. Where the output is
no terminal, or NO_COLOR or TERM=dumb is set, the wait is counted in plain lines instead of a bar that is redrawn.
"""

import io
import os
import select
import sys
import time
from collections.abc import Callable, Mapping
from contextlib import suppress
from typing import Protocol, TextIO

from advisor.report.layout import wrapped
from advisor.wording.numbers import say_seconds

try:
    import termios
except ImportError:  # not a POSIX system
    termios = None  # type: ignore[assignment]
try:
    import msvcrt
except ImportError:  # not Windows
    msvcrt = None  # type: ignore[assignment]

PROMPT_WIDTH = 64  # leaves room for the answer on the same line
PLAIN_EVERY_S = 15.0  # how often a wait in plain lines says what is left
LOOK_EVERY_S = 0.2
UNREADABLE = "\ufffd"  # in place of bytes that are not UTF-8
NOT_TAKEN = "Not taken: nothing is logged while the wait runs. Enter alone cuts it short."


def open_streams() -> None:
    """UTF-8 on all streams of the process whatever the system is set to; one that is closed leads nowhere.

    Not left closed: the next file to be opened, the log, would take its number and what libraries print there.
    """
    for name, mode in (("stdin", "r"), ("stdout", "w"), ("stderr", "w")):
        stream = getattr(sys, name)
        if stream is None:
            setattr(sys, name, open(os.devnull, mode, encoding="utf-8"))  # noqa: SIM115 - open to the end
        elif isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(encoding="utf-8", errors="replace")


class Stop(Exception):  # noqa: N818 - no error: the user leaves
    """The user leaves: `stop`, Ctrl-C at a question, or the end of the input."""


class Clock(Protocol):
    """What a wait goes by: seconds that only run forward, and sleep."""

    def monotonic(self) -> float:
        """Seconds since some moment."""

    def sleep(self, seconds: float, /) -> None:
        """Let time pass."""


class Terminal:
    """Keyboard and screen; the streams are those of the process unless given."""

    def __init__(
        self,
        source: TextIO | None = None,
        screen: TextIO | None = None,
        environment: Mapping[str, str] = os.environ,
        clock: Clock = time,
    ) -> None:
        self.source, self.screen, self.clock = source or sys.stdin, screen or sys.stdout, clock
        self.on_screen = self.screen.isatty()
        self.redraws = self.on_screen and not environment.get("NO_COLOR") and environment.get("TERM") != "dumb"
        self.can_listen = os.name == "posix" and self.source.isatty()  # to the Enter key, while a wait runs

    def say(self, text: str) -> None:
        """Print lines that are wrapped already."""
        self.screen.write(text + "\n")
        self.screen.flush()

    def ask(self, question: str) -> str:
        """Print a question and read one line, without the space around it. Raises Stop where none comes."""
        self._forget_typed_ahead()
        *above, last = [line for part in question.splitlines() for line in wrapped(part, PROMPT_WIDTH)]
        self.screen.write("".join(f"{line}\n" for line in above) + f"{last}: ")
        self.screen.flush()
        try:
            typed = self.source.readline()
        except KeyboardInterrupt:
            typed = ""
        if not typed:
            self.say("")
            raise Stop
        if UNREADABLE in typed:
            return "?"
        return "".join(character for character in typed if character.isprintable()).strip()

    def wait(self, seconds: float, then: str) -> float:
        """Count a wait down, with a bell at its end; seconds left where Enter or Ctrl-C cut it short."""
        self._forget_typed_ahead()
        until = self.clock.monotonic() + seconds
        keys = "Enter or Ctrl-C" if self.can_listen else "Ctrl-C"
        self.say(f"Wait {say_seconds(seconds)}, {then}. {keys} cuts it short.")
        try:
            done = self._bar(until, seconds) if self.redraws else self._plain_lines(until)
        except KeyboardInterrupt:
            done = False
        if not done:
            return max(0.0, until - self.clock.monotonic())
        self.say(("\a" if self.on_screen else "") + "The wait is over.")
        return 0.0

    def _forget_typed_ahead(self) -> None:
        """Drop what was typed before the question was there: Enter pressed twice must not log a turn nobody made."""
        if termios is not None and self.can_listen:
            with suppress(termios.error):
                termios.tcflush(self.source.fileno(), termios.TCIFLUSH)
        elif msvcrt is not None and self.source.isatty():
            while msvcrt.kbhit():  # type: ignore[attr-defined]
                msvcrt.getwch()  # type: ignore[attr-defined]

    def _bar(self, until: float, seconds: float) -> bool:
        from rich.console import Console  # here, not above: no other command needs it
        from rich.progress import BarColumn, Progress, TextColumn

        console = Console(file=self.screen, highlight=False)
        columns = (BarColumn(bar_width=30), TextColumn("{task.fields[left]}"))
        with Progress(*columns, console=console, refresh_per_second=1, transient=True) as bar:
            task = bar.add_task("wait", total=seconds, left=f"{say_seconds(seconds)} left")
            while (left := until - self.clock.monotonic()) > 0:
                bar.update(task, completed=seconds - left, left=f"{say_seconds(left)} left")
                if self._enter(min(LOOK_EVERY_S, left), console.print):
                    return False
        return True

    def _plain_lines(self, until: float) -> bool:
        say_at = until - self.clock.monotonic() - PLAIN_EVERY_S
        while (left := until - self.clock.monotonic()) > 0:
            if left <= say_at:
                self.say(f"{say_seconds(left)} left.")
                say_at = left - PLAIN_EVERY_S
            if self._enter(min(LOOK_EVERY_S, left), self.say):
                return False
        return True

    def _enter(self, seconds: float, say: Callable[[str], object]) -> bool:
        """Let seconds pass; whether Enter alone was pressed meanwhile; words are not taken."""
        if not self.can_listen:
            self.clock.sleep(seconds)
            return False
        if not select.select([self.source], [], [], seconds)[0]:
            return False
        typed = self.source.readline()
        if not typed.strip():
            return True
        say(NOT_TAKEN)
        return False
