"""Waits: how long one is for the proof, and one that was cut short."""

from math import ceil

from advisor.dialogue.entries import Entry, refuse_entry
from advisor.log.check_items import COVER, CUT_SHORT
from advisor.response.situation import Situation
from advisor.screws import Firing


def proof_wait_s(situation: Situation) -> float:
    """Seconds until a reading counts as proof: steady, and the burner used to the cover. 0 or less: it counts now."""
    covered = situation.checks(COVER)
    since_cover_s = (situation.at - covered[-1].event.time).total_seconds() if covered else 0.0
    return max(situation.wait_left_s, situation.setup.min_wait_s["firing"] - since_cover_s)


def was_cut_short(situation: Situation) -> bool:
    """Whether the wait that runs was cut short, and no reading has been taken since."""
    for row in reversed(situation.rows):
        if row.event.item == CUT_SHORT:
            return row.at_s > situation.changed_at_s
        if row.event.event == "reading":
            return False
    return False


def cut_short(reason: str, left_s: float, firing: Firing | None) -> Entry:
    """The note that a wait was cut short. RangeError where the reason is a reading or a turn."""
    refuse_entry(reason, firing)
    return lambda job, at: job.note(reason, item=CUT_SHORT, value=f"{ceil(left_s)}", unit="s", at=at)
