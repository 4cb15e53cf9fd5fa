"""What each alternative changes, told on the same boilers: differences from the adviser as built, boiler by boiler.

The same boilers twice: their differences say more than two means with their own errors. A star marks what is told from
none: a mean beyond its 1.96 standard errors, a count where the boilers that differ tell so at 5 % (exact sign test). Of
all these comparisons one in twenty has a star by chance alone; what has none is not shown to be equal.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from alternatives import ALTERNATIVES, Alternative, outcomes, row
from numpy.typing import NDArray
from policies import Outcome
from scipy import stats

HEADER = (
    "minutes, difference (boilers both finished)", "overshot: it / as built (only it / only as built)",
    "out of band at the end, likewise", "not finished, likewise", "90 % interval holds, difference, %",
)  # fmt: skip


@dataclass(frozen=True)
class Difference:
    """A mean difference with 1.96 standard errors over boilers, and how many boilers it rests on."""

    mean: float
    error: float
    boilers: int

    @staticmethod
    def of(values: Iterable[float]) -> "Difference":
        """Of one difference a boiler; with fewer than two boilers the error is not known."""
        array = np.array(list(values), dtype=float)
        if array.size < 2:
            return Difference(float(array.sum()), math.inf, array.size)
        return Difference(float(array.mean()), float(1.96 * array.std(ddof=1) / math.sqrt(array.size)), array.size)

    def __str__(self) -> str:
        return f"{self.mean:+.1f} ± {self.error:.1f}{' *' if abs(self.mean) > self.error else ''}"


@dataclass(frozen=True)
class Counts:
    """In how many visits something happened: with the alternative, as built, and with one but not the other."""

    other: int
    built: int
    only_other: int
    only_built: int

    @staticmethod
    def of(pairs: Iterable[tuple[bool, bool]]) -> "Counts":
        """From what happened to each boiler with the alternative and as built."""
        happened = np.array(list(pairs), dtype=bool).reshape(-1, 2)
        other, built = happened.T
        return Counts(int(other.sum()), int(built.sum()), int((other & ~built).sum()), int((built & ~other).sum()))

    def __str__(self) -> str:
        differ = self.only_other + self.only_built
        star = " *" if differ and stats.binomtest(self.only_other, differ).pvalue < 0.05 else ""
        return f"{self.other} / {self.built} ({self.only_other} / {self.only_built}){star}"


def differences(other: Sequence[Outcome], built: Sequence[Outcome]) -> tuple[str, ...]:
    """Under `HEADER`, from the visits of both, boiler by boiler in the same order.

    Minutes and ends out of band are of the boilers that both finished, the rest of all.
    """
    pairs = list(zip(other, built, strict=True))
    assert all(o.seed == b.seed for o, b in pairs)
    ended = [(o, b) for o, b in pairs if o.finished and b.finished]
    minutes = Difference.of(o.minutes - b.minutes for o, b in ended)
    return (
        f"{minutes} ({minutes.boilers})",
        str(Counts.of((o.overshot, b.overshot) for o, b in pairs)),
        str(Counts.of((not o.both, not b.both) for o, b in ended)),
        str(Counts.of((not o.finished, not b.finished) for o, b in pairs)),
        str(held(other, built)),
    )


def held(other: Sequence[Outcome], built: Sequence[Outcome]) -> Difference:
    """Difference of the shares of readings within their range, %; the readings of one visit hang together."""

    def parts(done: Sequence[Outcome]) -> tuple[float, NDArray[np.float64]]:
        covered, predicted = np.array([(o.covered, o.predicted) for o in done], float).T
        share = float(covered.sum() / predicted.sum())
        return 100 * share, 100 * (covered - share * predicted) / predicted.mean()  # what each visit does to the share

    (one, by_one), (two, by_two) = parts(other), parts(built)
    return Difference(one - two, Difference.of(by_one - by_two).error, len(other))


def compared(scenario: str, visits: int, others: Sequence[Alternative] = ALTERNATIVES) -> list[tuple[str, ...]]:
    """Rows of the table (under alternatives.HEADER and HEADER); the first alternative is the adviser as built."""
    done = [outcomes(alternative, scenario, visits) for alternative in others]
    rows = [row(alternative, scenario, found) for alternative, found in zip(others, done, strict=True)]
    beside = [("",) * len(HEADER), *(differences(found, done[0]) for found in done[1:])]
    return [(*first, *second) for first, second in zip(rows, beside, strict=True)]
