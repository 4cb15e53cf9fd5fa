"""A phone without a screen: reads the forms of a page and taps their buttons, as a technician at a simulated boiler."""

import multiprocessing
import re
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime
from functools import partial
from html.parser import HTMLParser
from pathlib import Path
from typing import Any, Self

import httpx
import uvicorn
from on_site import START, OnSite, boiler

from advisor.page import server
from advisor.screws import SCREW_FOR

TOKEN = "a-token-for-tests-only-0"
OPENING = ("Valve-change", "Natural gas")
BANDS = {"low0": "9.0", "high0": "9.4", "low1": "8.6", "high1": "9.0"}
# what is tapped at a question of the visit, and what is filled in before; by how the question begins
ANSWERS: dict[str, tuple[str, dict[str, str]]] = {
    "Maker's instructions": ("yes", {"boiler": "as on the plate (invented)"}), "Room CO alarm": ("yes", {}),
    "Power off": ("yes", {}), "Gas off": ("yes", {}),
    "Analyser warm": ("save", {"clean air O2": "20,9", "clean air CO": "0"}), "Water trap": ("yes;tight", {}),
    "Sample line": ("tight", {}), "Valve made up": ("yes", {}),
    "Both screws": ("yes", {}), "The throttle screw": ("richer richer", {}), "The offset screw": ("richer", {}),
    "Gas on": ("yes", {}), "Every gas joint": ("tight", {}),
    "Inlet pressure": ("mbar", {"low": "17", "high": "25", "standing pressure": "20.4"}),
    "Probe in the flue": ("yes", {}),
    "Other gas appliances": ("none", {"working pressure": "19.8"}),
    "Working pressure": ("save", {"working pressure": "19.8"}),
    "Is that drop": ("yes", {}), "Case or cover": ("yes;no", {}),
    "Caps and seals": ("yes;tight", {}), "Test mode off": ("yes", {}),
    "Safety devices": ("yes", {}), "The appliance is left": ("in service", {"technician": "A. N. Other"}),
}  # fmt: skip


@contextmanager
def served(folder: Path, clock: Any, token: str = TOKEN) -> Iterator[str]:
    """A server in a thread of its own, as `advisor page` starts it, by another clock; its address."""
    listens = server._listening("127.0.0.1", 0)
    host = f"127.0.0.1:{listens.getsockname()[1]}"
    config = uvicorn.Config(
        server.app_of(folder, token, [host], clock), log_level="error", access_log=False, lifespan="off", ws="none",
        http="h11", loop="asyncio",
    )  # fmt: skip
    running = uvicorn.Server(config)
    thread = threading.Thread(target=running.run, args=([listens],), daemon=True)
    thread.start()
    try:
        yield f"http://{host}"
    finally:
        running.should_exit = True
        thread.join(10)
        listens.close()


class Killable:
    """A server in a process of its own, by the clock of a site, that is killed (SIGKILL) before some requests.

    kills     how often it was killed
    confirmed what stood in the logs when the last form was answered
    """

    _processes = multiprocessing.get_context("forkserver")
    _processes.set_forkserver_preload(["__main__", "advisor.page.server", __name__])

    def __init__(self, folder: Path, site: OnSite, dies: Callable[[int], bool]) -> None:
        self.folder, self.site, self.dies = folder, site, dies
        self.asked = self.kills = self.port = 0
        self.confirmed: dict[Path, bytes] = {}
        self._clock = self._processes.Value("d", site.now().timestamp())
        self.enter = self._start()
        hooks = {"request": [self._before], "response": [self._after]}
        self.client = httpx.Client(
            base_url=self.enter.partition("/enter")[0], follow_redirects=True, trust_env=False, timeout=30,
            event_hooks=hooks, limits=httpx.Limits(max_keepalive_connections=0),
        )  # fmt: skip
        self.client.get(self.enter)

    def close(self) -> None:
        """End it."""
        self.client.close()
        self.kill()

    def kill(self) -> None:
        """Kill the server."""
        self.kills += 1
        self._running.kill()
        self._running.join()

    def start_again(self) -> None:
        """The server again, with the same address and token."""
        assert self._start() == self.enter

    def _start(self) -> str:
        self._told, tells = self._processes.Pipe(duplex=False)
        self._running = self._processes.Process(target=_serve, args=(self.folder, self.port, self._clock, tells))
        self._running.start()
        address = str(self._told.recv()).removeprefix("The page: ")
        self.port = int(re.findall(r":(\d+)/", address)[0])
        return address

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *failed: object) -> None:
        self.close()

    def _before(self, request: httpx.Request) -> None:
        self.asked += 1
        if self.dies(self.asked):
            self.kill()
            assert {path: path.read_bytes() for path in self.folder.glob("*.csv")} == self.confirmed
            self.start_again()
        self._clock.value = self.site.now().timestamp()

    def _after(self, response: httpx.Response) -> None:
        self.confirmed = {path: path.read_bytes() for path in self.folder.glob("*.csv")}


def _serve(folder: Path, port: int, clock: Any, tells: Any) -> None:
    """`advisor page` by another clock."""
    server.app_of = partial(server.app_of, clock=lambda: datetime.fromtimestamp(clock.value, START.tzinfo))  # type: ignore[assignment]
    server.serve(folder, port, False, tells.send)


@contextmanager
def browser(address: str, token: str = TOKEN) -> Iterator[httpx.Client]:
    """A client that was let in."""
    client = httpx.Client(base_url=address, follow_redirects=True, trust_env=False, timeout=30)
    client.get(f"/enter?token={token}")
    yield client
    client.close()


@dataclass
class Form:
    """A form as it stands in a page; `buttons` are (name, value, label)."""

    action: str
    fields: dict[str, str] = field(default_factory=dict)
    buttons: list[tuple[str, str, str]] = field(default_factory=list)


class Page(HTMLParser):
    """The headline, the texts and the forms of a page."""

    def __init__(self, text: str, status: int = 200) -> None:
        super().__init__()
        self.html, self.status = text, status
        self.forms: list[Form] = []
        self.words: list[str] = []
        self.headline = ""
        self._tag = self._select = ""
        self._button: tuple[str, str] | None = None
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = {name: value or "" for name, value in attrs}
        self._tag = tag
        if tag == "form":
            self.forms.append(Form(given["action"]))
        elif tag == "input" and self.forms:
            self.forms[-1].fields[given["name"]] = given.get("value", "")
        elif tag == "select":
            self._select = given["name"]
            self.forms[-1].fields[self._select] = ""
        elif tag == "option" and "selected" in given:
            self.forms[-1].fields[self._select] = given["value"]
        elif tag == "button":
            self._button = given.get("name", ""), given.get("value", "")
            self.forms[-1].buttons.append((*self._button, given.get("aria-label", "")))

    def handle_data(self, data: str) -> None:
        words = " ".join(data.split())
        if not words:
            return
        self.words.append(words)
        if self._tag in ("h1", "span") and "h1" in self._open():
            self.headline = f"{self.headline} {words}".strip()
        if self._tag == "button":
            name, value, label = self.forms[-1].buttons[-1]
            self.forms[-1].buttons[-1] = name, value, label or words

    def _open(self) -> str:
        """The innermost headline tag around the text, if one is open."""
        before = self.html[: self._offset()]
        return "h1" if before.rfind("<h1") > before.rfind("</h1") else ""

    def _offset(self) -> int:
        line, column = self.getpos()
        return sum(len(each) + 1 for each in self.html.split("\n")[: line - 1]) + column

    @property
    def text(self) -> str:
        return " ".join(self.words)

    def form(self, act: str) -> Form:
        """The first form of this act."""
        return next(form for form in self.forms if form.fields.get("act") == act)


@dataclass
class Phone:
    """A browser without script at a folder's server, and hands at a simulated boiler whose clock is the clock."""

    client: httpx.Client
    site: OnSite = field(default_factory=lambda: OnSite(boiler(202)))
    taps: int = 0
    figures: int = 0
    page: Page = field(default_factory=lambda: Page(""))

    def get(self, address: str) -> Page:
        """Open a page."""
        self.site.visit.wait(0.5)
        answer = self.client.get(address)
        self.address, self.page = answer.url.path, Page(answer.text, answer.status_code)
        return self.page

    def send(self, action: str, **fields: str) -> Page:
        """Send a form."""
        self.site.visit.wait(2.0)
        answer = self.client.post(
            action, data=fields or {"go": "on"}, headers={"origin": str(self.client.base_url).rstrip("/")}
        )
        self.address, self.page = answer.url.path, Page(answer.text, answer.status_code)
        return self.page

    def tap(self, form: Form, button: tuple[str, str] = ("", ""), **typed: str) -> Page:
        """Fill fields in, the first of which is ready to be typed in, and tap a button."""
        self.taps += 1
        self.figures += sum(bool(re.fullmatch(r"[\d.,/]+", value)) for value in typed.values())
        fields = form.fields | typed | ({button[0]: button[1]} if button[0] else {})
        return self.send(form.action, **fields)

    def start(self) -> int:
        """A new visit, told as it is asked; its number."""
        self.get("/new")
        self.taps += 1
        for answer in OPENING:
            self.tap(self.page.forms[0], ("choice", answer.lower()))
        self.tap(self.page.forms[0], ("choice", "CO2"), **BANDS)
        self.tap(self.page.forms[0], ("choice", "yes"))
        return int(self.address.rsplit("/", 1)[1])

    def shown(self) -> dict[str, str]:
        """What the analyser shows now."""
        self.site.visit.read()
        shown = self.site.visit.readings[-1]
        return {"co2": f"{shown.co2_pct:g}", "o2": f"{shown.o2_pct:g}", "co": f"{shown.co_ppm:g}"}

    def step(self) -> bool:
        """Do what the page asks; False once the visit is over."""
        page, site = self.page, self.site
        headline = page.headline
        if headline.startswith("The visit is over"):
            return False
        if headline.startswith("Taken up again"):
            self.tap(page.form("how"), ("firing", site.boiler.firing or "off"))
        elif wait := re.match(r"Wait (\d+):(\d\d)", headline):
            site.boiler.wait(60 * int(wait[1]) + int(wait[2]))
            self.get(self.address)
        elif any(form.fields.get("act") == "answer" for form in page.forms):
            choice, typed = next(told for begins, told in ANSWERS.items() if headline.startswith(begins))
            self.tap(page.form("answer"), ("choice", choice), **typed)
        else:
            form = page.forms[1]
            match form.fields["act"]:
                case "run":
                    site.visit.run_at(form.fields["firing"])  # type: ignore[arg-type]
                    co_first = site.boiler.lit_for_s <= 60 or "CO first there" in page.text
                    self.tap(form, **({"co": self.shown()["co"]} if co_first else {}))
                case "turn":
                    screw = SCREW_FOR[site.boiler.running]
                    assert form.fields["screw"] == screw
                    site.visit.do(f"turn {screw} {form.fields['far']}")
                    self.tap(form)
                case "read":
                    shown = self.shown()
                    self.tap(form, **{name: shown[name] for name in form.fields if name in shown})
                case other:
                    raise AssertionError(f"nobody knows what to do: {other}, {headline}")
        assert self.page.status == 200, self.page.text
        return True

    def go_on(self, most: int = 200) -> None:
        """Do what is asked until the visit is over."""
        for _ in range(most):
            if not self.step():
                return
        raise AssertionError(f"the visit does not end: {self.page.headline}")

    def until(self, start: str) -> None:
        """Do what is asked until a page of this headline is."""
        while not self.page.headline.startswith(start):
            assert self.step(), f"never asked: {start}"
