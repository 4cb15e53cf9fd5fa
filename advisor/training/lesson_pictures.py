"""The pictures of a lesson or a practice session: what the flame did beside what the display showed. Black and white
will do.
"""

import copy
import math
from collections.abc import Mapping, Sequence
from itertools import groupby, pairwise
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FixedLocator, MaxNLocator, MultipleLocator

from advisor.chemistry import limits
from advisor.chemistry.fuels import NATURAL_GAS
from advisor.decision.answers import Advice
from advisor.report import pages
from advisor.screws import SCREW_FOR, Firing
from advisor.training.lesson_play import Played
from advisor.training.marking import STOPPED, out_pct
from advisor.training.simulated_visit import DONE, GAVE_UP, OFF, Act, SimulatedVisit
from advisor.training.simulator import Boiler, Reading
from advisor.wording import numbers

MAIN_PT, SMALL_PT = 11.0, 9.5
LEFT_IN, RIGHT_IN = 0.75, 0.95  # of the pictures, from the edges of the page
BELOW_IN, ABOVE_IN, GAP_IN = 0.5, 0.5, 0.34
NEAR_IN = 0.55  # between like turns that share a label
ROOM_FOR_CO_IN = 3.6  # height of the pictures, from which CO has one of its own
BESIDE_IN = (1.0, 0.35)  # room for words left and right of a path
WHOLE_STEPS = [1, 2, 5, 10]  # between ticks, and powers of ten of them
MOST_LABELS = 6  # turns of the other way that are named
LONG_SLACK_TURNS = 1 / 48  # from which slack is named
MORE_READINGS = 19  # that would have followed the one at the edge
TRUE: dict[str, Any] = {"color": "black", "linewidth": 2.2}
SHOWN: dict[str, Any] = {"color": "tab:blue", "linewidth": 1.3, "linestyle": "--"}
OTHER: dict[str, Any] = {"color": "tab:orange", "linewidth": 1.6, "linestyle": "-."}
READ: dict[str, Any] = {
    "color": "tab:blue", "marker": "o", "markerfacecolor": "white", "markersize": 6, "linestyle": "none",
}  # fmt: skip
BAND: dict[str, Any] = {"facecolor": "0.85", "edgecolor": "0.4", "linewidth": 0.8, "hatch": "..."}
OVER_CO: dict[str, Any] = {"facecolor": "none", "edgecolor": "0.55", "linewidth": 0.0, "hatch": "////"}
EVENTS: Mapping[str, str] = {  # what was put right, where a lesson does not name it
    "line": "line mended", "pressure": "pressure put right", "air": "intake freed", "fuel": "fuel set right",
}  # fmt: skip
STOPS = "STOPS"
GOES_ON = ("", DONE, GAVE_UP, OFF, STOPPED)  # ends that are no stop of the adviser
LATE_PCT = 0.7  # below the flame, % CO2: readings of a display that has not yet arrived are cut off


def pictures(figure: Figure, played: Played, between_in: tuple[float, float], *, numbered: bool) -> None:
    """The pictures of a lesson between two heights of the page, inches from below."""
    draw = {"course": _course, "air": _air, "screw": _screw, "edge": _edge, "years": _years}[played.lesson.picture]
    draw(figure, played, between_in, numbered)


def _axes(figure: Figure, between_in: tuple[float, float], shares: Sequence[float]) -> list[Axes]:
    """Pictures one under the other, each a share of the height."""
    width, height = figure.get_size_inches()
    bottom, top = between_in[0] + BELOW_IN, between_in[1] - ABOVE_IN
    room = top - bottom - GAP_IN * (len(shares) - 1)
    axes, at = [], top
    for share in shares:
        high = share / sum(shares) * room
        box = (LEFT_IN / width, (at - high) / height, (width - LEFT_IN - RIGHT_IN) / width, high / height)
        axes.append(figure.add_axes(box))
        at -= high + GAP_IN
    return axes


def _legend(figure: Figure, axes: Axes, top_in: float) -> None:
    handles, labels = axes.get_legend_handles_labels()
    figure.legend(
        handles, labels, loc="upper center", ncols=len(labels), fontsize=SMALL_PT, frameon=False,
        bbox_to_anchor=(0.5, (top_in - 0.02) / figure.get_size_inches()[1]), borderaxespad=0.0, columnspacing=1.5,
    )  # fmt: skip


def _style(axes: Axes, name: str, y_label: str = "CO2, %") -> None:
    axes.set_title(name, size=MAIN_PT, loc="left", pad=3, weight="bold")
    axes.set_ylabel(y_label, size=MAIN_PT)
    axes.tick_params(labelsize=SMALL_PT)
    axes.yaxis.set_major_locator(MaxNLocator(nbins=5, min_n_ticks=2, steps=WHOLE_STEPS))


def _text(axes: Axes, words: str, at: tuple[float, float], over: Any = "data", **look: Any) -> None:
    """Words on a white ground, so that lines do not run through them."""
    box = {"facecolor": "white", "edgecolor": "none", "pad": 0.8}
    axes.annotate(words, at, xycoords=over, **{"ha": "center", "size": SMALL_PT, "bbox": box, **look})


def _edge_text(axes: Axes, words: str, minute: float, *, at_top: bool) -> None:
    """Words just within the upper (bold) or the lower frame, at a moment."""
    look: dict[str, Any] = {"va": "top", "weight": "bold"} if at_top else {"va": "bottom"}
    over, below = ("data", "axes fraction"), "offset points"
    _text(axes, words, (minute, float(at_top)), over, xytext=(0, -4 if at_top else 4), textcoords=below, **look)


# ---- over time


def _course(figure: Figure, played: Played, between_in: tuple[float, float], numbered: bool) -> None:
    """The hand's way, the other way, and the CO of both where it passed its limit, at the same scale of time."""
    visits = (played.hand, played.other)
    over_co = any(sample.co_air_free_ppm > limits.CO_AIR_FREE_PPM for visit in visits for sample in visit.trace)
    over_co = over_co and between_in[1] - between_in[0] > ROOM_FOR_CO_IN  # without it the hatched time has to do
    axes = _axes(figure, between_in, (0.42, 0.36, 0.22) if over_co else (0.56, 0.44))
    _scale_time(axes, visits)
    draw_run(axes[0], played.hand, _numbers(played, numbered), played.lesson.event)
    draw_run(axes[1], played.other, None if len(played.other.turns) > MOST_LABELS else {}, played.lesson.event)
    if over_co:
        draw_co(axes[2], played.hand, played.other)
    _share_time(figure, axes)
    _legend(figure, axes[0], between_in[1])


def _years(figure: Figure, played: Played, between_in: tuple[float, float], numbered: bool) -> None:
    """An earlier visit and the hand's, from whose log it started, with what its first turn was expected to bring."""
    assert played.earlier
    axes = _axes(figure, between_in, (0.5, 0.5))
    _scale_time(axes, (played.earlier, played.hand))
    draw_run(axes[0], played.earlier, {})
    draw_run(axes[1], played.hand, _numbers(played, numbered))
    if played.first_advice:
        _draw_expected(axes[1], played.hand, played.first_advice)
    _share_time(figure, axes)
    _legend(figure, axes[1], between_in[1])


def _draw_expected(axes: Axes, visit: SimulatedVisit, advice: Advice) -> None:
    """Beside the first reading after the first turn: the one that was expected, with its likely range."""
    turned_s = visit.turns[0].at_s
    read_s = next(act.at_s for act in visit.acts if act.shown and act.at_s > turned_s)
    told = (advice.expect_co2_pct, advice.expect_low_pct, advice.expect_high_pct)
    expected, low, high = (figure or 0.0 for figure in told)  # the advice of a turn has them
    axes.errorbar(
        [(turned_s + 3 * read_s) / 240], [expected], [[expected - low], [high - expected]], color="0.2", marker="D",
        markersize=5, capsize=4, elinewidth=1.4, linestyle="none", zorder=3, label="expected of the first turn",
    )  # fmt: skip


def _numbers(played: Played, numbered: bool) -> Mapping[float, int]:
    """The number of a step by its moment, s, where steps are counted."""
    return {step.act.at_s: step.number for step in played.steps} if numbered else {}


def _share_time(figure: Figure, axes: Sequence[Axes]) -> None:
    """Pictures one under the other with one scale of minutes."""
    for each in axes:
        each.tick_params(labelbottom=each is axes[-1])
        each.xaxis.set_major_locator(MaxNLocator(nbins=9, steps=WHOLE_STEPS))
    axes[-1].set_xlabel("minutes", size=MAIN_PT, labelpad=1)
    figure.align_ylabels(axes)


def draw_run(axes: Axes, visit: SimulatedVisit, numbers_at: Mapping[float, int] | None, event: str = "") -> Axes:
    """CO2 over time: band, what the flame truly was, where the display stood, what was read; turns with their size.

    The lines are broken where the rate changes.

    numbers_at  number of a turn by its moment, s, where they are counted; None: turns are not named
    """
    _scale_co2(axes, visit)
    width_in, (floor_pct, top_pct) = _width_in(axes), axes.get_ylim()
    clear_pct = floor_pct + _line_share(axes) * (top_pct - floor_pct)  # of the words along the lower frame
    first = True
    for firing, part in groupby(visit.trace, key=lambda sample: sample.firing):
        samples = list(part)
        minutes = [sample.at_s / 60 for sample in samples]
        true, shown = ([getattr(sample, name) for sample in samples] for name in ("true_pct", "display_pct"))
        names = ("band", "true CO2 of the flame", "display") if first else (None, None, None)
        axes.fill_between([minutes[0], minutes[-1]], *visit.bands[firing], label=names[0], **BAND)
        axes.plot(minutes, true, drawstyle="steps-post", label=names[1], **TRUE)
        axes.plot(minutes, shown, label=names[2], **SHOWN)
        words = f"{firing} fire"
        from_min = next((at for at, display in zip(minutes, shown, strict=True) if display > clear_pct), minutes[0])
        if (minutes[-1] - from_min) * width_in > 1.1 * _words_in(words) * float(np.ptp(axes.get_xlim())):
            _edge_text(axes, words, (from_min + minutes[-1]) / 2, at_top=False)
        first = False
    read = [(act.at_s / 60, act.shown.co2_pct) for act in visit.acts if act.shown]
    if read:
        axes.plot(*zip(*read, strict=True), label="reading", **READ)
    _hatch_co(axes, visit)
    marks = [act for act in visit.acts if act.kind in ("turn", "mend")]
    for act in marks:
        axes.axvline(act.at_s / 60, color="0.35", linewidth=0.8, linestyle=":")
    if numbers_at is not None:
        _label_turns(axes, marks, numbers_at, event)
    turns = f"{len(visit.turns)} turn{'' if len(visit.turns) == 1 else 's'}"
    _style(axes, f"{visit.name}: {turns}, {visit.boiler.now_s / 60:.0f} min")
    _say_left(axes, visit)
    return axes


def _hatch_co(axes: Axes, visit: SimulatedVisit) -> None:
    """The time with CO over its limit."""
    label: str | None = "CO over its limit"
    for over, pairs in groupby(
        pairwise(visit.trace), key=lambda pair: pair[0].co_air_free_ppm > limits.CO_AIR_FREE_PPM
    ):
        stretch = list(pairs)
        if over:
            axes.axvspan(stretch[0][0].at_s / 60, stretch[-1][1].at_s / 60, zorder=0.5, label=label, **OVER_CO)
            label = None


def _width_in(axes: Axes) -> float:
    """Width of a picture, inches."""
    return float(axes.get_position().width * axes.figure.get_size_inches()[0])  # type: ignore[union-attr]


def _line_share(axes: Axes) -> float:
    """A line of words and the mark of a reading, as a share of a picture's height."""
    height_in = axes.get_position().height * axes.figure.get_size_inches()[1]  # type: ignore[union-attr]
    return float(1.9 * SMALL_PT / (72 * height_in))


def _words_in(words: str, bold: bool = False) -> float:
    """Width of words in a picture, inches."""
    return pages.width_pt(words, SMALL_PT, bold) / 72


def _label_turns(axes: Axes, acts: Sequence[Act], numbers_at: Mapping[float, int], event: str) -> None:
    """Each turn with its size above its moment; like turns that stand close together once; no label over another."""
    first, last = axes.get_xlim()
    minute_in = _width_in(axes) / (last - first)
    groups: list[list[Act]] = []
    for act in acts:
        alike = groups and groups[-1][-1].turns_cw == act.turns_cw and act.kind == groups[-1][-1].kind
        if alike and (act.at_s - groups[-1][-1].at_s) / 60 * minute_in < NEAR_IN:
            groups[-1].append(act)
        else:
            groups.append([act])
    named = [_named(group, numbers_at, event) for group in groups]
    if sum(_words_in(words, bold=True) + 0.1 for words in named) > _width_in(axes):  # their numbers have to do
        named = [words.split(":")[0] if numbers_at else "" for words in named]
    places: list[tuple[float, float, str]] = []  # middle and half the width, minutes
    for group, words in zip(groups, named, strict=True):
        room = (_words_in(words, bold=True) / 2 + 0.05) / minute_in
        at = min(max((group[0].at_s + group[-1].at_s) / 120, first + room), last - room)
        if places and (short := places[-1][0] + places[-1][1] - (at - room)) > 0:
            before, half, said = places[-1]
            back = min(short / 2, max(0.0, before - half - (places[-2][0] + places[-2][1] if places[1:] else first)))
            places[-1] = (before - back, half, said)
            at += short - back
        places.append((at, room, words))
    for at, _, words in places:
        _edge_text(axes, words, at, at_top=True)


def _named(group: Sequence[Act], numbers_at: Mapping[float, int], event: str) -> str:
    """What some like acts are called in a picture."""
    counted = [numbers_at[act.at_s] for act in group if act.at_s in numbers_at]
    number = f"{'-'.join(map(str, dict.fromkeys((counted[0], counted[-1]))))}: " if counted else ""
    times = f"{len(group)} x " if len(group) > 1 else ""
    if group[0].screw:
        return f"{number}{times}{numbers.say_brief_turn(group[0].turns_cw)}"
    return number + (event or " and ".join(EVENTS[name] for name in group[0].mended.split(" and ")))


def _say_left(axes: Axes, visit: SimulatedVisit) -> None:
    """At the right edge: how the visit ended, and the true CO2 of the rate that was left furthest out of its band."""
    if not visit.trace:
        return
    level = visit.trace[-1].true_pct
    lines = [STOPS] if visit.ending not in GOES_ON else []
    fired = {sample.firing for sample in visit.trace}
    out, firing = max((out_pct(visit, firing, visit.boiler.settled_pct(firing)), firing) for firing in fired)
    if out > 0:
        left = visit.boiler.settled_pct(firing)
        digits = 1 if out > 0.1 else 2
        lines += [f"{firing} fire", f"{left:.{digits}f} %", "too rich" if left > visit.bands[firing][1] else "too lean"]
    else:
        lines += ["both rates", "in band"] if len(fired) == 2 else [f"{level:.1f} %", "in band"]
    in_band = lines[-1] == "in band"
    axes.annotate(
        "\n".join(lines), (1.01, float(np.clip(level, *axes.get_ylim()))), xycoords=("axes fraction", "data"),
        ha="left", va="center", size=SMALL_PT, weight="normal" if in_band else "bold",
    )  # fmt: skip


def draw_co(axes: Axes, hand: SimulatedVisit, other: SimulatedVisit) -> Axes:
    """CO of the flame over time, ppm air-free, of both ways, and the limit."""
    for visit, look in ((hand, TRUE), (other, OTHER)):
        course = [(sample.at_s / 60, sample.co_air_free_ppm) for sample in visit.trace]
        axes.plot(*zip(*course, strict=True), drawstyle="steps-post", label=visit.name, **look)
    axes.set_yscale("log")
    most = max(
        2 * limits.CO_AIR_FREE_PPM, *(sample.co_air_free_ppm for visit in (hand, other) for sample in visit.trace)
    )
    axes.yaxis.set_major_locator(FixedLocator([10.0**power for power in range(1, 6, 2 if most > 1e4 else 1)]))
    axes.set_ylim(8, most * 3)
    axes.axhline(limits.CO_AIR_FREE_PPM, color="0.2", linewidth=1.0, linestyle="--")
    axes.set_title("CO, ppm air-free. Solid: first picture; dash-dot: second", size=SMALL_PT, loc="left", pad=3)
    axes.tick_params(labelsize=SMALL_PT)
    axes.minorticks_off()
    axes.yaxis.set_major_formatter(lambda value, _: f"{value:g}")
    axes.annotate(
        f"limit\n{limits.CO_AIR_FREE_PPM:.0f} ppm", (1.01, limits.CO_AIR_FREE_PPM), xycoords=("axes fraction", "data"),
        ha="left", va="center", size=SMALL_PT,
    )  # fmt: skip
    return axes


def _scale_time(axes: Sequence[Axes], visits: Sequence[SimulatedVisit]) -> None:
    """One scale of time: from the first flame, or what was put right before it, to the last."""
    moments_s = [sample.at_s for visit in visits for sample in visit.trace]
    moments_s += [act.at_s - 45 for visit in visits for act in visit.acts if act.kind == "mend"]
    for each in axes:
        each.set_xlim(min(moments_s, default=0) / 60 - 0.2, max(moments_s, default=60) / 60 + 0.2)


def _scale_co2(axes: Axes, visit: SimulatedVisit) -> None:
    """The truth whole, the display's start-up cut off, and a line of words above and below."""
    truths = [sample.true_pct for sample in visit.trace] + [edge for band in visit.bands.values() for edge in band]
    settled = [reading.co2_pct for reading in visit.readings if reading.co2_pct > min(truths) - LATE_PCT]
    low, high = min([*truths, *settled]), max([*truths, *settled, *(sample.display_pct for sample in visit.trace)])
    word = _line_share(axes)
    span = (high - low + 0.1) / (1 - 2 * word)
    axes.set_ylim(low - 0.05 - word * span, high + 0.05 + word * span)


# ---- the flame against the air (the rich side)


def _air(figure: Figure, played: Played, between_in: tuple[float, float], numbered: bool) -> None:
    """CO2 and O2 over the air ratio, lean and rich: the readings on the rich side, and a lean flame of the same CO2."""
    axes = _axes(figure, between_in, (1.0,))[0]
    ratios = np.linspace(0.7, 1.6, 200)
    flames = [_flame_at(played.lesson.boiler(), ratio) for ratio in ratios]
    axes.set_ylim(-0.5, 14.5)
    axes.set_xlim(ratios[0], ratios[-1])
    axes.fill_between(ratios, *played.hand.bands["high"], label="band at high fire", **BAND)
    axes.plot(ratios, [flame.co2_pct for flame in flames], label="CO2 of the flame", **TRUE)
    axes.plot(ratios, [flame.o2_pct for flame in flames], label="O2", **OTHER)
    axes.axvline(1.0, color="0.35", linewidth=0.8, linestyle=":")
    boiler, net, points = played.lesson.boiler(), 0.0, []
    for act in played.hand.acts:
        net += act.turns_cw
        if act.shown:
            points.append((_air_ratio(boiler) / (1 + boiler.opening_per_turn * net), act.shown))
    axes.plot([at for at, _ in points], [shown.co2_pct for _, shown in points], label="readings of the hand", **READ)
    for (at, shown), (to, then) in pairwise(points):
        arrow = {"arrowstyle": "->", "linewidth": 1.4, "shrinkA": 5, "shrinkB": 5}
        axes.annotate("", (to, then.co2_pct - 0.35), (at, shown.co2_pct - 0.35), arrowprops=arrow)
    turns = played.hand.turns
    richer = f"{len(turns)} x {numbers.say_brief_turn(turns[0].turns_cw)}, richer:\nCO2 falls"
    _text(axes, richer, (points[-1][0] + 0.05, points[-1][1].co2_pct - 0.2), ha="left", va="top")
    first = points[0][1]
    lean = NATURAL_GAS.excess_air_ratio(co2_pct=first.co2_pct)
    axes.plot([points[0][0], lean], [first.co2_pct] * 2, color="0.2", linewidth=1.0, linestyle=(0, (1, 1.5)))
    axes.plot([lean], [first.co2_pct], marker="s", markersize=7, color="black", linestyle="none")
    looks = _flame_at(boiler, lean)
    _text(axes, "RICH: too little air", (0.985, 13.3), ha="right", weight="bold", size=MAIN_PT)
    _text(axes, "LEAN: air to spare", (1.015, 13.3), ha="left", weight="bold", size=MAIN_PT)
    rich = f"{first.co2_pct:.1f} % CO2 here:\nO2 {first.o2_pct:.1f} %,\nCO {first.co_ppm:,.0f} ppm"
    _text(axes, rich, (points[0][0] - 0.03, 3.2), ha="center", va="center", weight="bold")
    sound = f"{first.co2_pct:.1f} % CO2 here too:\nO2 {looks.o2_pct:.1f} %, CO {looks.co_ppm:.0f} ppm"
    _text(axes, sound, (lean + 0.02, first.co2_pct + 2.6), ha="left", va="center", weight="bold")
    arrow = {"arrowstyle": "-", "linewidth": 0.8, "color": "0.3"}
    axes.annotate("", (points[0][0] - 0.005, first.co2_pct - 0.4), (points[0][0] - 0.02, 4.7), arrowprops=arrow)
    axes.annotate("", (lean, first.co2_pct + 0.3), (lean + 0.05, first.co2_pct + 1.7), arrowprops=arrow)
    _style(axes, "The hand, high fire", "% of the dry flue gas")
    axes.set_xlabel("air ratio (1: just enough air for the gas)", size=MAIN_PT, labelpad=1)
    _legend(figure, axes, between_in[1])


def _signal(boiler: Boiler) -> float:
    """What the offset makes of the fuel/air ratio at high fire: sqrt(1 + P / dP) of the simulator's equation (1)."""
    return math.sqrt(1 + boiler.offset / boiler.turndown**2)


def _air_ratio(boiler: Boiler) -> float:
    """Air ratio at high fire as found."""
    return 1 / (boiler.ratio * _signal(boiler))


def _flame_at(boiler: Boiler, air_ratio: float) -> Reading:
    """What the flame gives at high fire at an air ratio."""
    swept = copy.deepcopy(boiler)
    swept.ratio = 1 / (air_ratio * _signal(boiler))
    return swept.flame("high")


# ---- the flame against the hand (slack)


def _screw(figure: Figure, played: Played, between_in: tuple[float, float], numbered: bool) -> None:
    """The true CO2 over where the hand has brought the screw: flat where slack swallows the turn; both ways."""
    width, height = figure.get_size_inches()
    firing = played.hand.turns[0].running
    screw = SCREW_FOR[firing]
    bottom, top = between_in[0] + BELOW_IN, between_in[1] - ABOVE_IN
    gap = 0.25
    wide = (width - LEFT_IN - 0.4 - gap) / 2
    paths = [_path(played, visit, firing) for visit in (played.hand, played.other)]
    places = [place for path in paths for leg in path for place, _ in leg]
    figures = [co2 for path in paths for leg in path for _, co2 in leg]
    for number, (visit, path) in enumerate(zip((played.hand, played.other), paths, strict=True)):
        box = ((LEFT_IN + number * (wide + gap)) / width, bottom / height, wide / width, (top - bottom) / height)
        axes = figure.add_axes(box)
        turn_in = (wide - sum(BESIDE_IN)) / (max(places) - min(places))  # inches of a turn
        axes.set_xlim(min(places) - BESIDE_IN[0] / turn_in, max(places) + BESIDE_IN[1] / turn_in)
        axes.set_ylim(min(figures) - 0.25, max(figures) + 0.3)
        axes.fill_between(axes.get_xlim(), *visit.bands[firing], label=f"band at {firing} fire", **BAND)
        axes.plot(*path[0][0], marker="s", markersize=8, color="black", linestyle="none", label="as found")
        for count, (turn, leg) in enumerate(
            zip([act for act in visit.turns if act.firing == firing], path, strict=True)
        ):
            axes.plot(*zip(*leg, strict=True), label=None if count else "true CO2 of the flame", **TRUE)
            axes.plot(*leg[-1], label=None if count else "after a turn", zorder=3, **READ)
            words = f"{count + 1}: {numbers.say_brief_turn(turn.turns_cw)}"
            still = [place for place, co2 in leg if abs(co2 - leg[0][1]) < 1e-6]
            if count and abs(still[-1] - still[0]) > LONG_SLACK_TURNS:
                _text(axes, "slack", ((still[0] + still[-1]) / 2, leg[0][1] - 0.03), va="top")
            back = turn.turns_cw < 0
            flat = abs(leg[-1][1] - leg[0][1]) < 0.01
            at = leg[-1]
            if flat:
                words, place, look = f"{words}, nothing", (leg[0][0], at[1] + 0.09), {"ha": "right"}
            elif back:
                place, look = (at[0] - 0.012, at[1] + 0.02), {"ha": "right", "va": "bottom"}
            else:
                place, look = (at[0] + 0.009, at[1] - 0.03), {"ha": "left", "va": "top"}
            _text(axes, words, place, weight="bold", **look)
        _style(axes, visit.name, "CO2, %" if not number else "")
        axes.xaxis.set_major_locator(MultipleLocator(1 / 6))
        axes.xaxis.set_major_formatter(lambda value, _: f"{360 * value:+.0f}°" if abs(value) > 1e-6 else "0")
        axes.set_xlabel(f"hand on the {screw} screw, clockwise", size=MAIN_PT, labelpad=1)
        if number:
            axes.tick_params(labelleft=False)
        else:
            _legend(figure, axes, between_in[1])


def _path(played: Played, visit: SimulatedVisit, firing: Firing) -> list[list[tuple[float, float]]]:
    """For each turn at a rate: (where the hand stands, turns clockwise; true CO2), in small steps."""
    boiler, legs, fine = played.lesson.boiler(), [], 60
    screw = SCREW_FOR[firing]
    for act in visit.turns:
        leg = [(boiler.hand[screw], boiler.settled_pct(firing))]
        for _ in range(fine):
            boiler.turn(act.screw or screw, act.turns_cw / fine)
            leg.append((boiler.hand[screw], boiler.settled_pct(firing)))
        if act.firing == firing:
            legs.append(leg)
    return legs


# ---- readings at the edge of the band


def _edge(figure: Figure, played: Played, between_in: tuple[float, float], numbered: bool) -> None:
    """The one reading that was taken and those that would have followed, each with what its last digit stands for."""
    upper, lower = _axes(figure, between_in, (0.55, 0.45))
    visit = SimulatedVisit(played.lesson.boiler())
    for command in played.lesson.script.split("; "):
        visit.do(command)
        if visit.readings:
            break
    firing, half = visit.acts[-1].running, visit.boiler.display_step_pct / 2
    for _ in range(MORE_READINGS):
        visit.read()
    shown = [reading.co2_pct for reading in visit.readings]
    low, high = visit.bands[firing]
    true = visit.boiler.settled_pct(firing)
    count = range(1, len(shown) + 1)
    upper.set_xlim(0.3, len(shown) + 0.7)
    upper.set_ylim(true - 0.24, low + 0.26)
    upper.fill_between(upper.get_xlim(), low, high, label="band", **BAND)
    upper.axhline(true, label="true CO2 of the flame", **TRUE)
    upper.errorbar(
        count,
        shown,
        yerr=half,
        ecolor="0.4",
        elinewidth=1.2,
        capsize=3,
        label=f"reading, rounded to {2 * half:g} %",
        **READ,
    )
    upper.plot([1], shown[:1], marker="o", markersize=8, color="black", linestyle="none")
    _text(upper, "the one that was taken", (1.5, shown[0] + 0.11), ha="left", weight="bold")
    inside = sum(low <= value <= high for value in shown)
    _text(upper, f"{inside} of {len(shown)} show it in band", (len(shown) + 0.3, low + 0.11), ha="right", weight="bold")
    _style(upper, f"Had the hand read on at {firing} fire: {len(shown)} readings")
    upper.set_xticks([])
    upper.annotate(
        f"truly\n{true:.2f} %",
        (1.01, true),
        xycoords=("axes fraction", "data"),
        size=SMALL_PT,
        va="center",
        weight="bold",
    )
    _scale_time([lower], [played.other])
    draw_run(lower, played.other, {})
    lower.set_xlabel("minutes", size=MAIN_PT, labelpad=1)
    figure.align_ylabels([upper, lower])
    _legend(figure, upper, between_in[1])
