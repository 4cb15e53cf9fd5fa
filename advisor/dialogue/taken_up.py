"""A visit that is taken up again with the burner on, as far as is logged: how it runs now is asked before all else."""

from advisor.dialogue.entries import Entry
from advisor.response.situation import Situation
from advisor.screws import OFF, Running

ASKS = "Taken up again. How does the burner run now?"
WHY = "While nobody looked it may have gone out, or been put off: what follows depends on it."
FOUND_OFF = "found off when the visit was taken up again"


def asks_how_it_runs(situation: Situation) -> bool:
    """Whether the burner is on as far as is logged, on a visit that is not over."""
    return bool(situation.firing) and not situation.left


def found(running: Running) -> Entry:
    """The change to how it runs, or is off, as it was found."""
    return lambda job, at: job.run_at(running, at=at, note=FOUND_OFF if running == OFF else "")
