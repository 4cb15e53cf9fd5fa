"""Starting a job: kind of visit, fuel and bands, read back with their O2 and excess air before anything is kept."""

import re
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

from advisor import parsing
from advisor.chemistry import fuels
from advisor.dialogue.entries import NO_ANSWER
from advisor.dialogue.prompts import Prompt
from advisor.errors import RangeError
from advisor.job import Job
from advisor.job_setup import band_check
from advisor.job_setup.setup import VISITS, JobSetup
from advisor.job_setup.typed_values import parse_fuel
from advisor.response.earlier_visit import next_setup
from advisor.screws import FIRINGS, Firing

WHY = (
    "Fuel and bands are in the maker's instructions for this model, fuel and altitude; none is built in. The kind of "
    "visit says what is asked: a service changes no valve and opens no joint."
)


class _Ask(NamedTuple):
    prompt: Prompt
    understood: Callable[["Opening", str], object]  # raises RangeError for what is no answer
    usual: str = ""


class Opening:
    """Kind of visit, fuel and bands, one answer after the other; `told` holds them as typed, each read already."""

    def __init__(self) -> None:
        self.told: list[str] = []

    @property
    def prompt(self) -> Prompt:
        """The next question, or what was told, read back as it was understood."""
        if len(self.told) < len(_ASKS):
            return _ASKS[len(self.told)].prompt
        said = [f"{firing} fire {_said(self.fuel, band)}" for firing, band in self._bands().items()]
        doubts = band_check.doubts(self.fuel, self._bands())
        asks = f"Read back: {self.visit}, {self.fuel.name}; {'; '.join(said)}"
        if doubts:
            return Prompt(f"{asks}. Unusual: {' '.join(doubts)}", "yes where the maker's instructions say so; back")
        return Prompt(asks, "Enter: right; back")

    @property
    def visit(self) -> str:
        """The kind of visit."""
        return parsing.one_of(self.told[0], VISITS)

    @property
    def fuel(self) -> fuels.Fuel:
        """The fuel."""
        return parse_fuel(self.told[1])

    def back(self) -> None:
        """Forget the last answer. RangeError where there is none."""
        if not self.told:
            raise RangeError("There is nothing to go back to.")
        self.told.pop()

    def take(self, typed: str) -> JobSetup | None:
        """Take an answer; the setup once all was read back and is right. RangeError for what is no answer."""
        if len(self.told) < len(_ASKS):
            ask = _ASKS[len(self.told)]
            if not (typed or ask.usual):
                raise RangeError(f"{NO_ANSWER}.")
            both = _two_bands(typed) if len(self.told) == len(_ASKS) - len(FIRINGS) else []
            for part in both or [typed or ask.usual]:
                ask.understood(self, part)
            self.told += both or [typed or ask.usual]
            return None
        doubts = band_check.doubts(self.fuel, self._bands())
        if typed.lower() not in (("y", "yes") if doubts else ("", "y", "yes")):
            raise RangeError(f"{'yes' if doubts else 'Enter'} where it is right; back asks the last one again.")
        try:
            band_check.refuse(self.fuel, self._bands())
            return JobSetup(fuel=self.fuel, bands=self._bands(), visit=self.visit)
        except RangeError:
            del self.told[2:]
            raise

    def _bands(self) -> dict[Firing, tuple[float, float]]:
        return {firing: self.band(typed) for firing, typed in zip(FIRINGS, self.told[2:], strict=True)}

    def band(self, typed: str) -> tuple[float, float]:
        """A band as typed, in CO2 or with O2 before it, as CO2."""
        first, _, rest = typed.strip().partition(" ")
        if first.lower() == "o2":
            return band_check.band_from_o2(self.fuel, *parsing.parse_limits(rest, "band", with_unit=False)[:2])
        return parsing.parse_limits(typed, "band", with_unit=False)[:2]


def earlier_job(log: Path) -> Job:
    """The job of an earlier visit to the same boiler. RangeError where the boiler is made up."""
    job = Job.load(log)
    if job.setup.practice:
        raise RangeError(f"--from: {log} is of a made-up boiler")
    return job


def setup_from(earlier: Job, log: Path, visit: str | None) -> JobSetup:
    """The setup that an earlier visit gives, `log` its file; a service where no kind of visit is stated."""
    return next_setup(earlier.situation(earlier.ended), visit or "service", log.name)


def _two_bands(typed: str) -> list[str]:
    """The bands of high and low fire typed in one line; empty where only one is."""
    match = re.fullmatch(r"((?:o2\s+)?\S+:\S+)\s+((?:o2\s+)?\S+:\S+)", typed.strip(), re.IGNORECASE)
    return list(match.groups()) if match else []


def _visit(opening: Opening, typed: str) -> None:
    if parsing.one_of(typed, VISITS) not in VISITS:
        raise RangeError(f"'{typed}' is no kind of visit: {', '.join(VISITS)}")


def _said(fuel: fuels.Fuel, band: tuple[float, float]) -> str:
    o2, air = band_check.flue_of(fuel, band)
    return (
        f"CO2 {band[0]:g} to {band[1]:g} % (O2 {o2[0]:.1f} to {o2[1]:.1f}, excess air {air[0]:.0f} to {air[1]:.0f} %)"
    )


_ASKS = (
    _Ask(Prompt("Kind of visit", f"{', '.join(VISITS)}; Enter: {VISITS[0]}"), _visit, VISITS[0]),
    _Ask(Prompt(f"Fuel ({', '.join(fuel.name for fuel in fuels.BUILT_IN)})"), lambda _, typed: parse_fuel(typed)),
    _Ask(Prompt("CO2 band at high fire, %, such as 9.0:9.4 or O2 4.3:5.0; low fire's after it"), Opening.band),
    _Ask(Prompt("CO2 band at low fire, %, such as 8.6:9.0 or O2 5.0:5.8"), Opening.band),
)
