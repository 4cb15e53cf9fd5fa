"""What is said of CO on many made-up burners: `python tests/bench/false_co.py --visits 2000`.

Much faster than whole visits of the adviser: one who knows the valve sets the boiler, CO is read at lighting, every
10 s of the first minute, on each change of rate and wherever he reads, and the checks of CO look at every reading. What
is settled is known from the boiler and not worked out. Stops that only the decision makes ("co-climbing") are left out:
the table of `run.py` has them. `--scenarios`, `--first-seed` as there.
"""

import argparse
import os
import sys
from collections import Counter
from collections.abc import Mapping

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # two processes on two cores: no threads inside

import bench_visit
import report
from run import BOILERS, FIRST_SEED, some_of

from advisor.diagnosis.carbon_monoxide import co_standing
from advisor.diagnosis.findings import carbon_monoxide
from advisor.log.events import Row
from advisor.response.situation import Situation
from advisor.response.tracker import Tracker
from advisor.screws import FIRINGS, Firing
from advisor.training.simulated_visit import SimulatedVisit
from advisor.training.simulator import SCENARIOS
from advisor.training.strategies import PEAK_WAIT_S, omniscient

FIRST_LOOKS = 5  # at CO after lighting, PEAK_WAIT_S apart
COLUMNS = {
    "scenario": "",
    "visits": "",
    "sound, %": "burners whose settled flame never had more CO than bars a turn richer, where it was read",
    "sound ones stopped wrongly, %": "for CO, as in the table of `run.py`",
    "sound ones warned wrongly, %": "",
    "others stopped wrongly, %": "their CO is high, but less so: CO read alone is taken as thinned as in the band",
    "others warned wrongly, %": "",
    "peak told, %": "CO of the start was pointed out: a stop in the first minute, a warning before readings count",
    "codes": "of what was said wrongly",
}


class Watched(SimulatedVisit):
    """A visit in which the checks of CO look at every reading."""

    def look_at(self) -> "Watched":
        """Begin to look."""
        self.watch, self._settled, self._lit_s = bench_visit.CoWatch(self), list[Row](), 0.0
        return self

    def run_at(self, firing: Firing) -> None:
        lit = self.boiler.firing is None
        super().run_at(firing)
        if lit:
            self._lit_s = self.at.timestamp()
        for _ in range(FIRST_LOOKS if lit else 1):
            self.read_co()
            self.watch.reading()
            self._look()
            self.wait(PEAK_WAIT_S)

    def read(self) -> float:
        shown = super().read()
        if self._settled_when_read:
            self._settled.append(Row(len(self.job.events), self.job.events[-1]))
        self.watch.reading()
        self._look()
        return shown

    def _look(self) -> None:
        rows = tuple(Row(number, event) for number, event in enumerate(self.job.events, 1))
        proven = frozenset(row.number for row in self._settled)
        tracker = Tracker(
            None,  # type: ignore[arg-type]  # nothing of CO asks what is known of the valve
            settled=tuple(self._settled), proven=proven, started_s=self._lit_s, last_s=self.at.timestamp(),
        )  # fmt: skip
        situation = Situation(self.job.setup, rows, tracker, self.at)
        standing = [finding for firing in FIRINGS for finding in co_standing(situation, firing)]
        self.watch.heard([*standing, *carbon_monoxide(situation)])


def visit(task: tuple[str, int]) -> Mapping[str, object]:
    """What was said of CO at one boiler."""
    name, seed = task
    made = bench_visit.visit_to(BOILERS[name], seed)
    watched = Watched(made.boiler, bench_visit.facts(BOILERS[name]), bench_visit.SETTINGS, bench_visit.START).look_at()
    omniscient(watched)
    flames = [flame for read in watched.watch.read.values() for flame in read]
    bar = watched.job.setup.policy.co_bar_ppm
    return {"sound": all(flame.co_air_free_ppm <= bar for flame in flames), **watched.watch.counts()}


def main(words: list[str]) -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--visits", type=int, default=2000)
    parser.add_argument("--first-seed", type=int, default=FIRST_SEED)
    parser.add_argument("--scenarios", type=some_of(BOILERS), default=[scenario.name for scenario in SCENARIOS])
    asked = parser.parse_args(words)
    seeds = range(asked.first_seed, asked.first_seed + asked.visits)
    rows = []
    for name in asked.scenarios:
        seen = bench_visit.in_two(visit, [(name, seed) for seed in seeds], name, chunksize=20)
        wrong = Counter(
            code for one in seen for kind in ("stopped", "warned") for code in str(one[f"co_{kind}_wrongly"]).split()
        )
        groups = [one for one in seen if one["sound"]], [one for one in seen if not one["sound"]]
        shares = [
            report.share(sum(bool(one[f"co_{kind}_wrongly"]) for one in group), len(group))
            for group in groups
            for kind in ("stopped", "warned")
        ]
        shares = [report.share(len(groups[0]), len(seen)), *shares]
        shares.append(report.share(sum(bool(one["co_peak_said"]) for one in seen), len(seen)))
        codes = ", ".join(f"{code} {count}" for code, count in wrong.most_common()) or "-"
        rows.append((name, str(len(seen)), *shares, codes))
    print(report.explained(COLUMNS, rows), end="")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
