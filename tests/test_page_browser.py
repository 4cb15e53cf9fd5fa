"""The page in a real browser: a visit with thumbs, what breaks, and whether everybody can read it."""

import json
import re
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import phone
import pytest
from on_site import OnSite, boiler

from advisor import Job
from advisor.log.check_items import SKIPPED
from advisor.page.security import TOKEN_FILE
from advisor.procedure.progress import BEFORE_SETTING
from advisor.screws import SCREW_FOR

CHROMIUM = shutil.which("chromium")
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no chromium here: apt-get install chromium")
playwright = pytest.importorskip("playwright.sync_api")
axe = pytest.importorskip("axe_playwright_python.sync_playwright")

FLAGS = (
    "--no-sandbox", "--headless", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
)  # fmt: skip
SCREENS = {"phone": {"width": 390, "height": 844}, "small phone": {"width": 320, "height": 568}}
MOST_TAPS, MOST_FIGURES = 60, 40
STUBS = """
window.asked = [];
Object.defineProperty(Navigator.prototype, "wakeLock", { value: { request: async kind => { asked.push(`awake: ${kind}`); } } });
Navigator.prototype.vibrate = pattern => { asked.push(`shake: ${pattern}`); return true; };
window.AudioContext = class {
  currentTime = 0;
  createOscillator() { return { frequency: {}, connect() {}, start() { asked.push("ring"); }, stop() {} }; }
};
"""  # noqa: E501 - of a browser that has all of it
RULES = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "wcag2aaa", "best-practice"]}


@pytest.fixture(scope="module")
def chromium() -> Iterator[Any]:
    with playwright.sync_playwright() as run:
        browser = run.chromium.launch(executable_path=CHROMIUM, args=list(FLAGS))
        yield browser
        browser.close()


class Screen:
    """One browser at one server; every address it asks for is kept in `asked`."""

    def __init__(self, chromium: Any, address: str, site: OnSite, **more: Any) -> None:
        self.address, self.site = address, site
        self.context = chromium.new_context(viewport=more.pop("viewport", SCREENS["phone"]), **more)
        self.page = self.context.new_page()
        self.page.set_default_timeout(15_000)
        self.asked: list[str] = []
        self.visit = ""  # its path at the server, once begun on a phone
        self.page.on("request", lambda request: self.asked.append(request.url))
        self.taps = self.figures = 0
        self.page.goto(f"{address}/enter?token={phone.TOKEN}")
        self.page.wait_for_selector("text=New visit")

    @property
    def headline(self) -> str:
        return " ".join(self.page.inner_text("h1").split())

    def tap(self, selector: str) -> None:
        """Tap, and let the next page come."""
        self.taps += 1
        self.site.visit.wait(2.0)
        before = self.page.query_selector("#page")
        self.page.locator(selector).first.click()
        self.page.wait_for_function("before => !before.isConnected && document.querySelector('h1')", arg=before)

    def type(self, selector: str, words: str) -> None:
        """Type where the keypad stands already, or after the keypad's own "next"."""
        self.figures += bool(re.fullmatch(r"[\d.,/]+", words))
        self.page.locator(selector).first.fill(words)

    def start(self) -> None:
        """A new visit."""
        self.page.click("text=New visit")
        self.taps += 1
        for answer in phone.OPENING:
            self.tap(f"button:text-is('{answer}')")
        for name, words in phone.BANDS.items():
            self.type(f"#{name}", words)
        self.tap("button[value=CO2]")
        self.tap("button[value=yes]")

    def step(self) -> bool:
        """Do what the page asks; False once the visit is over."""
        page, site, headline = self.page, self.site, self.headline
        if headline == "The visit is over":
            return False
        if wait := re.match(r"Wait (\d+):(\d\d)", headline):
            site.boiler.wait(60 * int(wait[1]) + int(wait[2]))
            page.reload()
        elif page.locator("main > form input[value=answer]").count():
            choice, typed = next(told for begins, told in phone.ANSWERS.items() if headline.startswith(begins))
            for name, words in typed.items():
                self.type(f"main > form input[name='{name}']", words)
            self.tap(f"main > form button[value='{choice}']")
        else:
            form = "main > form"
            match page.locator(f"{form} input[name=act]").first.get_attribute("value"):
                case "run":
                    firing = page.locator(f"{form} input[name=firing]").first.get_attribute("value")
                    co_first = site.boiler.firing is None or "CO first there" in page.inner_text("main")
                    site.visit.run_at(firing)
                    if co_first:
                        self.type(f"{form} input[name=co]", self.shown()["co"])
                case "turn":
                    far = page.locator(f"{form} input[name=far]").first.get_attribute("value")
                    site.visit.do(f"turn {SCREW_FOR[site.boiler.running]} {far}")
                case "read":
                    shown = self.shown()
                    for name in shown:
                        if page.locator(f"{form} input[name={name}]").count():
                            self.type(f"{form} input[name={name}]", shown[name])
            self.tap(f"{form} button")
        return True

    def shown(self) -> dict[str, str]:
        """What the analyser shows."""
        self.site.visit.read()
        shown = self.site.visit.readings[-1]
        return {"co2": f"{shown.co2_pct:g}".replace(".", ","), "o2": f"{shown.o2_pct:g}", "co": f"{shown.co_ppm:g}"}

    def on_phone(self, start: str = "") -> None:
        """The visit, a new one at first, as it was brought to a page of this headline on a phone without script."""
        with phone.browser(self.address) as client:
            hand = phone.Phone(client, self.site)
            hand.get(self.visit) if self.visit else hand.start()
            hand.until(start)
            self.visit = hand.address
        self.page.goto(f"{self.address}{self.visit}")

    def until(self, *starts: str) -> None:
        """Go on until a page of this headline is asked."""
        for _ in range(200):
            if self.headline.startswith(starts):
                return
            assert self.step()
        raise AssertionError(f"never asked: {starts}")

    def troubles(self) -> list[str]:
        """What is wrong with the page in light on a phone, and in the dark on a small one."""
        found = []
        for size, scheme in (("phone", "light"), ("small phone", "dark")):
            self.page.set_viewport_size(SCREENS[size])
            self.page.emulate_media(color_scheme=scheme)
            found += [f"{size}: {each}" for each in self._troubles()]
        return found

    def _troubles(self) -> list[str]:
        """What the accessibility checker finds on the page, and what it would not look for."""
        found = axe.Axe().run(self.page, options=RULES).response["violations"]
        wrong = [f"{each['id']}: {each['nodes'][0]['html'][:100]}" for each in found]
        wide = self.page.evaluate("document.documentElement.scrollWidth > innerWidth")
        small = self.page.evaluate(
            """[...document.querySelectorAll('button, a, input:not([type=hidden]), select, summary')]
            .filter(e => e.checkVisibility()).map(e => [e.getBoundingClientRect(), e.outerHTML])
            .filter(([box]) => box.width < 44 || box.height < 44).map(([, html]) => html.slice(0, 80))"""
        )
        texts = self.page.evaluate(
            """[...document.querySelectorAll('#page *')].filter(e => e.checkVisibility() && e.innerText
            && parseFloat(getComputedStyle(e).fontSize) < 20).map(e => e.outerHTML.slice(0, 80))"""
        )
        return [*wrong, *(["wider than the screen"] if wide else []), *small, *texts]


@pytest.fixture
def site() -> OnSite:
    return OnSite(boiler(2))


@pytest.fixture
def address(tmp_path: Path, site: OnSite) -> Iterator[str]:
    with phone.served(tmp_path, site.now) as address:
        yield address


def lit(folder: Path, site: OnSite) -> str:
    """The name of a visit whose burner was lit just now, and which asks nothing before the setting."""
    job = Job.create(folder / "lit just now.csv", fuel="natural gas", bands={"high": (9.0, 9.4), "low": (8.6, 9.0)})
    site.visit.run_at("high")
    for stage in BEFORE_SETTING:
        job.note("left out for this test", item=SKIPPED, value=stage.name, at=site.now())
    job.run_at("high", at=site.now())
    job.co(24, at=site.now())
    return "lit just now"


def at_the_wait(screen: Screen, folder: Path) -> Screen:
    """A phone that waits in a visit which it took up again."""
    name = lit(folder, screen.site)
    screen.page.goto(screen.address)
    screen.page.click(f"text={name}")
    screen.page.click("button:text-is('It runs at high fire') >> nth=0")
    screen.page.wait_for_selector("#left")
    return screen


def left_s(screen: Screen) -> int:
    """Seconds left of the wait, as the server says."""
    return int(screen.page.get_attribute("#left", "data-left"))


def test_a_whole_visit_takes_few_taps_and_asks_nothing_of_the_outside(
    chromium: Any, address: str, site: OnSite, tmp_path: Path
) -> None:
    """From the first question to the PDF at most 60 taps and 40 figures, and every request goes to this server."""
    screen = Screen(chromium, address, site)
    screen.start()
    while screen.step():
        pass
    pdf = screen.page.request.get(screen.page.url + "/record.pdf")
    assert pdf.body().startswith(b"%PDF")
    assert (screen.taps <= MOST_TAPS, screen.figures <= MOST_FIGURES) == (True, True), (screen.taps, screen.figures)
    assert all(url.startswith(address) for url in screen.asked)
    job = Job.load(next(tmp_path.glob("*.csv")))
    made = [turn.turns_cw for turn in site.visit.turns]
    assert [event.turns_cw for event in job.events if event.event == "turn"] == pytest.approx(made)
    assert job.next(job.ended).action == "finish"
    screen.context.close()


def test_everybody_can_read_and_tap_every_kind_of_page(
    chromium: Any, address: str, site: OnSite, tmp_path: Path
) -> None:
    """The checker (WCAG 2.2 AA, contrast 7:1) finds nothing; nothing is under 44 or 20 px or wider than the screen."""
    screen = Screen(chromium, address, site)
    found = {"visits": screen.troubles()}
    screen.page.click("text=New visit")
    found["new"] = screen.troubles()
    screen.page.goto(address)
    screen.on_phone()
    for kind, start in {
        "facts": "Maker's instructions", "two things": "Water trap", "range": "Inlet pressure", "light": "Light it",
        "wait": "Wait", "read": "Read CO2", "turn": "Throttle screw",
    }.items():  # fmt: skip
        screen.on_phone(start)
        screen.page.evaluate("document.querySelectorAll('details').forEach(each => each.open = true)")
        found[kind] = screen.troubles()
    screen.page.goto(screen.page.url + "/curve")
    found["curve"] = screen.troubles()
    name = lit(tmp_path, site)
    screen.page.goto(address)
    screen.page.click(f"text={name}")
    found["taken up"] = screen.troubles()
    assert {kind: wrong for kind, wrong in found.items() if wrong} == {}
    screen.context.close()


def test_co_during_a_countdown_ends_it(chromium: Any, address: str, site: OnSite, tmp_path: Path) -> None:
    """CO over its limit entered in a wait: burner off is what the next page says; then one tap logs it."""
    screen = at_the_wait(Screen(chromium, address, site), tmp_path)
    screen.page.fill("#topco", "900")
    screen.tap("button:text-is('Save')")
    assert screen.headline.startswith("BURNER OFF")
    screen.tap("button:text-is('Burner off')")
    assert "Burner off." in screen.page.inner_text("main")
    screen.context.close()


def test_a_countdown_goes_on_after_a_reload(chromium: Any, address: str, site: OnSite, tmp_path: Path) -> None:
    """The wait is the server's: after a reload what is left is left."""
    screen = at_the_wait(Screen(chromium, address, site), tmp_path)
    before_s = left_s(screen)
    site.boiler.wait(10)
    screen.page.reload()
    assert left_s(screen) == before_s - 10
    screen.page.wait_for_selector(f"#left:text-is('{(before_s - 12) // 60}:{(before_s - 12) % 60:02}')")
    screen.context.close()


def test_the_end_of_a_wait_rings_and_shakes_and_the_screen_stays_awake(
    chromium: Any, address: str, site: OnSite, tmp_path: Path
) -> None:
    """Each is asked of the browser that has it; then the next page comes by itself, its first field ready."""
    screen = Screen(chromium, address, site)
    screen.context.add_init_script(STUBS)
    at_the_wait(screen, tmp_path)
    assert screen.page.evaluate("asked") == ["awake: screen"]
    site.boiler.wait(left_s(screen) - 2)
    screen.page.reload()
    screen.page.click("h1")
    site.boiler.wait(5)
    screen.page.wait_for_selector("h1:text('Read CO2')")
    assert screen.page.evaluate("asked") == ["awake: screen", "shake: 400,200,400,200,400", *3 * ["ring"]]
    assert screen.page.evaluate("document.activeElement.name") == "co2"
    screen.context.close()


def test_a_browser_that_can_not_stay_awake_says_so_once(
    chromium: Any, address: str, site: OnSite, tmp_path: Path
) -> None:
    """Without a wake lock the page says to set the phone's own screen time; after a reload not again."""
    screen = Screen(chromium, address, site)
    screen.context.add_init_script("Object.defineProperty(Navigator.prototype, 'wakeLock', { value: undefined })")
    at_the_wait(screen, tmp_path)
    assert "keep the screen awake" in screen.page.inner_text("#notice")
    screen.page.reload()
    assert screen.page.inner_text("#notice") == ""
    screen.context.close()


def test_the_server_killed_in_a_visit_and_back_again_loses_nothing_that_was_typed(
    chromium: Any, site: OnSite, tmp_path: Path
) -> None:
    """What was sent to a dead server is kept in the browser; once it is back one tap sends it, and it counts once."""
    (tmp_path / TOKEN_FILE).write_text(phone.TOKEN)
    with phone.Killable(tmp_path, site, lambda asked: False) as killed:
        screen = Screen(chromium, killed.enter.partition("/enter")[0], site)
        screen.start()
        killed.kill()
        screen.type("input[name=boiler]", "as on the plate")
        screen.page.click("main button[value=yes]")
        screen.page.wait_for_selector("text=Not sent yet")
        killed.start_again()
        screen.page.click("text=Send again")
        screen.page.wait_for_selector("text=Room CO alarm")
        assert screen.page.inner_text("#notice") == ""
        screen.context.close()
    rows = [event.value for event in Job.load(next(tmp_path.glob("*.csv"))).events]
    assert (rows.count("yes"), rows.count("as on the plate")) == (1, 1)


def test_what_was_typed_is_kept_while_the_network_is_gone(
    chromium: Any, address: str, site: OnSite, tmp_path: Path
) -> None:
    """Not sent yet, it says; back on the network it is sent, once, and the visit goes on."""
    screen = Screen(chromium, address, site)
    screen.on_phone()
    log = next(tmp_path.glob("*.csv"))
    screen.context.set_offline(True)
    screen.page.locator("main button[value=yes]").first.click()
    screen.page.wait_for_selector("text=Not sent yet")
    assert len(Job.load(log).events) == 0
    screen.context.set_offline(False)
    screen.page.wait_for_selector("text=Room CO alarm")
    assert [event.item for event in Job.load(log).events][:1] == ["maker's instructions"]
    assert screen.page.inner_text("#notice") == ""
    screen.context.close()


def test_a_double_tap_and_a_second_phone_log_once(chromium: Any, address: str, site: OnSite, tmp_path: Path) -> None:
    """Two quick taps, then the same question answered on two phones: one row each."""
    screen = Screen(chromium, address, site)
    screen.on_phone()
    log = next(tmp_path.glob("*.csv"))
    other = Screen(chromium, address, site)
    other.page.goto(screen.page.url)
    screen.page.locator("main button[value=yes]").first.dblclick()
    screen.page.wait_for_selector("text=Room CO alarm")
    rows = len(Job.load(log).events)
    other.tap("main button[value=yes]")
    assert "logged meanwhile" in other.page.inner_text("main")
    assert len(Job.load(log).events) == rows == len({event.item + event.value for event in Job.load(log).events})
    for each in (screen, other):
        each.context.close()


def test_the_visit_goes_on_without_a_script(chromium: Any, address: str, site: OnSite, tmp_path: Path) -> None:
    """Forms work, and a wait loads the page again by itself."""
    screen = Screen(chromium, address, site, java_script_enabled=False)
    screen.page.click("text=New visit")
    screen.page.click("button:text-is('Valve-change')")
    assert "Fuel" in screen.headline
    log = Job.create(tmp_path / "by hand.csv", fuel="natural gas", bands={"high": (9.0, 9.4), "low": (8.6, 9.0)})
    screen.page.goto(address)
    screen.page.click("text=by hand")
    screen.page.click("main button[value=yes]")
    assert screen.headline.startswith("Room CO alarm")
    assert Job.load(log.path).events[0].item == "maker's instructions"  # type: ignore[arg-type]
    at_the_wait(screen, tmp_path)
    site.boiler.wait(left_s(screen) - 2)
    screen.page.reload()
    site.boiler.wait(5)
    screen.page.wait_for_selector("h1:text('Read CO2')")
    screen.context.close()


def test_text_at_twice_its_size_still_fits(chromium: Any, address: str, site: OnSite, tmp_path: Path) -> None:
    """Text at 200 % (WCAG 1.4.4) on the small screen: nothing is cut off sideways."""
    screen = Screen(chromium, address, site, viewport=SCREENS["small phone"])
    at_the_wait(screen, tmp_path)
    site.boiler.wait(left_s(screen) + 2)
    screen.page.reload()
    assert screen.headline.startswith("Read CO2")
    screen.page.evaluate("document.documentElement.style.setProperty('font-size', '250%')")
    assert not screen.page.evaluate("document.documentElement.scrollWidth > innerWidth")
    screen.context.close()


def test_what_the_phone_keeps_is_only_what_was_not_sent(
    chromium: Any, address: str, site: OnSite, tmp_path: Path
) -> None:
    """After all is sent nothing of the visit stays in the browser but its cookie."""
    screen = at_the_wait(Screen(chromium, address, site), tmp_path)
    kept = json.loads(screen.page.evaluate("JSON.stringify(localStorage)"))
    assert set(kept) <= {"advisor awake told"}
    cookie = screen.context.cookies()[0]
    assert (cookie["httpOnly"], cookie["sameSite"]) == (True, "Strict")
    assert phone.TOKEN not in cookie["value"]
    screen.context.close()
