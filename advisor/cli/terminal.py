"""The keyboard and screen of a guided visit: lines out, one line in, a wait that counts down and hears what is typed.

Everything is said in words, so that it works without colour, over a slow line and read aloud. Where the output is
no terminal, or NO_COLOR or TERM=dumb is set, the wait is counted in plain lines instead of one line that is redrawn.

A thread of its own reads what is typed, so that a line is heard while a wait runs, on every system alike.
"""

import ctypes
import io
import os
import queue
import re
import sys
import threading
import time
from collections.abc import Mapping
from contextlib import suppress
from typing import NamedTuple, Protocol, TextIO

from advisor.report.layout import width, wrapped
from advisor.wording.numbers import say_seconds

ANSWER_WIDTH = 14  # columns left for the answer beside the question
KEPT_BYTES = 2**30
PLAIN_EVERY_S = 15.0  # how often a wait in plain lines says what is left
LOOK_EVERY_S = 0.2
REDRAW_EVERY_S = 1.0
TYPED_EARLY = "Typed before the question was there, not taken: {}"
_ANY_TIME = re.compile(r"\s*(co\s|off\b)", re.IGNORECASE)  # never dropped
UNREADABLE = "\ufffd"  # in place of bytes that are not UTF-8
REDRAW_ABOVE = (
    "\x1b7\x1b[1A\r{}\x1b[K\x1b8"  # the line above the cursor, which stays where it is: ECMA-48 and DEC private
)


def keep_memory() -> None:
    """Have the C library reuse freed memory instead of asking the system anew for each array: a fifth of an answer.

    Only glibc knows these two settings; elsewhere nothing changes.
    """
    with suppress(AttributeError, OSError, TypeError):
        for trim_or_map in (-1, -3):  # M_TRIM_THRESHOLD, M_MMAP_THRESHOLD of mallopt(3)
            ctypes.CDLL(None).mallopt(trim_or_map, KEPT_BYTES)


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


class Heard(NamedTuple):
    """How a wait ended: seconds left where it was cut short, and what was typed; Enter alone is no words."""

    left_s: float = 0.0
    typed: str = ""


class Keys(threading.Thread):
    """Lines as they are typed; None at the end of the input."""

    def __init__(self, source: TextIO) -> None:
        super().__init__(daemon=True)
        self.lines: queue.Queue[str | None] = queue.Queue()
        self.by_hand = source.isatty()
        # a stream of its own: the process may end while this one waits, and sys.stdin must be free then
        self._own = os.dup(source.fileno())

    def run(self) -> None:
        """Read until the input ends; at a terminal that is no end, only a key (and on Windows Ctrl-C looks like it)."""
        with suppress(OSError), open(self._own, encoding="utf-8", errors="replace") as own:  # or the terminal is gone
            while (line := own.readline()) or self.by_hand:
                self.lines.put(line or None)
        self.lines.put(None)

    def line(self, seconds: float | None = None) -> str | None:
        """The next line, None at the end of the input. Raises queue.Empty where none comes in time."""
        until = None if seconds is None else time.monotonic() + seconds
        while True:  # in short steps, or Ctrl-C would not be heard on every system
            left = LOOK_EVERY_S if until is None else min(LOOK_EVERY_S, until - time.monotonic())
            try:
                return self.lines.get(timeout=max(left, 0.001))
            except queue.Empty:
                if until is not None and time.monotonic() >= until:
                    raise

    def forget(self) -> list[str]:
        """Drop what was typed by hand so far, but CO and burner off; the lines dropped."""
        came: list[str | None] = []
        with suppress(queue.Empty):
            while self.by_hand:
                came.append(self.lines.get_nowait())
        kept = [line for line in came if line and _ANY_TIME.match(line)]
        for line in kept:
            self.lines.put(line)
        return [line for line in came if line and line not in kept]


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
        can_redraw = os.name != "nt" or "WT_SESSION" in environment
        plain = environment.get("NO_COLOR") or environment.get("TERM") == "dumb"
        self.redraws = self.on_screen and can_redraw and not plain
        self.keys = None
        with suppress(io.UnsupportedOperation):  # a text in memory
            self.keys = Keys(self.source)
            self.keys.start()

    def say(self, text: str) -> None:
        """Print lines that are wrapped already."""
        self.screen.write(text + "\n")
        self.screen.flush()

    def ask(self, question: str) -> str:
        """Print a question and read one line, without the space around it. Raises Stop where none comes."""
        self._forget_typed_ahead()
        *above, last = [line for part in question.splitlines() for line in wrapped(part, prompt_width())]
        self.screen.write("".join(f"{line}\n" for line in above) + f"{last}: ")
        self.screen.flush()
        try:
            typed = self.keys.line() if self.keys else self.source.readline()
        except KeyboardInterrupt:
            typed = ""
        if not typed:
            self.say("")
            raise Stop
        return _readable(typed)

    def wait(self, seconds: float, then: str) -> Heard:
        """Count a wait down, with a bell at its end; what was typed, or Ctrl-C, ends it before."""
        self._forget_typed_ahead()
        until = self.clock.monotonic() + seconds
        ends = (
            "Enter cuts it short; co and its ppm, off or a reading is heard." if self.keys else "Ctrl-C cuts it short."
        )
        self.say("\n".join(wrapped(f"Wait {say_seconds(seconds)}, {then}. {ends}")))
        try:
            typed = self._count_down(until, then)
        except KeyboardInterrupt:
            typed = ""
        if typed is not None:
            return Heard(max(0.0, until - self.clock.monotonic()), typed)
        self.screen.write("\a" if self.on_screen else "")
        return Heard()

    def _forget_typed_ahead(self) -> None:
        """Drop what was typed before the question was there: Enter pressed twice must not log a turn nobody made."""
        for typed in map(_readable, self.keys.forget() if self.keys else ()):
            if typed:
                self.say("\n".join(wrapped(TYPED_EARLY.format(typed))))

    def _count_down(self, until: float, then: str) -> str | None:
        """Say what is left as it passes; what was typed meanwhile, None where the wait ran out."""
        redrawn = self.redraws and self.keys is not None
        left = until - self.clock.monotonic()
        said_s = left
        if redrawn:
            self.screen.write(f"{_left(left, then)}\n> ")
            self.screen.flush()
        while (left := until - self.clock.monotonic()) > 0:
            if redrawn:
                self.screen.write(REDRAW_ABOVE.format(_left(left, then)))
                self.screen.flush()
            elif left <= said_s - PLAIN_EVERY_S:
                self.say(f"{say_seconds(left)} left.")
                said_s = left
            typed = self._heard(min(REDRAW_EVERY_S if redrawn else LOOK_EVERY_S, left))
            if typed is not None:
                return typed
        if redrawn:
            self.say("")
        return None

    def _heard(self, seconds: float) -> str | None:
        """Let seconds pass; what was typed meanwhile, None where nothing was."""
        if self.keys is None:
            self.clock.sleep(seconds)
            return None
        try:
            line = self.keys.line(seconds)
        except queue.Empty:
            return None
        if line is None:
            raise Stop
        return _readable(line)


def prompt_width() -> int:
    """Columns of a question: what the screen leaves beside an answer."""
    return width() - ANSWER_WIDTH


def _left(seconds: float, then: str) -> str:
    """What is left of a wait and what comes then, on one line."""
    left = f"{say_seconds(seconds)} left"
    whole = f"{left}, {then}"
    return whole if len(whole) < width() else left


def _readable(typed: str) -> str:
    """A line without the space around it and what can't be printed; a question mark where its bytes are not UTF-8."""
    if UNREADABLE in typed:
        return "?"
    return "".join(character for character in typed if character.isprintable()).strip()
