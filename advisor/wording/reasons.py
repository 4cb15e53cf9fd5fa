"""Why an answer is as it is, and why a turn is refused, in words: one table by code."""

from collections.abc import Mapping
from types import MappingProxyType
from typing import Any

from advisor.wording.templates import Voice, filled

_MOVES_LOW = "The throttle makes low fire richer too"
_HIGH_CEILING = "At {co2:.1f} % CO2 at {firing} fire CO was {air_free:.0f} ppm air-free (row {row}), over its limit"

REASONS: Mapping[str, str] = MappingProxyType({
    # ---- what is due
    "light-first": "High fire first, at maximum in test mode. CO from the first second.",
    "high-first": "High fire first: its throttle screw works at both rates, the offset screw hardly at high fire.",
    "left": "Hours since the last entry: {run_again}.",
    "reopen": "To go on with this boiler, {run_again}.",
    "cause-told": "The cause was told: {words}.",
    "cause-mended": "Light it, CO from the first second. Told of the cause: {words}.",
    "stopped": "No turn until the stop is cleared.",
    "off": "Once lit: CO from the first second, and wait two minutes.",
    "as-found": "Read both rates as found before the first turn, with CO: {firing} fire now.",
    # ---- read or wait
    "settled": "The wait is over: a reading counts now.",
    "co-first": "High fire was made richer, and low fire went with it: CO first. {tell_co}.",
    "co-first-lit": "Just lit: watch CO from the first second, type it as it comes.",
    "co-first-rich": "Low fire may be rich: CO first there, hand on the switch.",
    "co-again": "CO this high is not waited out: is it falling?",
    "co-first-there": "High fire was made richer, low fire with it: CO first there.",
    "not-steady": "Not steady yet. Don't turn.",
    "just-lit": "Just lit: watch CO, turn nothing.",
    "interim": "A reading now shows how fast this boiler answers. Don't turn.",
    "odd-reading": "The last CO2 at {firing} fire does not fit the ones before. Read it again.",
    "jumped": "CO2 {expected:.1f} % was expected, with no turn {of_screw}made; {seen:.1f} came (row {row}). Read again to be sure.",
    "shortfall": "If the line is tight, one more reading will tell.",
    "need-o2-or-co": "CO2 alone can't tell lean from rich: read O2 or CO before a turn.",
    "need-co": "No turn richer before CO is read since the last change.",
    "stale": "Last reading over 15 minutes old: read again before a turn.",
    "co-for-record": "{firing:capital} fire is in band. The record still needs CO there.",
    "no-better-turn": "Don't turn. Read again.",
    "no-safe-turn-yet": "No turn is safe enough yet. Read again.",
    "maybe-against": "CO2 may have gone against the turn. Read again before turning.",
    "close-to-edge": "Close to the edge: {chance:chance} sure of the band, {asked:chance} needed. Read once more, don't turn.",
    "almost-sure": "Close to the edge: not quite {asked:chance} sure of the band. Read once more, don't turn.",
    # ---- the other rate
    "other-unread": "{firing:capital} fire is in band. {other:capital} fire has no steady reading yet.",
    "other-again": "{firing:capital} fire is in band, but each screw moves both rates: read {other} fire again.",
    "other-unsure": "{firing:capital} fire is in band. {other:capital} fire is close to its edge: read it again.",
    "other-no-co": "{firing:capital} fire is in band. {other:capital} fire needs CO, read since the last turn.",
    "high-not-set": "High fire is not set yet, and its screw moves low fire too.",
    # ---- a turn
    "here": "CO2 at {firing} fire is about {co2:.2f} %, band {low:g} to {high:g} %.",
    "first-move": "Nobody knows yet how far this screw goes: a small first turn to find out.",
    "no-effect-yet": "No clear effect yet: play, or a weak screw. This turn tells more.",
    "way-in-doubt": "Which way this screw works is in doubt: one more small turn shows it.",
    "way-unknown": "Which way it works is not known yet: {rich:chance} risk past the rich edge, {lean:chance} past the "
    "lean one. If CO rises, turn it back.",
    "way-unknown-lean": "Which way it works is not sure; this turn finds out: if CO2 falls, it works the other way. Risk past the "
    "rich edge {rich:chance}. If CO rises, turn it back.",
    "way-unknown-rich": "Which way it works is not sure; this turn finds out: if CO2 rises, it works the other way. Risk past the "
    "lean edge {lean:chance}. If CO rises, turn it back.",
    "at-most": "No more than {turns:size} at a time.",
    "room-for-high": "Low fire first: the throttle makes it richer again.",
    "low-goes-lean": "Low fire goes leaner too, to about {co2:.1f} %: its flame may lift or go out until it is set.",
    "in-band": "Both rates are in band, CO read at both since the last turn.",
    "accuracy-leaves": "The analyser is good to {accuracy:g} % CO2: truly in band {high:chance} at high fire, {low:chance} at low.",
    "may": "Within the cap, overshoot not likely.",
    "way-out-undo": "Undo the last turn: {screw} screw {turns:turn}, or part of it.",
    "way-out-as-found": "Back as found: {screw} screw {turns:turn}, or part of it.",
    "way-out-leaner": "Away from CO: {screw} screw up to {turns:turn}, leaner.",
    "way-out-start": "{screw:capital} screw: which way is leaner is not sure. Back to the maker's starting position.",
    # ---- refused
    "over-cap": "Over the cap of {cap:size} at a time.",
    "prove-line": "Prove the sample line tight first.",
    "pressure-first": "Read the working pressure at high fire first: no turn richer before it.",
    "way-not-sure": "Which way this screw works is not sure yet: {cap:size} at most.",
    "effect-doubted": "Whether this screw does anything is in doubt: {cap:size} at most, then read.",
    "unseen": "CO2 did not move with the last turn: {cap:size} at most, then read.",
    "not-tried": "This screw has not been tried yet: first move {cap:size} at most, then read.",
    "travel": "That would be more than {limit:size} from as found, the travel limit. A sound valve needs no more.",
    "away": "It takes CO2 away from the middle of the band.",
    "co-near": "No turn richer: CO is too high, or its cause is not mended as far as told.",
    "co-was-high": "CO was over its limit here: {cap:size} richer at most, then read.",
    "way-just-told": "The way of this screw was only just told: {cap:size} at most, then read.",
    "co-climbs": "CO climbs: {cap:size} richer at most, then read.",
    "low-co-climbs": f"{_MOVES_LOW}, where CO climbs: {{cap:size}} at most, then read there.",
    "co-ceiling": f"{_HIGH_CEILING}: no turn that may go there again.",
    "far-edge": "It may overshoot: {chance:chance} risk, {allowed:chance} is allowed.",
    "far-edge-just": "It may overshoot: over {allowed:chance} risk, {allowed:chance} is allowed.",
    "far-lean": "The flame may lift: {chance:chance} risk to go that lean, {allowed:chance} is allowed.",
    "far-lean-just": "The flame may lift: over {allowed:chance} risk to go that lean, {allowed:chance} is allowed.",
    "low-co": f"{_MOVES_LOW}, where CO is too high: low fire leaner first.",
    "low-unread-rise": f"{_MOVES_LOW}; low fire was not read since high fire rose {{rise:.1f}} %. Check it now.",
    "low-unread": f"{_MOVES_LOW}; low fire is not read yet. Check it now.",
    "low-read-anew": f"{_MOVES_LOW}; what was read there counts no more. Check it now.",
    "low-may-be-rich": f"{_MOVES_LOW}, maybe to over {{co2:.1f}} % CO2: low fire leaner first.",
    "closed": "The visit is closed. To go on with this boiler, {run_again}.",
    "too-little": "No hand can turn that little.",
    "other-screw": "The {screw} screw is set at {own} fire; the boiler is at {firing} fire.",
    "wait": "Not steady yet: wait {wait_s:wait} more and read.",
    "read-first": "A reading is due first.",
    "off-no-turn": "The burner is off. Light it and take a reading first.",
    "light-and-read": "Run the boiler at high fire and take a reading first.",
    "not-needed": "No turn is needed here.",
    # ---- the record: as found, as left, what is missing
    "not-read": "not read",
    "found-after-turns": "first read after {turns} turn{plural}",
    "found-not-settled": "not steady",
    "found-in-doubt": "in doubt, see stops and warnings",
    "found-line-leaked": "the sample line was found leaking after it",
    "left-for-hours": "hours have passed since the last entry",
    "left-no-co": "no settled reading with CO {since}",
    "left-not-settled": "no settled reading {since}",
    "left-doubted-later": "row {row}, read later, is in doubt or stopped the job",
    "no-as-left": "{firing:capital} fire: no as-left figures, {why}.",
    "not-surely-in-band": "{firing:capital} fire may be out of its band: {chance:chance} in band.",
    "stage-blocked": "{stage:Called} not done: {why}",
    "stage-no-answer": "{stage:Called} not done: no answer to {item}.",
    "stage-no-reading": "{stage:Called} not done: a reading with CO at {firing} fire.",
    "stage-skipped": "{stage:Called} skipped; open: {items}.",
    "never-proved": "Never proved: {item}.",
    # ---- what was measured beside the screws
    "drop": "From standing to working the pressure drops {value:.3g} {unit} ({share_pct:.0f} %).",
    "input-no-plate": "Input by the meter {kw:.3g} kW (gross); no range of the data plate to compare with.",
    "input-not-high": "Input by the meter {kw:.3g} kW (gross), not timed at high fire: the data plate's {low:g} to {high:g} {unit} is for high fire.",
    "input": "Input by the meter {kw:.3g} kW (gross), {side} the data plate's {low:g} to {high:g} {unit}.",
    "calibrated": "Analyser calibrated {days} days ago.",
    "calibrated-long-ago": "Analyser calibrated {days} days ago. Is it still valid by its maker's word?",
    "flue-loss": "flue loss {loss_pct:.1f} % before what condensing gives back",
    # ---- what is not known of the response
    "gain-not-turned": "The gain is a guess: the {screw} screw has not been turned yet.",
    "gain-not-read": "The gain is a guess: no settled reading at {firing} fire since the first turn.",
    "play-one-way": "The play is a guess: the screw was not turned both ways.",
    "lag-not-seen": "The lag is a guess: no reading was taken while the display still moved.",
    "gain-other-rate": "At {firing} fire the gain is worked out from {own} fire and the turndown, not measured.",
    # ---- why an appliance can't be logged as left in service
    "barred-stop": "Can't be logged as in service, a stop stands: {stop}",
    "barred-answer": "Can't be logged as in service, {stage:called} has a wrong answer: {wrong}",
    "barred-skipped": "Can't be logged as in service, {stage:called} was skipped ({why}): {blocks}.",
    "barred-open": "Can't be logged as in service, {stage:called} is not done: {blocks}.",
    # ---- the way back as found
    "restore-there": "{screw:capital} screw: it is where it was found.",
    "restore-not-richer": "{screw:capital} screw: not back to where it was found, that is richer, and CO stood there. Burner off; out of service.",
    "restore-doubted": "{screw:capital} screw, row {rows}: CO2 did not move. Leave out what was not made.",
    "restore": "If you give up: {screw} screw {turns:turn}.",
    "restore-play": "Of it {play:size} is for the play.",
    "restore-reads": "Then CO2 at {firing} fire must read {co2:g} % as found.",
})  # fmt: skip


def reason_text(code: str, data: Mapping[str, Any], voice: Voice = "log") -> str:
    """The sentence of a reason."""
    return filled(REASONS[code], data, voice)
