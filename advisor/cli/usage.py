"""How commands are declared, and what is said of a slip in the words typed after one."""

import difflib
import re
from collections.abc import Sequence
from typing import Any

import typer
from typer.core import TyperCommand, TyperGroup

from advisor.errors import RangeError

FILES = ("LOG", "LOGS", "FILE", "FOLDER")  # metavars: what is typed there is the name of a file, left as it came

_USAGE_ERROR: type[Exception] = typer.BadParameter.__mro__[1]  # the class of all slips in usage; has no public name
_NEGATIVE = re.compile(r"-[\d.]")


def argument(metavar: str, help: str, offers: Any = None) -> Any:
    """A word that is told by its place; `offers` are the words the shell completes it with."""
    return typer.Argument(metavar=metavar, help=help, show_default=False, autocompletion=offers)


def option(metavar: str | None, help: str, *names: str) -> Any:
    """A word behind its name, or a switch where `metavar` is None; the name is that of the parameter unless given."""
    return typer.Option(*names, metavar=metavar, help=help)


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
