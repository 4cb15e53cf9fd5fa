"""A lesson as one printed page, or as a picture for a slide; all lessons as a handout. Black and white will do."""

import io
from collections.abc import Iterable, Sequence
from functools import cache
from pathlib import Path
from typing import Any

from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg, RendererAgg
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.ticker import FixedLocator, MaxNLocator

from advisor.chemistry import limits
from advisor.errors import RangeError
from advisor.report import pages
from advisor.training.lesson_play import Played, Run, what_the_adviser_said
from advisor.training.lesson_text import BANDS, INVENTED, PARTS, contrast_label, explained, in_figures
from advisor.training.simulated_visit import FACTS

PAGE_IN, SLIDE_IN = (8.27, 11.69), (9.0, 5.06)  # A4 upright; a slide, small so that its text is large
MARGIN_IN = 0.6
TITLE_PT, MAIN_PT, SMALL_PT = 17.0, 11.0, 9.5
LINE = 1.28  # line height over font size
ROOM_FOR_A_WORD = 0.1  # of the width of a picture
GAP_IN = 0.06
LABEL_IN = 1.35
WHOLE_STEPS = [1, 2, 5, 10]  # between ticks, and powers of ten of them
ROOM_BELOW = 0.3  # of the height of what is drawn, for the name of the rate
DPI = 150
TRUE: dict[str, Any] = {"color": "black", "linewidth": 2.2}
SHOWN: dict[str, Any] = {"color": "tab:blue", "linewidth": 1.3, "linestyle": "--"}
OTHER: dict[str, Any] = {"color": "tab:orange", "linewidth": 1.6, "linestyle": "-."}
READ: dict[str, Any] = {
    "color": "tab:blue",
    "marker": "o",
    "markerfacecolor": "white",
    "markersize": 6,
    "linestyle": "none",
}
BAND: dict[str, Any] = {"facecolor": "0.85", "edgecolor": "0.4", "linewidth": 0.8, "hatch": "..."}

TITLE = "Setting a gas valve by CO2: lessons"
FOR_THE_CLASS = (
    "Each lesson was played on a made-up boiler: what the hand did, what the display showed, what the flame truly did, "
    "what it cost, what an adviser would have said, and a question. In the pictures the solid line is the true CO2 of "
    "the flame, the dashed one the display, rings are readings, the dotted bar is the band of the rate that is fired."
)
ANSWERS = "Answers, for the trainer"


def page(played: Played, *, answered: bool = True) -> Figure:
    """The lesson on one page: words, pictures, what the adviser would have said, the question, and its answer."""
    figure = _figure(PAGE_IN)
    width = PAGE_IN[0] - 2 * MARGIN_IN
    above = [("", played.lesson.title, TITLE_PT), ("", played.say("scene"), MAIN_PT)]
    above += [("The bands", f"{BANDS}.", MAIN_PT)]
    above += [(label, played.say(name), MAIN_PT) for label, name in PARTS]
    said = [(number, answer, SMALL_PT) for number, answer in what_the_adviser_said(played)]
    below = [
        ("", "What the adviser would have said:", MAIN_PT),
        *said,
        (contrast_label(played), f"{played.say('contrast')} {in_figures(played.other)}", MAIN_PT),
        ("Question", played.say("question"), MAIN_PT),
        *([("Answer", played.say("answer"), MAIN_PT)] if answered else []),
    ]
    notes = [*explained(" ".join(text for _, text, _ in [*above, *below])), INVENTED]
    below.append(("", " ".join(notes), SMALL_PT))
    first, second = _set(above, width), _set(below, width)
    top = PAGE_IN[1] - MARGIN_IN
    top = _write(figure, first, top)
    height = _height(second)
    _write(figure, second, MARGIN_IN + height)
    _pictures(figure, played, (MARGIN_IN + height + 0.15, top - 0.1))
    return figure


def slide(played: Played) -> Figure:
    """The pictures of a lesson alone, under its title."""
    figure = _figure(SLIDE_IN)
    title = _set([("", played.lesson.title, TITLE_PT)], SLIDE_IN[0] - 2 * MARGIN_IN)
    top = _write(figure, title, SLIDE_IN[1] - 0.3)
    _pictures(figure, played, (0.25, top - 0.05))
    return figure


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
    width = PAGE_IN[0] - 2 * MARGIN_IN
    last = len(plays) + 2  # the index comes first
    index = [("", TITLE, TITLE_PT), ("", FOR_THE_CLASS, MAIN_PT)]
    index += [("The bands", f"{BANDS}.", MAIN_PT)]
    index += [(f"Page {number}", played.lesson.title, MAIN_PT) for number, played in enumerate(plays, 2)]
    index += [(f"Page {last}", ANSWERS, MAIN_PT), ("", INVENTED, SMALL_PT)]
    answers = [("", ANSWERS, TITLE_PT)]
    for number, played in enumerate(plays, 2):
        answers += [(f"Page {number}", f"{played.lesson.title}. {played.say('answer')}", MAIN_PT)]
    sheets = [_words_alone(index, width), *(page(played, answered=False) for played in plays)]
    sheets += [_words_alone(answers, width)]
    for number, sheet in enumerate(sheets, 1):
        sheet.text(0.5, 0.3 / PAGE_IN[1], f"{number} of {len(sheets)}", size=SMALL_PT, ha="center")
    return sheets


def _words_alone(blocks: Sequence[tuple[str, str, float]], width_in: float) -> Figure:
    figure = _figure(PAGE_IN)
    _write(figure, _set(blocks, width_in), PAGE_IN[1] - MARGIN_IN, gap_in=0.12)
    return figure


# ---- words, in inches from the lower left corner

Block = tuple[str, tuple[str, ...], float]  # label, lines, size in points


def _figure(size_in: tuple[float, float]) -> Figure:
    figure = Figure(figsize=size_in, dpi=DPI)
    FigureCanvasAgg(figure)
    return figure


def _set(blocks: Sequence[tuple[str, str, float]], width_in: float) -> list[Block]:
    """Break each text into lines that fit, measured in its own font."""
    return [(label, _broken(text, size, width_in - (LABEL_IN if label else 0.0)), size) for label, text, size in blocks]


def _broken(text: str, size: float, width_in: float) -> tuple[str, ...]:
    lines: list[list[str]] = [[]]
    used = 0.0
    for word in text.split():
        width, space = _word_in(word, size), _word_in("n", size) / 2  # a space has no ink to measure
        if lines[-1] and used + space + width > width_in:
            lines.append([])
        used = used + space + width if lines[-1] else width
        lines[-1].append(word)
    return tuple(" ".join(line) for line in lines)


@cache
def _word_in(word: str, size: float) -> float:
    """Width of a word, inches."""
    font = FontProperties(size=size, weight="bold" if size == TITLE_PT else "normal")
    renderer = RendererAgg(1, 1, 72)  # type: ignore[no-untyped-call]
    return float(renderer.get_text_width_height_descent(word, font, False)[0]) / 72  # type: ignore[no-untyped-call]


def _height(blocks: Sequence[Block]) -> float:
    return sum(len(lines) * size * LINE / 72 + GAP_IN for _, lines, size in blocks)


def _write(figure: Figure, blocks: Sequence[Block], top_in: float, gap_in: float = GAP_IN) -> float:
    """Write blocks downward from `top_in`, `gap_in` between them; returns where they end."""
    width, height = figure.get_size_inches()
    for label, lines, size in blocks:
        step = size * LINE / 72
        if label:
            figure.text(MARGIN_IN / width, top_in / height, label, size=size, va="top", weight="bold")
        for line in lines:
            left = MARGIN_IN + (LABEL_IN if label else 0.0)
            figure.text(
                left / width, top_in / height, line, size=size, va="top",
                weight="bold" if size == TITLE_PT else "normal",
            )  # fmt: skip
            top_in -= step
        top_in -= gap_in
    return top_in


# ---- pictures


def _pictures(figure: Figure, played: Played, between_in: tuple[float, float]) -> None:
    """The hand's way, the other way, and the CO of both, one under the other at the same scale of time."""
    width, height = figure.get_size_inches()
    bottom, top = between_in
    bottom, top = bottom + 0.5, top - 0.45
    left, right = MARGIN_IN + 0.75, width - MARGIN_IN
    gap, free = 0.32, top - bottom - 2 * 0.32
    shares = (0.44, 0.30, 0.26)
    axes: list[Axes] = []
    at = top
    for share in shares:
        at -= share * free
        box = (left / width, at / height, (right - left) / width, share * free / height)
        axes.append(figure.add_axes(box, sharex=axes[0] if axes else None))
        at -= gap
    _same_scale(axes[:2], (played.hand, played.other))
    draw_run(axes[0], played.hand, numbers=[(step.at_s, step.number) for step in played.steps])
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


def draw_run(axes: Axes, run: Run, numbers: Sequence[tuple[float, int]] = ()) -> Axes:
    """CO2 over time: band, what the flame truly was, where the display stood, what was read; numbered steps."""
    trace = run.trace
    minutes = [at_s / 60 for at_s in trace.at_s]
    bands: dict[str, tuple[float, float]] = FACTS["bands"]
    for label, (first, last, firing) in zip(["band", *[None] * 99], _stretches(run), strict=False):
        low, high = bands[firing]
        axes.fill_between([first, last], low, high, label=label, **BAND)
        if last - first > ROOM_FOR_A_WORD * (axes.get_xlim()[1] - axes.get_xlim()[0]):
            axes.annotate(
                f"{firing} fire", ((first + last) / 2, 0.05), xycoords=("data", "axes fraction"), ha="center",
                size=SMALL_PT, bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.2},
            )  # fmt: skip
    axes.plot(minutes, trace.true_pct, drawstyle="steps-post", label="true CO2 of the flame", **TRUE)
    axes.plot(minutes, trace.display_pct, label="display", **SHOWN)
    read = [(point.at_s / 60, point.shown.co2_pct) for point in run.points if point.shown]
    axes.plot(*zip(*read, strict=True), label="reading", **READ)
    for at_s, number in numbers:
        axes.axvline(at_s / 60, color="0.35", linewidth=0.8, linestyle=":")
        axes.annotate(
            str(number), (at_s / 60, 0.99), xycoords=("data", "axes fraction"), ha="center", va="top", size=SMALL_PT,
            weight="bold", bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.4},
        )  # fmt: skip
    axes.set_title(run.name, size=MAIN_PT, loc="left", pad=3, weight="bold")
    axes.set_ylabel("CO2, %", size=MAIN_PT)
    axes.tick_params(labelsize=SMALL_PT)
    axes.yaxis.set_major_locator(MaxNLocator(nbins=5, min_n_ticks=3, steps=WHOLE_STEPS))
    return axes


def draw_co(axes: Axes, hand: Run, other: Run) -> Axes:
    """CO of the flame over time, ppm air-free, of both ways, and the limit."""
    for run, look in ((hand, TRUE), (other, OTHER)):
        minutes = [at_s / 60 for at_s in run.trace.at_s]
        axes.plot(minutes, run.trace.co_air_free_ppm, drawstyle="steps-post", label=run.name, **look)
    axes.set_yscale("log")
    axes.yaxis.set_major_locator(FixedLocator([10.0**power for power in range(1, 6)]))
    most = max(hand.score.peak_co_air_free_ppm, other.score.peak_co_air_free_ppm, 2 * limits.CO_AIR_FREE_PPM)
    axes.set_ylim(8, most * 3)
    axes.axhline(limits.CO_AIR_FREE_PPM, color="0.2", linewidth=1.0, linestyle="--")
    axes.set_title(
        f"CO of the flame, air-free. Solid: first picture. Dash-dot: second. "
        f"Dashed: limit, {limits.CO_AIR_FREE_PPM:.0f} ppm.",
        size=SMALL_PT, loc="left", pad=3,
    )  # fmt: skip
    axes.set_ylabel("CO, ppm", size=MAIN_PT)
    axes.tick_params(labelsize=SMALL_PT)
    axes.minorticks_off()
    axes.yaxis.set_major_formatter(lambda value, _: f"{value:g}")
    return axes


def _stretches(run: Run) -> list[tuple[float, float, str]]:
    """First and last minute at each rate in turn."""
    found: list[tuple[float, float, str]] = []
    for at_s, firing in zip(run.trace.at_s, run.trace.firing, strict=True):
        if found and found[-1][2] == firing:
            found[-1] = (found[-1][0], at_s / 60, firing)
        else:
            found.append((at_s / 60, at_s / 60, firing))
    return found


def _same_scale(axes: Sequence[Axes], runs: Sequence[Run]) -> None:
    """One scale for both ways: the truth whole, the display's start-up cut off."""
    truths: list[Any] = [value for run in runs for value in run.trace.true_pct]
    shown = [point.shown.co2_pct for run in runs for point in run.points[:99] if point.shown]
    settled = [value for value in shown if value > min(truths) - 1.5]
    low, high = min([*truths, *settled, 8.4]), max([*truths, *settled, 9.6])
    first, last = min(run.trace.at_s[0] for run in runs), max(run.trace.at_s[-1] for run in runs)
    for each in axes:
        each.set_ylim(low - 0.15 - ROOM_BELOW * (high - low), high + 0.2 * (high - low) + 0.25)
        each.set_xlim(first / 60 - 0.2, last / 60 + 0.2)
