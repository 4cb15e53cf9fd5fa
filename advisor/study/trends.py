"""How a fleet's jobs differ by month, site and analyser, and which analyser drifts."""

import numpy as np
import pandas as pd
from scipy.special import ndtri

from advisor.study.frames import text_column

BY = ("month", "site", "analyser")
DAYS_A_MONTH = 30.44
FEWEST_JOBS, FEWEST_MONTHS = 8, 2.0  # of an analyser whose drift is asked, own choice
SURE = 0.99  # that none of all analysers is called drifting by chance


def trend(jobs: pd.DataFrame, by: str = "month") -> pd.DataFrame:
    """One row per month, site or analyser, in their order; practice is left out.

    group            month as "2026-03" (UTC), site or analyser as typed, "" where none was stated
    jobs             how many
    minutes          of the middle job
    moves            turns a job, mean
    overshot         share of jobs, of those that can be judged, with a turn that passed the band
    ended_in_band_display, ended_in_band_fit  share of jobs by the last display; mean chance by the fit, where asked
    found_offset_pct, found_offset_error  CO2 as found less the bands' centres, mean and its 95 % error, % CO2
    """
    real = jobs[~jobs["practice"]]
    of = real["start"].dt.strftime("%Y-%m") if by == "month" else real[by]
    rows = []
    for group, part in real.groupby(of, sort=True):
        found = part["found_offset_pct"].dropna()
        error = 1.96 * float(found.std() / np.sqrt(len(found))) if len(found) > 1 else float("nan")
        rows.append(
            (group, len(part), part["minutes"].median(), part["moves"].mean(), _share(part["overshoots"]),
             part["ended_in_band"].mean(), part["chance_in_band_at_end"].mean(), found.mean(), error)
        )  # fmt: skip
    columns = [
        "group", "jobs", "minutes", "moves", "overshot", "ended_in_band_display", "ended_in_band_fit",
        "found_offset_pct", "found_offset_error",
    ]  # fmt: skip
    table = pd.DataFrame(rows, columns=columns).astype(dict.fromkeys(columns[2:], np.float64) | {"jobs": np.int64})
    return table.assign(group=text_column(table["group"]))


def _share(overshoots: pd.Series) -> float:
    judged = overshoots.dropna()
    return float((judged > 0).mean()) if len(judged) else float("nan")


def analysers(jobs: pd.DataFrame) -> pd.DataFrame:
    """One row per analyser with FEWEST_JOBS over FEWEST_MONTHS or more: whether it drifts.

    analyser         as typed
    jobs, months     how many, over how long
    drift_pct_per_month, drift_error  slope of CO2 as found (less the bands' centres) in time, less the slope of the
                     other analysers' jobs where these are as many: % CO2 a month; its 95 % error
    line_drift_pct_per_month, line_drift_error  slope of CO2 less the CO2 of the fuel's line at the O2 displayed: shows
                     where an analyser measures both
    drifts           whether either is more than chance would make it in one fleet in a hundred

    Boilers as found differ by most of a per cent, so a drift shows after dozens of jobs, not after one.
    """
    real = jobs[~jobs["practice"] & (jobs["analyser"] != "")]
    month = (real["start"] - real["start"].min()).dt.total_seconds() / 86_400 / DAYS_A_MONTH
    real = real.assign(month=month)
    groups = [
        (name, part)
        for name, part in real.groupby("analyser", sort=True)
        if len(part) >= FEWEST_JOBS and np.ptp(part["month"]) >= FEWEST_MONTHS
    ]
    least = float(ndtri(1 - (1 - SURE) / 2 / max(1, 2 * len(groups))))
    rows = []
    for name, part in groups:
        others = real[real["analyser"] != name]
        slope, sd = _slope(part["month"], part["found_offset_pct"])
        if len(others) >= len(part):
            common, common_sd = _slope(others["month"], others["found_offset_pct"])
            slope, sd = slope - common, float(np.hypot(sd, common_sd))
        line, line_sd = _slope(part["month"], part["off_line_pct"])
        drifts = any(sd_ > 0 and abs(value) > least * sd_ for value, sd_ in ((slope, sd), (line, line_sd)))
        rows.append((name, len(part), np.ptp(part["month"]), slope, 1.96 * sd, line, 1.96 * line_sd, drifts))
    columns = [
        "analyser", "jobs", "months", "drift_pct_per_month", "drift_error", "line_drift_pct_per_month",
        "line_drift_error", "drifts",
    ]  # fmt: skip
    table = pd.DataFrame(rows, columns=columns).astype(
        dict.fromkeys(columns[2:7], np.float64) | {"jobs": np.int64, "drifts": bool}
    )
    return table.assign(analyser=text_column(table["analyser"]))


def _slope(x: pd.Series, y: pd.Series) -> tuple[float, float]:
    """Slope of least squares and its sd; NaN where too little is known."""
    known = y.notna().to_numpy()
    at, values = x.to_numpy(np.float64)[known], y.to_numpy(np.float64)[known]
    if at.size < FEWEST_JOBS or np.ptp(at) == 0:
        return float("nan"), float("nan")
    away = at - at.mean()
    slope = float(away @ values / (away @ away))
    left = values - values.mean() - slope * away
    return slope, float(np.sqrt(left @ left / (at.size - 2) / (away @ away)))
