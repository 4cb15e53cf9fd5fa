"""A lesson as one printed page, or as a picture for a slide; all lessons as a handout. Black and white will do."""

import io
from collections.abc import Iterable, Sequence
from pathlib import Path

from matplotlib.figure import Figure

from advisor.errors import RangeError
from advisor.report import pages
from advisor.training.lesson_pictures import MAIN_PT, SMALL_PT, pictures
from advisor.training.lesson_play import Played, what_the_adviser_said
from advisor.training.lesson_text import ASKED, BANDS, INVENTED, PARTS, contrast_label, in_figures, terms

PAPER_PT, SLIDE_PT = pages.PAPERS_PT["a4"], (648.0, 364.0)  # a slide is small, so that its text is large
TITLE_PT, LESSON_PT = 17.0, 12.5
LABEL_PT, GAP_PT, PART_GAP_PT, FOOT_PT = 97.0, 4.0, 4.0, pages.MARGIN_PT + pages.FOOT_PT + 1
LEAST_PICTURES_PT, MOST_PICTURES_PT = 160.0, 420.0  # height of the pictures on a page
TITLE = "Setting a gas valve by CO2: lessons"
FOR_THE_CLASS = (
    "Each lesson was played on a made-up boiler: what the hand did, what the display showed, what the flame truly did, "
    "what it cost, what an adviser would have said, and a question. In the pictures the solid line is the true CO2 of "
    "the flame, the dashed one the display, rings are readings, the dotted bar is the band of the rate that is fired."
)
ANSWERS = "Answers, for the trainer"

Block = tuple[str, str, float]  # label, text, size in points


def page(played: Played, *, answered: bool = True) -> list[Figure]:
    """The lesson on a page: words, pictures, what the adviser would have said, the question, and its answer.

    A practice session of many turns goes on on further pages.
    """
    above = _told(
        ("", played.lesson.title, TITLE_PT),
        ("", played.say("lesson"), LESSON_PT),
        ("", played.say("scene"), MAIN_PT),
        ("The bands", f"{BANDS}.", MAIN_PT),
        *((label, played.say(name), MAIN_PT) for label, name in PARTS),
    )
    below = _told(
        ("", ASKED, MAIN_PT),
        *((number, answer, SMALL_PT) for number, answer in what_the_adviser_said(played)),
        (contrast_label(played), f"{played.say('contrast')} {in_figures(played.other)}", MAIN_PT),
        ("Question", played.say("question"), MAIN_PT),
        ("Answer", played.say("answer") if answered else "", MAIN_PT),
    )
    below.append(("", terms(" ".join(text for _, text, _ in above + below)), SMALL_PT))
    with pages.plain_style():
        sheet = pages.Pages(PAPER_PT)
        _write(sheet, above)
        below_pt, first = _height(sheet, below), sheet.figures[0]
        top_pt, sheet.down = sheet.down, max(FOOT_PT + below_pt, sheet.down - MOST_PICTURES_PT)
        if top_pt - sheet.down < LEAST_PICTURES_PT:
            sheet.down = top_pt - MOST_PICTURES_PT
        pictures(first, played, (sheet.down / 72, top_pt / 72), numbered=True)
        _write(sheet, below)
    return sheet.figures


def slide(played: Played) -> Figure:
    """The pictures of a lesson alone, under its title and what there is to learn."""
    with pages.plain_style():
        sheet = pages.Pages(SLIDE_PT)
        sheet.down = SLIDE_PT[1] - 14
        _write(sheet, [("", played.lesson.title, TITLE_PT), ("", played.say("lesson"), LESSON_PT)], gap_pt=2.0)
        pictures(sheet.figures[0], played, (0.05, sheet.down / 72), numbered=False)
    return sheet.figures[0]


def as_png(figure: Figure, dpi: float = 100) -> bytes:
    """A page or slide as the bytes of a PNG, for a notebook."""
    picture = io.BytesIO()
    figure.savefig(picture, format="png", dpi=dpi, metadata={"Software": None})
    return picture.getvalue()


def save(figures: Sequence[Figure], path: Path, overwrite: bool = False) -> None:
    """Write pages as .png, .pdf or .svg. Raises as `pages.save` does."""
    pages.save(figures, path, "Lesson", overwrite)


def save_all(plays: Iterable[Played], path: Path, overwrite: bool = False, *, slides: bool = False) -> None:
    """Write all lessons as one PDF: the handout, or as slides.

    RangeError for a name that does not end in .pdf; else as `pages.save`.
    """
    if path.suffix.lower() != ".pdf":
        raise RangeError(f"'{path}': the {'deck' if slides else 'handout'}'s name ends in .pdf")
    pages.save([slide(played) for played in plays] if slides else handout(list(plays)), path, TITLE, overwrite)


def handout(plays: Sequence[Played]) -> list[Figure]:
    """The pages, numbered: an index, a page for each lesson without its answer, the answers with their questions."""
    numbered = [(f"Page {number}", played) for number, played in enumerate(plays, 2)]  # the index comes first
    answers = _pages_of_words(
        [("", ANSWERS, TITLE_PT)],
        *(
            [
                (page_number, f"{played.lesson.title}. {played.say('scene')}", MAIN_PT),
                ("Question", played.say("question"), MAIN_PT),
                ("Answer", played.say("answer"), MAIN_PT),
            ]
            for page_number, played in numbered
        ),
    )
    first, last = len(plays) + 2, len(plays) + 1 + len(answers)
    index = _pages_of_words(
        [("", TITLE, TITLE_PT), ("", FOR_THE_CLASS, MAIN_PT), ("The bands", f"{BANDS}.", MAIN_PT)],
        *([(number, f"{played.lesson.title}. {played.say('lesson')}", MAIN_PT)] for number, played in numbered),
        [(f"Page {first}-{last}", f"{ANSWERS}, with the questions", MAIN_PT)],
        [("", INVENTED, SMALL_PT)],
    )
    sheets = [*index, *(page(played, answered=False)[0] for played in plays), *answers]
    for number, sheet in enumerate(sheets, 1):
        sheet.text(0.5, 22 / PAPER_PT[1], f"{number} of {len(sheets)}", size=SMALL_PT, ha="center")
    return sheets


def _told(*blocks: Block) -> list[Block]:
    """The blocks that say something."""
    return [block for block in blocks if block[1].strip()]


def _pages_of_words(*parts: Sequence[Block]) -> list[Figure]:
    """As many pages as the parts fill; none is broken."""
    with pages.plain_style():
        sheet = pages.Pages(PAPER_PT)
        for blocks in parts:
            sheet.need(_height(sheet, blocks))
            _write(sheet, blocks)
            sheet.down -= PART_GAP_PT
    return sheet.figures


def _lines(sheet: pages.Pages, label: str, text: str, size: float) -> list[str]:
    return pages.wrapped(text, sheet.width - (LABEL_PT if label else 0.0), size, size == TITLE_PT)


def _write(sheet: pages.Pages, blocks: Sequence[Block], gap_pt: float = GAP_PT) -> None:
    """Write blocks downward, the label beside its text."""
    for label, text, size in blocks:
        sheet.need(size * pages.LINE_SPACE)
        if label:
            sheet.write(label, 0.0, size, bold=True)
        for line in _lines(sheet, label, text, size):
            sheet.need(size * pages.LINE_SPACE)
            sheet.write(line, LABEL_PT if label else 0.0, size, size == TITLE_PT)
            sheet.down -= size * pages.LINE_SPACE
        sheet.down -= gap_pt


def _height(sheet: pages.Pages, blocks: Sequence[Block]) -> float:
    """Height that blocks take, points."""
    return sum(len(_lines(sheet, *block)) * block[2] * pages.LINE_SPACE + GAP_PT for block in blocks)
