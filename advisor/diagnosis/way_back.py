"""The way back to the screws as found, the play counted in."""

from dataclasses import dataclass

import numpy as np

from advisor.diagnosis.carbon_monoxide import bars_richer, co_ceiling
from advisor.diagnosis.findings import effect_doubted, unseen_turn
from advisor.messages import Reason
from advisor.response.situation import Situation
from advisor.response.valve import apply_backlash
from advisor.screws import FIRING_FOR, FIRINGS, SCREWS, Screw

FINEST_TURNS = 1 / 48  # a way back is said to this step, which the eye still sees; own choice


@dataclass(frozen=True)
class WayBack:
    """How to put one screw back as found.

    net_turns_cw   net turn made so far, clockwise positive
    turns_cw       turn to make now, clockwise positive, with the play taken up on the way
    play_turns     how much more than the net turn that is (0 or more)
    as_found_pct   CO2 first read at this screw's rate before it was turned, dry volume percent; None if not read
    richer_in_co   whether it would go richer though CO is or was too high: then it is not to be made
    doubted        rows of the turns in it that showed nothing, and may not have been made
    """

    screw: Screw
    net_turns_cw: float
    turns_cw: float
    play_turns: float
    as_found_pct: float | None
    richer_in_co: bool = False
    doubted: tuple[int, ...] = ()

    @property
    def reasons(self) -> list[Reason]:
        """The way back in sentences."""
        about = {"screw": self.screw}
        rows = ", ".join(map(str, self.doubted))
        said = [Reason("restore-doubted", {**about, "rows": rows})] if rows else []  # with them it may go past as found
        if abs(self.turns_cw) < FINEST_TURNS / 2:
            return [*said, Reason("restore-there", about)]
        if self.richer_in_co:
            return [*said, Reason("restore-not-richer", about)]
        said.append(Reason("restore", {**about, "turns": self.turns_cw}))
        if self.play_turns:
            said.append(Reason("restore-play", {"play": self.play_turns}))
        if self.as_found_pct is not None:
            said.append(Reason("restore-reads", {"firing": FIRING_FOR[self.screw], "co2": self.as_found_pct}))
        return said

    @property
    def text(self) -> str:
        """The way back as one text."""
        return " ".join(reason.text for reason in self.reasons)


def way_back(situation: Situation) -> tuple[WayBack, ...]:
    """How to put the turned screws back as found, the play counted in where turns both ways have shown it.

    Of all turns in steps of FINEST_TURNS the one after which the screw's effective position is expected nearest to as
    found, by the squared distance over all hypotheses; none where none is nearer by a step. Own derivation.
    """
    backs = []
    for screw in SCREWS:
        turns = situation.turns_of(screw)
        if not turns:
            continue
        belief = situation.belief
        hypotheses, chance = belief.model.screws[screw], belief.screw_chances(screw)
        hand, now, found = belief.hand_turns[screw], belief.position[screw], hypotheses.start
        most = round((abs(hand) + hypotheses.backlash.max()) / FINEST_TURNS) + 1
        tried = np.arange(-most, most + 1) * FINEST_TURNS
        positions = apply_backlash(now, hand + tried[:, None], hypotheses.backlash)
        miss = (positions - found) ** 2 @ chance
        stay = miss[most] <= miss.min() + FINEST_TURNS**2
        wanted = 0.0 if stay else float(tried[miss.argmin()]) * belief.model.toward_richer[screw]
        net = situation.net_turns_cw(screw)
        if len({(turn.event.turns_cw or 0.0) > 0 for turn in turns}) == 1:
            wanted = -net  # the play is a guess; what CO2 must read says the rest
        more = abs(wanted) - abs(net) if wanted * net < 0 else abs(wanted)
        play = more if more > FINEST_TURNS / 2 else 0.0
        richer = wanted * belief.model.toward_richer[screw] > 0
        in_co = richer and any(bars_richer(situation, firing) or co_ceiling(situation, firing) for firing in FIRINGS)
        as_found = _as_found_pct(situation, screw, turns[0].at_s)
        backs.append(WayBack(screw, net, wanted, play, as_found, in_co, _doubted(situation, screw)))
    return tuple(backs)


def _doubted(situation: Situation, screw: Screw) -> tuple[int, ...]:
    """Rows of the turns that showed nothing: all of a screw that may do nothing, else the last."""
    unseen = unseen_turn(situation, screw)
    rows = situation.turns_of(screw) if effect_doubted(situation, screw) else [unseen] if unseen else []
    return tuple(row.number for row in rows)


def _as_found_pct(situation: Situation, screw: Screw, first_turn_s: float) -> float | None:
    read = [row.event.co2_pct for row in situation.settled_readings(FIRING_FOR[screw]) if row.at_s < first_turn_s]
    return read[-1] if read else None
