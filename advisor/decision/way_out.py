"""The way out of carbon monoxide: the turns that may always be made, the burner off too.

Undoing the last turn leads back to what was read before it; a turn leaner leads away from CO where it is known which
way that is and the flame is not on the rich side. Where neither is so, only the maker's starting position is left.
"""

from dataclasses import dataclass
from typing import Literal

from advisor.decision.candidates import TINY, Setting
from advisor.diagnosis.carbon_monoxide import bars_richer
from advisor.messages import Reason
from advisor.response.reading_checks import co_air_free_ppm, co_bar_ppm
from advisor.response.situation import Situation
from advisor.screws import FIRING_FOR, FIRINGS, SCREWS, Firing, Screw


@dataclass(frozen=True)
class WayOut:
    """A turn that may be made.

    kind      "undo" the last turn, or part of it; a turn "leaner" within the cap
    turns_cw  the largest one, clockwise positive
    """

    kind: Literal["undo", "leaner"]
    screw: Screw
    turns_cw: float

    @property
    def reason(self) -> Reason:
        """The turn in words."""
        return Reason(f"way-out-{self.kind}", {"screw": self.screw, "turns": self.turns_cw})

    def covers(self, screw: Screw, turns_cw: float) -> bool:
        """Whether a turn is this one or a part of it."""
        return screw == self.screw and 0 < turns_cw / self.turns_cw <= 1 + TINY


def ways_out(situation: Situation) -> tuple[WayOut, ...]:
    """The turns that may always be made at this moment; none on a log that was closed or left for hours."""
    if situation.closed or situation.left:
        return ()
    ways = [WayOut("undo", *turn) for turn in _undoing(situation)]
    for screw in SCREWS:
        setting = Setting(situation, FIRING_FOR[screw])
        if setting.co_bars_richer and setting.direction_sure and _lean_side(situation, setting.firing):
            cap = situation.setup.cap_turns[screw]
            ways.append(WayOut("leaner", screw, -cap if setting.richer(cap) else cap))
    return tuple(ways)


def _undoing(situation: Situation) -> list[tuple[Screw, float]]:
    """The turn that undoes the last one; not where it leads back to CO that was too high before it."""
    turns = situation.of("turn")
    if not turns or turns[-1].event.screw is None:
        return []
    screw, turns_cw, made_s = turns[-1].event.screw, -(turns[-1].event.turns_cw or 0.0), turns[-1].at_s
    if Setting(situation, FIRING_FOR[screw]).richer(turns_cw):
        moved: tuple[Firing, ...] = FIRINGS if screw == "throttle" else ("low",)
        high = [firing for firing in moved if bars_richer(situation, firing)]
        if any(not _clean_before(situation, firing, made_s) for firing in high):
            return []
    return [(screw, turns_cw)]


def _clean_before(situation: Situation, firing: Firing, made_s: float) -> bool:
    """Whether CO was read at a rate before a moment, and the last such reading barred no turn richer."""
    read = [row.event for row in situation.co_readings(firing) if row.at_s < made_s]
    setup = situation.setup
    return bool(read) and (co_air_free_ppm(setup, read[-1]) or 0.0) <= co_bar_ppm(setup, read[-1])


def _lean_side(situation: Situation, firing: Firing) -> bool:
    """Whether the last O2 read at a rate is that of a lean flame."""
    row = situation.latest(firing, having="o2_pct")
    return row is not None and (row.event.o2_pct or 0.0) >= situation.policy.least_o2_pct
