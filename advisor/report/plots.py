"""Pictures of one job on axes that the caller makes: CO2 against time, and what each screw does.

Every function takes axes and finished numbers, draws, and keeps no state. What matters is told apart by shape,
hatch and words, so that the pictures can be read in black and white and by the colour-blind.
"""

from collections.abc import Sequence
from datetime import datetime, timedelta
from itertools import pairwise

import matplotlib.dates as mdates
import numpy as np
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.patches import Patch, Rectangle

from advisor.report.flue import DOUBTED, ON_THE_WAY, SETTLED, ReadingState
from advisor.report.pages import width_pt
from advisor.report.record import Reading, Record, Turn
from advisor.response.fitted import Response
from advisor.screws import FIRINGS, Firing, Screw
from advisor.wording import numbers

BLUE, ORANGE = "#0072b2", "#b34700"  # told apart by the colour-blind, and as dark as each other in grey
RATE_COLOUR = {"high": ORANGE, "low": BLUE}
RATE_HATCH = {"high": "////", "low": "...."}
RATE_MARKER = {"high": "^", "low": "v"}
STATE_SIZE = {SETTLED: 7.0, ON_THE_WAY: 4.5, DOUBTED: 7.0}
SMALL = 7.0  # points
LINE_PT = 9.0  # least distance of two labels that stand on end
LANES: tuple[Screw, ...] = ("throttle", "offset")  # from the top
JOINED_S = 90.0  # most seconds between two readings of a stored series that a line joins
LEFT_AND_RIGHT = timedelta(seconds=45)


def spaced(wanted: Sequence[float], gap: float, low: float, high: float) -> list[float]:
    """Positions as near as can be to `wanted` (rising), at least `gap` apart, between `low` and `high`.

    Least squares under the gaps: pooled neighbours share their mean (isotonic regression). Where they don't
    all fit they are spaced evenly.
    """
    count = len(wanted)
    if count < 2 or (count - 1) * gap >= high - low:
        return list(np.linspace(low, high, count)) if count > 1 else [min(max(place, low), high) for place in wanted]
    pools: list[tuple[float, int]] = []
    for index, place in enumerate(wanted):
        pool = (place - index * gap, 1)
        while pools and pools[-1][0] > pool[0]:
            mean, size = pools.pop()
            pool = ((mean * size + pool[0] * pool[1]) / (size + pool[1]), size + pool[1])
        pools.append(pool)
    level = [mean for mean, size in pools for _ in range(size)]
    return [min(max(mean, low), high - (count - 1) * gap) + index * gap for index, mean in enumerate(level)]


def most_turns(width_pt: float) -> int:
    """How many turns of one screw a picture of this width can name without overlap."""
    return max(1, int(width_pt / LINE_PT) - 1)


def spans(record: Record, most: int) -> list[tuple[datetime, datetime]]:
    """The visit in pieces, first to last moment of each: split where it was left for hours, and at `most` turns."""
    parts: list[tuple[datetime, datetime]] = []
    count = dict.fromkeys(LANES, 0)
    moments: list[tuple[datetime, Screw | None]] = [(turn.time, turn.screw) for turn in record.turns]
    moments += [(time, None) for time in (*(r.time for r in record.readings), *(time for time, _ in record.changes))]
    for time, screw in sorted(moments, key=lambda moment: (moment[0], moment[1] or "")):
        full = screw and count[screw] == most
        if not parts or full or (time - parts[-1][1]).total_seconds() > record.setup.policy.left_for_s:
            parts.append((time, time))
            count = dict.fromkeys(LANES, 0)
        parts[-1] = (parts[-1][0], time)
        if screw:
            count[screw] += 1
    return parts


def draw_course(axes: Axes, record: Record) -> None:
    """CO2 against time over the whole visit on one pair of axes: bands, readings, turns, changes of rate."""
    if not (record.began and record.ended):
        return
    first, last = record.began - LEFT_AND_RIGHT, record.ended + LEFT_AND_RIGHT
    axes.set_xlim(_number(first), _number(last))
    _draw_co2(axes, record, first, last)
    for turn in record.turns:
        axes.axvline(_number(turn.time), ymax=0.86, color="0.35", linewidth=0.7)
    _clock(axes, record.began)


def draw_visit(axes: Axes, lanes: Axes, record: Record, start: datetime, end: datetime) -> bool:
    """CO2 against time from `start` to `end` with both bands and, in the lanes below, every turn named.

    `axes` and `lanes` share the width; findings are lettered as `finding_letters` names them. Tells whether a short
    run of a rate is named by its letter alone, H or L.
    """
    first, last = start - LEFT_AND_RIGHT, end + LEFT_AND_RIGHT
    for frame in (axes, lanes):
        frame.set_xlim(_number(first), _number(last))
    by_letter = _draw_co2(axes, record, first, last)
    axes.tick_params(labelbottom=False, bottom=False)
    _draw_turns(axes, lanes, [turn for turn in record.turns if start <= turn.time <= end])
    _clock(lanes, start)
    return by_letter


def _draw_co2(axes: Axes, record: Record, first: datetime, last: datetime) -> bool:
    """Bands, names of the rates, readings and findings between two moments; as `draw_visit` tells."""
    readings = [reading for reading in record.readings if first <= reading.time <= last]
    _y_limits(axes, record, readings)
    _draw_bands(axes, record, first, last)
    by_letter = _name_rates(axes, record, first, last)
    if record.traced:
        _join(axes, readings)
    for reading in readings:
        _draw_reading(axes, reading)
    _draw_findings(axes, record, first, last)
    axes.set_ylabel("CO2, dry, %", fontsize=SMALL + 1)
    axes.tick_params(labelsize=SMALL)
    axes.grid(axis="y", color="0.85", linewidth=0.5)
    axes.set_axisbelow(True)
    return by_letter


def _clock(axes: Axes, start: datetime) -> None:
    """Times of the day below the axes."""
    locator = mdates.AutoDateLocator(minticks=3, maxticks=9, tz=start.tzinfo)  # type: ignore[no-untyped-call]
    axes.xaxis.set_major_locator(locator)
    clock = mdates.DateFormatter("%H:%M", tz=start.tzinfo)  # type: ignore[no-untyped-call]
    axes.xaxis.set_major_formatter(clock)
    axes.tick_params(labelsize=SMALL)
    axes.set_xlabel(f"time of day, {start:%Y-%m-%d} (UTC{start.isoformat()[-6:]})", fontsize=SMALL + 1)


def legend_handles(record: Record) -> list[Line2D | Patch]:
    """What the marks of `draw_visit` mean, those that occur."""
    seen = {(reading.firing, reading.state) for reading in record.readings}
    handles: list[Line2D | Patch] = [
        _sample(firing, SETTLED, f"{firing} fire, settled") for firing in FIRINGS if (firing, SETTLED) in seen
    ]
    for state, label in ((ON_THE_WAY, "not settled"), (DOUBTED, "in doubt, not counted")):
        shown = next((firing for firing in FIRINGS if (firing, state) in seen), None)
        if shown:
            handles.append(_sample(shown, state, label, colour="black"))
    for firing in FIRINGS:
        low, high = record.setup.bands[firing]
        face, edge = "white", RATE_COLOUR[firing]
        label = f"band at {firing} fire, {low:.4g} to {high:.4g} %"
        handles.append(Patch(facecolor=face, edgecolor=edge, hatch=RATE_HATCH[firing], linewidth=0.6, label=label))
    return handles


def finding_letters(record: Record) -> list[str]:
    """A letter for each halt of `record.seen`, "" for what is no halt: A to Z, then AA, AB."""
    letters, count = [], 0
    for seen in record.seen:
        letters.append(_letter(count) if seen.finding.severity == "halt" else "")
        count += seen.finding.severity == "halt"
    return letters


def draw_response(axes: Axes, response: Response, steps: Sequence[tuple[float, float]], cap_turns: float) -> None:
    """CO2 change against turn for one screw, its 90 % range, and the steps that the display showed."""
    reach = max([cap_turns, *(abs(turns) for turns, _ in steps)]) * 1.1
    turns = np.array([-reach, 0.0, reach])
    axes.fill_between(
        turns, response.gain_low * turns, response.gain_high * turns, facecolor="0.9", edgecolor="0.45", hatch="\\\\\\"
    )
    axes.plot(turns, response.gain_per_turn * turns, color="black", linewidth=1.5)
    axes.plot(*zip(*steps, strict=True), "o", color=RATE_COLOUR[response.firing], markersize=5) if steps else None
    axes.axhline(0, color="0.5", linewidth=0.5)
    axes.axvline(0, color="0.5", linewidth=0.5)
    axes.set_xlim(-reach, reach)
    marks = np.arange(-np.floor(reach * 24), np.floor(reach * 24) + 1)
    every = int(np.ceil(len(marks) / 9))
    ticks = [mark for mark in marks if mark % every == 0]
    axes.set_xticks([mark / 24 for mark in ticks], [_tick(mark) for mark in ticks])
    axes.tick_params(labelsize=SMALL)
    axes.set_xlabel(f"turn of the {response.screw} screw, clockwise +", fontsize=SMALL + 1)
    axes.set_ylabel("CO2 change, %", fontsize=SMALL + 1)
    axes.grid(color="0.85", linewidth=0.5)
    axes.set_axisbelow(True)


def _tick(mark: float) -> str:
    return f"{15 * mark:+.0f}°" if mark else "0"


def _number(moment: datetime) -> float:
    return float(mdates.date2num(moment))  # type: ignore[no-untyped-call]


def _letter(index: int) -> str:
    return (_letter(index // 26 - 1) if index >= 26 else "") + chr(ord("A") + index % 26)


def _sample(firing: Firing, state: ReadingState, label: str = "", colour: str = "") -> Line2D:
    """The mark of a reading: filled triangle where settled, small ring on the way, cross where in doubt."""
    marker = {SETTLED: RATE_MARKER[firing], ON_THE_WAY: "o", DOUBTED: "x"}[state]
    colour = colour or RATE_COLOUR[firing]
    face = "white" if state == ON_THE_WAY else colour
    return Line2D(
        [], [], linestyle="none", marker=marker, markersize=STATE_SIZE[state], markeredgecolor=colour,
        markerfacecolor=face, markeredgewidth=1.2, label=label,
    )  # fmt: skip


def _draw_reading(axes: Axes, reading: Reading) -> None:
    mark = _sample(reading.firing, reading.state)
    mark.set_data([_number(reading.time)], [reading.co2_pct])
    mark.set_zorder(4)
    axes.add_line(mark)


def _join(axes: Axes, readings: Sequence[Reading]) -> None:
    """The measured curve: a thin line from reading to reading of one rate, where the next is not far."""
    for one, other in pairwise(readings):
        if one.firing == other.firing and (other.time - one.time).total_seconds() <= JOINED_S:
            times = [_number(one.time), _number(other.time)]
            axes.plot(times, [one.co2_pct, other.co2_pct], color=RATE_COLOUR[one.firing], linewidth=0.8, zorder=3)


def _y_limits(axes: Axes, record: Record, readings: Sequence[Reading]) -> None:
    """Both bands and every reading, with room at the top for the firing rates and findings."""
    shown = [edge for band in record.setup.bands.values() for edge in band] + [r.co2_pct for r in readings]
    low, high = min(shown), max(shown)
    span = high - low
    axes.set_ylim(low - 0.08 * span, high + 0.32 * span)


def _draw_bands(axes: Axes, record: Record, first: datetime, last: datetime) -> None:
    """Both bands across the picture, hatched where their rate runs."""
    for firing in FIRINGS:
        for edge in record.setup.bands[firing]:
            axes.axhline(edge, color=RATE_COLOUR[firing], linewidth=0.7, linestyle="--" if firing == "high" else ":")
    ends = [*(time for time, _ in record.changes[1:]), last]
    for (began, rate), ended in zip(record.changes, ends, strict=False):
        left, right = max(began, first), min(ended, last)
        if rate is None or left >= right:
            continue
        low, high = record.setup.bands[rate]
        axes.add_patch(
            Rectangle(
                (_number(left), low), _number(right) - _number(left), high - low, facecolor="none",
                edgecolor=RATE_COLOUR[rate], hatch=RATE_HATCH[rate], linewidth=0.6, alpha=0.55, zorder=1,
            )
        )  # fmt: skip
        if began > first:
            axes.axvline(_number(began), color="black", linewidth=0.9, linestyle="-.")


def _name_rates(axes: Axes, record: Record, first: datetime, last: datetime) -> bool:
    """The rates over the time they ran, in a word or a letter where it was short; whether a letter had to do.

    Of two runs side by side that have no room even for their letters the second goes without.
    """
    room_pt = axes.get_window_extent().width / axes.figure.dpi * 72
    changes = [(max(time, first), firing) for time, firing in record.changes if time < last]
    free_pt, by_letter = 0.0, False
    for (began, firing), (ended, _) in pairwise([*changes, (last, "")]):
        left, right = (room_pt * ((moment - first) / (last - first)) for moment in (began, ended))
        names = (f"{firing.upper()} FIRE", firing.upper(), firing[0].upper()) if firing else ("BURNER OFF", "OFF", "-")
        name = next((name for name in names if width_pt(name, SMALL, bold=True) + 4 < right - left), names[-1])
        wide = width_pt(name, SMALL, bold=True)
        start = min((left + right - wide) / 2, room_pt - wide - 1)
        if left < right and start > free_pt:
            free_pt, by_letter = start + wide, by_letter or bool(firing and name == names[-1])
            axes.text(
                (start + wide / 2) / room_pt, 0.985, name, fontsize=SMALL, weight="bold",
                color=RATE_COLOUR[firing] if firing else "black", ha="center", va="top",
                transform=axes.transAxes, parse_math=False,
            )  # fmt: skip
    return by_letter


def _draw_findings(axes: Axes, record: Record, start: datetime, end: datetime) -> None:
    """A boxed letter for each halt, at the moment it came, under the names of the rates."""
    halts = [
        (seen, letter)
        for seen, letter in zip(record.seen, finding_letters(record), strict=True)
        if letter and start <= seen.time <= end
    ]
    places = _spaced_over(axes, [seen.time for seen, _ in halts], 2 * LINE_PT)
    for (seen, letter), place in zip(halts, places, strict=True):
        axes.axvline(_number(seen.time), ymax=0.86, color="black", linewidth=1.2, linestyle=(0, (1, 1)))
        axes.text(
            place, 0.875, letter, fontsize=SMALL, weight="bold", ha="center", va="center",
            transform=axes.get_xaxis_transform(), parse_math=False,
            bbox={"boxstyle": "square,pad=0.25", "facecolor": "white", "edgecolor": "black", "linewidth": 0.8},
        )  # fmt: skip


def _spaced_over(axes: Axes, times: Sequence[datetime], gap_pt: float) -> list[float]:
    """Places along the time axis for labels of these moments, at least `gap_pt` points apart."""
    left, right = axes.get_xlim()
    width_pt = axes.get_window_extent().width / axes.figure.dpi * 72
    per_pt = (right - left) / width_pt
    inside = gap_pt * per_pt / 2
    return spaced([_number(time) for time in times], gap_pt * per_pt, left + inside, right - inside)


def _draw_turns(axes: Axes, lanes: Axes, turns: Sequence[Turn]) -> None:
    """A line through the picture for each turn, led to its size and way in its screw's lane."""
    lanes.set_ylim(0, len(LANES))
    lanes.set_yticks([len(LANES) - 0.5 - index for index in range(len(LANES))], LANES, rotation=90, va="center")
    lanes.tick_params(axis="y", length=0)
    for index in range(1, len(LANES)):
        lanes.axhline(index, color="black", linewidth=0.6)
    for index, screw in enumerate(LANES):
        own = [turn for turn in turns if turn.screw == screw]
        top = len(LANES) - index
        places = _spaced_over(lanes, [turn.time for turn in own], LINE_PT)
        for turn, place in zip(own, places, strict=True):
            at = _number(turn.time)
            axes.axvline(at, ymax=0.86, color="0.35", linewidth=0.7, linestyle=(0, (5, 2)) if index else "-")
            lanes.plot([at, at, place], [len(LANES), top, top - 0.16], color="0.35", linewidth=0.6)
            lanes.text(
                place, top - 0.19, say_short(turn), fontsize=SMALL, rotation=90, ha="center", va="top",
                parse_math=False, bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.4},
            )  # fmt: skip


def say_short(turn: Turn) -> str:
    """A turn in a few letters: "15° cw", with "!" where it passed the cap."""
    return f"{numbers.say_brief_turn(turn.turns_cw)}{' !' if turn.over_cap else ''}"
