"""The bench's tables, and what their columns mean: the words below are printed under each table.

Shares come with their 95 % Wilson interval, means with 1.96 standard errors; x omniscient is the ratio of the mean
minutes of the boilers that both finished, ± 1.96 standard errors by the delta method, the two paired by boiler.
"""

import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence

import numpy as np
from bench_visit import ADVISER, KINDS, OMNISCIENT, RIGHT_NAMES, Outcome
from scipy.stats import binomtest

TOO_LATE = 3  # the bad move before which a fault should be found
LONG_MIN = 5  # minutes a slow fault takes to show
WELL_OUT_PCT = 0.4  # % CO2 out of the band from which turns are large enough for a display to show

COLUMNS = {  # header: what it means, where the header does not say it
    "scenario": "",
    "policy": "",
    "visits": "",
    "both truly in band at finish, %": "of visits that finished: the true settled CO2 in band at both rates",
    "overshot, %": "a turn took the true settled CO2 of the rate being set out past an edge it was not past before",
    "low fire past its band by a throttle turn, %": "so for low fire while the throttle was turned",
    "past the rich edge, %": "a turn took the rate being set past the rich edge, coming from below",
    "over 0.5 % past the lean edge, %": "likewise, from above, over 0.5 % CO2 beyond the lean edge",
    "low fire over its limit, %": "a throttle turn took low fire to over 0.8 % CO2 above its band or under 2.5 % O2",
    "to where CO begins, %": "a turn took either rate from 1.5 % O2 or more to less",
    "minutes": "on the clock, of visits that finished",
    "x omniscient": "ratio of the mean minutes over boilers that both finished, paired by boiler, "
    "± 1.96 standard errors (delta method)",
    "moves": "turns, of visits that finished",
    "readings": "of visits that finished",
    "never ended, %": "over three hours or 60 turns",
    "halted rightly, %": "stopped, and what the stop says is true of this boiler",
    "halted wrongly, %": "stopped, and it is not",
    "stopped for CO wrongly, %": "at some moment, apart from the peak after lighting that falls at once: the settled "
    "flame, without noise, has a tenth less CO than the stop says, or still less",
    "warned of CO wrongly, %": "likewise; CO said to climb has risen by a tenth less, or still less",
    "peak after lighting told, %": "CO of the start's first minute was pointed out",
    "screw, line or gas doubted, %": "in whatever words, further readings and checks asked of them included",
    "tight line proved again, %": "asked to after CO2 fell short of a turn",
    "90 % interval holds, %": "readings within the 90 % range of the next reading, worked out at that moment",
    "as shown, %": "so with the range rounded like the display, as it is told",
}
CLAIM_COLUMNS = {
    "scenario": "",
    **{f"{kind}, % (n)": "" for kind in KINDS.values()},
    "past the far edge: stated": "the stated chances of the true settled CO2 past the edge ahead, added up over turns",
    "came": "turns after which it was",
    "turns": "",
}
CHANGE_COLUMNS = {
    "scenario": "",
    "policy": "",
    "pairs": "visits of both runs to the same boiler",
    "finished in band before, %": "both rates truly in band at finish, of all visits",
    "now, %": "",
    "came, went": "visits that changed, and the sign test's p",
    "overshot before, %": "",
    "overshot now, %": "",
    "overshot: came, went": "",
    "halted before, %": "",
    "halted now, %": "",
    "halted: came, went": "",
    "minutes before": "of visits that finished in both runs",
    "minutes now": "",
    "more minutes": "mean of the differences with 1.96 standard errors",
}
FAULT_COLUMNS = {
    "fault": "",
    "visits": "that lasted until the fault began",
    "ended before it began": "visits left out of all other columns",
    "stopped, %": "",
    "stopped before the third bad move, %": "a bad move brought the true settled CO2 no nearer to the middle of the "
    "band while the fault was there",
    f"the same of those found over {WELL_OUT_PCT:g} % CO2 out, %": "the true settled CO2 of the worse rate was",
    f"the same without those that were over within {LONG_MIN} min, %": "those that finished unnoticed by then",
    "stopped under a right name before the third bad move, %": "right names: "
    + "; ".join(f"{fault}: {' or '.join(codes) or 'none'}" for fault, codes in RIGHT_NAMES.items()),
    "warned of or stopped before the third bad move, %": "warned of: under a right name",
    "bad moves": "before it was stopped",
    "finished unnoticed, %": "",
    "in band at that finish, %": "truly, at both rates",
    "pushed, % CO2": "how far bad moves took the true settled CO2 out of the band at worst, beyond where it was found",
    "found as": "codes of the findings that stopped the visit, and how often",
}


def wilson(hits: int, of: int) -> tuple[float, float, float]:
    """A share, 0 to 1, with its 95 % Wilson limits."""
    z, found = 1.96, hits / of
    middle = (found + z * z / (2 * of)) / (1 + z * z / of)
    half = z / (1 + z * z / of) * math.sqrt(found * (1 - found) / of + z * z / (4 * of * of))
    return found, min(found, max(0.0, middle - half)), max(found, min(1.0, middle + half))  # rounding apart


def share(hits: int, of: int) -> str:
    """A share in percent with its 95 % Wilson interval."""
    found, low, high = wilson(hits, of) if of else (math.nan,) * 3
    return f"{100 * found:.1f} ({100 * low:.1f}-{100 * high:.1f})" if of else "-"


def mean(values: Iterable[float], digits: int = 1) -> str:
    """A mean with 1.96 standard errors."""
    array = np.array(list(values), dtype=float)
    if not array.size:
        return "-"
    return f"{array.mean():.{digits}f} ± {1.96 * array.std() / math.sqrt(array.size):.{digits}f}"


def ratio(values: Sequence[float], to: Sequence[float]) -> tuple[float, float]:
    """Ratio of the means of paired values, and its standard error by the delta method (Cochran 1977, eq. 6.13)."""
    above, below = np.array(values, float), np.array(to, float)
    found = float(above.mean() / below.mean())
    return found, float((above - found * below).std() / below.mean() / math.sqrt(above.size))


def times(group: Iterable[Outcome], yardstick: Iterable[Outcome]) -> str:
    """Minutes as a multiple of the yardstick's, over boilers that both finished."""
    known = {o.seed: o.minutes for o in yardstick if o.finished}
    both = [(o.minutes, known[o.seed]) for o in group if o.finished and o.seed in known]
    if not both:
        return "-"
    found, error = ratio(*zip(*both, strict=True))
    return f"{found:.2f} ± {1.96 * error:.2f}"


def table(outcomes: list[Outcome]) -> list[tuple[str, ...]]:
    """A row for each scenario and policy, as in COLUMNS."""
    rows: list[tuple[str, ...]] = []
    for name in dict.fromkeys(o.scenario for o in outcomes):
        here = [o for o in outcomes if o.scenario == name]
        yardstick = [o for o in here if o.policy == OMNISCIENT]
        for policy in dict.fromkeys(o.policy for o in here):
            group = [o for o in here if o.policy == policy]
            ended = [o for o in group if o.finished]
            halted = [o for o in group if o.halted]
            predicted = sum(o.predicted for o in group)
            rows.append(
                (
                    name,
                    policy,
                    str(len(group)),
                    share(sum(o.both for o in ended), len(ended)),
                    share(sum(o.overshot for o in group), len(group)),
                    share(sum(o.low_past for o in group), len(group)),
                    share(sum(o.rich_past for o in group), len(group)),
                    share(sum(o.lean_past_pct > 0.5 for o in group), len(group)),
                    share(sum(o.low_over for o in group), len(group)),
                    share(sum(o.near_co for o in group), len(group)),
                    mean(o.minutes for o in ended),
                    "1" if policy == OMNISCIENT else times(group, yardstick),
                    mean(o.moves for o in ended),
                    mean(o.readings for o in ended),
                    share(len(group) - len(ended) - len(halted), len(group)),
                    share(sum(o.halted_rightly for o in halted), len(group)),
                    share(sum(not o.halted_rightly for o in halted), len(group)),
                    share(sum(bool(o.co_stopped_wrongly) for o in group), len(group)),
                    share(sum(bool(o.co_warned_wrongly) for o in group), len(group)),
                    share(sum(o.co_peak_said for o in group), len(group)),
                    share(sum(o.doubted for o in group), len(group)),
                    share(sum(o.line_proved > 0 for o in group), len(group)),
                    share(sum(o.covered for o in group), predicted),
                    share(sum(o.covered_as_shown for o in group), predicted),
                )
            )
    return rows


def change_table(before: Iterable[Mapping[str, str]], after: Iterable[Outcome]) -> list[tuple[str, ...]]:
    """What an earlier run (rows of its CSV file) came to, and this one on the same boilers, as in CHANGE_COLUMNS."""
    was = {(row["scenario"], row["policy"], int(row["seed"]), row["fault"]): row for row in before}
    pairs = [(was[key], o) for o in after if (key := (o.scenario, o.policy, o.seed, o.fault)) in was]
    rows: list[tuple[str, ...]] = []
    for name, policy in dict.fromkeys((o.scenario, o.policy) for _, o in pairs):
        group = [(row, o) for row, o in pairs if (o.scenario, o.policy) == (name, policy)]
        ended = [(row, o) for row, o in group if row["finished"] == str(True) and o.finished]
        minutes = [o.minutes - float(row["minutes"]) for row, o in ended]
        rows.append(
            (
                name,
                policy,
                str(len(group)),
                *_changed([(_finished_in_band(row), o.finished and o.both) for row, o in group]),
                *_changed([(row["overshot"] == str(True), o.overshot) for row, o in group]),
                *_changed([(bool(row["halted"]), bool(o.halted)) for row, o in group]),
                mean(float(row["minutes"]) for row, _ in ended),
                mean(o.minutes for _, o in ended),
                mean(minutes, 2),
            )
        )
    return rows


def _finished_in_band(row: Mapping[str, str]) -> bool:
    return all(row[name] == str(True) for name in ("finished", "in_band_high", "in_band_low"))


def _changed(pairs: Sequence[tuple[bool, bool]]) -> tuple[str, str, str]:
    """Share before and after, and how many visits went which way with the sign test's p (two-sided, exact)."""
    gone, come = (sum(pair == way for pair in pairs) for way in ((True, False), (False, True)))
    p = float(binomtest(come, gone + come).pvalue) if gone + come else 1.0
    shares = (share(sum(pair[side] for pair in pairs), len(pairs)) for side in (0, 1))
    return (*shares, f"+{come} -{gone}, p {p:.2f}")  # type: ignore[return-value]


def claim_table(outcomes: list[Outcome]) -> list[tuple[str, ...]]:
    """What the adviser claimed against what came: a row for each scenario, as in CLAIM_COLUMNS."""
    rows: list[tuple[str, ...]] = []
    for name in dict.fromkeys(o.scenario for o in outcomes if o.policy == ADVISER):
        group = [o for o in outcomes if o.scenario == name and o.policy == ADVISER]
        held = []
        for kind in KINDS:
            count = sum(getattr(o, f"{kind}_said") for o in group)
            hits = sum(getattr(o, f"{kind}_held") for o in group)
            held.append(f"{100 * hits / count:.1f} ({count})" if count else "-")
        said, came = sum(o.past_said for o in group), sum(o.past_came for o in group)
        rows.append((name, *held, f"{said:.1f}", str(came), str(sum(o.moves for o in group))))
    return rows


def fault_table(outcomes: list[Outcome]) -> list[tuple[str, ...]]:
    """A row for each fault, as in FAULT_COLUMNS."""
    rows: list[tuple[str, ...]] = []
    for fault in dict.fromkeys(o.fault for o in outcomes):
        every = [o for o in outcomes if o.fault == fault]
        group = [o for o in every if o.fault_met]
        found, missed = [o for o in group if o.halted], [o for o in group if o.finished]
        soon = [o for o in found if o.bad_moves < TOO_LATE]
        long = [o for o in group if o.halted or o.fault_s > LONG_MIN * 60]
        well_out = [o for o in group if o.found_out_pct > WELL_OUT_PCT]
        named = ", ".join(f"{code} {count}" for code, count in Counter(o.halted for o in found).most_common())
        rows.append(
            (
                fault,
                str(len(group)),
                str(len(every) - len(group)),
                share(len(found), len(group)),
                share(len(soon), len(group)),
                share(sum(o in soon for o in well_out), len(well_out)),
                share(sum(o in soon for o in long), len(long)),
                share(sum(o.halted in RIGHT_NAMES[fault] for o in soon), len(group)),
                share(sum(0 <= o.hinted_after < TOO_LATE or o in soon for o in group), len(group)),
                mean(o.bad_moves for o in found),
                share(len(missed), len(group)),
                share(sum(o.both for o in missed), len(missed)),
                mean((o.pushed_pct for o in group), 2),
                named or "-",
            )
        )
    return rows


def markdown(header: Iterable[str], rows: Iterable[Iterable[str]]) -> str:
    """A Markdown table."""
    names = tuple(header)
    lines = ["| " + " | ".join(names) + " |", "|" + "---|" * len(names)]
    return "\n".join([*lines, *("| " + " | ".join(row) + " |" for row in rows)]) + "\n"


def explained(columns: Mapping[str, str], rows: Iterable[Iterable[str]]) -> str:
    """A Markdown table with the meaning of its columns under it."""
    meanings = "".join(f"* *{name.removesuffix(', %')}*: {words}\n" for name, words in columns.items() if words)
    return f"{markdown(columns, rows)}\n{meanings}"
