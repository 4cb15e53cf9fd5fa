"""Which jobs to open: the worst of a fleet, with what speaks against each."""

from typing import Any

import numpy as np
import pandas as pd

from advisor.diagnosis.carbon_monoxide import CO_STOPS
from advisor.study.frames import plain, text_column
from advisor.study.tables import HUNTING

MOST = 10  # jobs that are named
SHARE_OF_OVERSHOOTS = 0.75  # that the worst jobs are counted for
# trouble of a job, own choice: an overshoot, and a job that ends out of band, count 1 and 2; the rest by comparison
REVERSAL, CO_STOP, ENDED_OUT, UNJUDGED_TURN = 0.5, 2.0, 2.0, 0.25


def worst(jobs: pd.DataFrame, most: int = MOST) -> pd.DataFrame:
    """The jobs with the most trouble, the worst first; none that has no trouble at all.

    job      its name
    trouble  a sum of what went wrong, in overshoots: each overshoot, REVERSAL for each turn back, CO_STOP where CO
             stopped it, ENDED_OUT times the chance that it ended out of band (by the display where the fit was not
             asked), UNJUDGED_TURN for each turn that nobody can judge, and by how much it took longer than 9 jobs in 10
    why      the same in words, the gravest first
    """
    long_min = float(jobs["minutes"].quantile(0.9)) if len(jobs) else 1.0
    rows = []
    for job in plain(jobs):
        parts = [(weight, text) for weight, text in _parts(job, long_min) if weight > 0]
        parts.sort(key=lambda part: -part[0])
        rows.append((job["job"], sum(weight for weight, _ in parts), "; ".join(text for _, text in parts)))
    table = pd.DataFrame(rows, columns=["job", "trouble", "why"]).astype({"trouble": np.float64})
    table = table[table["trouble"] > 0].sort_values(["trouble", "job"], ascending=[False, True]).head(most)
    return table.assign(job=text_column(table["job"]).to_numpy(object)).reset_index(drop=True)


def _parts(job: dict[str, Any], long_min: float) -> list[tuple[float, str]]:
    """What speaks against a job: how much, and in words."""
    overshoots, reversals, stops = job["overshoots"] or 0, job["reversals"], set(CO_STOPS) & set(job["found"].split())
    unjudged, chance = job["moves"] - job["turns_judged"], job.get("chance_in_band_at_end")
    out = (0.0 if job["ended_in_band"] else 1.0) if chance is None else 1.0 - chance
    ended = "ended out of band or not read" if chance is None else f"in band at the end: {100 * chance:.0f} %"
    hunts = "hunting: " if reversals >= HUNTING else ""
    return [
        (float(overshoots), f"{overshoots:.0f} overshoot{'s' if overshoots != 1 else ''}"),
        (REVERSAL * reversals, f"{hunts}{reversals} turn{'s' if reversals != 1 else ''} back"),
        (CO_STOP * bool(stops), f"CO stop ({', '.join(sorted(stops))})"),
        (ENDED_OUT * out if out >= 0.1 else 0.0, ended),
        (UNJUDGED_TURN * unjudged, f"{unjudged} turn{'s' if unjudged != 1 else ''} nobody can judge"),
        (max(0.0, job["minutes"] / max(long_min, 1.0) - 1.0), f"{job['minutes']:.0f} min"),
    ]


def most_overshoots(jobs: pd.DataFrame) -> int:
    """The fewest jobs that together made SHARE_OF_OVERSHOOTS of all overshoots."""
    made = np.sort(jobs["overshoots"].fillna(0).to_numpy(np.float64))[::-1].cumsum()
    return int(np.searchsorted(made, SHARE_OF_OVERSHOOTS * made[-1] - 1e-9) + 1) if made.size and made[-1] else 0
