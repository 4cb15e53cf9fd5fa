"""Which samples of a series become readings: those that tell the fit something, and whatever CO has to say.

A display that goes 1 - exp(-(t - dead) / tau) towards its level shows its tau over a span of times in proportion to
tau. So samples at times that grow in proportion since the last change tell as much of a fast display as of a slow one;
between two of them lies little new, as the error of a segment is shared (`Prior.segment_sd_pct`). Besides: the last
one before a change, where CO2 is known best; one where CO2 has moved by itself; one that is asked for. CO is never
thinned away: the first over its bar, each clearly higher one, the highest, those beside them, one in `LEAST_S` between.
"""

from advisor.job_setup.setup import JobSetup
from advisor.log.events import Event
from advisor.response import reading_checks

LEAST_S = 5.0  # between two readings: what a technician needs for one, and the noise of two samples is then their own
GROWTH = 1.5  # of the time since the change, from one reading to the next; the fit of all samples agrees (test)
MOVED_STEPS = 3.0  # of the display, that CO2 moved since the last reading: noise moves it by one
AGAIN = 0.1  # of the time since the change, between readings that are asked for
HIGHER = 1.05  # times the highest CO kept: what noise does, own choice
UNDER = 0.8  # of the bar, under which CO counts as back under it: its flicker makes no crossing
AIR_S = 60.0  # after clean air in which a display still comes up from it


class Thinning:
    """Takes samples, as events, in order of time; keeps what was kept last."""

    def __init__(self, setup: JobSetup) -> None:
        self._setup = setup
        self._changed_s = self._air_s = self._kept_s = -1e12
        self._kept: Event | None = None
        self._before: Event | None = None  # the sample before, where it was not kept
        self._co_ppm = 0.0  # highest kept of this rise over the bar; 0: under it
        self.in_air = 0  # samples not kept for clean air in them

    def kept(self, sample: Event, changed_s: float, *, asked: bool = False, looks_back: bool = True) -> list[Event]:
        """The samples to keep on seeing one more, at most this and the one before.

        changed_s   moment of the last turn or change of rate, s since 1970
        asked       whether a reading is asked for now
        looks_back  whether the last one before a change is kept, though that change is logged by now
        """
        kept = self.last() if changed_s != self._changed_s and looks_back else []
        if changed_s != self._changed_s:
            self._changed_s, self._kept = changed_s, None
        if reading_checks.mostly_air(self._setup, sample):
            self._air_s = sample.time.timestamp()
        since_kept_s, over, airy = sample.time.timestamp() - self._kept_s, self._over(sample), self._airy(sample)
        crosses = (over > 0) != (self._co_ppm > 0)  # the first over the bar, or the first back under it
        falls = self._is_peak() and over < ((self._before and self._before.co_ppm) or 0.0)
        if self._before and not kept and (falls or (over and crosses and not self._airy(self._before))):
            kept.append(self._before)
        told = over > HIGHER * self._co_ppm or falls or (crosses and not airy) or (over and since_kept_s >= LEAST_S)
        if told or (not airy and since_kept_s >= LEAST_S and self._tells(sample, asked)):
            self._kept, self._before, self._kept_s = sample, None, sample.time.timestamp()
            kept.append(sample)
        else:
            self._before = sample
            self.in_air += airy
        self._co_ppm = max([self._co_ppm, *(each.co_ppm or 0.0 for each in kept)]) if over else 0.0
        return kept

    def last(self) -> list[Event]:
        """The sample seen last, where it is still to be kept: at the end, and before a change."""
        peak, before, self._before = self._is_peak(), self._before, None
        fresh = before is not None and before.time.timestamp() - self._kept_s >= LEAST_S and not self._airy(before)
        return [before] if before and (fresh or peak) else []

    def _is_peak(self) -> bool:
        """Whether the sample before has more CO than any that was kept of this rise."""
        return self._before is not None and (self._before.co_ppm or 0.0) > self._co_ppm > 0

    def _over(self, sample: Event) -> float:
        """CO as displayed, ppm, where it is over the bar from which no turn is richer, or hardly under it; else 0."""
        shown, bar = sample.co_ppm or 0.0, reading_checks.co_bar_ppm(self._setup, sample)
        most = max(shown, reading_checks.co_air_free_ppm(self._setup, sample) or 0.0)
        return shown if most > (UNDER * bar if self._co_ppm else bar) else 0.0

    def _airy(self, sample: Event) -> bool:
        return sample.time.timestamp() - self._air_s < AIR_S

    def _tells(self, sample: Event, asked: bool) -> bool:
        if sample.co2_pct is None:
            return False
        age_s = sample.time.timestamp() - self._changed_s
        if self._kept is None or self._kept.co2_pct is None:
            return age_s >= self._setup.prior.dead_time_s[0]
        moved = abs(sample.co2_pct - self._kept.co2_pct) > (MOVED_STEPS - 0.5) * self._setup.display_step_pct
        due_s = GROWTH * (self._kept_s - self._changed_s)
        return moved or age_s >= due_s or (asked and sample.time.timestamp() - self._kept_s >= AGAIN * age_s)
