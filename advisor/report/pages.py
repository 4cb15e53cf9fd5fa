"""Printed pages by matplotlib: blocks from the top down, text wrapped by its measured width, a new page when full.

Text is only text here: no mathtext, control characters written out, a character that the font lacks as LACKING.
The same blocks give the same bytes: the font comes with matplotlib and nothing of the day or the user's settings
gets in.
"""

import io
import os
import re
import unicodedata
from collections.abc import Container, Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from functools import cache, lru_cache
from pathlib import Path

from matplotlib import style
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties, findfont, get_font
from matplotlib.lines import Line2D
from matplotlib.patches import Rectangle
from matplotlib.textpath import TextToPath

from advisor.errors import LogError, RangeError
from advisor.log.csv_rows import one_line

PAPERS_PT = {"a4": (595.28, 841.89), "letter": (612.0, 792.0)}  # ISO 216; 8.5 by 11 inches
SUFFIXES = (".pdf", ".png", ".svg")
MARGIN_PT, FOOT_PT = 42.0, 20.0
FONT = "DejaVu Sans"
TEXT_PT, LINE_SPACE = 8.0, 1.32
KEPT_TOGETHER = 6  # lines
LEFT_TO_RIGHT = "\u200e"
LACKING = "\u25a1"
DOTS_PER_INCH = 200
_WORDS = re.compile(r"\S*\d (?:%|min\b|s\b|ppm\b|mbar\b)\S*|\S+")  # a figure and its unit are one
_STYLE = {
    "font.family": FONT,
    "pdf.fonttype": 42,
    "svg.fonttype": "path",
    "svg.hashsalt": "advisor",
    "text.usetex": False,
}

Box = tuple[float, float, float, float]  # left, bottom, width, height in shares of the page, as axes take them


@contextmanager
def plain_style() -> Iterator[None]:
    """Draw by matplotlib's own defaults, whatever the user has set."""
    with style.context(["default", _STYLE]):
        yield


def clean(text: str) -> str:
    """Text as it can be printed: line ends stay, control and direction codes are written out."""
    return "\n".join("".join(map(_printed, one_line(line.replace("\t", " ")))) for line in text.splitlines())


def _printed(char: str) -> str:
    if unicodedata.category(char).startswith("C"):  # format codes too: they turn the text around them about
        return f"\\u{ord(char):04x}"
    return char if ord(char) in _glyphs() else LACKING


@cache
def _glyphs() -> frozenset[int]:
    return frozenset(get_font(findfont(FontProperties(family=FONT))).get_charmap())


@lru_cache(maxsize=20_000)
def _width_em(text: str, bold: bool) -> float:
    prop = FontProperties(family=FONT, weight="bold" if bold else "normal", size=100)
    return float(TextToPath().get_text_width_height_descent(text, prop, False)[0]) / 100


def width_pt(text: str, size: float, bold: bool = False) -> float:
    """Width of a line of clean text, points; a little more than any renderer takes (own allowance)."""
    words = text.split(" ")  # measured one by one: they come again and again
    return 1.015 * size * (sum(_width_em(word, bold) for word in words) + (len(words) - 1) * _width_em(" ", bold))


def wrapped(text: str, width: float, size: float = TEXT_PT, bold: bool = False) -> list[str]:
    """Clean text broken into lines no wider than `width` points, not between a figure and its unit; a word that is
    too long is broken too.
    """
    lines = []
    for paragraph in clean(text).split("\n"):
        line = ""
        for word in _WORDS.findall(paragraph):
            longer = f"{line} {word}" if line else word
            if width_pt(longer, size, bold) <= width:
                line = longer
                continue
            if line:
                lines.append(line)
            *full, line = _broken(word, width, size, bold)
            lines += full
        if line:
            lines.append(line)
    return lines or [""]


def _broken(word: str, width: float, size: float, bold: bool) -> list[str]:
    parts, part = [], ""
    for char in word:
        if part and width_pt(part + char, size, bold) > width:
            parts.append(part)
            part = ""
        part += char
    return [*parts, part]


class Pages:
    """Pages that fill from the top. All lengths in points.

    stamp  written large and grey across each page
    head   written at the top of each page but the first
    """

    def __init__(self, paper: tuple[float, float], stamp: str = "", head: str = "") -> None:
        self.paper_width, self.paper_height = paper
        self.stamp, self.head = stamp, head
        self.figures: list[Figure] = []
        self.new_page()

    @property
    def width(self) -> float:
        """Width between the margins, points (own layout)."""
        return self.paper_width - 2 * MARGIN_PT

    @property
    def room(self) -> float:
        """Height that is left on this page, points."""
        return self.down - MARGIN_PT - FOOT_PT

    def new_page(self) -> None:
        """Go on at the top of a new page."""
        self.figures.append(Figure(figsize=(self.paper_width / 72, self.paper_height / 72), dpi=72))
        self.top = self.down = self.paper_height - MARGIN_PT
        if self.stamp:
            self.figures[-1].text(
                0.5, 0.5, self.stamp, fontsize=min(96, 770 / len(self.stamp)), color="0.87", weight="bold",
                rotation=52, ha="center", va="center", zorder=-1, parse_math=False, gid="stamp",
            )  # fmt: skip
        if self.head and len(self.figures) > 1:
            for line in wrapped(self.head, self.width, bold=True):
                self.write(line, 0.0, bold=True)
                self.down -= TEXT_PT * LINE_SPACE
            self.top = self.down

    def need(self, height: float) -> None:
        """Go to a new page where `height` is not left on this one, unless it is the whole page's."""
        if height > self.room and self.down < self.top:
            self.new_page()

    def space(self, height: float) -> None:
        """Leave some room (points), none at the top of a page."""
        if self.down < self.top:
            self.down -= height

    def write(self, line: str, left: float, size: float = TEXT_PT, bold: bool = False) -> None:
        """Write one line of clean text, `left` points in from the margin, at the present height; it takes no room."""
        if any(unicodedata.bidirectional(char) in ("R", "AL", "AN") for char in line):
            line = LEFT_TO_RIGHT + line  # or its first word would turn the whole line about
        self.figures[-1].text(
            (MARGIN_PT + left) / self.paper_width, (self.down - size) / self.paper_height, line, fontsize=size,
            weight="bold" if bold else "normal", va="baseline", ha="left", parse_math=False,
        )  # fmt: skip

    def row(
        self, cells: Sequence[tuple[str, float, float]], size: float = TEXT_PT, bold: bool | Container[int] = False
    ) -> None:
        """Cells side by side, each (text, left, width), in points, wrapped; their first few lines are kept on one page.

        bold  all cells, or those of these numbers
        """
        heavy = [bold if isinstance(bold, bool) else index in bold for index in range(len(cells))]
        columns = [
            (wrapped(text, width, size, heavy[index]), left, heavy[index])
            for index, (text, left, width) in enumerate(cells)
        ]
        count = max((len(lines) for lines, *_ in columns), default=0)
        step = size * LINE_SPACE
        self.need(min(count, KEPT_TOGETHER) * step)
        for index in range(count):
            self.need(step)
            for lines, left, dark in columns:
                if index < len(lines) and lines[index]:
                    self.write(lines[index], left, size, dark)
            self.down -= step

    @contextmanager
    def at_level(self) -> Iterator[None]:
        """Write inside without taking room: the height is as it was afterwards."""
        down = self.down
        yield
        self.down = down

    def text(self, text: str, size: float = TEXT_PT, bold: bool = False, indent: float = 0.0) -> None:
        """A paragraph; size and indent in points."""
        self.row([(text, indent, self.width - indent)], size, bold)

    def heading(self, text: str, keep_with: float = 40.0) -> None:
        """A heading with a rule below it, kept with so many points of what follows."""
        self.space(7)
        self.need(16 + keep_with)
        self.row([(text, 0.0, self.width)], 9.5, bold=True)
        self.rule()
        self.down -= 3

    def rule(self, left: float = 0.0, width: float | None = None, weight: float = 0.6) -> None:
        """A line across at the present height; measures in points."""
        first = (MARGIN_PT + left) / self.paper_width
        last = first + (self.width - left if width is None else width) / self.paper_width
        level = self.down / self.paper_height
        figure = self.figures[-1]
        figure.add_artist(Line2D([first, last], [level, level], color="black", linewidth=weight))

    def to_fill_in(self, label: str, left: float) -> None:
        """A label and a ruled line from `left` (points) on, to be written on by hand."""
        self.space(4)
        self.row([(label, 0.0, left - 4)])
        self.rule(left, weight=0.4)
        self.down -= 3

    def area(self, height: float, left: float = 0.0, width: float | None = None) -> Box:
        """Room for a picture at the present height; take it with `down -= height` once all of the row is placed."""
        return (
            (MARGIN_PT + left) / self.paper_width,
            (self.down - height) / self.paper_height,
            (self.width - left if width is None else width) / self.paper_width,
            height / self.paper_height,
        )

    @contextmanager
    def frame(self) -> Iterator[None]:
        """Put a frame around what is written inside, where it stays on one page."""
        page, top = self.figures[-1], self.down
        self.down -= 5
        yield
        self.down -= 3
        if self.figures[-1] is page:
            left, bottom, width, height = self.area(0.0, -5.0, self.width + 10)
            height = (top - self.down) / self.paper_height
            page.add_artist(
                Rectangle((left, bottom), width, height, fill=False, linewidth=1.5, transform=page.transFigure)
            )

    def close(self, foot: str) -> None:
        """Write the foot on every page, with the number of the page."""
        for number, figure in enumerate(self.figures, 1):
            last = f"page {number} of {len(self.figures)}"
            line = wrapped(foot, self.width - 70, 6.5)[0]
            for words, place, side in ((line, MARGIN_PT, "left"), (last, self.paper_width - MARGIN_PT, "right")):
                figure.text(
                    place / self.paper_width, MARGIN_PT / self.paper_height, words, fontsize=6.5, ha=side,
                    va="baseline", parse_math=False,
                )  # fmt: skip


def save(figures: Sequence[Figure], path: Path, title: str, overwrite: bool = False) -> list[Path]:
    """Write figures to `path` by its suffix and tell which files were written: .pdf has all pages; of .png and .svg
    the second page goes to NAME-2 and so on.

    RangeError for another suffix; LogError where a file exists (unless `overwrite`) or can't be written.
    """
    suffix = path.suffix.lower()
    if suffix not in SUFFIXES:
        raise RangeError(f"'{path}': the name must end in {', '.join(SUFFIXES[:-1])} or {SUFFIXES[-1]}")
    paths = [path.with_name(f"{path.stem}-{number}{path.suffix}") for number in range(2, len(figures) + 1)]
    paths = [path] if suffix == ".pdf" else [path, *paths]
    _check_places(paths, overwrite)
    contents = [as_pdf(figures, title)] if suffix == ".pdf" else [_picture(figure, suffix, title) for figure in figures]
    for place, content in zip(paths, contents, strict=True):
        _write(place, content)
    return paths


def write_new(path: Path, content: bytes, overwrite: bool = False) -> list[Path]:
    """Write one file, whole or not at all; its name in a list. LogError where it exists or can't be written."""
    _check_places([path], overwrite)
    _write(path, content)
    return [path]


def _check_places(paths: Iterable[Path], overwrite: bool) -> None:
    for path in paths:
        if not path.parent.is_dir():
            raise LogError(f"{path}: there is no folder {path.parent}. Make it first, or choose another")
        if path.is_dir():
            raise LogError(f"{path}: this is a folder. Give the name of a file, such as {path / 'sheet.pdf'}")
        if path.exists() and not overwrite:
            raise LogError(f"{path}: this file exists. Choose another name, or say --overwrite")


def _write(path: Path, content: bytes) -> None:
    draft = path.with_name(f".advisor-{os.urandom(6).hex()}.new")
    try:
        try:
            draft.write_bytes(content)
            os.replace(draft, path)  # whole or not at all
        finally:
            with suppress(OSError):
                os.unlink(draft)
    except OSError as error:
        why = "may not be written: check the rights on the folder" if isinstance(error, PermissionError) else ""
        raise LogError(f"{path}: this {why or f'could not be written ({error.strerror})'}") from error


def as_pdf(figures: Iterable[Figure], title: str) -> bytes:
    """All pages as one PDF."""
    held = io.BytesIO()
    with plain_style(), PdfPages(held, metadata={"Title": title, "CreationDate": None}) as pages:
        for figure in figures:
            pages.savefig(figure)
    return held.getvalue()


def _picture(figure: Figure, suffix: str, title: str) -> bytes:
    held = io.BytesIO()
    metadata = {"Title": title} if suffix == ".png" else {"Title": title, "Date": None}
    with plain_style():
        figure.savefig(held, format=suffix[1:], dpi=DOTS_PER_INCH, metadata=metadata)
    return held.getvalue()
