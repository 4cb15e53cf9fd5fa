"""The way out of carbon monoxide: the turns that may always be made, the burner off too.

Undoing the last turn leads back to what was read before it; a turn leaner leads away from CO where it is known which
way that is and the flame is not on the rich side. Where neither is so, only the maker's starting position is left.
"""

from dataclasses import dataclass
from typing import Literal

from advisor.decision.candidates import TINY, Setting
from advisor.diagnosis.carbon_monoxide import bars_richer, co_due_anew, flames_with_co
from advisor.messages import Reason
from advisor.response.reading_checks import co_air_free_ppm, co_bar_ppm, mostly_air
from advisor.response.situation import Situation
from advisor.screws import FIRING_FOR, FIRINGS, SCREWS, Firing, Screw


@dataclass(frozen=True)
class WayOut:
    """A turn that may be made.

    kind      "undo" the last turn, or part of it; a turn "leaner" within the cap; back "as found", or part of it
    turns_cw  the largest one, clockwise positive
    """

    kind: Literal["undo", "leaner", "as found"]
    screw: Screw
    turns_cw: float

    @property
    def reason(self) -> Reason:
        """The turn in words."""
        return Reason(f"way-out-{self.kind.replace(' ', '-')}", {"screw": self.screw, "turns": self.turns_cw})

    def covers(self, screw: Screw, turns_cw: float) -> bool:
        """Whether a turn is this one or a part of it."""
        return screw == self.screw and 0 < turns_cw / self.turns_cw <= 1 + TINY


def ways_out(situation: Situation) -> tuple[WayOut, ...]:
    """The turns that may always be made at this moment; none on a log that was closed or left for hours."""
    if situation.closed or situation.left:
        return ()
    return (
        *_undoing(situation),
        *(way for screw in SCREWS for way in (*_leaner(situation, screw), *_back_as_found(situation, screw))),
    )


def _back_as_found(situation: Situation, screw: Screw) -> list[WayOut]:
    """All of what was turned richer since it was found, turned back at once."""
    setting, net = Setting(situation, FIRING_FOR[screw]), situation.net_turns_cw(screw)
    stands = any(bars_richer(situation, firing) for firing in FIRINGS)
    if not net or not stands or not setting.direction_sure or not setting.richer(net):
        return []
    return [WayOut("as found", screw, -net)]


def _leaner(situation: Situation, screw: Screw) -> list[WayOut]:
    """A turn leaner where CO bars richer; with what was turned leaner since a reading it stays within the cap."""
    setting, cap = Setting(situation, FIRING_FOR[screw]), situation.setup.cap_turns[screw]
    if not (setting.co_bars_richer and setting.direction_sure and _lean_side(situation, setting)):
        return []
    way, turned = -1 if setting.richer(cap) else 1, situation.turned_since_read(screw)
    left = cap - max(way * turned, 0.0)
    return [WayOut("leaner", screw, way * left)] if left > TINY else []


def _undoing(situation: Situation) -> list[WayOut]:
    """The turn that undoes the last one; where that may be richer, only back to where CO was read as clean."""
    turns = situation.of("turn")
    if not turns or turns[-1].event.screw is None:
        return []
    screw, turns_cw = turns[-1].event.screw, -(turns[-1].event.turns_cw or 0.0)
    setting, way = Setting(situation, FIRING_FOR[screw]), WayOut("undo", screw, turns_cw)
    if setting.direction_sure and not setting.richer(turns_cw):
        return [way]
    since_s = max([situation.session_from_s, *(turn.at_s for turn in turns[-2:-1])])
    moved: tuple[Firing, ...] = FIRINGS if screw == "throttle" else ("low",)
    for firing in moved:
        clean = _clean(situation, firing, since_s, turns[-1].at_s)
        unread = clean is None and firing != setting.firing and not bars_richer(situation, firing)
        if not (clean or unread) or co_due_anew(situation, firing):
            return []
    return [way]


def _clean(situation: Situation, firing: Firing, since_s: float, until_s: float) -> bool | None:
    """Whether the last CO read at a rate between two moments barred no turn richer; None where none was read."""
    read = [row for row in flames_with_co(situation, firing) if since_s < row.at_s < until_s]
    if not read:
        return None
    return (co_air_free_ppm(situation.setup, read[-1].event) or 0.0) <= co_bar_ppm(situation.setup, read[-1].event)


def _lean_side(situation: Situation, setting: Setting) -> bool:
    """Whether the last O2 read of a flame at a rate is that of a lean one, and no screw was turned richer since."""
    read = [
        row
        for row in situation.of("reading")
        if row.event.firing == setting.firing and row.event.o2_pct is not None
        if not mostly_air(situation.setup, row.event)
    ]
    if not read or (read[-1].event.o2_pct or 0.0) < situation.policy.least_o2_pct:
        return False
    turned = {screw: situation.net_turns_cw(screw, read[-1].at_s) for screw in SCREWS}
    return not any(net and Setting(situation, FIRING_FOR[screw]).richer(net) for screw, net in turned.items())
