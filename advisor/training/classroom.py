"""A class at practice: the same boilers for each pupil, level by level; the results in one file, as a table, as a plot.

The file is a CSV with a row for each session that came to its end; it is appended to and never rewritten.
"""

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from matplotlib.figure import Figure

from advisor.errors import LogError, RangeError
from advisor.report import pages
from advisor.report.layout import table, wrapped
from advisor.training.lesson_pictures import MAIN_PT, SMALL_PT
from advisor.training.marking import FULL
from advisor.training.practice import LEVELS, Practice, Task, task_of

BOILERS = 8  # of each level; half of them have a fault where the level has any
COLUMNS = (
    "pupil", "level", "boiler", "fault", "points", "right_end", "ended_with", "minutes", "turns", "overshoots",
    "beyond_pct", "rich_minutes", "over_co_minutes", "moving_turns", "asked", "wrong_names", "typed",
)  # fmt: skip
NAME_WIDTH = 18
RIGHT: dict[str, Any] = {"marker": "o", "color": "black", "markersize": 7, "linestyle": "none"}
WRONG: dict[str, Any] = {"marker": "x", "color": "black", "markersize": 7, "markeredgewidth": 1.6, "linestyle": "none"}
MEAN: dict[str, Any] = {"marker": "|", "color": "black", "markersize": 20, "markeredgewidth": 2.5, "linestyle": "none"}


@dataclass(frozen=True)
class Result:
    """One session of one pupil: what the file keeps and the table needs."""

    pupil: str
    level: int
    boiler: int
    points: int
    right_end: bool
    overshoots: int
    over_co_minutes: float


def boilers(level: int) -> list[Task]:
    """The boilers of a level in the order to play them; half of them, in no order, have a fault where it has any."""
    with_fault = np.random.default_rng(level).permutation(np.arange(BOILERS) % 2 == 1) & bool(LEVELS[level].faults)
    found: list[Task] = []
    seed = 1000 * level
    while len(found) < BOILERS:
        seed += 1
        task = task_of(None, False, seed, level=level)
        if bool(task.fault) == with_fault[len(found)]:
            found.append(task)
    return found


def next_boiler(file: Path, pupil: str, level: int) -> Task:
    """The pupil's next boiler of a level. RangeError once all were played; LogError where the file can't be used."""
    if not pupil.strip():
        raise RangeError("--pupil: a name is needed")
    if level not in LEVELS:
        raise RangeError(f"--level {level}: it is one of {', '.join(map(str, LEVELS))}")
    kept, name = results(file) if file.exists() else [], pupil.strip().casefold()
    played = {result.boiler for result in kept if result.pupil.casefold() == name}
    left = [task for task in boilers(level) if task.seed not in played]
    if not left:
        raise RangeError(f"{pupil.strip()} has played all {BOILERS} boilers of level {level}")
    return left[0]


def keep(file: Path, pupil: str, level: int, practice: Practice) -> None:
    """Append the result of a session that is over."""
    mark, task, visit = practice.mark(), practice.task, practice.visit
    harm = mark.harm
    row = (
        pupil.strip(), level, task.seed, task.fault, mark.points, mark.right_end, visit.ending, f"{mark.minutes:.1f}",
        len(visit.turns), harm.overshoots, f"{harm.beyond_pct:.2f}", f"{harm.rich_minutes:.1f}",
        f"{harm.over_co_minutes:.1f}", harm.moving_turns, mark.asked, mark.wrong_names, "; ".join(practice.typed),
    )  # fmt: skip
    held = io.StringIO()
    csv.writer(held, lineterminator="\n").writerow(row)
    try:
        old = file.read_text(encoding="utf-8") if file.exists() else ""
        lead = "" if old.endswith("\n") else "\n" if old else f"{','.join(COLUMNS)}\n"
        with file.open("a", encoding="utf-8", newline="") as opened:
            opened.write(lead + held.getvalue())
    except OSError as error:
        raise LogError(
            f"{file}: the result could not be written ({error.strerror}). Add it by hand as a line: {held.getvalue()}"
        ) from error


def results(file: Path) -> list[Result]:
    """The results that a file keeps, in order, a pupil's name as first spelled. LogError with the line of a bad one."""
    if not file.exists():
        raise LogError(f"{file}: there is no such file. A first session starts it: give --pupil NAME and --level N")
    try:
        rows = list(csv.DictReader(file.read_text(encoding="utf-8-sig").splitlines()))
    except (OSError, UnicodeDecodeError) as error:
        raise LogError(f"{file}: can't be read as the results of a class") from error
    found: list[Result] = []
    names: dict[str, str] = {}
    for line, row in enumerate(rows, 2):
        try:
            pupil = row["pupil"].strip()
            pupil = names.setdefault(pupil.casefold(), pupil)
            level, boiler, points, overshoots = (int(row[name]) for name in ("level", "boiler", "points", "overshoots"))
            co_minutes = float(row["over_co_minutes"])
            found.append(Result(pupil, level, boiler, points, row["right_end"] == "yes", overshoots, co_minutes))
        except (AttributeError, KeyError, TypeError, ValueError) as error:
            raise LogError(
                f"{file}:{line}: no result of a practice session; the columns are {', '.join(COLUMNS)}. "
                "Mend the line or take it out"
            ) from error
    return found


def say(file: Path) -> str:
    """The table of the class."""
    told = results(file)
    heads = ("played", *(f"level {level}" for level in LEVELS), "right end", "CO, min")
    summaries = [(name, _summary([each for each in told if each.pupil == name])) for name in _pupils(told)]
    summaries.append(("all", _summary(told)))
    lines = table(
        [_row("pupil", *heads), *(_row(name, *cells) for name, cells in summaries)],
        [
            f"{name}: {', '.join(f'{head} {cell}' for head, cell in zip(heads, cells, strict=True))}."
            for name, cells in summaries
        ],
    )
    begin = f"{len(told)} sessions of {len(summaries) - 1} pupils; points of {FULL:.0f}, on average."
    levels = "; ".join(f"level {level}: {chosen.about}" for level, chosen in LEVELS.items())
    end = f"CO, min: minutes with CO over its limit, in all. {levels}."
    return "\n".join([*wrapped(begin), *lines, *wrapped(end)])


def _pupils(told: Sequence[Result]) -> list[str]:
    return list(dict.fromkeys(result.pupil for result in told))


def _summary(told: Sequence[Result]) -> list[str]:
    points = [[result.points for result in told if result.level == level] for level in LEVELS]
    means = [f"{sum(of) / len(of):.0f}" if of else "-" for of in points]
    right, co = sum(result.right_end for result in told), sum(result.over_co_minutes for result in told)
    return [f"{len(told)}", *means, f"{right} of {len(told)}", f"{co:.1f}"]


def _row(name: str, *cells: str) -> str:
    return f"{name:<{NAME_WIDTH}.{NAME_WIDTH - 1}}" + "".join(f"{cell:>10}" for cell in cells)


def plot(file: Path) -> Figure:
    """The points of each pupil, level by level: each session, and the mean."""
    told = results(file)
    pupils, levels = _pupils(told), list(LEVELS)
    with pages.plain_style():
        figure = Figure(figsize=(9.0, max(2.6, 1.5 + 0.34 * len(pupils))), dpi=72)
        high = figure.get_size_inches()[1]
        for column, level in enumerate(levels):
            axes = figure.add_axes((0.17 + 0.275 * column, 0.62 / high, 0.26, 1 - 1.32 / high))
            for line, pupil in enumerate(pupils):
                of = [result for result in told if result.pupil == pupil and result.level == level]
                for look, right in ((RIGHT, True), (WRONG, False)):
                    axes.plot(*_points([result.points for result in of if result.right_end == right], line), **look)
                if of:
                    axes.plot([sum(result.points for result in of) / len(of)], [line], **MEAN)
            axes.set(xlim=(-6, FULL + 6), ylim=(len(pupils) - 0.4, -0.6), yticks=range(len(pupils)))
            axes.set_yticklabels([pages.clean(pupil)[: NAME_WIDTH - 1] for pupil in pupils] if not column else [])
            axes.grid(axis="y", color="0.85")
            axes.set_axisbelow(True)
            axes.tick_params(labelsize=SMALL_PT)
            axes.set_title(f"level {level}", size=MAIN_PT, weight="bold", pad=4)
            axes.set_xlabel(f"points of {FULL:.0f}", size=MAIN_PT, labelpad=1)
        handles = [figure.axes[0].plot([], [], **look)[0] for look in (RIGHT, WRONG, MEAN)]
        figure.legend(
            handles, ["session with the right end", "session with another end", "mean"], loc="upper center", ncols=3,
            fontsize=SMALL_PT, frameon=False, bbox_to_anchor=(0.55, 1.0), markerscale=0.8,
        )  # fmt: skip
    return figure


def _points(points: list[int], line: int) -> tuple[list[int], list[int]]:
    return points, [line] * len(points)
