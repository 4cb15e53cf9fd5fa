"""Text in lines no wider than the terminal. Wide characters (Chinese, Japanese, Korean) take two columns each."""

import os
import sys
import textwrap
import unicodedata
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from contextvars import ContextVar

WIDTH = 78  # most columns of a line, and those where nobody says how wide the screen is
LEAST_WIDTH = 32
NARROW = 60  # columns under which labels stand in the line and what can be left out is
LABEL_WIDTH = 9
UNLIMITED = 1_000_000
_FOR_A_PAGE = ContextVar("for_a_page", default=False)
_FILL = "\ue000"  # stands beside a wide character while lines are cut, so that it counts twice


def columns(text: str) -> int:
    """Columns that a text takes in a terminal (Unicode Standard Annex 11: wide and full-width take two)."""
    wide = unicodedata.east_asian_width
    return sum(0 if unicodedata.combining(char) else 2 if wide(char) in "WF" else 1 for char in text)


@contextmanager
def for_a_page() -> Iterator[None]:
    """Lines of any width, a label parted from its text by a tab: the browser wraps and sets them."""
    token = _FOR_A_PAGE.set(True)
    try:
        yield
    finally:
        _FOR_A_PAGE.reset(token)


def width() -> int:
    """Columns of a line: those of the terminal, or of COLUMNS where that is set, from LEAST_WIDTH to WIDTH."""
    if _FOR_A_PAGE.get():
        return UNLIMITED
    stated = os.environ.get("COLUMNS", "")
    if stated.isdecimal() and int(stated) > 0:
        return min(max(int(stated), LEAST_WIDTH), WIDTH)
    try:
        columns = os.get_terminal_size(sys.stdout.fileno()).columns if sys.stdout.isatty() else WIDTH
    except (OSError, ValueError):
        columns = WIDTH
    return min(max(columns or WIDTH, LEAST_WIDTH), WIDTH)


def narrow() -> bool:
    """Whether the screen is that of a phone."""
    return width() < NARROW


def wrapped(text: str, width: int | None = None, first: str = "", others: str = "") -> list[str]:
    """Cut a text into lines of at most `width` columns, left out: those of the terminal.

    One more where a wide character ends a long word.
    """
    width = _width() if width is None else width
    if text.isascii():
        return textwrap.wrap(text, width, initial_indent=first, subsequent_indent=others, break_on_hyphens=False)
    filled = "".join(_FILL + char if unicodedata.east_asian_width(char) in "WF" else char for char in text)
    cut = textwrap.wrap(filled, width, initial_indent=first, subsequent_indent=others, break_on_hyphens=False)
    return [line.replace(_FILL, "") for line in cut]


def labelled(label: str, text: str, label_width: int = LABEL_WIDTH) -> list[str]:
    """A text behind a label, its further lines under its first; on a narrow screen the label begins the text."""
    if _FOR_A_PAGE.get():
        return [f"{label}\t{text}"]
    if narrow():
        return wrapped(f"{label} {text}".strip())
    head = f"{label:<{label_width - 1}} "
    return wrapped(text, None, head, " " * len(head)) or [head.rstrip()]


def listed(label: str, sentences: Sequence[str]) -> list[str]:
    """Sentences one under the other, the first behind a label."""
    return [line for index, sentence in enumerate(sentences) for line in labelled("" if index else label, sentence)]


def table(rows: Sequence[str], sentences: Sequence[str]) -> list[str]:
    """The rows of a table; where one is wider than the terminal, sentences in their place."""
    if all(columns(row) <= width() for row in rows):
        return [*rows]
    return [line for sentence in sentences for line in wrapped(sentence, None, "", "  ")]


_width = width
