"""A lesson as one printed page, or as a picture for a slide; all lessons as a handout. Black and white will do."""

import io
from collections.abc import Iterable, Sequence
from itertools import groupby
from pathlib import Path
from typing import Any

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FixedLocator, MaxNLocator

from advisor.chemistry import limits
from advisor.errors import RangeError
from advisor.report import pages
from advisor.training.lesson_play import Played, what_the_adviser_said
from advisor.training.lesson_text import BANDS, INVENTED, PARTS, contrast_label, in_figures, terms
from advisor.training.simulated_visit import SimulatedVisit

PAPER_PT, SLIDE_PT = pages.PAPERS_PT["a4"], (648.0, 364.0)  # a slide is small, so that its text is large
TITLE_PT, MAIN_PT, SMALL_PT = 17.0, 11.0, 9.5
LABEL_PT, GAP_PT, FOOT_PT = 97.0, 4.0, 38.0
LEFT_IN, RIGHT_IN = 1.35, 0.6  # of the pictures, from the edges of the page
ROOM_FOR_A_WORD = 0.1  # of the width of a picture
WHOLE_STEPS = [1, 2, 5, 10]  # between ticks, and powers of ten of them
ROOM_BELOW = 0.3  # of the height of what is drawn, for the name of the rate
TRUE: dict[str, Any] = {"color": "black", "linewidth": 2.2}
SHOWN: dict[str, Any] = {"color": "tab:blue", "linewidth": 1.3, "linestyle": "--"}
OTHER: dict[str, Any] = {"color": "tab:orange", "linewidth": 1.6, "linestyle": "-."}
READ: dict[str, Any] = {
    "color": "tab:blue", "marker": "o", "markerfacecolor": "white", "markersize": 6, "linestyle": "none",
}  # fmt: skip
BAND: dict[str, Any] = {"facecolor": "0.85", "edgecolor": "0.4", "linewidth": 0.8, "hatch": "..."}

TITLE = "Setting a gas valve by CO2: lessons"
FOR_THE_CLASS = (
    "Each lesson was played on a made-up boiler: what the hand did, what the display showed, what the flame truly did, "
    "what it cost, what an adviser would have said, and a question. In the pictures the solid line is the true CO2 of "
    "the flame, the dashed one the display, rings are readings, the dotted bar is the band of the rate that is fired."
)
ANSWERS = "Answers, for the trainer"

Block = tuple[str, str, float]  # label, text, size in points


def page(played: Played, *, answered: bool = True) -> Figure:
    """The lesson on one page: words, pictures, what the adviser would have said, the question, and its answer."""
    above: list[Block] = [("", played.lesson.title, TITLE_PT), ("", played.say("scene"), MAIN_PT)]
    above += [("The bands", f"{BANDS}.", MAIN_PT), *((label, played.say(name), MAIN_PT) for label, name in PARTS)]
    below: list[Block] = [
        ("", "What the adviser would have said:", MAIN_PT),
        *((number, answer, SMALL_PT) for number, answer in what_the_adviser_said(played)),
        (contrast_label(played), f"{played.say('contrast')} {in_figures(played.other)}", MAIN_PT),
        ("Question", played.say("question"), MAIN_PT),
        *([("Answer", played.say("answer"), MAIN_PT)] if answered else []),
        ("", terms(), SMALL_PT),
    ]
    with pages.plain_style():
        sheet = pages.Pages(PAPER_PT)
        _write(sheet, above)
        top_pt, sheet.down = sheet.down, FOOT_PT + _height(sheet, below)
        _pictures(sheet.figures[0], played, (sheet.down / 72, top_pt / 72))
        _write(sheet, below)
    return sheet.figures[0]


def slide(played: Played) -> Figure:
    """The pictures of a lesson alone, under its title."""
    with pages.plain_style():
        sheet = pages.Pages(SLIDE_PT)
        sheet.down = SLIDE_PT[1] - 20
        _write(sheet, [("", played.lesson.title, TITLE_PT)])
        _pictures(sheet.figures[0], played, (0.25, sheet.down / 72))
    return sheet.figures[0]


def as_png(figure: Figure, dpi: float = 100) -> bytes:
    """A page or slide as the bytes of a PNG, for a notebook."""
    picture = io.BytesIO()
    figure.savefig(picture, format="png", dpi=dpi, metadata={"Software": None})
    return picture.getvalue()


def save(figure: Figure, path: Path, overwrite: bool = False) -> None:
    """Write a page as .png, .pdf or .svg. Raises as `pages.save` does."""
    pages.save([figure], path, "Lesson", overwrite)


def save_handout(plays: Iterable[Played], path: Path, overwrite: bool = False) -> None:
    """Write all lessons as one PDF: an index, a page each without the answer, and the answers at the end.

    RangeError for a name that does not end in .pdf; else as `pages.save`.
    """
    if path.suffix.lower() != ".pdf":
        raise RangeError(f"'{path}': the handout's name ends in .pdf")
    pages.save(handout(list(plays)), path, TITLE, overwrite)


def handout(plays: Sequence[Played]) -> list[Figure]:
    """The pages of the handout, numbered; question and answer are never on one sheet's face."""
    last = len(plays) + 2  # the index comes first
    index: list[Block] = [("", TITLE, TITLE_PT), ("", FOR_THE_CLASS, MAIN_PT), ("The bands", f"{BANDS}.", MAIN_PT)]
    index += [(f"Page {number}", played.lesson.title, MAIN_PT) for number, played in enumerate(plays, 2)]
    index += [(f"Page {last}", ANSWERS, MAIN_PT), ("", INVENTED, SMALL_PT)]
    answers: list[Block] = [("", ANSWERS, TITLE_PT)]
    for number, played in enumerate(plays, 2):
        answers += [(f"Page {number}", f"{played.lesson.title}. {played.say('answer')}", MAIN_PT)]
    sheets = [_words_alone(index), *(page(played, answered=False) for played in plays), _words_alone(answers)]
    for number, sheet in enumerate(sheets, 1):
        sheet.text(0.5, 22 / PAPER_PT[1], f"{number} of {len(sheets)}", size=SMALL_PT, ha="center")
    return sheets


def _words_alone(blocks: Sequence[Block]) -> Figure:
    with pages.plain_style():
        sheet = pages.Pages(PAPER_PT)
        _write(sheet, blocks, gap_pt=9.0)
    return sheet.figures[0]


def _lines(sheet: pages.Pages, label: str, text: str, size: float) -> list[str]:
    return pages.wrapped(text, sheet.width - (LABEL_PT if label else 0.0), size, size == TITLE_PT)


def _write(sheet: pages.Pages, blocks: Sequence[Block], gap_pt: float = GAP_PT) -> None:
    """Write blocks downward, the label beside its text."""
    for label, text, size in blocks:
        if label:
            sheet.write(label, 0.0, size, bold=True)
        for line in _lines(sheet, label, text, size):
            sheet.write(line, LABEL_PT if label else 0.0, size, size == TITLE_PT)
            sheet.down -= size * pages.LINE_SPACE
        sheet.down -= gap_pt


def _height(sheet: pages.Pages, blocks: Sequence[Block]) -> float:
    """Height that blocks take, points."""
    return sum(len(_lines(sheet, *block)) * block[2] * pages.LINE_SPACE + GAP_PT for block in blocks)


# ---- pictures


def _pictures(figure: Figure, played: Played, between_in: tuple[float, float]) -> None:
    """The hand's way, the other way, and the CO of both, one under the other at the same scale of time."""
    width, height = figure.get_size_inches()
    bottom, top = between_in[0] + 0.5, between_in[1] - 0.45
    gap, at = 0.32, top
    axes: list[Axes] = []
    for share in (0.44, 0.30, 0.26):
        high = share * (top - bottom - 2 * gap)
        box = (LEFT_IN / width, (at - high) / height, (width - LEFT_IN - RIGHT_IN) / width, high / height)
        axes.append(figure.add_axes(box, sharex=axes[0] if axes else None))
        at -= high + gap
    _same_scale(axes[:2], (played.hand, played.other))
    draw_run(axes[0], played.hand, numbers=[(step.act.at_s, step.number) for step in played.steps])
    draw_run(axes[1], played.other)
    axes[1].yaxis.set_major_locator(MaxNLocator(nbins=3, min_n_ticks=2, steps=WHOLE_STEPS))
    draw_co(axes[2], played.hand, played.other)
    for each in axes[:2]:
        each.tick_params(labelbottom=False)
    axes[2].xaxis.set_major_locator(MaxNLocator(nbins=9, steps=WHOLE_STEPS))
    axes[2].set_xlabel("minutes", size=MAIN_PT, labelpad=1)
    figure.align_ylabels(axes)
    handles, labels = axes[0].get_legend_handles_labels()
    figure.legend(
        handles, labels, loc="upper center", ncols=len(labels), fontsize=SMALL_PT, frameon=False,
        bbox_to_anchor=(0.5, (top + 0.48) / height), borderaxespad=0.0, columnspacing=1.5,
    )  # fmt: skip


def draw_run(axes: Axes, visit: SimulatedVisit, numbers: Sequence[tuple[float, int]] = ()) -> Axes:
    """CO2 over time: band, what the flame truly was, where the display stood, what was read; numbered steps."""
    for number, (firing, part) in enumerate(groupby(visit.trace, key=lambda sample: sample.firing)):
        stretch = [sample.at_s / 60 for sample in part]
        first, last = stretch[0], stretch[-1]
        axes.fill_between([first, last], *visit.bands[firing], label=None if number else "band", **BAND)
        if last - first > ROOM_FOR_A_WORD * (axes.get_xlim()[1] - axes.get_xlim()[0]):
            _mark(axes, f"{firing} fire", (first + last) / 2, 0.05)
    minutes = [sample.at_s / 60 for sample in visit.trace]
    true, shown = ([getattr(sample, name) for sample in visit.trace] for name in ("true_pct", "display_pct"))
    axes.plot(minutes, true, drawstyle="steps-post", label="true CO2 of the flame", **TRUE)
    axes.plot(minutes, shown, label="display", **SHOWN)
    read = [(act.at_s / 60, act.shown.co2_pct) for act in visit.acts if act.shown]
    axes.plot(*zip(*read, strict=True), label="reading", **READ)
    for at_s, step in numbers:
        axes.axvline(at_s / 60, color="0.35", linewidth=0.8, linestyle=":")
        _mark(axes, str(step), at_s / 60, 0.99, va="top", weight="bold")
    axes.set_title(visit.name, size=MAIN_PT, loc="left", pad=3, weight="bold")
    axes.set_ylabel("CO2, %", size=MAIN_PT)
    axes.tick_params(labelsize=SMALL_PT)
    axes.yaxis.set_major_locator(MaxNLocator(nbins=5, min_n_ticks=3, steps=WHOLE_STEPS))
    return axes


def _mark(axes: Axes, words: str, minute: float, height: float, **look: Any) -> None:
    """A word at a moment, at a share of the height of the picture."""
    box = {"facecolor": "white", "edgecolor": "none", "pad": 0.3}
    over = ("data", "axes fraction")
    axes.annotate(words, (minute, height), xycoords=over, ha="center", size=SMALL_PT, bbox=box, **look)


def draw_co(axes: Axes, hand: SimulatedVisit, other: SimulatedVisit) -> Axes:
    """CO of the flame over time, ppm air-free, of both ways, and the limit."""
    for visit, look in ((hand, TRUE), (other, OTHER)):
        course = [(sample.at_s / 60, sample.co_air_free_ppm) for sample in visit.trace]
        axes.plot(*zip(*course, strict=True), drawstyle="steps-post", label=visit.name, **look)
    axes.set_yscale("log")
    most = max(2 * limits.CO_AIR_FREE_PPM, *(visit.score().peak_co_air_free_ppm for visit in (hand, other)))
    axes.yaxis.set_major_locator(FixedLocator([10.0**power for power in range(1, 6, 2 if most > 1e4 else 1)]))
    axes.set_ylim(8, most * 3)
    axes.axhline(limits.CO_AIR_FREE_PPM, color="0.2", linewidth=1.0, linestyle="--")
    words = "CO of the flame, air-free. Solid: first picture. Dash-dot: second. Dashed: limit,"
    axes.set_title(f"{words} {limits.CO_AIR_FREE_PPM:.0f} ppm.", size=SMALL_PT, loc="left", pad=3)
    axes.set_ylabel("CO, ppm", size=MAIN_PT)
    axes.tick_params(labelsize=SMALL_PT)
    axes.minorticks_off()
    axes.yaxis.set_major_formatter(lambda value, _: f"{value:g}")
    return axes


def _same_scale(axes: Sequence[Axes], visits: Sequence[SimulatedVisit]) -> None:
    """One scale for both ways: the truth whole, the display's start-up cut off."""
    truths = [sample.true_pct for visit in visits for sample in visit.trace]
    shown = [reading.co2_pct for visit in visits for reading in visit.readings]
    settled = [co2 for co2 in shown if co2 > min(truths) - 1.5]
    low, high = min([*truths, *settled, 8.4]), max([*truths, *settled, 9.6])
    first, last = min(visit.trace[0].at_s for visit in visits), max(visit.trace[-1].at_s for visit in visits)
    for each in axes:
        each.set_ylim(low - 0.15 - ROOM_BELOW * (high - low), high + 0.2 * (high - low) + 0.25)
        each.set_xlim(first / 60 - 0.2, last / 60 + 0.2)
