"""Plots of a study. Each takes an axes and a table and returns the axes; no global state is touched.

Colours are Okabe and Ito's eight, which the colour-blind tell apart; lines differ in dash as well.
"""

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.axis import Axis
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from advisor.screws import FIRINGS, SCREW_FOR, SCREWS, Firing
from advisor.study import honesty
from advisor.study.collect import Study
from advisor.study.frames import plain

BLUE, ORANGE, GREEN, RED, PURPLE, SKY = "#0072B2", "#E69F00", "#009E73", "#D55E00", "#CC79A7", "#56B4E9"
COLOURS = (BLUE, ORANGE, GREEN, RED, PURPLE, SKY)
SCREW_COLOURS = dict(zip(SCREWS, (BLUE, RED), strict=True))
FAINT_JOBS = 60  # single jobs drawn faint
WELL_KNOWN_LOG_SD = 0.35  # gains known to about a factor of 1.8 either way are drawn
SIZE = (6.4, 3.6)  # inches; half a page
NAMES = (
    "convergence_by_moves", "convergence_by_minutes", "gain_by_fuel", "gain_by_valve_family", "learned_slack_turns",
    "learned_time_constant_s", "overshoots", "waits", "honesty_coverage", "honesty_ranks", "honesty_reliability",
)  # fmt: skip


def convergence_by_moves(ax: Axes, readings: pd.DataFrame, firing: Firing) -> Axes:
    """Distance from the band's centre against turns of the rate's screw: the last settled reading before each."""
    here = readings[readings["settled"] & (readings["firing"] == firing)]
    last = here.groupby(["job", "moves"], sort=True)["distance_pct"].last()
    table = last.unstack("moves").ffill(axis=1)  # a job that is done stays where it is
    _curves(ax, table.columns.to_numpy(np.float64), table.to_numpy(np.float64))
    ax.set_xlim(0, max(2.0, float(here.groupby("job")["moves"].max().quantile(0.98)) if len(here) else 2.0))
    ax.set_xlabel(f"moves of the {SCREW_FOR[firing]} screw")
    _whole(ax.xaxis)
    _title(ax, f"{firing} fire, {len(table):,} jobs")
    return ax


def convergence_by_minutes(ax: Axes, readings: pd.DataFrame, firing: Firing, most: float | None = None) -> Axes:
    """Distance from the band's centre against minutes since the job's first row; each job keeps its last reading."""
    here = readings[readings["settled"] & (readings["firing"] == firing)]
    most = most or float(np.ceil(here["minutes"].quantile(0.95))) if len(here) else 1.0
    grid = np.linspace(0.0, most, 121)
    own = here.groupby("job", sort=True)
    table = np.full((own.ngroups, grid.size), np.nan)
    for row, (_, job) in enumerate(own):
        at = np.searchsorted(job["minutes"].to_numpy(), grid, side="right") - 1
        table[row, at >= 0] = job["distance_pct"].to_numpy()[at[at >= 0]]
    _curves(ax, grid, table)
    ax.set_xlabel("minutes since the job's first row")
    _title(ax, f"{firing} fire, {own.ngroups:,} jobs")
    return ax


def _curves(ax: Axes, x: np.ndarray, table: np.ndarray) -> None:
    """Median, middle half and 8 in 10 of the rows of a table, single rows faint."""
    if not table.size:
        ax.text(0.5, 0.5, "no settled readings", ha="center", transform=ax.transAxes)
        return
    step = max(1, len(table) // FAINT_JOBS)
    for number, row in enumerate(table[::step]):
        ax.plot(x, row, color="0.6", lw=0.5, alpha=0.35, zorder=1, label="" if number else "single jobs")
    spoken = np.isfinite(table).mean(axis=0) >= 0.1  # before that too few jobs have been read
    q10, q25, q50, q75, q90 = np.nanquantile(table[:, spoken], [0.1, 0.25, 0.5, 0.75, 0.9], axis=0)
    ax.fill_between(x[spoken], q10, q90, color=SKY, alpha=0.35, lw=0, label="8 jobs in 10", zorder=2)
    ax.fill_between(x[spoken], q25, q75, color=BLUE, alpha=0.35, lw=0, label="half of the jobs", zorder=3)
    ax.plot(x[spoken], q50, color=BLUE, lw=2, label="median", zorder=4)
    top = max(0.5, float(np.nanquantile(table, 0.98)), 1.05 * float(np.max(q90)))
    if any(other.get_legend() for other in ax.get_shared_y_axes().get_siblings(ax)):
        top = max(top, ax.get_ylim()[1])  # axes that share a scale: as high as the highest needs
    ax.set_ylim(0, top)
    ax.set_xlim(left=0)
    ax.set_ylabel("|CO2 - band centre|, % CO2")
    ax.legend(loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=2, frameon=False, fontsize="small")


def _title(ax: Axes, words: str) -> None:
    """A title above the legend, which lies outside so that it hides no curve."""
    ax.set_title(words, fontsize="medium", pad=36 if ax.get_legend() else None)


def gains(ax: Axes, screws: pd.DataFrame, jobs: pd.DataFrame, by: str = "fuel") -> Axes:
    """Distribution of the gains per screw and group (`by`: fuel, valve_family or turndown_range), logarithmic.

    Drawn are jobs that tell the gain well; beside them stands what `learn` counts: real jobs that turned the screw.
    Each is the job's own estimate (`batch.screws`): the tick, their median, is not the learned gain of the group.
    """
    real = screws.merge(jobs.loc[~jobs["practice"], ["job", by]], on="job")
    known = (real["gain_doubt_log_sd"] < WELL_KNOWN_LOG_SD) & (real["chance_reversed"] + real["chance_dead"] < 0.5)
    names, colours, values = [], [], []
    for group, part in real.assign(**{by: real[by].replace("", "no label")}).groupby(by, sort=True):
        for screw in SCREWS:
            own = part.loc[known & (part["screw"] == screw), "gain_per_turn"].to_numpy(np.float64)
            if own.size >= 3:
                turned = int((part["screw"] == screw).sum())
                names.append(f"{group!s:.40}\n{screw}, {own.size:,} of {turned:,} jobs")
                colours.append(SCREW_COLOURS[screw])
                values.append(np.log10(own))
    if not values:
        ax.set_axis_off()
        ax.text(0.5, 0.5, "no gain is known well enough", ha="center", transform=ax.transAxes)
        return ax
    places = np.arange(len(values), dtype=float)
    parts: Any = ax.violinplot(
        values, places, orientation="horizontal", widths=0.8, showextrema=False, showmedians=True
    )
    for body, colour in zip(parts["bodies"], colours, strict=True):
        body.set(facecolor=colour, alpha=0.55)
    parts["cmedians"].set(color="black", lw=1.5)
    ax.set_yticks(places, names, fontsize="small")
    ax.invert_yaxis()
    ends = np.log10([0.5, 1, 2, 5, 10, 20, 50])
    ax.set_xticks(ends, ["0.5", "1", "2", "5", "10", "20", "50"])
    ax.set_xlim(np.log10(0.7), np.log10(40))
    ax.set_xlabel(
        "gain, % CO2 per turn (throttle at high fire, offset at low fire), by each job's own readings;\n"
        "drawn: jobs that tell it well, of those that turned the screw; tick: their median", fontsize="x-small",
    )  # fmt: skip
    ax.grid(axis="x", alpha=0.3)
    return ax


def slack_and_lag(ax: Axes, learned: pd.DataFrame, name: str) -> Axes:
    """What was learned of `slack_turns` or `time_constant_s` per group and screw, with 90 % ranges."""
    table = learned[learned["fuel"] != ""] if (learned["fuel"] != "").any() else learned
    labels = [
        ", ".join(filter(None, (row["fuel"], row["valve_family"], row["turndown_range"]))) + f"\n{row['screw']}"
        for row in plain(table)
    ]
    places = np.arange(len(table), dtype=float)
    middle, low, high = (table[f"{name}{end}"].to_numpy(np.float64) for end in ("", "_low", "_high"))
    for screw, marker in zip(SCREWS, "os", strict=True):
        own = (table["screw"] == screw).to_numpy()
        ax.errorbar(
            middle[own], places[own], xerr=[(middle - low)[own], (high - middle)[own]], fmt=marker,
            color=SCREW_COLOURS[screw], capsize=3, label=screw,
        )  # fmt: skip
    ax.set_yticks(places, labels, fontsize="x-small")
    ax.invert_yaxis()
    ax.set_xlim(left=0)
    units = {"slack_turns": "widest slack, turns", "time_constant_s": "time constant of the display, s"}
    ax.set_xlabel(f"{units[name]} (bar: 90 % range of the estimate)", fontsize="small")
    ax.grid(axis="x", alpha=0.3)
    ax.legend(frameon=False, fontsize="small")
    return ax


def overshoots(ax: Axes, moves: pd.DataFrame) -> Axes:
    """Share of turns read before and after that passed the far edge of the band, by size, with 95 % errors."""
    paired = moves[moves["overshot"].notna()]
    edges = np.array([0, 1 / 36, 1 / 18, 5 / 48, 1])
    names = ["under 1/36", "about 1/24", "about 1/12", "over 1/10"]
    size = paired["turns_cw"].abs()
    for number, screw in enumerate(SCREWS):
        bars = []
        for place in range(4):
            part = paired[(paired["screw"] == screw) & (size > edges[place]) & (size <= edges[place + 1])]
            if len(part):
                bars.append((place + 0.2 * (2 * number - 1), *honesty.share(part["overshot"], part["job"]), len(part)))
        if bars:
            x, share, error, counts = map(np.array, zip(*bars, strict=True))
            within = _within(share, error)
            ax.bar(x, 100 * share, 0.36, yerr=within, capsize=3, color=SCREW_COLOURS[screw], label=screw)
            for at, count in zip(x, counts, strict=True):
                words = f"{screw}\n{count:,}"  # a share of 0 % has no colour to tell the screw by
                ax.annotate(words, (at, 0), (0, -2), textcoords="offset points", ha="center", va="top", size=6)
    ax.set_xticks(range(4), names)
    ax.set_xlim(-0.6, 3.6)
    ax.tick_params(axis="x", pad=17)
    ax.set_xlabel("size of the move, fraction of a turn (below each bar: screw, number of moves)")
    ax.set_ylabel("passed the band, % of moves")
    ax.set_ylim(bottom=0)
    if ax.containers:
        ax.legend(frameon=False, fontsize="small")
    return ax


def waits(ax: Axes, moves: pd.DataFrame) -> Axes:
    """Seconds from the change before to each turn: turns made on a settled reading, and not."""
    edges = np.arange(0, 305, 10.0)
    for kept, colour, name in ((True, BLUE, "on a settled reading"), (False, RED, "no settled reading before")):
        waited = moves.loc[moves["wait_kept"] == kept, "waited_s"].clip(upper=299).dropna().to_numpy(np.float64)
        ax.hist(waited, list(edges), color=colour, alpha=0.6, label=f"{name}, {len(waited):,} turns")
    ax.set_xlim(0, 300)
    ax.set_xlabel("time from the change before to the turn, s (last bar: longer)")
    ax.set_ylabel("turns")
    _whole(ax.yaxis)
    ax.legend(frameon=False, fontsize="small")
    return ax


def reliability(ax: Axes, table: pd.DataFrame, what: str, cases: str = "") -> Axes:
    """Stated chances of `what` against what happened (`honesty.reliability`), with 95 % errors; `cases`: how many.

    Beside each point stands how many cases it is made of.
    """
    ax.plot([0, 100], [0, 100], color="0.5", ls="--", lw=1, label="honest")
    cases = cases or f"{int(table['count'].sum()):,} cases"
    ax.errorbar(
        100 * table["said"], 100 * table["happened"], yerr=_within(table["happened"], table["error"]), fmt="o",
        color=BLUE, capsize=3, label=f"{cases}\n(bar: 95 % error)",
    )  # fmt: skip
    for said, came, count in zip(table["said"], table["happened"], table["count"], strict=True):
        ax.annotate(f"{count:,}", (100 * said, 100 * came), (5, -7), textcoords="offset points", size=6)
    ax.text(0.97, 0.03, "number: cases", ha="right", transform=ax.transAxes, size=6)
    ax.set_xlim(-3, 110)
    ax.set_ylim(-5, 105)
    ax.set_title(what, fontsize="medium")
    ax.set_xlabel("chance said, %")
    ax.set_ylabel("share that came, %")
    ax.legend(frameon=False, fontsize="small", loc="upper left")
    return ax


def ranks(ax: Axes, predictions: pd.DataFrame) -> Axes:
    """Where readings fell in what was expected of them: flat where the advice is honest."""
    values = 100 * predictions["rank"].to_numpy(np.float64)
    ax.hist(values, list(np.linspace(0, 100, 11)), color=SKY, edgecolor="white")
    ax.axhline(len(values) / 10, color="0.3", ls="--", lw=1, label="honest")
    ax.set_xlabel("chance that had been given to a lower reading, %")
    ax.set_ylabel("readings")
    _whole(ax.yaxis)
    ax.set_xlim(0, 100)
    ax.legend(frameon=False, fontsize="small", loc="lower center")
    return ax


def coverage(ax: Axes, table: pd.DataFrame) -> Axes:
    """How often the range for 9 times in 10 held, by kind of reading, with 95 % errors (`honesty.coverage`)."""
    known = table[table["readings"] > 0].reset_index(drop=True)
    ax.axvline(90, color="0.5", ls="--", lw=1)
    ax.errorbar(
        100 * known["holds"], known.index, xerr=_within(known["holds"], known["error"]), fmt="o", color=BLUE, capsize=3
    )
    ax.set_yticks(
        known.index, [f"{row.kind}\n{row.readings:,} readings" for row in known.itertuples()], fontsize="small"
    )
    ax.invert_yaxis()
    ax.set_ylim(len(known) - 0.5, -0.5)
    ax.set_xlim(min(70.0, float(100 * (known["holds"] - known["error"]).min() - 2)) if len(known) else 70, 101)
    ax.set_xlabel("90 % range held, % of readings (dashed: honest)")
    return ax


def _whole(axis: Axis) -> None:
    """Ticks at whole numbers only, on an axis that counts."""
    axis.set_major_locator(MaxNLocator(integer=True))


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
    from advisor.study import priors

    learned = priors.as_table(study.evidence)
    tall = (SIZE[0], max(SIZE[1], 0.34 * len(learned) + 1.2))
    files: dict[str, Figure] = {}
    for name, draw in (("moves", convergence_by_moves), ("minutes", convergence_by_minutes)):
        files[f"convergence_by_{name}"], axes = figure(2, share_y=True)
        for ax, firing in zip(axes, FIRINGS, strict=True):
            draw(ax, study.readings, firing)
        axes[1].set_ylabel("")
    for by in ("fuel", "valve_family"):
        groups = study.jobs[by].nunique()
        files[f"gain_by_{by}"], axes = figure(size=(SIZE[0], max(SIZE[1], 0.9 * groups + 1.0)))
        gains(axes[0], study.screws, study.jobs, by)
    for name in ("slack_turns", "time_constant_s") if len(learned) else ():
        files[f"learned_{name}"], axes = figure(size=tall)
        slack_and_lag(axes[0], learned, name)
    files["overshoots"], axes = figure()
    overshoots(axes[0], study.moves)
    if len(study.moves):
        files["waits"], axes = figure()
        waits(axes[0], study.moves)
    if len(study.predictions):
        files["honesty_coverage"], axes = figure()
        coverage(axes[0], honesty.coverage(study.predictions))
        files["honesty_ranks"], axes = figure()
        ranks(axes[0], study.predictions)
        files["honesty_reliability"], axes = figure(3, (9.6, SIZE[1]), share_y=True)
        reliability(axes[0], honesty.reliability(study.predictions), "next reading in band")
        ends, passed = honesty.of_turns(study.turns), honesty.of_passing(study.turns)
        for ax, table, what in ((axes[1], ends, "turn ends in band"), (axes[2], passed, "turn passes the band")):
            reliability(ax, table, what, f"{table['count'].sum():,} of {study.sampled_turns:,} turns").set_ylabel("")
    files = {name: made for name, made in files.items() if any(ax.has_data() for ax in made.axes)}
    for name, made in files.items():
        made.savefig(folder / f"{name}.png", dpi=150)
    return len(files)
