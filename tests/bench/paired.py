"""What each alternative changes, told on the same boilers: differences from the adviser as built, boiler by boiler.

The same boilers twice: their differences say more than two means with their own errors. Every sentence is made from the
figures beside it, so it stays true when the bench is run anew.
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
        return f"{self.mean:+.1f} ± {self.error:.1f}"

    def said(self, more: str, less: str, unit: str) -> str:
        """In words where it is told from none, else nothing."""
        if abs(self.mean) <= self.error:
            return ""
        return f"{more if self.mean > 0 else less} by {abs(self.mean):.1f} ± {self.error:.1f} {unit}"


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
        return f"{self.other} / {self.built} ({self.only_other} / {self.only_built})"

    def said(self, more: str, less: str) -> str:
        """In words where the boilers that tell them apart do so at 5 % (exact sign test), else nothing."""
        differ = self.only_other + self.only_built
        if not differ or stats.binomtest(self.only_other, differ).pvalue >= 0.05:
            return ""
        return f"{more if self.other > self.built else less}: {self.other}, as built {self.built}"


@dataclass(frozen=True)
class Paired:
    """One alternative beside the adviser as built, as differences: the alternative's less that as built.

    minutes   of the boilers that both finished
    overshot  visits that ever passed a far edge, of all
    missed    visits not truly in band at both rates, of the boilers that both finished
    unfinished  visits halted or never ended, of all
    holds     share of readings in their 90 % range, %, of all
    """

    name: str
    minutes: Difference
    overshot: Counts
    missed: Counts
    unfinished: Counts
    holds: Difference

    @staticmethod
    def of(name: str, other: Sequence[Outcome], built: Sequence[Outcome]) -> "Paired":
        """From the visits of both, boiler by boiler in the same order."""
        pairs = list(zip(other, built, strict=True))
        assert all(o.seed == b.seed for o, b in pairs)
        ended = [(o, b) for o, b in pairs if o.finished and b.finished]
        return Paired(
            name,
            Difference.of(o.minutes - b.minutes for o, b in ended),
            Counts.of((o.overshot, b.overshot) for o, b in pairs),
            Counts.of((not o.both, not b.both) for o, b in ended),
            Counts.of((not o.finished, not b.finished) for o, b in pairs),
            _holds(other, built),
        )

    def row(self) -> tuple[str, ...]:
        """Under `HEADER`."""
        minutes = f"{self.minutes} ({self.minutes.boilers})"
        return minutes, *map(str, (self.overshot, self.missed, self.unfinished, self.holds))

    def said(self) -> str:
        """What the figures carry, in one line."""
        told = (
            self.minutes.said("longer", "shorter", "min"),
            self.overshot.said("more overshoots", "fewer overshoots"),
            self.missed.said("more ends out of band", "fewer ends out of band"),
            self.unfinished.said("more visits without an end", "fewer visits without an end"),
            self.holds.said("its 90 % range holds more", "its 90 % range holds less", "%"),
        )
        found = "; ".join(words for words in told if words)
        return f"**{self.name}**: {found or 'no difference that these rows can tell'}."


def _holds(other: Sequence[Outcome], built: Sequence[Outcome]) -> Difference:
    """Difference of the shares of readings within their range, %; the readings of one visit hang together."""

    def parts(done: Sequence[Outcome]) -> tuple[float, NDArray[np.float64]]:
        covered, predicted = np.array([(o.covered, o.predicted) for o in done], float).T
        held = float(covered.sum() / predicted.sum())
        return 100 * held, 100 * (covered - held * predicted) / predicted.mean()  # what each visit does to the share

    (one, by_one), (two, by_two) = parts(other), parts(built)
    return Difference(one - two, Difference.of(by_one - by_two).error, len(other))


def compared(
    scenario: str, visits: int, others: Sequence[Alternative] = ALTERNATIVES
) -> tuple[list[tuple[str, ...]], list[Paired]]:
    """Rows of the table (under alternatives.HEADER and HEADER), and each compared with the first, which is as built."""
    as_built, *rest = others
    built = outcomes(as_built, scenario, visits)
    rows, found = [(*row(as_built, scenario, built), *[""] * len(HEADER))], []
    for alternative in rest:
        done = outcomes(alternative, scenario, visits)
        found.append(Paired.of(alternative.name, done, built))
        rows.append((*row(alternative, scenario, done), *found[-1].row()))
    return rows, found


def said(found: Iterable[Paired]) -> str:
    """What the rows carry, one line for each alternative, as a list."""
    return "\n".join(f"* {each.said()}" for each in found)
