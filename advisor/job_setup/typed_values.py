"""Values of a setup or a prior as TOML writes them, and as the records want them."""

import re
from collections.abc import Mapping
from dataclasses import fields
from types import NoneType, UnionType
from typing import Any, Literal, get_args, get_origin

from advisor import parsing
from advisor.chemistry import fuels
from advisor.chemistry.fuels import Fuel
from advisor.errors import RangeError
from advisor.job_setup.prior import EARLIER_NAMES, Prior

PRIOR_TYPES: dict[str, Any] = {entry.name: entry.type for entry in fields(Prior)}
PRIOR_TYPES |= {earlier: PRIOR_TYPES[name] for earlier, name in EARLIER_NAMES.items()}
CONTROL = r"\x00-\x1f\x7f-\x9f\u2028\u2029"
_WORDS = {bool: "true or false", float: "a number", str: "text in double quotes", Fuel: "the name of a fuel or a Fuel"}
# A comma before such a sign too: a spreadsheet splits these lines at their commas.
_TOML_ESCAPED = re.compile(rf'["\\{CONTROL}]|[,;](?=\s*[=+\-@])')


def parse_fuel(typed: str) -> Fuel:
    """A built-in fuel, its name cut short or in full; RangeError for LPG, which may be either, and for any other."""
    if typed.strip().lower() in ("lpg", "gpl"):
        raise RangeError("LPG is propane or butane: type which, as the data plate says")
    return fuels.by_name(parsing.one_of(typed.strip(), tuple(fuel.name for fuel in fuels.BUILT_IN)))


def fitted(value: Any, wanted: Any, what: str) -> Any:
    """A value from a log's header or a program as the type that a record wants, lists as tuples.

    `wanted` is a type as annotated in JobSetup or Prior. Raises RangeError where the value can't be that.
    """
    kind, args = get_origin(wanted) or wanted, get_args(wanted)
    kind = str if kind is Literal else kind  # which words are allowed is the record's own check
    if kind is UnionType:
        return None if value is None and NoneType in args else fitted(value, args[0], what)
    if kind in (Prior, Mapping) and isinstance(value, Mapping):
        types = {**dict.fromkeys(value, float), **PRIOR_TYPES} if kind is Prior else dict.fromkeys(value, args[1])
        return {key: fitted(item, types[key], f"{what} {key!s:.40}") for key, item in value.items()}
    if kind is tuple and isinstance(value, list | tuple) and len(value) == len(args):
        return tuple(fitted(item, arg, what) for item, arg in zip(value, args, strict=True))
    if kind is float and parsing.is_number(value) and abs(value) <= 1e300:
        return float(value)
    if kind in (str, bool, Fuel, Prior) and isinstance(value, kind):
        return value
    words = _WORDS.get(kind, f"a list of {len(args)} in [ ]" if kind is tuple else "a table in { }")
    raise RangeError(f"{what}: {words} is needed")


def toml(value: Any) -> str:
    """A value as TOML on one line."""
    if isinstance(value, Prior):
        value = {name: getattr(value, name) for name in PRIOR_TYPES if name not in EARLIER_NAMES}
    if isinstance(value, Mapping):
        keys = {key: key if re.fullmatch("[A-Za-z0-9_-]+", key) else toml(key) for key in value}
        return "{" + ", ".join(f"{keys[key]} = {toml(item)}" for key, item in value.items()) + "}"
    if isinstance(value, tuple):
        return "[" + ", ".join(map(toml, value)) + "]"
    if isinstance(value, str):
        return '"' + _TOML_ESCAPED.sub(_toml_escape, value) + '"'
    if isinstance(value, bool):
        return str(value).lower()
    return repr(float(value))


def _toml_escape(match: re.Match[str]) -> str:
    return {'"': r"\"", "\\": r"\\", "\n": r"\n"}.get(match[0]) or f"\\u{ord(match[0]):04x}"


def parse_prior(table: Mapping[str, object], what: str) -> Prior:
    """A prior from a TOML table; what is left out keeps its built-in value. Raises RangeError."""
    return Prior.from_mapping(fitted(table, Prior, what))
