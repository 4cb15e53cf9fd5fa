"""The setup <-> the header of a job log: `# key = value` lines as TOML, one fact a line, above the header row.

`format = 1` is among them. The header row has the names in COLUMNS, in any order, and may have others.
"""

import re
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from functools import lru_cache
from itertools import takewhile
from typing import Any, NamedTuple

from advisor.chemistry import fuels
from advisor.errors import LogError, RangeError
from advisor.job_setup.setup import SETUP_TYPES, JobSetup
from advisor.job_setup.typed_values import fitted, toml
from advisor.log.csv_rows import FILLING, line_text, one_line, split_cells
from advisor.log.events import COLUMNS

FORMAT = 1
MAX_COLUMNS = 100
MAX_HEAD = 1000  # lines
START = "'advisor open' starts a log"

# What a fact must be is what the record says, save that a file names its fuel in words.
_LINE_TYPES = SETUP_TYPES | {"format": float, "fuel": str, "fuel_composition": Mapping[str, float]}
_ALWAYS_WRITTEN = ("bands", "cap_turns", "mark_turns", "travel_limit_turns", "clockwise", "min_wait_s",
                   "turndown", "display_step_pct")  # fmt: skip

_TOML_LINE = re.compile(r"\s*#\s*(?:#.*|([A-Za-z_]\w*)\s*=.*)?", re.ASCII)

Given = dict[str, tuple[int, Any]]  # a fact's line number and value, by key


class Header(NamedTuple):
    """The header of a log as read: the setup, the order of the columns, the number of the header row's line."""

    setup: JobSetup
    order: tuple[str, ...]
    line: int


def located(error: RangeError, name: str, number: int) -> LogError:
    """Say where in which file; what was found there is kept to one line."""
    return LogError(f"{name}:{number}: {one_line(str(error))}")


@contextmanager
def _at(name: str, number: int) -> Iterator[None]:
    try:
        yield
    except RangeError as error:
        raise located(error, name, number) from None


# ---- written


def format_header(setup: JobSetup) -> str:
    """Write the setup and the header row, each line with its end. Some facts left as usual are left out."""
    usual = JobSetup(setup.fuel, setup.bands)
    lines = [f"# format = {FORMAT}", f"# fuel = {toml(setup.fuel.name)}"]
    if setup.fuel not in fuels.BUILT_IN:
        lines.append(f"# fuel_composition = {toml(setup.fuel.composition)}")
    for name in list(SETUP_TYPES)[1:]:
        value = getattr(setup, name)
        if name in _ALWAYS_WRITTEN or value != getattr(usual, name):
            lines.append(f"# {name} = {toml(value)}")
    return "\n".join([*lines, ",".join(COLUMNS), ""])


# ---- read


def parse_header(lines: Sequence[bytes], name: str) -> Header:
    """Read the lines down to the header row; `name` is what messages call the file. Raises LogError."""
    facts = takewhile(lambda raw: not raw.strip(FILLING) or raw.lstrip(b' "').startswith(b"#"), lines[:MAX_HEAD])
    return _parsed(tuple(lines[: min(len(list(facts)) + 1, MAX_HEAD)]), name)


@lru_cache(maxsize=16)  # every entry of a visit reads its log again
def _parsed(lines: tuple[bytes, ...], name: str) -> Header:
    given: Given = {}
    for number, raw in enumerate(lines, 1):
        if not raw.strip(FILLING):
            continue
        with _at(name, number):
            text = line_text(raw)
            if not text.lstrip(' "').startswith("#"):  # a spreadsheet quotes a `#` line that holds quotes
                if "format" not in given:
                    raise RangeError(f"not a job log, which starts with '# format = {FORMAT}'. {START}")
                order = _column_order(text)
                break
            key, value = _parse_fact(text)
            if key in given:
                raise RangeError(f"fact '{key}' is given twice, first in line {given[key][0]}: remove one")
            if key:
                given[key] = (number, fitted(value, _LINE_TYPES[key], key))
            if key == "format":
                _check_format(given[key][1])
    else:
        raise LogError(f"{name}:{len(lines)}: no header row down to here: it comes below the facts. {START}")
    return Header(_setup(given, name, number), order, number)


def _column_order(text: str) -> tuple[str, ...]:
    order = [cell.strip() for cell in split_cells(text)]
    for column in COLUMNS:
        if order.count(column) != 1:
            raise RangeError(
                f"the header row has '{column}' {order.count(column)} times: "
                f"each of {', '.join(COLUMNS)} is needed once, between commas"
            )
    if len(order) > MAX_COLUMNS:
        raise RangeError(f"{len(order)} columns: up to {MAX_COLUMNS} are allowed. Remove some")
    return tuple(order)


def _parse_fact(text: str) -> tuple[str, object]:
    """Read one `# key = value` line; the key is empty for a remark. Raises RangeError."""
    # As written, else as a spreadsheet saves it: split at the commas, cells that have quotes quoted again.
    for line in (text.rstrip(","), ",".join(split_cells(text)).rstrip(",")):
        match = _TOML_LINE.fullmatch(line)
        if match and not match[1]:
            return "", None
        if match and match[1] not in _LINE_TYPES:
            raise RangeError(f"fact '{match[1]:.40}' is not known: it is one of {', '.join(_LINE_TYPES)}")
        if match:
            with suppress(ValueError, RecursionError):  # RecursionError: thousands of brackets
                return match[1], tomllib.loads(line.lstrip().removeprefix("#"))[match[1]]
    raise RangeError(
        f"'{text:.40}' can't be read: a fact is '# key = value' on one line, with text in double quotes, "
        "numbers with a point, lists in [ ] and tables in { }. A remark starts with '# #'"
    )


def _check_format(version: float) -> None:
    if version > FORMAT:
        raise RangeError(f"format {version:g}: written by a newer version of this program. Read it with that")
    if version != FORMAT:
        raise RangeError(f"format {version:g} is not known: {FORMAT} is needed")


def _setup(given: Given, name: str, header: int) -> JobSetup:
    for key in ("fuel", "bands"):
        if key not in given:
            raise LogError(f"{name}:{header}: the fact '{key}' is missing: add '# {key} = ...' above this")
    values = {key: value for key, (_, value) in given.items() if key not in ("format", "fuel_composition")}
    parts = given.get("fuel_composition")
    with _at(name, (parts or given["fuel"])[0]):
        values["fuel"] = fuels.mixture(values["fuel"], parts[1]) if parts else fuels.by_name(values["fuel"])
    try:
        return JobSetup(**values)
    except RangeError as error:  # its first word is the fact, or one band or pressure of it
        about = str(error).split()[0].rstrip(":")
        number = next((number for key, (number, _) in given.items() if key.startswith(about)), header)
        raise located(error, name, number) from None
