"""Priors learned from many jobs, in one TOML file: written by `study`, taken by `open --prior`.

Each `[[prior]]` table holds names of `advisor.job_setup.prior.Prior` with their values, and says whom it is for:
`fuel`, `valve_family` and `turndown` (from, to); a table without these is for every job. A job takes the table that
names the most.
"""

import os
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields, replace
from typing import Any

from advisor.errors import LogError, RangeError
from advisor.job_setup import typed_values
from advisor.job_setup.prior import EARLIER_NAMES, Prior
from advisor.job_setup.setup import TURNDOWNS, JobSetup

MAX_BYTES = 2**20
_FOR = ("fuel", "valve_family", "turndown")
_ABOUT = ("jobs",)
_ALL = "all jobs"
FEW_JOBS = 10  # under which a prior is said to rest on few jobs, own choice


@dataclass(frozen=True)
class LearnedPrior:
    """One table of a file.

    values        names of Prior and what was learned for them; the rest stays built in
    fuel, valve_family, turndown  whom it is for; None: for all. turndown is (from, to), the latter left out
    jobs          how many jobs it was learned from
    """

    values: Mapping[str, Any]
    fuel: str | None = None
    valve_family: str | None = None
    turndown: tuple[float, float] | None = None
    jobs: int = 0

    def fits(self, fuel: str, valve_family: str, turndown: float) -> bool:
        """Whether it is for such a job."""
        return (
            self.fuel in (None, fuel)
            and self.valve_family in (None, valve_family)
            and (self.turndown is None or self.turndown[0] <= turndown < self.turndown[1])
        )

    @property
    def whom(self) -> str:
        """Whom it is for, in words."""
        family = "" if self.valve_family is None else f"valve family {self.valve_family}"
        said = [self.fuel or "", "no valve family" if self.valve_family == "" else family, self._of_turndown]
        return ", ".join(filter(None, said)) or _ALL

    @property
    def rests_on(self) -> str:
        """How many jobs it was learned from, in words."""
        jobs = f"{self.jobs} job{'' if self.jobs == 1 else 's'}"
        return f"only {jobs}, so a weak guess" if self.jobs < FEW_JOBS else jobs

    @property
    def others(self) -> str:
        """The fuel and turndown it is for, in words."""
        return ", ".join(filter(None, (self.fuel or "any fuel", self._of_turndown)))

    @property
    def _of_turndown(self) -> str:
        return f"turndown {say_turndowns(*self.turndown)}" if self.turndown else ""

    @property
    def prior(self) -> Prior:
        """What a job starts with."""
        return typed_values.parse_prior(self.values, "prior")


def say_turndowns(low: float, high: float) -> str:
    """A range of turndown in words that name its own edges only; low, high: a ratio, 1 or more, high left out."""
    if low <= TURNDOWNS[0]:
        return f"under {high:g}"
    return f"{low:g} and over" if high > TURNDOWNS[1] else f"{low:g} to {high:g}"


def read_prior(
    path: str | os.PathLike[str], *, fuel: str, valve_family: str, turndown: float, turndown_stated: bool = True
) -> tuple[Prior, str]:
    """The prior that a file holds for such a job, and the words that a log keeps of where it came from: the file, the
    table taken, whether it rests on few jobs, why none that names more of the job was, and that the turndown was
    assumed where it was and counts.

    Raises LogError where the file can't be read or has nothing for this job.
    """
    name = os.fspath(path)
    title, tables = _parse(name)
    fitting = [table for table in tables if table.fits(fuel, valve_family, turndown)]
    if not fitting:
        raise LogError(f"{name}: no [[prior]] in it is for {fuel} with turndown {turndown:g}. Open without --prior")
    best = max(fitting, key=lambda table: sum(getattr(table, key) is not None for key in _FOR))
    why = _why_not_nearer(tables, best, fuel, valve_family, turndown)
    silent = not turndown_stated and any(table.turndown for table in tables)
    assumed = f"; turndown {turndown:g} assumed, none was stated" if silent else ""
    source = f"{os.path.basename(name)}: {title}; {best.whom} ({best.rests_on}){why}{assumed}"
    return best.prior, source


def _why_not_nearer(
    tables: list[LearnedPrior], best: LearnedPrior, fuel: str, valve_family: str, turndown: float
) -> str:
    """Why the best table says nothing of the job's valve family or its fuel, where the file has others that do."""
    if best.valve_family is not None:
        return ""
    same = [table for table in tables if table.valve_family == valve_family]
    this = f"{fuel}, turndown {turndown:g}"
    if same:
        who = f"valve family {valve_family} is" if valve_family else "jobs without a valve family are"
        there = " and ".join(dict.fromkeys(table.others for table in same))
        return f", as {who} in it only for {there}, and this job is {this}"
    if any(table.valve_family for table in tables):
        return f", as {f'valve family {valve_family} is not in it' if valve_family else 'no valve family was stated'}"
    return f", as no group in it is for {this}" if len(tables) > 1 and best.whom == _ALL else ""


def with_prior_from(path: str | os.PathLike[str], setup: JobSetup) -> JobSetup:
    """The setup with the prior that a file holds for such a job. Raises LogError as `read_prior`."""
    prior, source = read_prior(
        path,
        fuel=setup.fuel.name,
        valve_family=setup.valve_family,
        turndown=setup.turndown,
        turndown_stated=setup.turndown_stated,
    )
    return replace(setup, prior=prior, prior_source=source)


def _parse(name: str) -> tuple[str, list[LearnedPrior]]:
    try:
        with open(name, "rb") as file:
            text = file.read(MAX_BYTES).decode("utf-8")
        content = tomllib.loads(text)
    except OSError as error:
        raise LogError(f"{name}: {error.strerror}. Name a prior file that 'advisor study --out' wrote") from None
    except (UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise LogError(f"{name}: not a prior file ({error}). 'advisor study --out' writes one") from None
    tables = content.get("prior")
    if not isinstance(tables, list) or not tables:
        raise LogError(f"{name}: no [[prior]] table in it. 'advisor study --out' writes one")
    return str(content.get("name", "no name")), [_table(table, name, number) for number, table in enumerate(tables, 1)]


def _table(table: Any, name: str, number: int) -> LearnedPrior:
    where = f"{name}: [[prior]] number {number}"
    if not isinstance(table, dict):
        raise LogError(f"{where}: a table of names and values is needed")
    known = {key: table[key] for key in (*_FOR, *_ABOUT) if key in table}
    values = {key: value for key, value in table.items() if key not in known}
    span = known.get("turndown")
    numbers = isinstance(span, list) and len(span) == 2 and all(type(part) in (int, float) for part in span)
    if span is not None and not (numbers and span[0] < span[1]):
        raise LogError(f"{where}: turndown is two rising numbers, such as [4.0, 6.0]")
    if not all(isinstance(known.get(key, ""), str) for key in _FOR[:2]) or type(known.get("jobs", 0)) is not int:
        raise LogError(f"{where}: fuel and valve_family are text in double quotes, jobs a whole number")
    learned = LearnedPrior(
        values, known.get("fuel"), known.get("valve_family"), span and tuple(span), known.get("jobs", 0)
    )
    try:
        learned.prior  # noqa: B018 a file that could not be used is refused whole
    except RangeError as error:
        raise LogError(f"{where}: {error}") from None
    return learned


def format_priors(title: str, tables: Iterable[LearnedPrior], remarks: Iterable[str] = ()) -> str:
    """The text of a prior file; numbers to three digits. ValueError for a value that is none of a Prior's."""
    lines = [*(f"# {remark}" for remark in remarks), f"name = {typed_values.toml(title)}"]
    for table in tables:
        lines += ["", "[[prior]]"]
        lines += [
            f"{key} = {typed_values.toml(getattr(table, key))}" for key in _FOR if getattr(table, key) is not None
        ]
        lines.append(f"jobs = {table.jobs}")
        values = {EARLIER_NAMES.get(name, name): value for name, value in table.values.items()}
        order = [entry.name for entry in fields(Prior)]
        lines += [f"{key} = {typed_values.toml(_short(values[key]))}" for key in sorted(values, key=order.index)]
    return "\n".join([*lines, ""])


def _short(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {key: _short(part) for key, part in value.items()}
    return tuple(map(_short, value)) if isinstance(value, tuple) else float(f"{value:.3g}")
