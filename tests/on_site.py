"""A technician at a simulated boiler who answers what the guide asks: for tests, and for the visit in README."""

import io
import re
from dataclasses import dataclass, field
from datetime import datetime, timedelta, timezone

import numpy as np

from advisor import parsing
from advisor.cli.guide import Guide
from advisor.cli.terminal import Heard, Terminal
from advisor.screws import SCREW_FOR
from advisor.training.simulated_visit import SimulatedVisit, VisitSettings
from advisor.training.simulator import BASE, Boiler, BurnerCO, draw
from advisor.wording import numbers

CENTRES = {"high": 9.2, "low": 8.8}
START = datetime(2026, 5, 12, 9, 0, tzinfo=timezone(timedelta(hours=2)))
ANSWERS = (  # how the question starts, what is typed
    ("Kind of visit", ""), ("Fuel", "natural gas"), ("CO2 band at high", "9.0:9.4 8.6:9.0"),
    ("CO2 band at low", "8.6:9.0"),
    ("Read back", ""), ("Maker's instructions", ""), ("Maker's CO limit", "200 ppm air-free"), ("Room CO alarm", "y"),
    ("Power off", "y"), ("Gas off", "y"),
    ("Boiler: make", "as on the plate (invented); 12345; Harbour Street cold store, office (invented)"),
    ("Why this visit", "valve stuck (invented)"), ("Which gas valve", "spare part 77 (invented)"),
        ("Analyser; its", "flue analyser 3; 88; 11 Feb 2026"), ("Analyser warm", "20.9 0"),
    ("Water trap", ""), ("Sample line", "tight"), ("Valve made up", "y"), ("Both screws", "yes"),
    ("Once more", "tight"),
    ("The throttle screw", "richer richer"), ("Gas on", "y"), ("Every gas joint", "tight"),
    ("Inlet pressure", "17:25 mbar"), ("Standing pressure", "20.4"), ("Probe in the flue", ""),
    ("Other gas appliances", "none 19.8"), ("Working pressure", "19.8"), ("Is that drop", "y"), ("Case or cover", "y"),
    ("Flue temperature and", "y"),
    ("Flue temperature at", "52"), ("Combustion air", "18"), ("Heating value", "38.5 MJ/m3"),
    ("Input range", "33:37 kW"), ("Gas at the meter", "12 20 15"), ("Only this boiler", "0.1 m3 112"),
    ("Caps and seals", ""), ("Test points", "tight"), ("Test mode off", "y"),
    ("Safety devices", "y"), ("The appliance is left", "in service; A. N. Other"), ("Your name", "A. N. Other"),
)  # fmt: skip
MOST_LINES = 600  # printed, after which a visit is taken for one that never ends
ADVISED = re.compile(r"yes: (\S+ c?cw), as advised")


def boiler(seed: int = 98, fault: str = "") -> Boiler:
    """A base boiler on natural gas, with little and steady CO."""
    return draw(BASE, np.random.default_rng(seed), CENTRES, fault=fault, stated={"co": BurnerCO()})


@dataclass
class OnSite:
    """Answers the guide's questions; the boiler's own clock is the clock.

    instead  other answers, used up in turn
    visit    what was truly done at the boiler; its log is beside the guide's own
    """

    boiler: Boiler = field(default_factory=boiler)
    instead: dict[str, list[str]] = field(default_factory=dict)
    takes_s: float = 6.0

    def __post_init__(self) -> None:
        self.visit = SimulatedVisit(self.boiler, settings=VisitSettings(0.0, 0.0, 0.0), start=START)

    def now(self) -> datetime:
        return self.visit.at

    def answer(self, question: str) -> str:
        """What is typed at a question; what it means is done to the boiler first."""
        self.visit.wait(self.takes_s)
        for start, others in self.instead.items():
            if others and question.startswith(start):
                return others.pop(0)
        if question.startswith(("Change to", "Light it", "Burner off")):
            self.visit.run_at("low" if "low fire" in question else "high")
            self.visit.read()
            return f"{self.visit.readings[-1].co_ppm:g}"
        if question.startswith("Taken up again"):
            return self.boiler.firing or "off"
        if question.startswith("What did you turn"):
            advised = ADVISED.search(question)
            assert advised
            self.visit.turn(SCREW_FOR[self.boiler.running], parsing.parse_turn(advised[1]))
            return "yes"
        if question.startswith(("At ", "A new reading")):
            self.visit.read()
            shown = self.visit.readings[-1]
            return f"{shown.co2_pct:g} {shown.o2_pct:g} {shown.co_ppm:g}"
        if question.startswith("CO at "):
            self.visit.read()
            return f"{self.visit.readings[-1].co_ppm:g}"
        for start, typed in ANSWERS:
            if question.startswith(start):
                return typed
        raise AssertionError(f"nobody knows what to answer to: {question}")


class Desk(OnSite):
    """The same as a terminal in memory: what is said and asked goes to `printed`, a wait passes at once."""

    def __init__(self, *args: object, **more: object) -> None:
        super().__init__(*args, **more)  # type: ignore[arg-type]
        self.printed: list[str] = []
        self.hears: list[Heard] = []  # what ends the next waits before their time

    def say(self, text: str) -> None:
        self.printed.append(text)

    def ask(self, question: str) -> str:
        assert len(self.printed) < MOST_LINES, f"the visit does not end: {question}"
        typed = self.answer(question)
        self.printed.append(f"{question}: {typed}")
        return typed

    def wait(self, seconds: float, then: str) -> Heard:
        heard = self.hears.pop(0) if self.hears else Heard()
        self.printed.append(f"Wait {numbers.say_seconds(seconds)}, {then}.{f' {heard.typed}' if heard.typed else ''}")
        self.boiler.wait(seconds - min(heard.left_s, seconds))
        return heard

    @property
    def text(self) -> str:
        return "\n".join(self.printed)


class Printed(Terminal):
    """A terminal without a screen of its own: prints to a text what would be seen, the typed answers too."""

    def __init__(self, site: OnSite) -> None:
        self.site = site
        super().__init__(io.StringIO(), io.StringIO(), {}, self)

    def monotonic(self) -> float:
        return self.site.boiler.now_s

    def sleep(self, seconds: float) -> None:
        self.site.visit.wait(max(seconds, 0.001))  # a sleep never ends early, not even by a rounding of the clock

    def ask(self, question: str) -> str:
        typed = self.site.answer(question)
        self.source = io.StringIO(f"{typed}\n")
        typed = super().ask(question)
        self.screen.write(f"{typed}\n")
        return typed


def printed_visit(path: str) -> str:
    """A whole visit as its screen shows it; the middle, one turn after the other, is left out."""
    site = OnSite(boiler(202))
    terminal = Printed(site)
    Guide(path, terminal, site.now).run()
    assert isinstance(terminal.screen, io.StringIO)
    screen = "\n".join(line.rstrip() for line in terminal.screen.getvalue().splitlines())
    first_turn = screen.index("as advised;")
    begins = screen.index(" screw: ", first_turn)
    begins = screen.rindex("\n", 0, begins)
    ends = screen.index("\nBoth rates again")
    left_out = "\n[turn, wait and read in the same way until both rates hold]\n"
    return screen[:begins] + left_out + screen[ends:] + "\n"
