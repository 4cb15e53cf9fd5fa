"""Plots of a study. Each takes an axes and a table and returns the axes; no global state is touched.

Colours are Okabe and Ito's eight, which the colour-blind tell apart; lines differ in dash as well.
"""

from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from advisor.screws import FIRINGS, SCREW_FOR, SCREWS, Firing
from advisor.study import calibration, population
from advisor.study.collect import Study

BLUE, RED, SKY = "#0072B2", "#D55E00", "#56B4E9"
SCREW_COLOURS: dict[Any, str] = dict(zip(SCREWS, (BLUE, RED), strict=True))
FAINT_JOBS = 60  # single jobs drawn faint
FEW_JOBS = 15  # up to which single points are drawn, not their distribution
ROUNDING_PCT = 1e-6
INTENDED = (0.25, 0.5, 1.0)  # % CO2, classes of intended changes
WELL_KNOWN_LOG_SD = 0.35  # gains known to about a factor of 1.8 either way are drawn
SIZE = (6.4, 3.6)  # inches; half a page
PLAIN_LEGEND: Any = {"frameon": False, "fontsize": "small"}
DASHED: Any = {"ls": "--", "lw": 1, "color": "0.4"}
NAMES = (
    "convergence_by_moves", "convergence_by_minutes", "gain_by_fuel", "gain_by_valve_family", "learned_backlash_turns",
    "learned_time_constant_s", "share_in_band", "overshoots", "waits", "calibration_coverage", "calibration_ranks",
    "calibration_reliability",
)  # fmt: skip


def convergence_by_moves(ax: Axes, readings: pd.DataFrame, firing: Firing) -> Axes:
    """Distance from the band's centre against turns of the rate's screw: the last settled reading before each."""
    here = readings[readings["settled"] & (readings["firing"] == firing)]
    table = here.groupby(["job", "moves"], sort=True)["distance_pct"].last().unstack("moves")
    table = table.ffill(axis=1)  # a job that is done stays where it is
    most = here.groupby("job")["moves"].max().quantile(0.98) if len(here) else 2.0
    _curves(ax, table.columns.to_numpy(np.float64), table.to_numpy(np.float64), firing, here["half_band_pct"])
    ax.set(xlim=(0, max(2.0, float(most))), xlabel=f"moves of the {SCREW_FOR[firing]} screw")
    ax.locator_params("x", integer=True)
    return ax


def convergence_by_minutes(ax: Axes, readings: pd.DataFrame, firing: Firing) -> Axes:
    """Distance from the band's centre against minutes since the job's first row; each job keeps its last reading."""
    here = readings[readings["settled"] & (readings["firing"] == firing)]
    grid = np.linspace(0.0, float(np.ceil(here["minutes"].quantile(0.95))) if len(here) else 1.0, 121)
    own = here.groupby("job", sort=True)
    table = np.full((own.ngroups, grid.size), np.nan)
    for row, (_, job) in enumerate(own):
        at = np.searchsorted(job["minutes"].to_numpy(), grid, side="right") - 1
        table[row, at >= 0] = job["distance_pct"].to_numpy()[at[at >= 0]]
    _curves(ax, grid, table, firing, here["half_band_pct"])
    ax.set_xlabel("minutes since the job's first row")
    return ax


def share_in_band(ax: Axes, readings: pd.DataFrame) -> Axes:
    """Share of jobs that the display shows in band at each rate, and at both, against minutes from their first reading.

    A job counts at a moment by its last settled reading at a rate; before one it is out of band.
    """
    settled = readings[readings["settled"]]
    first = readings.groupby("job")["minutes"].transform("min")
    settled = settled.assign(since=settled["minutes"] - first)
    most = float(np.ceil(settled["since"].quantile(0.95))) if len(settled) else 1.0
    grid = np.linspace(0.0, max(1.0, most), 121)
    jobs = pd.Index(readings["job"].unique())
    both = np.ones((len(jobs), grid.size), dtype=bool)
    for firing, colour, dash in zip(FIRINGS, (BLUE, RED), ("--", ":"), strict=True):
        inside = np.zeros_like(both)
        for job, own in settled[settled["firing"] == firing].groupby("job", sort=False):
            at = np.searchsorted(own["since"].to_numpy(), grid, side="right") - 1
            inside[jobs.get_loc(job), at >= 0] = own["in_band"].to_numpy()[at[at >= 0]]
        both &= inside
        ax.plot(grid, 100 * inside.mean(axis=0), color=colour, ls=dash, label=f"{firing} fire")
    ax.plot(grid, 100 * both.mean(axis=0), color="black", lw=2, label="both")
    ax.set(xlim=(0, grid[-1]), ylim=(0, 102), xlabel="minutes from the job's first reading")
    ax.set_ylabel(f"display in band, % of {len(jobs):,} jobs")
    ax.grid(alpha=0.3)
    _legend_above(ax, 3)
    return ax


def _curves(ax: Axes, x: np.ndarray, table: np.ndarray, firing: Firing, half_band: pd.Series) -> None:
    """Median, middle half and 8 in 10 of the rows of a table, single rows faint, the band's edge; legend above.

    The edge is that of the middle job where bands differ.
    """
    ax.set_title(f"{firing} fire, {len(table):,} jobs", fontsize="medium", pad=50 if len(table) else None)
    if not table.size:
        ax.text(0.5, 0.5, "no settled readings", ha="center", transform=ax.transAxes)
        return
    step = max(1, len(table) // FAINT_JOBS)
    for number, row in enumerate(table[::step]):
        ax.plot(x, row, color="0.6", lw=0.5, alpha=0.35, zorder=1, label="" if number else "single jobs")
    drawn = np.isfinite(table).mean(axis=0) >= 0.1  # before that too few jobs have been read
    q10, q25, q50, q75, q90 = np.nanquantile(table[:, drawn], [0.1, 0.25, 0.5, 0.75, 0.9], axis=0)
    ax.fill_between(x[drawn], q10, q90, color=SKY, alpha=0.35, lw=0, label="8 jobs in 10", zorder=2)
    ax.fill_between(x[drawn], q25, q75, color=BLUE, alpha=0.35, lw=0, label="half of the jobs", zorder=3)
    ax.plot(x[drawn], q50, color=BLUE, lw=2, label="median", zorder=4)
    edge = float(half_band.median())
    ax.axhline(edge, label=f"band's edge{'' if half_band.nunique() == 1 else ', middle job'}", zorder=5, **DASHED)
    top = max(0.5, 1.2 * edge, float(np.nanquantile(table, 0.98)), 1.05 * float(np.max(q90)))
    if any(other.get_legend() for other in ax.get_shared_y_axes().get_siblings(ax)):
        top = max(top, ax.get_ylim()[1])  # axes that share a scale: as high as the highest needs
    ax.set(xlim=(0, None), ylim=(0, top), ylabel="|CO2 - band centre|, % CO2")
    _legend_above(ax)


def _legend_above(ax: Axes, ncols: int = 2) -> None:
    """The legend above the axes, off the data."""
    _unclipped(ax)
    ax.legend(loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=ncols, **PLAIN_LEGEND)


def _unclipped(ax: Axes) -> None:
    """A figure that nobody laid out makes room for what stands around its axes."""
    figure = ax.get_figure()
    if figure is not None and figure.get_layout_engine() is None and isinstance(figure, Figure):
        figure.set_layout_engine("constrained")


def gains(ax: Axes, screws: pd.DataFrame, jobs: pd.DataFrame, by: str = "fuel") -> Axes:
    """Gains per screw and group (`by`: fuel, valve_family or turndown_range), logarithmic: points up to FEW_JOBS jobs,
    the distribution of more.

    Drawn are jobs that tell the gain well; beside them stand all real jobs that turned the screw, as in `population`.
    Each is the job's own estimate (`screws`): the tick, their median, is not the learned gain of the group.
    """
    real = screws.merge(jobs.loc[~jobs["practice"], ["job", by]], on="job")
    known = (real["gain_doubt_log_sd"] < WELL_KNOWN_LOG_SD) & (real["chance_reversed"] + real["chance_dead"] < 0.5)
    drawn: list[tuple[str, str, np.ndarray]] = []
    for (group, screw), part in real.groupby([by, "screw"], sort=True):
        own = part.loc[known, "gain_per_turn"].to_numpy(np.float64)
        if own.size >= 3:
            label = f"{group or 'no label':.40}\n{screw}, {own.size:,} of {len(part):,} jobs"
            drawn.append((label, SCREW_COLOURS[screw], np.log10(own)))
    if not drawn:
        ax.set_axis_off()
        ax.text(0.5, 0.5, "no gain is known well enough", ha="center", transform=ax.transAxes)
        return ax
    labels, colours, values = zip(*drawn, strict=True)
    for place, (own, colour) in enumerate(zip(values, colours, strict=True)):
        if own.size < FEW_JOBS:
            ax.plot(own, np.full(own.size, place), "o", color=colour, alpha=0.55, ms=5)
        else:
            shape: Any = {"orientation": "horizontal", "widths": 0.8, "showextrema": False}
            body = ax.violinplot([own], [place], **shape)["bodies"][0]  # type: ignore[index]
            body.set(facecolor=colour, alpha=0.55)
        ax.plot([np.median(own)] * 2, [place - 0.3, place + 0.3], color="black", lw=1.5)
    _rows(ax, labels, "small")
    ticks = (1, 2, 5, 10, 20)
    ax.set_xticks(np.log10(ticks), [str(tick) for tick in ticks])
    ax.set_xlim(np.log10(0.7), np.log10(40))
    ax.set_xlabel(
        "gain, % CO2 per turn (throttle at high fire, offset at low fire), by each job's own readings;\n"
        "drawn: jobs that tell it well, of those that turned the screw; tick: their median", fontsize="x-small",
    )  # fmt: skip
    return ax


def backlash_and_lag(ax: Axes, learned: pd.DataFrame, name: str) -> Axes:
    """What was learned of `backlash_turns` or `time_constant_s` per group and screw, with 90 % ranges."""
    table = learned[learned["fuel"] != ""] if (learned["fuel"] != "").any() else learned
    groups = table[["fuel", "valve_family", "turndown_range"]].itertuples(index=False)
    labels = [f"{', '.join(filter(None, group))}\n{screw}" for group, screw in zip(groups, table["screw"], strict=True)]
    middle, low, high = (table[f"{name}{end}"].to_numpy(np.float64) for end in ("", "_low", "_high"))
    for screw, marker in zip(SCREWS, "os", strict=True):
        at = np.flatnonzero(table["screw"] == screw)
        style: Any = {"fmt": marker, "color": SCREW_COLOURS[screw], "capsize": 3}
        ax.errorbar(middle[at], at, xerr=[(middle - low)[at], (high - middle)[at]], **style)
    units = {"backlash_turns": "widest slack, turns", "time_constant_s": "time constant of the display, s"}
    _rows(ax, labels, "x-small")
    ax.set(xlim=(0, None), xlabel=f"{units[name]} (bar: 90 % range of the estimate)")
    return ax


def _rows(ax: Axes, labels: Sequence[str], fontsize: str) -> None:
    """One row per label, the first on top."""
    _unclipped(ax)
    ax.set_yticks(range(len(labels)), labels, fontsize=fontsize)
    ax.invert_yaxis()
    ax.grid(axis="x", alpha=0.3)


def overshoots(ax: Axes, moves: pd.DataFrame) -> Axes:
    """Share of turns read before and after that passed the far edge of the band, by how far they had to go, with 95 %
    errors.
    """
    paired = moves[moves["overshot"].notna()]
    paired = paired.assign(size=np.digitize(paired["intended_pct"].abs() + ROUNDING_PCT, INTENDED))
    for screw, beside in zip(SCREWS, (-0.2, 0.2), strict=True):
        parts: dict[Any, pd.DataFrame] = dict(iter(paired[paired["screw"] == screw].groupby("size")))
        if not parts:
            continue
        x = np.array(list(parts)) + beside
        share, error = np.array([calibration.share(part["overshot"], part["job"]) for part in parts.values()]).T
        style: Any = {"yerr": _within(share, error), "capsize": 3, "color": SCREW_COLOURS[screw]}
        ax.bar(x, 100 * share, 0.36, **style)
        for at, part in zip(x, parts.values(), strict=True):
            below = f"{screw}\n{len(part):,}"  # a share of 0 % has no colour to tell the screw by
            ax.annotate(below, (at, 0), (0, -2), textcoords="offset points", ha="center", va="top", size=6)
    edges = [f"{edge:g}" for edge in INTENDED]
    between = [f"{low} to {high}" for low, high in pairwise(edges)]
    ax.set_xticks(range(len(edges) + 1), [f"under {edges[0]}", *between, f"{edges[-1]} and more"])
    ax.tick_params(axis="x", pad=17)
    _unclipped(ax)
    ax.set_xlabel("change meant: from the display before to the band's centre, % CO2\n(below each bar: screw, moves)")
    ax.set(xlim=(-0.6, 3.6), ylim=(0, None), ylabel="passed the band, % of moves")
    return ax


def waits(ax: Axes, moves: pd.DataFrame) -> Axes:
    """Seconds from the change before to each turn: turns made on a settled reading, and not."""
    for kept, colour, name in ((True, BLUE, "on a settled reading"), (False, RED, "no settled reading before")):
        waited = moves.loc[moves["wait_kept"] == kept, "waited_s"].clip(upper=299).dropna().to_numpy(np.float64)
        ax.hist(waited, list(np.arange(0, 305, 10.0)), color=colour, alpha=0.6, label=f"{name}, {len(waited):,} turns")
    ax.set(xlim=(0, 300), xlabel="time from the change before to the turn, s (last bar: longer)", ylabel="turns")
    ax.locator_params("y", integer=True)
    _legend_above(ax)
    return ax


def reliability(ax: Axes, table: pd.DataFrame, what: str, cases: str = "") -> Axes:
    """Stated chances of `what` against the shares observed (`calibration.reliability`), with 95 % errors.

    Beside each point stands how many cases it is made of; `cases`: how many in all, in words.
    """
    stated, observed = 100 * table["stated"], 100 * table["observed"]
    cases = cases or f"{table['count'].sum():,} cases"
    ax.plot([0, 100], [0, 100], **DASHED)
    ax.errorbar(stated, observed, yerr=_within(table["observed"], table["error"]), fmt="o", color=BLUE, capsize=3)
    for x, y, count in zip(stated, observed, table["count"], strict=True):
        ax.annotate(f"{count:,}", (x, y), (5, -7), textcoords="offset points", size=6)
    ax.set(xlim=(-3, 110), ylim=(-5, 105), ylabel="share observed, %")
    ax.set_xlabel("chance stated, %\n(dashed: as stated; bar: 95 % error;\nsmall numbers: cases)")
    ax.set_title(f"{what}\n{cases}", fontsize="medium")
    _unclipped(ax)
    return ax


def ranks(ax: Axes, predictions: pd.DataFrame) -> Axes:
    """Where readings fell in what was expected of them: flat where all is as stated."""
    values = 100 * predictions["rank"].to_numpy(np.float64)
    ax.hist(values, list(np.linspace(0, 100, 11)), color=SKY, edgecolor="white")
    ax.axhline(len(values) / 10, label="as stated", **DASHED)
    ax.set(xlim=(0, 100), xlabel="chance that had been given to a lower reading, %", ylabel="readings")
    ax.locator_params("y", integer=True)
    _legend_above(ax)
    return ax


def coverage(ax: Axes, table: pd.DataFrame) -> Axes:
    """How often the range for 9 times in 10 held, by kind of reading, with 95 % errors (`calibration.coverage`)."""
    known = table[table["readings"] > 0].reset_index(drop=True)
    holds, error = known["holds"], known["error"]
    ax.axvline(90, **DASHED)
    ax.errorbar(100 * holds, known.index, xerr=_within(holds, error), fmt="o", color=BLUE, capsize=3)
    labels = [f"{kind}\n{count:,} readings" for kind, count in zip(known["kind"], known["readings"], strict=True)]
    _rows(ax, labels, "small")
    ax.set(xlim=(min(70.0, *(100 * (holds - error) - 2)), 101), ylim=(len(known) - 0.5, -0.5))
    ax.set_xlabel("90 % range held, % of readings (dashed: as stated)")
    return ax


def _within(share: Any, error: Any) -> Any:
    """Errors below and above a share, in percent, that stay from 0 to 100 %."""
    return 100 * np.array([np.minimum(error, share), np.minimum(error, 1 - share)])


def figure(columns: int = 1, size: tuple[float, float] = SIZE, *, share_y: bool = False) -> tuple[Figure, Any]:
    """A figure of half a page with one row of axes; `share_y`: all of one vertical scale."""
    made = Figure(figsize=size, layout="constrained")
    FigureCanvasAgg(made)
    return made, made.subplots(1, columns, squeeze=False, sharey=share_y)[0]


def write_all(study: Study, folder: Path) -> int:
    """Draw every plot of a study that has something to show into PNG files, called as NAMES; returns how many."""
    learned = population.as_table(study.evidence)
    made: dict[str, Figure] = {}

    def axes(name: str, columns: int = 1, width: float = SIZE[0], height: float = 0.0) -> Any:
        made[name], drawn_on = figure(columns, (width, max(SIZE[1], height)), share_y=True)
        return drawn_on

    for name, draw in (("moves", convergence_by_moves), ("minutes", convergence_by_minutes)):
        for ax, firing in zip(axes(f"convergence_by_{name}", 2), FIRINGS, strict=True):
            draw(ax, study.readings, firing).label_outer()
    for by in ("fuel", "valve_family"):
        gains(axes(f"gain_by_{by}", height=0.9 * study.jobs[by].nunique() + 1.0)[0], study.screws, study.jobs, by)
    for name in ("backlash_turns", "time_constant_s") if len(learned) else ():
        backlash_and_lag(axes(f"learned_{name}", height=0.34 * len(learned) + 1.2)[0], learned, name)
    if study.readings["settled"].any():
        share_in_band(axes("share_in_band")[0], study.readings)
    overshoots(axes("overshoots")[0], study.moves)
    if len(study.moves):
        waits(axes("waits")[0], study.moves)
    if len(study.predictions):
        coverage(axes("calibration_coverage")[0], calibration.coverage(study.predictions))
        ranks(axes("calibration_ranks")[0], study.predictions)
        readings, *others = axes("calibration_reliability", 3, 9.6)
        reliability(readings, calibration.reliability(study.predictions), "next reading in band")
        of_turns = {"turns": "turn ends in band", "passing": "turn passes the band"}
        for ax, (of, what) in zip(others, of_turns.items(), strict=True):
            table = calibration.reliability(study.turns, of)
            reliability(ax, table, what, f"{table['count'].sum():,} of {study.sampled_turns:,} turns").label_outer()
    made = {name: drawn for name, drawn in made.items() if any(ax.has_data() for ax in drawn.axes)}
    for name, drawn in made.items():
        drawn.savefig(folder / f"{name}.png", dpi=150)
    return len(made)
