"""What is assumed about a valve before its first turn.

Every figure here is an assumption of this project, wide on purpose (own choice, no source). A prior
learned from logged jobs replaces it.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from types import MappingProxyType

from advisor.errors import RangeError
from advisor.screws import SCREWS

SEEN_FAULT_CHANCE = 0.01  # that a screw seen to work does nothing, or works the other way, the next time; own choice
LEAST_NOISE_PCT = 0.001  # % CO2; less no display and no flame has
EARLIER_NAMES = {  # of fields, in logs and prior files written before
    "slack_turns": "backlash_turns", "standstill_sd_pct": "segment_sd_pct", "hand_sd": "actuation_sd",
}  # fmt: skip


def _frozen(values: Mapping[str, float]) -> Mapping[str, float]:
    return MappingProxyType(dict(values))


@dataclass(frozen=True)
class Prior:
    """Belief about one valve, boiler, hand and analyser before the first reading.

    gain_per_turn      median size of the CO2 change, % CO2 per turn, by screw (> 0)
    gain_log_sd        standard deviation of the natural logarithm of that size (0.7 is a factor of two either way),
                       before `hypotheses.GAIN_NODES` give more to the very lively: as used about a fifth wider
    gain_log_sd_of     the same of a screw that this boiler showed before, by screw; left out: gain_log_sd. Such a screw
                       has each of the two faults below with SEEN_FAULT_CHANCE at most
    chance_reversed    probability that a screw works against its stated direction, 0 to 1
    chance_dead        probability that a screw does nothing, 0 to 1
    backlash_turns     widest play thought possible, turns
    dead_time_s        shortest and longest dead time, s
    time_constant_s    shortest and longest time constant, s
    level_sd_pct       of the as-found CO2 about the band's centre, % CO2
    noise_sd_pct       expected, of one reading about the truth before the display rounds it, % CO2
    noise_shape        how firmly that is believed (shape of the inverse-gamma law of its square, > 1); where the
                       readings show more noise, the other sd in % CO2 are taken as larger too, and the reverse
    segment_sd_pct     error shared by all readings of one segment (slow swings; rounding comes on top), % CO2
    drift_sd_pct       slow change of CO2 after a change of firing rate, % CO2
    drift_time_s       time constant of that slow change, s
    actuation_sd       error of a turn as a share of what was meant
    """

    gain_per_turn: Mapping[str, float] = field(default_factory=lambda: _frozen({"offset": 5.0, "throttle": 4.0}))
    gain_log_sd: float = 0.7
    chance_reversed: float = 0.05
    chance_dead: float = 0.03
    backlash_turns: float = 1 / 16
    dead_time_s: tuple[float, float] = (6.0, 18.0)
    time_constant_s: tuple[float, float] = (9.0, 55.0)
    level_sd_pct: float = 1.2
    noise_sd_pct: float = 0.039
    noise_shape: float = 1.5
    segment_sd_pct: float = 0.025
    drift_sd_pct: float = 0.06
    drift_time_s: float = 150.0
    actuation_sd: float = 0.15
    gain_log_sd_of: Mapping[str, float] = field(default_factory=lambda: _frozen({}))

    def __post_init__(self) -> None:
        object.__setattr__(self, "gain_per_turn", _frozen(self.gain_per_turn))
        object.__setattr__(self, "gain_log_sd_of", _frozen(self.gain_log_sd_of))
        for name in ("dead_time_s", "time_constant_s"):
            low, high = getattr(self, name)
            object.__setattr__(self, name, (float(low), float(high)))
            if not 0 < low < high:
                raise RangeError(f"prior {name} = {low:g} to {high:g} s: two rising numbers above 0 are needed")
        for screw in SCREWS:
            if not 0 < self.gain_per_turn.get(screw, 0) < 1000:
                raise RangeError(
                    f"prior gain_per_turn for the {screw} screw: a number above 0, in % CO2 per turn, is needed"
                )
        for known, log_sd in self.gain_log_sd_of.items():
            if known not in SCREWS or not 0 < log_sd < 10:
                raise RangeError(f"prior gain_log_sd_of {known}: a screw and a number above 0 are needed")
        for entry in fields(self):
            value = getattr(self, entry.name)
            if isinstance(value, int | float) and not value > 0:
                raise RangeError(f"prior {entry.name} = {value:g}: a number above 0 is needed")
        if not self.noise_sd_pct >= LEAST_NOISE_PCT:
            raise RangeError(f"prior noise_sd_pct = {self.noise_sd_pct:g}: {LEAST_NOISE_PCT:g} % CO2 or more is needed")
        if not self.noise_shape > 1:
            raise RangeError(f"prior noise_shape = {self.noise_shape:g}: a number above 1 is needed")
        if self.chance_reversed + self.chance_dead >= 1:
            raise RangeError("prior chance_reversed and chance_dead: together they must stay below 1")

    def __reduce__(self) -> tuple[type["Prior"], tuple[object, ...]]:
        # A MappingProxyType can't be pickled.
        values = (getattr(self, entry.name) for entry in fields(self))
        return Prior, tuple(dict(value) if isinstance(value, Mapping) else value for value in values)

    def log_sd(self, screw: str) -> float:
        """Standard deviation of the natural logarithm of the gain of a screw."""
        return self.gain_log_sd_of.get(screw, self.gain_log_sd)

    def fault_chances(self, screw: str) -> tuple[float, float]:
        """Probability that a screw works against its stated direction, and that it does nothing."""
        most = SEEN_FAULT_CHANCE if screw in self.gain_log_sd_of else 1.0
        return min(self.chance_reversed, most), min(self.chance_dead, most)

    @staticmethod
    def from_mapping(values: "Prior | Mapping[str, object]") -> "Prior":
        """Make a prior from named values (a TOML table); what is left out keeps its default."""
        if isinstance(values, Prior):
            return values
        values = {EARLIER_NAMES.get(name, name): value for name, value in values.items()}
        unknown = set(values) - {entry.name for entry in fields(Prior)}
        if unknown:
            raise RangeError(
                f"prior: '{sorted(unknown)[0]}' is not a known name; "
                f"known are {', '.join(entry.name for entry in fields(Prior))}"
            )
        return Prior(**values)  # type: ignore[arg-type]
