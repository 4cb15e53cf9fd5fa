"""Text in lines of at most 80 columns. Wide characters (Chinese, Japanese, Korean) take two columns each."""

import textwrap
import unicodedata
from collections.abc import Sequence

WIDTH = 78
LABEL_WIDTH = 9
_FILL = "\ue000"  # stands beside a wide character while lines are cut, so that it counts twice


def columns(text: str) -> int:
    """Columns that a text takes in a terminal (Unicode Standard Annex 11: wide and full-width take two)."""
    wide = unicodedata.east_asian_width
    return sum(0 if unicodedata.combining(char) else 2 if wide(char) in "WF" else 1 for char in text)


def wrapped(text: str, width: int = WIDTH, first: str = "", others: str = "") -> list[str]:
    """Cut a text into lines of at most `width` columns (one more where a wide character ends a long word)."""
    if text.isascii():
        return textwrap.wrap(text, width, initial_indent=first, subsequent_indent=others, break_on_hyphens=False)
    filled = "".join(_FILL + char if unicodedata.east_asian_width(char) in "WF" else char for char in text)
    cut = textwrap.wrap(filled, width, initial_indent=first, subsequent_indent=others, break_on_hyphens=False)
    return [line.replace(_FILL, "") for line in cut]


def labelled(label: str, text: str, label_width: int = LABEL_WIDTH) -> list[str]:
    """A text behind a label, its further lines under its first."""
    head = f"  {label:<{label_width}}"
    return wrapped(text, WIDTH, head, " " * len(head)) or [head.rstrip()]


def listed(label: str, sentences: Sequence[str]) -> list[str]:
    """Sentences one under the other, the first behind a label."""
    return [line for index, sentence in enumerate(sentences) for line in labelled("" if index else label, sentence)]
