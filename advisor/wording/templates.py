"""Templates: sentences with places for figures and for what is to be typed."""

import string
from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import Any, Literal

from advisor.wording.numbers import say_chance, say_degrees, say_fraction, say_seconds, say_size, say_turn, say_wait
from advisor.wording.visit import STAGES

Voice = Literal["log", "guide", "practice", "page"]  # who enters: command line, guide, made-up boiler, phone

FORMATS: Mapping[str, Callable[[Any], str]] = MappingProxyType({
    "fraction": say_fraction,
    "degrees": say_degrees,
    "size": say_size,
    "turn": say_turn,
    "seconds": say_seconds,
    "wait": say_wait,
    "chance": say_chance,
    "capital": lambda words: words[:1].upper() + words[1:],
    "called": lambda stage: STAGES[stage].called,
    "Called": lambda stage: STAGES[stage].called.capitalize(),
    "figures": lambda values: ", ".join(f"{value:g}" for value in values),
    "moment": lambda at: f"{at:%Y-%m-%d at %H:%M}",
})  # fmt: skip

# What is to be typed, by voice. The first is that of the command line, `advisor ... LOG` left out.
ACTS: Mapping[str, Mapping[Voice, str]] = MappingProxyType({
    "prove_line": {"log": 'log check sample-line tight', "guide": "type tight", "practice": "type check line", "page": 'tap tight under "Something else"'},
    "tell_line": {
        "log": 'log check sample-line tight or leaking',
        "guide": "type tight or leaking",
        "practice": "type check line", "page": 'tap tight or leaking under "Something else"'},
    "tell_loose_line": {
        "log": 'Line loose: log check sample-line leaking, then tight. Not loose: log check sample-line tight.',
        "guide": "Line loose: type leaking, then tight. Not loose: type tight.",
        "practice": "Check line, air, pressure; mend; read again.", "page": "Line loose: tap leaking, then tight. Not loose: tap tight."},
    "log_again": {"log": 'Then log check "{item}" again.', "guide": "Then answer again.", "practice": "Then check again.", "page": "Then answer again."},
    "tell_over": {
        "log": 'log check "{item}" no', "guide": 'type check {item} no', "practice": "type check room", "page": 'save the remark "no {item}"'},
    "tell_way": {
        "log": 'log check {screw}-clockwise {other}, or void {row} and log that turn as it was made',
        "guide": "type {other}, or void {row} (the turn of {made:turn}) and the turn as it was made",
        "practice": "type check screw", "page": 'tap {other} under "Something else", or take that turn back and enter it as it was made'},
    "tell_either_way": {
        "log": 'log check {screw}-clockwise richer or leaner',
        "guide": "type richer or leaner",
        "practice": "type check screw", "page": 'tap richer or leaner under "Something else"'},
    "tell_cause": {
        "log": 'log check cause-of-CO mended --note "what it was"', "guide": "type what it was, and mended", "practice": "type mend",
        "page": 'say so under "Something else"'},
    "void_row": {"log": "void {row}", "guide": "type void {row}", "practice": "remember that it was not made", "page": 'strike row {row} under "Something else"'},
    "void_turn": {
        "log": "void {void_row_number}",
        "guide": "type void {void_row_number}",
        "practice": "remember that it was not made", "page": 'strike row {void_row_number} under "Something else"'},
    "void_turns": {"log": "void rows {rows}", "guide": "void rows {rows}, one by one", "practice": "remember that they were not made", "page": 'strike rows {rows} under "Something else"'},
    "log_off": {"log": "log run-at off", "guide": "type off", "practice": "type off", "page": "tap Burner off"},
    "tell_co": {"log": "Log it: co and the ppm shown", "guide": "Type co and the ppm shown", "practice": "Type read", "page": "Enter CO on top"},
    "run_again": {
        "log": "run the boiler, log it with run-at, read again",
        "guide": "type high or low once it runs, then read again",
        "practice": "read again", "page": "enter the rate once it runs, then read again"},
})  # fmt: skip

# How the last entry is taken back, by voice.
TAKE_BACK: Mapping[Voice, str] = MappingProxyType({
    "log": "void it", "guide": "type back", "practice": "type undo", "page": 'tap "Take back the last entry"',
})  # fmt: skip


class _Formatter(string.Formatter):
    def format_field(self, value: Any, format_spec: str) -> str:
        if format_spec in FORMATS:
            return FORMATS[format_spec](value)
        return str(super().format_field(value, format_spec))


_FORMATTER = _Formatter()


def filled(template: str, data: Mapping[str, Any], voice: Voice = "log") -> str:
    """A template with its figures in place, and what is to be typed as `voice` types it.

    Raises KeyError for a figure that `data` has not: a sentence and its logic that do not fit are a programmer's error.
    """
    acts = {name: words[voice] for name, words in ACTS.items() if f"{{{name}}}" in template}
    acts = {name: _FORMATTER.vformat(words, (), data) for name, words in acts.items()}
    return _FORMATTER.vformat(template, (), {**data, **acts})
