"""What follows an entry: the moment to answer for, what is noted on it, what it comes to, what can't wait."""

from datetime import datetime

from advisor.decision.answers import Advice
from advisor.diagnosis.answers import flue_gas_at, input_of
from advisor.dialogue.entries import WITH_EFFECT, is_known
from advisor.dialogue.moments import moment_to_answer
from advisor.dialogue.prompts import in_words
from advisor.job import Job
from advisor.log.check_items import AIR_C, CALIBRATED, INPUT_RATE, STANDING, WORKING
from advisor.log.events import still_valid
from advisor.messages import Finding, Reason
from advisor.procedure.stages import STAGES, questions_of
from advisor.report.show import calibration_reasons, input_reasons, say_flue
from advisor.response.situation import Situation
from advisor.screws import OFF, Firing
from advisor.wording.numbers import say_turn
from advisor.wording.templates import TAKE_BACK, Voice

_AT_ONCE = {  # by event
    "turn": ("large-turn", "wrong-rate"),
    "reading": ("co2-alone", "co-rising", "co-by-itself", "co-climbs"),
}

_READ_AT: dict[str, Firing | None] = {STANDING: None, WORKING: "high"}


def after_entry(job: Job, moment: datetime | None) -> tuple[datetime, list[Finding]]:
    """The moment to answer for after an entry was made for `moment` (None: now), and what is to be noted on it.

    What stands in the log counts: no answer of an hour ago may hide a stop.
    """
    made, notes = job.events[-1], []
    then = job.situation(made.time)
    if made.event == "check" and not is_known(made.item, job):
        stage = next((each for each in STAGES if made.item.lower() in (each.name, each.words.called)), None)
        known = [each.item for each in questions_of(stage, job.setup)] if stage else WITH_EFFECT
        notes.append(Finding("unknown-check", "note", data={"item": made.item, "known": ", ".join(known)}))
    if made.event == "note" and not made.item and then.firing and "off" in made.note.lower().split():
        notes.append(Finding("note-off", "note"))
    if made.item in (STANDING, WORKING) and made.item not in then.setup.pressures:
        notes.append(Finding("not-compared", "note", data={"item": made.item}))
    if made.item in _READ_AT and _READ_AT[made.item] != then.firing:
        ran = f"at {then.firing} fire" if then.firing else "with the burner off"
        notes.append(Finding("pressure-when", "note", variant=made.item.partition(" ")[0], data={"ran": ran}))
    last = max(event.time for event, stands in zip(job.events, still_valid(job.events), strict=True) if stands)
    if moment is None or moment >= last:
        return moment or moment_to_answer(None, job.ended), notes
    clock = "%H:%M" if moment.date() == last.astimezone(moment.tzinfo).date() else "%Y-%m-%d %H:%M"
    return last, [*notes, Finding("back-dated", "note", data={"last": last.strftime(clock)})]


def comes_to(item: str, situation: Situation) -> list[str]:
    """What the answer to a check works out to, in sentences."""
    if item == CALIBRATED:
        return [reason.text for reason in calibration_reasons(situation)]
    if item == "other appliances" and situation.checks(item)[-1].event.value == OFF:
        return ["The working pressure is read with the other appliances running: run them, read it again if you can."]
    if item == INPUT_RATE:
        timed = input_of(situation)
        inside = timed is not None and timed.side in ("", "inside")  # else it is asked again
        return [reason.text for reason in input_reasons(situation)] if inside else []
    gas = flue_gas_at(situation, situation.firing) if item == AIR_C and situation.firing else None
    if gas is None or gas.flue_loss_pct is None:
        return []
    return [f"{Reason('flue-loss', {'loss_pct': gas.flue_loss_pct}).text.capitalize()}."]


def proof_comes_to(firing: Firing, situation: Situation) -> list[str]:
    """What a reading with the cover on works out to, in sentences."""
    gas = flue_gas_at(situation, firing)
    said = (
        [] if gas is None or gas.excess_air_ratio is None else [f"At {firing} fire: {say_flue(situation.setup, gas)}"]
    )
    whole = situation.of("reading")[-1].event.co_ppm is not None
    return said if whole else [*said, "The proof needs CO too: read all three."]


def at_once(job: Job, advised: Advice, at: datetime, voice: Voice = "guide") -> list[str]:
    """What is odd about the turn or the reading that was logged last, where a wait comes before the next answer."""
    made, said = job.events[-1], []
    if made.event not in _AT_ONCE or (now := job.next(at)).action != "wait":
        return []
    if made.screw == advised.screw and made.turns_cw and advised.turns_cw and made.turns_cw * advised.turns_cw < 0:
        said.append(
            f"That is the other way than advised: {made.screw} screw {say_turn(advised.turns_cw)}. "
            f"If it was made so, watch CO and wait; if not, {TAKE_BACK[voice]}."
        )
    codes = _AT_ONCE[made.event]
    return said + [in_words(finding, voice) for finding in now.findings if finding.code in codes]
