"""What the page says of its own, by code: headings, labels, buttons, what is refused. Questions and answers are not here.

Templates, forms and the server take it from here (`page_text`), the script of the page from `SCRIPT`.
"""

from collections.abc import Mapping
from types import MappingProxyType
from typing import Any

from advisor.wording.templates import filled

PAGE: Mapping[str, str] = MappingProxyType({
    # ---- on every page
    "product": "advisor", "practice": "PRACTICE", "practice-boiler": "PRACTICE: a made-up boiler", "all-visits": "All visits",
    "why": "Why", "caution": "Caution", "now": "This can't be done now", "not-saved": "Not saved",
    "put-right": "What was confirmed before is saved. Put it right, go back and try again.",
    "failed": "Something went wrong here; what was confirmed before is saved. Go back and try again.",
    # ---- figures, and what saves them
    "top": "CO and burner off", "co": "CO, ppm", "co2": "CO2, %", "o2": "O2, %", "save-co": "Save CO", "save": "Save",
    "off": "Burner off", "save-reading": "Save reading", "save-remark": "Save remark", "save-in": "Save in {unit}",
    "co-comes-up": "CO as it comes up, ppm", "co-at": "CO at {firing} fire, ppm", "leave-out": "Leave out",
    "stated-in": "Stated in", "figure": "{what}, {unit}", "read-already": "{what}, {unit} (if read already)",
    "range-from": "{what}: from", "range-to": "to", "co-limit": "Maker's {what} (none: the published one)",
    "gas-c": "Gas, °C", "gas-mbar": "Gas, mbar", "gas-base_c": "Heating value's °C", "dial": "Volume on the dial",
    "seconds": "Seconds it took",
    # ---- several things on one page
    "yes-and": "Yes; {what}", "yes-without": "Yes; leave those out", "yes-with": "Yes; those come too",
    "no-of": "{what}: no", "facts": "Facts for the record, as far as you have them; what stays empty is left out.",
    "yes-facts": "Yes, at hand; save the facts", "no-facts": "No, not at hand; save the facts",
    "both-screws": "{what}, both screws",
    # ---- the folder and a new visit
    "visits-in": "Visits in {folder}", "new-visit": "New visit", "practise": "Practice boiler", "open": "Open",
    "finished": "Finished", "none": "None.", "older": "{more} older ones are not listed.",
    "cannot-read": "Can't be read: {trouble}", "last-entry": "last entry {at:%Y-%m-%d %H:%M}", "no-entry": "no entry yet",
    "as-last-time": "New visit as last time",
    "from-this": "Facts and, but for a new valve, the screws' response come from this log.",
    "bands": "Bands in the maker's instructions, in CO2 or O2", "fire": "{firing:capital} fire", "from": "From, %", "to": "To, %",
    "bands-needed": "Four figures are needed: lowest and highest at both rates.",
    "are-co2": "These are CO2", "are-o2": "These are O2", "begin": "It is right: begin", "back": "Back",
    # ---- the visit
    "runs-at": "runs at {firing} fire", "burner-off": "burner off", "not-lit": "not lit yet", "over": "The visit is over",
    "shows": "It shows CO2 {co2_pct:.1f} %, O2 {o2_pct:.1f} %, CO {co_ppm:.0f} ppm; gas {pressure_mbar:.1f} mbar.",
    "truth": "In truth CO2 is {told}.", "true-at": "{co2_pct:.2f} % at {firing} fire",
    "logged-as": "Logged: {runs}.", "it-runs": "It runs at {firing} fire", "it-is-off": "It is off",
    "wait": "Wait", "reloads": "This page loads itself again every {seconds} s.", "let-pass": "Let the wait pass",
    "reading-meanwhile": "A reading meanwhile", "cut": "Cut the wait short", "cut-why": "Why? It is kept for the record",
    "cut-it": "Cut it short", "turned": "Turned as advised: {turn}", "turn": "{screw} screw {turns_cw:size} {way}",
    "as-pdf": "The record as PDF", "curve": "Curve", "pdf": "Record, PDF", "rows-saved": "{name}; {row} rows saved.",
    "note": "Note: {note}",
    # ---- something else
    "else": "Something else", "reading-at": "A reading at {firing} fire", "rate": "The rate was changed",
    "cause-found": "What was the cause of the CO, and is it mended?", "turn-made": "A turn was made", "may": "May I turn?",
    "screw": "Screw", "how-far": "How far: 15 (degrees) or 1/24 (of a turn)", "cw": "Clockwise", "ccw": "Counterclockwise",
    "may-cw": "Clockwise?", "may-ccw": "Counterclockwise?", "line-is": "The sample line is", "tight": "Tight",
    "leaking": "Leaking", "makes-it": "The {screw} screw clockwise makes it", "richer": "Richer", "leaner": "Leaner",
    "cause-is": "The cause of CO is", "mended": "Mended", "a-remark": "A remark", "remark": "Remark",
    "skip": "Skip: {called}", "skip-why": "Why? It shows on the record", "skip-it": "Skip it", "strike": "Strike a row",
    "strike-row": "Number of the row", "strike-why": "Why, where it has high CO", "strike-it": "Strike it",
    "take-back": "Take back the last entry", "row": "Row {row}: {event}.", "stays": "{asks} A turn that was made stays.",
    "never-made": "It was never made", "take-it-back": "Take it back",
    # ---- the curve
    "curve-of": "Curve: {name}", "to-visit": "Back to the visit", "so-far": "CO2 so far: {name}",
    "legend": "Triangle: high fire. Circle: low fire. Boxes: the bands, high fire's with a full edge, low fire's dashed. "
    "Upright lines: turns.",
    "listed": "Readings and turns", "turn-listed": "Turn: {turn}", "no-reading": "No reading yet.",
    "point": "{firing} fire {co2_pct:g} %",
    "curve-says": "{readings} readings of CO2 and {turns} turns; the last at {firing} fire, {co2_pct:g} %.",
    # ---- what an entry comes to, and what is none
    "grown": "Something was logged meanwhile: a second tap, or another phone. Nothing was logged twice: look again.",
    "is-off": "The burner is logged as off.", "struck": "Row {row} is struck: {event}.",
    "which-rate": "At which rate does it run?", "rate-first": "At which rate does it run? Enter that first.",
    "nothing-filled": "Nothing was filled in. Leave it out with its button.", "in-words": "Say it in words first.",
    "unknown-form": "This form is not known. Load the page again.",
    "real-wait": "At a real boiler a wait takes its time.", "made-up": "a made-up boiler",
    "passes": "the wait passes at once",
    # ---- the folder's troubles
    "no-such-visit": "There is no such visit in this folder", "look-at-folder": "{path}: {error}. Look at the folder",
    "too-many": "{path}: too many visits were begun at once",
    # ---- who is refused, in plain text
    "other-name": "Refused: this server has another name.", "refused": "Refused.", "too-long": "Refused: too long.",
    "not-let-in": "Refused: open the address that the computer shows.",
    "foreign": "Refused: this was sent from another page.", "no-page": "Refused: there is no such page.", "go-on": "Go on",
    # ---- where the server listens
    "address": "The page: {address}",
    "lan": "Every device on this network that has the address can read and write these logs, and what is sent is not "
    "encrypted: use your own hotspot, and give the address to nobody. Stop with Ctrl-C.",
    "alone": "Only this device can open it. For a phone on the same network: --lan. Stop with Ctrl-C.",
    "no-folder": "{folder}: there is no such folder. Make it first, or give another",
    "read-only": "{folder} can't be written: visits can be looked at, nothing can be entered.",
    "no-network": "this device is on no network: switch on its wireless network or hotspot, or leave --lan out",
    "port": "port {port} can't be used ({error}): is the page open already? Else give --port N",
})  # fmt: skip

SCRIPT: Mapping[str, str] = MappingProxyType({  # said by the script
    "notSaved": "Not saved.", "again": "Send again", "goOn": "Go on", "isOver": "The wait is over.", "left": "s left.",
    "notSent": "Not sent yet: no connection. It is kept here and sent again.",
    "after": "Something is not sent yet. This goes after it.",
    "awake": "This browser can't keep the screen awake here. Set the phone's own screen time long enough.",
})  # fmt: skip


def page_text(code: str, **data: Any) -> str:
    """A sentence of the page. KeyError where its code or a figure is not known: a programmer's error."""
    return filled(PAGE[code], data, "page")
