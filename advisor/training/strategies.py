"""How others would do on the same made-up boiler: the adviser's way, and a fixed step until the display is in band."""

import math

from advisor.decision.answers import Advice
from advisor.screws import SCREW_FOR, Firing, other_firing
from advisor.training.simulated_visit import USUAL_WAIT_S, MadeVisit

LONGEST_S, MOST_MOVES, MOST_STOPS = 90 * 60.0, 30, 5
FIRST_WAIT_S = 120.0  # after lighting
PROVED_FIRST = ("line", "pressure")
WHERE_TO_LOOK = {  # what a stop of the adviser sends the technician to
    "wrong-way": ("screw",),
    "other-fuel": ("fuel",),
    "off-line": ("fuel",),
    "air-in-sample": ("line", "pressure", "air"),
    "changed-by-itself": ("air", "pressure", "line"),
    "drift": ("air", "pressure", "line"),
}
TELLS = {"no-effect": "dead screw", "rich": "rich start"}  # stops that name a fault at which the visit ends


def advised(visit: MadeVisit, *, prepared: bool = True) -> MadeVisit:
    """Do what the adviser says to the end; first prove sample line and gas pressure, unless `prepared` is false."""
    job, stops = visit.job, 0
    for look in PROVED_FIRST if prepared else ():
        visit.check(look)
        if visit.found:
            visit.mend()
    while not _too_long(visit):
        advice = job.next(visit.at)
        match advice.action:
            case "run_at" if advice.firing and advice.firing != visit.boiler.firing:
                visit.run_at(advice.firing)
            case "wait":
                visit.wait(max(1, math.ceil(advice.wait_s or 0)))
            case "turn" if advice.screw:
                visit.turn(advice.screw, advice.turns_cw or 0.0)
            case "finish":
                visit.ending = "done"
                return visit
            case "halt":
                stops += 1
                if stops > MOST_STOPS or not _cleared(visit, advice):
                    visit.ending = next(finding.code for finding in advice.findings if finding.severity == "halt")
                    return visit
            case _:
                visit.read()
    visit.ending = "gave up"
    return visit


def _cleared(visit: MadeVisit, advice: Advice) -> bool:
    """Do what a stop asks for: look, mend, read again. False where the visit ends there."""
    code = next(finding.code for finding in advice.findings if finding.severity == "halt")
    if TELLS.get(code) == visit.boiler.fault:
        visit.noticed.append(visit.boiler.fault)
    if code not in WHERE_TO_LOOK:
        return False
    for look in WHERE_TO_LOOK[code]:
        visit.check(look)
        if visit.found:
            visit.mend()
            break
    visit.wait()
    visit.read()
    return True


def fixed_step(visit: MadeVisit, turns: float = 1 / 12) -> MadeVisit:
    """The same turn every time, a minute's wait, until the display is in band at both rates without a move."""
    bands = visit.job.setup.bands
    firing: Firing = "high"
    moved, first = True, True
    while not _too_long(visit):
        visit.run_at(firing)
        visit.wait(FIRST_WAIT_S if first else USUAL_WAIT_S)
        first, turned = False, False
        low, high = bands[firing]
        shown = visit.read().co2_pct
        while not low - 1e-9 <= shown <= high + 1e-9 and not _too_long(visit):
            visit.turn(SCREW_FOR[firing], math.copysign(turns, (low + high) / 2 - shown))
            visit.wait()
            shown, turned = visit.read().co2_pct, True
        if not moved and not turned:
            visit.ending = "done"
            return visit
        moved, firing = turned, other_firing(firing)
    visit.ending = "gave up"
    return visit


def _too_long(visit: MadeVisit) -> bool:
    return visit.boiler.now_s > LONGEST_S or visit.moves >= MOST_MOVES
