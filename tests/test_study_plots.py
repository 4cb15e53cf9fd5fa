"""The plots: axes in, axes out, units named, every case counted."""

import re
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from replay import Told
from study_cases import demo, fleet_rows, log_file, rows_of

from advisor import Job, study
from advisor.study import calibration, plots, population


def axes() -> Axes:
    return Figure().subplots()


def legend(ax: Axes) -> list[str]:
    return [text.get_text() for text in ax.get_legend().get_texts()]


def every_plot() -> list[tuple[Any, ...]]:
    """Unit, plot and data of each kind."""
    found, learned = demo(), population.as_table(demo().evidence)
    return [
        ("% CO2", plots.convergence_by_moves, found.readings, "high"),
        ("% CO2", plots.convergence_by_minutes, found.readings, "low"),
        ("% CO2 per turn", plots.gains, found.screws, found.jobs),
        ("turns", plots.backlash_and_lag, learned, "backlash_turns"),
        (", s", plots.backlash_and_lag, learned, "time_constant_s"),
        ("% CO2", plots.overshoots, found.moves),
        ("minutes", plots.share_in_band, found.readings),
        (", s", plots.waits, found.moves),
        ("%", plots.coverage, calibration.coverage(found.predictions)),
        ("%", plots.reliability, calibration.reliability(found.predictions), "in band"),
        ("%", plots.ranks, found.predictions),
    ]


def test_plots_take_axes_and_label_them_with_units() -> None:
    """Every plot draws on the axes it is given, returns them, and names quantity and unit."""
    for unit, plot, *data in every_plot():
        ax = axes()
        assert plot(ax, *data) is ax
        assert unit in ax.get_xlabel() + ax.get_ylabel()
        assert ax.has_data()


def test_nothing_is_clipped_in_a_users_own_axes_nor_lies_on_the_data() -> None:
    """On plain axes of the usual size all text stays within the figure; a legend stands above the axes."""
    for _, plot, *data in every_plot():
        ax = axes()
        plot(ax, *data)
        made = ax.figure
        made.draw_without_rendering()
        box, (width, height) = made.get_tightbbox(), made.get_size_inches()
        assert min(box.x0, box.y0, width - box.x1, height - box.y1) >= 0, plot
        if ax.get_legend():
            assert ax.get_legend().get_window_extent().y0 >= ax.get_window_extent().y1, plot


def test_the_median_curve_is_the_median() -> None:
    """The curve of three jobs is the middle one's, each job keeping its last reading."""
    distance = pd.Series([1.0, 0.2, 0.8, 0.5, 0.1, 0.3], name="distance_pct")
    readings = pd.DataFrame(
        {"job": list("aabbbc"), "moves": [0, 1, 0, 1, 2, 0], "firing": "high", "settled": True, "half_band_pct": 0.2}
    )
    ax = plots.convergence_by_moves(axes(), readings.join(distance), "high")
    median = next(line for line in ax.lines if line.get_label() == "median")
    assert list(median.get_ydata()) == pytest.approx([0.8, 0.3, 0.2])
    assert ax.get_xlabel() == "moves of the throttle screw"
    assert next(line for line in ax.lines if line.get_label() == "band's edge").get_ydata()[0] == pytest.approx(0.2)


def test_convergence_panels_have_one_scale_that_holds_every_area(tmp_path: Path) -> None:
    """Both rates on one vertical scale, none of the 8 in 10 cut, the legend outside the axes and below the title."""
    readings = study.readings(fleet_rows(20, 4, tmp_path))
    for draw in (plots.convergence_by_moves, plots.convergence_by_minutes):
        made, panels = plots.figure(2, share_y=True)
        for ax, firing in zip(panels, ("high", "low"), strict=True):
            draw(ax, readings, firing)
        made.canvas.draw()
        assert panels[0].get_ylim() == panels[1].get_ylim()
        for ax in panels:
            assert max(area.get_paths()[0].vertices[:, 1].max() for area in ax.collections) < ax.get_ylim()[1]
            box = ax.get_legend().get_window_extent()
            assert box.y0 >= ax.get_window_extent().y1
            assert ax.title.get_window_extent().y0 >= box.y1 - 3


def test_no_move_is_left_out_of_the_overshoot_picture() -> None:
    """Below the bars stand the two screws with all moves that were read before and after, however few in a group."""
    moves = demo().moves
    below = [text.get_text().split("\n") for text in plots.overshoots(axes(), moves).texts]
    for screw in ("offset", "throttle"):
        judged = (moves["screw"] == screw) & moves["overshot"].notna()
        assert sum(int(count) for name, count in below if name == screw) == judged.sum()
    assert min(int(count) for _, count in below) < 5


def test_legends_count_their_cases() -> None:
    """How many turns of all were asked about; which turns were made on a settled reading, not on a long wait alone."""
    passed = calibration.reliability(demo().turns, "passing")
    ax = plots.reliability(axes(), passed, "passes", "33 of 34 turns")
    assert ax.get_title() == "passes\n33 of 34 turns"
    assert [text.get_text() for text in ax.texts] == [f"{count:,}" for count in passed["count"]]
    told = Told().run_at("high").wait(300).read("high", 8.3, o2=20.0).turn("throttle", 1 / 24)  # no possible reading
    ax = plots.waits(axes(), study.moves(rows_of(told)))
    assert legend(ax) == ["on a settled reading, 0 turns", "no settled reading before, 1 turns"]
    assert all(tick == round(tick) for tick in ax.get_yticks())


def test_the_gain_picture_counts_what_the_screen_counts(tmp_path: Path) -> None:
    """Beside the jobs drawn stand the real jobs that turned the screw: by group, they sum to the screen's."""
    first, *_ = fleet_rows(60, 9, tmp_path)["job"]
    log_file(tmp_path / "practice.csv", Job.load(first), practice=True)
    found = study.study([tmp_path], sample=0)
    assert found.jobs["practice"].sum() == 1
    learned = population.as_table(found.evidence)
    ax = plots.gains(axes(), found.screws, found.jobs.assign(fuel="any"), "fuel")
    labels = (re.fullmatch(r"any\n(\w+), (\d+) of (\d+) jobs", label.get_text()) for label in ax.get_yticklabels())
    counts = {label[1]: (int(label[2]), int(label[3])) for label in labels if label}
    on_screen = learned[learned["fuel"] == ""].set_index("screw")["jobs"].to_dict()
    assert {screw: turned for screw, (_, turned) in counts.items()} == on_screen
    assert all(3 <= drawn < turned for drawn, turned in counts.values())


def test_the_share_in_band_counts_a_job_from_its_own_first_reading() -> None:
    """Two jobs that start at other times; in band at both rates only once each rate was read so."""
    readings = pd.DataFrame(
        {
            "job": list("aaabbb"), "minutes": [3.0, 5.0, 9.0, 20.0, 22.0, 24.0], "settled": True,
            "firing": ["high", "high", "low", "high", "low", "low"], "in_band": [False, True, True, True, False, True],
        }
    )  # fmt: skip
    ax = plots.share_in_band(axes(), readings)
    curves = {line.get_label(): np.interp([1.0, 3.0, 5.0, 6.0], *line.get_data()) for line in ax.lines}
    assert list(curves["high fire"]) == pytest.approx([50, 100, 100, 100])
    assert list(curves["low fire"]) == pytest.approx([0, 0, 50, 100], abs=1)
    assert list(curves["both"]) == pytest.approx([0, 0, 50, 100], abs=1)


def test_few_gains_are_drawn_as_points() -> None:
    """Up to FEW_JOBS each job is a point; of more the distribution is drawn."""
    for count, bodies in ((plots.FEW_JOBS - 1, 0), (plots.FEW_JOBS, 1)):
        names = [f"j{number}" for number in range(count)]
        screws = pd.DataFrame({"job": names, "screw": "offset", "gain_per_turn": np.linspace(4, 6, count)})
        screws = screws.assign(gain_doubt_log_sd=0.1, chance_reversed=0.0, chance_dead=0.0)
        ax = plots.gains(axes(), screws, pd.DataFrame({"job": names, "practice": False, "fuel": "natural gas"}))
        assert len(ax.collections) == bodies
        points = [line for line in ax.lines if line.get_marker() == "o"]
        assert sum(line.get_xdata().size for line in points) == (0 if bodies else count)
