"""Words typed as options of `open`, and moments, turned into values."""

import difflib
import re
from collections.abc import Sequence
from typing import Any

import typer
from typer.core import TyperCommand, TyperGroup

from advisor import parsing
from advisor.chemistry import fuels
from advisor.errors import RangeError

SETTABLE = (
    "cap_turns", "cap_statement", "mark_turns", "travel_limit_turns", "clockwise", "min_wait_s", "turndown",
    "co_limit_ppm_air_free", "display_step_pct", "analyser_accuracy_pct", "overshoot_chance", "stop_chance",
    "input_rate", "heating_value",
)  # fmt: skip
FILES = ("LOG", "LOGS", "FILE", "FOLDER")  # metavars: what is typed there is the name of a file, left as it came


_USAGE_ERROR: type[Exception] = typer.BadParameter.__mro__[1]  # the class of all slips in usage; has no public name
_LIMITS_AND_UNIT = re.compile(r"(.*?)\s*([A-Za-z].*)?")
_NEGATIVE = re.compile(r"-[\d.]")


class PlainHelp(TyperCommand):
    """A command whose help leaves out the names of Python types, such as <list[str]>, and whose errors are ours."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """Take the words typed. RangeError for a slip; what starts like a number below 0 is a figure, no option."""
        options = {"--", *(word for param in self.get_params(ctx) for word in param.opts)}
        words = [word.partition("=")[0] for word in args]
        ctx.ignore_unknown_options = any(map(_NEGATIVE.match, words)) and all(
            word in options for word in words if word.startswith("--")
        )
        ctx.allow_extra_args = True
        try:
            extra = super().parse_args(ctx, args)
        except _USAGE_ERROR as error:
            raise RangeError(say_slip(error, self)) from None
        if extra:
            many = "is one word" if len(extra) == 1 else f"are {len(extra)} words"
            raise RangeError(
                f"'{' '.join(extra)}' {many} too many. Type: {_usage(self)}, words with blanks in quotes: \"in w.c.\""
            )
        for param in self.params:
            if param.name in ctx.params and param.metavar not in FILES:
                ctx.params[param.name] = _in_utf_8(ctx.params[param.name])
        return extra

    def get_help(self, ctx: Any) -> str:
        """The help text as it is printed."""
        return re.sub(r"<[a-z\[\]]+>", lambda name: " " * len(name[0]), super().get_help(ctx))


def _in_utf_8(words: Any) -> Any:
    """Words as they were typed, also where Python took the system for plain ASCII. RangeError for any other bytes."""
    if isinstance(words, list | tuple):
        return [_in_utf_8(word) for word in words]
    if not isinstance(words, str):
        return words
    try:
        return words.encode("utf-8", "surrogateescape").decode("utf-8")
    except UnicodeError:
        raise RangeError(f"'{words.encode('ascii', 'replace').decode()}' is not UTF-8 text: type it anew") from None


class PlainGroup(TyperGroup):
    """The commands, with our own words where one is not known."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """Take the words typed. RangeError for an option that is not known; without any word the help is shown."""
        alone = not args
        try:
            return super().parse_args(ctx, args)
        except _USAGE_ERROR as error:
            if alone:
                raise
            raise RangeError(say_slip(error, self)) from None

    def resolve_command(self, ctx: Any, args: list[str]) -> Any:
        """The command that was typed. RangeError where there is none of that name."""
        if args[0] not in self.commands:
            raise RangeError(f"'{args[0]}' is no command. {_meant(args[0], list(self.commands), 'There are')}")
        return super().resolve_command(ctx, args)


def say_slip(error: Any, command: Any) -> str:
    """What is wrong with the words typed after a command, in a sentence."""
    name = command.name or "advisor"
    of = {word: param for param in command.params for word in param.opts if word.startswith("-")}
    option, missing = getattr(error, "option_name", None), getattr(error, "param", None)
    if option in of:
        flag = getattr(of[option], "is_flag", False)
        return f"{option} takes no value" if flag else f"{option} needs a value after it: {of[option].help}"
    if option:
        return f"'{option}' is no option of {name}. {_meant(option, [*of, '--help'], 'It has')}"
    if missing is None:
        return str(error)
    lacks = missing.opts[0] if missing.opts[0] in of else missing.metavar
    return f"{lacks} is missing. Type: {_usage(command)}. More: advisor {name} --help"


def _usage(command: Any) -> str:
    """How a command is typed: what must be there, and in brackets the arguments that may be left out."""
    words = ["advisor", command.name]
    for param in command.params:
        if param.param_type_name == "argument":
            words.append(param.metavar if param.required else f"[{param.metavar}]")
        elif param.required:
            words.append(f"{param.opts[0]} {param.metavar}")
    return " ".join(words)


def _meant(typed: str, names: Sequence[str], otherwise: str) -> str:
    close = difflib.get_close_matches(typed, names, 1)
    return f"Did you mean {close[0]}?" if close else f"{otherwise} {', '.join(names)}"


def parse_mixture(words: str) -> dict[str, float]:
    """ "CH4=0.8,H2=0.2" -> {"CH4": 0.8, "H2": 0.2}, mole fractions."""
    parts = {}
    for part in words.split(","):
        species, equals, share = part.partition("=")
        if not equals:
            raise RangeError(f"mixture '{words}': give each part as name=share, such as CH4=0.8,H2=0.2")
        parts[species.strip()] = parsing.parse_number(share, f"share of {species.strip()}")
    return parts


def parse_fuel(name: str, mixture: str | None) -> fuels.Fuel:
    """A built-in fuel, or under a name of its own the mixture of these parts. Raises RangeError."""
    if not mixture:
        return fuels.by_name(name)
    parts = parse_mixture(mixture)
    try:
        known = fuels.by_name(name).name
    except RangeError:
        return fuels.mixture(name, parts)
    raise RangeError(f"{known} is built in with its own composition: leave --mixture out, or name the gas otherwise")


def parse_pressure(words: str) -> tuple[str, tuple[float, float, str]]:
    """ "working pressure=17:25 mbar" -> ("working pressure", (17.0, 25.0, "mbar"))."""
    name, equals, rest = words.partition("=")
    limits, unit = _LIMITS_AND_UNIT.fullmatch(rest.strip()).groups("")  # type: ignore[union-attr]  # every part may be empty
    if not (equals and name.strip() and unit.strip()):
        raise RangeError(f"pressure '{words}': give it as \"working pressure=17:25 mbar\"")
    low, high = parsing.parse_range(limits, name.strip())
    return name.strip(), (low, high, unit)


def parse_settings(words: list[str]) -> dict[str, Any]:
    """["clockwise.throttle=leaner", "turndown=6"] -> {"clockwise": {"throttle": "leaner"}, "turndown": 6.0}."""
    settings: dict[str, Any] = {}
    for setting in words:
        name, equals, value = setting.partition("=")
        name, _, screw = name.strip().partition(".")
        if not equals or name not in SETTABLE:
            raise RangeError(f"setting '{setting}': give name=value; names are {', '.join(SETTABLE)}")
        parsed = _value(value.strip(), name)
        if screw:
            settings.setdefault(name, {})[screw] = parsed
        else:
            settings[name] = parsed
    return settings


def _value(typed: str, name: str) -> float | str | tuple[float | str, ...]:
    """A number, a fraction such as 1/24, numbers with a unit, or the words as they are where the fact is in words."""
    if name == "input_rate":
        limits, _, unit = typed.partition(" ")
        return (*parsing.parse_range(limits, name), unit.strip())
    if name == "heating_value":
        number, _, unit = typed.partition(" ")
        return parsing.parse_number(number, name), unit.strip()
    if name in ("clockwise", "cap_statement"):
        return typed
    top, slash, bottom = typed.partition("/")
    if not slash:
        return parsing.parse_number(typed, name)
    below = parsing.parse_number(bottom, name)
    if below == 0:
        raise RangeError(f"{name}: '{typed}' divides by zero")
    return parsing.parse_number(top, name) / below
