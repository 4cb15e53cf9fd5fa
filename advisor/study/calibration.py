"""Chances that were stated, held against what came: shares with their errors, and one joint test with a direction.

Each chance is asked anew with all rows before its moment. So, where chances are as stated, y - p (1 or 0 for what came,
less the chance) has mean 0 given all that came before: such differences are uncorrelated, within a job too, and their
variance is p (1 - p). With x = (1, logit p) the score

    U = sum (y - p) x,   V = sum p (1 - p) x x',   U' V^-1 U ~ chi-squared with 2 degrees of freedom            (1)

tests level and slope of the chances together (Cox 1958, Biometrika 45, 562, as a score test; sequential forecasts:
Seillier-Moiseiwitsch and Dawid 1993, JASA 88, 355) [M]. Of a range that is always stated with 0.9 x is 1 alone.
"""

import numpy as np
import pandas as pd
from scipy.special import chdtrc

from advisor.screws import SCREWS
from advisor.study.asked import CERTAIN as STATED_RANGE
from advisor.study.asked import KINDS
from advisor.study.timeline import Array

FEWEST_CASES = 10  # in a bin of stated chances
CHANCE_OF = {  # columns of a chance and of what it is held against
    "range": ("stated_range", "covered"),
    "readings": ("chance_in_band", "in_band"),
    "turns": ("shown_chance_in_band", "in_band"),
    "passing": ("shown_chance_past_band", "past_band"),
}
CASES_TO_JUDGE, JOBS_TO_JUDGE = 30, 5  # fewer are not judged, own choice
LEAST_CHANCE = 0.01  # as which a smaller one, and 1 less it, enters the slope of (1)
MEANS_AGREE = 1.64  # sd of their difference up to which the means are taken as alike
DOUBT = 0.05  # p from which chances are taken as stated
A_LITTLE = 0.06  # stated less observed up to which a direction is called so
AS_STATED, TOO_FEW = "as stated", "too few to judge"


def share(hits: pd.Series, jobs: pd.Series) -> tuple[float, float]:
    """A share with its 95 % error, jobs (not single readings) taken as what was drawn at random; NaN for no jobs.

    Ratio estimate over clusters: Cochran, Sampling Techniques, 3rd ed., section 9.3 [M]; never less than half the
    Wilson interval of as many independent cases, which is not 0 however alike few cases are.
    """
    table = pd.DataFrame({"hit": hits.to_numpy(np.float64), "one": 1.0}).groupby(jobs.to_numpy()).sum()
    count, cases, z = len(table), len(hits), 1.96
    if not count:
        return float("nan"), float("nan")
    p = float(table["hit"].sum()) / cases
    left = table["hit"] - p * table["one"]
    error = z * float(np.sqrt(count / max(count - 1, 1) * (left**2).sum())) / cases
    wilson = z / (1 + z * z / cases) * float(np.sqrt(p * (1 - p) / cases + (z / 2 / cases) ** 2))
    return p, max(error, wilson)


def coverage(found: pd.DataFrame) -> pd.DataFrame:
    """How often the 90 % range of `predictions` held.

    kind      "all", or one of KINDS
    readings  how many
    holds, error  share of them that lay in the range, 0 to 1; its 95 % error
    """
    parts = {"all": found, **{kind: found[found["kind"] == kind] for kind in KINDS}}
    rows = [(kind, len(part), *share(part["covered"], part["job"])) for kind, part in parts.items()]
    return pd.DataFrame(rows, columns=["kind", "readings", "holds", "error"])


def reliability(found: pd.DataFrame, of: str = "readings") -> pd.DataFrame:
    """Stated chances against how often it happened, in classes of like chances.

    stated    mean chance stated, 0 to 1
    observed, error  share that happened, 0 to 1; its 95 % error
    count     cases

    Of the `predictions` ("readings": in band), or of the `turns` ("turns": display in band; "passing": display past the
    band, of those that began short of its far edge). Ten bins; one of fewer than FEWEST_CASES is put together with the
    neighbour whose chances are nearest, so no case is left out.
    """
    chance, happened = CHANCE_OF[of]
    found = found[~found["began_past"]] if of == "passing" else found
    place = np.minimum((found[chance].to_numpy() * 10).astype(int), 9)
    bins = [found[place == number] for number in np.unique(place)]
    while len(bins) > 1 and min(map(len, bins)) < FEWEST_CASES:
        thin = min(range(len(bins)), key=lambda at: len(bins[at]))
        stated = [float(part[chance].mean()) for part in bins]
        beside = [at for at in (thin - 1, thin + 1) if 0 <= at < len(bins)]
        first, second = sorted((thin, min(beside, key=lambda at: abs(stated[at] - stated[thin]))))
        bins[first : second + 1] = [pd.concat([bins[first], bins[second]])]
    rows = [(float(part[chance].mean()), *share(part[happened], part["job"]), len(part)) for part in bins]
    return pd.DataFrame(rows, columns=["stated", "observed", "error", "count"])


def judged(found: pd.DataFrame, of: str = "readings") -> pd.DataFrame:
    """One verdict on all stated chances together, and on each kind.

    kind             "all"; then each of KINDS for readings, each screw for turns
    cases, jobs      how many, of how many jobs
    stated, observed  mean chance stated; share that happened, 0 to 1
    p                of the joint test (1): how likely so much apart is by chance alone
    verdict          AS_STATED, TOO_FEW; else the direction: too cautious (better came than was stated) or too bold, "a
                     little" up to A_LITTLE; where the means agree, "too sure at both ends" or "too unsure at both ends"

    `of`: as in `reliability`, or "range": how often the 90 % range of the `predictions` held.
    """
    if of == "range":
        found = found.assign(stated_range=STATED_RANGE)
    chance, happened = CHANCE_OF[of]
    found = found[~found["began_past"]] if of == "passing" else found
    by, kinds = ("kind", KINDS) if "kind" in found else ("screw", SCREWS)
    parts = {"all": found, **{kind: found[found[by] == kind] for kind in kinds}}
    rows = [(kind, *_judged(part, chance, happened, of)) for kind, part in parts.items()]
    return pd.DataFrame(rows, columns=["kind", "cases", "jobs", "stated", "observed", "p", "verdict"])


def _judged(part: pd.DataFrame, chance: str, happened: str, of: str) -> tuple[object, ...]:
    jobs = part["job"].nunique()
    stated, came = part[chance].to_numpy(np.float64), part[happened].to_numpy(np.float64)
    if len(part) < CASES_TO_JUDGE or jobs < JOBS_TO_JUDGE:
        means = (float(stated.mean()), float(came.mean())) if len(part) else (float("nan"), float("nan"))
        return len(part), jobs, *means, float("nan"), TOO_FEW
    score, p = joint_test(stated, came, slope=of != "range")
    apart = float(came.mean() - stated.mean())
    return len(part), jobs, float(stated.mean()), float(came.mean()), p, _direction(score, p, apart, of)


def joint_test(stated: Array, came: Array, *, slope: bool = True) -> tuple[Array, float]:
    """Score of (1), each part in units of its own sd, and the test's p."""
    clipped = np.clip(stated, LEAST_CHANCE, 1 - LEAST_CHANCE)
    one, logit = np.ones_like(stated), np.log(clipped / (1 - clipped))
    design = np.column_stack([one, logit] if slope else [one])
    score = design.T @ (came - stated)
    var = design.T @ (design * np.maximum(stated * (1 - stated), 1e-9)[:, None])
    statistic = float(score @ np.linalg.pinv(var, hermitian=True) @ score)
    return score / np.sqrt(np.diag(var)), float(chdtrc(np.linalg.matrix_rank(var, hermitian=True), statistic))


def _direction(score: Array, p: float, apart: float, of: str) -> str:
    """The verdict in words; `apart`: observed less stated."""
    if p >= DOUBT:
        return AS_STATED
    if len(score) > 1 and abs(score[0]) < MEANS_AGREE:
        return "too unsure at both ends" if score[1] > 0 else "too sure at both ends"
    cautious = apart < 0 if of == "passing" else apart > 0
    return f"{'a little ' if abs(apart) <= A_LITTLE else ''}too {'cautious' if cautious else 'bold'}"


def refusals(verdicts: pd.DataFrame, moves: pd.DataFrame) -> pd.DataFrame:
    """How the turns that the adviser would have refused ended, against those that it would have allowed.

    answer           "allowed", "refused", or "way out": allowed at any time, as undoing the last turn is
    turns, judged    how many; of them read settled before and after
    overshot, overshot_error  share of those judged that passed the band; its 95 % error
    in_band, in_band_error    share of those read settled after it that were then in band; its 95 % error
    """
    both = verdicts.merge(moves[["job", "row", "overshot", "in_band_after"]], on=["job", "row"])
    way_out = both["reason"].str.startswith("way-out")
    answers = {"allowed": both["allowed"] & ~way_out, "refused": ~both["allowed"], "way out": both["allowed"] & way_out}
    rows = []
    for answer, part in ((answer, both[chosen]) for answer, chosen in answers.items()):
        judged, read = part[part["overshot"].notna()], part[part["in_band_after"].notna()]
        passed, ended = share(judged["overshot"], judged["job"]), share(read["in_band_after"], read["job"])
        rows.append((answer, len(part), len(judged), *passed, *ended))
    return pd.DataFrame(
        rows, columns=["answer", "turns", "judged", "overshot", "overshot_error", "in_band", "in_band_error"]
    )
