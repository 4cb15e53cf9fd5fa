"""The page: who is let in, what a form logs, that nothing is logged twice, and what happens when something breaks."""

import os
import random
import re
import socket
import statistics
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from functools import partial
from itertools import accumulate
from pathlib import Path

import httpx
import pytest
from console import ROOT
from on_site import OnSite, boiler
from phone import TOKEN, Killable, Phone, browser, served

from advisor import Job
from advisor.errors import LogError
from advisor.log import file
from advisor.log.check_items import (
    CHECK_ITEMS,
    CLEAN_AIR_CO,
    CLEAN_AIR_O2,
    EXTRAS,
    PLATE_PRESSURE,
    WORKING,
)
from advisor.page import server
from advisor.page.security import COOKIE, MOST_BYTES, cookie_of, kept_token
from advisor.page.visits import number_of

BANDS = {"high": (9.0, 9.4), "low": (8.6, 9.0)}
SCRIPT = "<script>alert(1)</script>"


@pytest.fixture
def site() -> OnSite:
    return OnSite(boiler(2))


@pytest.fixture
def address(tmp_path: Path, site: OnSite) -> Iterator[str]:
    with served(tmp_path, site.now) as address:
        yield address


@pytest.fixture
def held(address: str, site: OnSite) -> Iterator[Phone]:
    """A phone that was let in."""
    with browser(address) as client:
        yield Phone(client, site)


def the_log(folder: Path) -> Path:
    return next(folder.glob("*.csv"))


def answered_once(folder: Path) -> bool:
    """Whether the first page of a visit, of several facts, is in the log, and each of its rows once."""
    rows = [(event.item, event.value) for event in Job.load(the_log(folder)).events]
    return rows[0] == ("maker's instructions", "yes") and len(rows) == len(set(rows))


# ---- who is let in


def test_nobody_gets_in_without_the_token(address: str) -> None:
    """Without the cookie every address gives the same plain refusal, a wrong token too."""
    with httpx.Client(base_url=address, trust_env=False) as client:
        for path in ("/", "/new", "/visit/1", "/static/page.css", "/enter?token=wrong", "/enter", "/nowhere"):
            answer = client.get(path)
            assert (answer.status_code, answer.text) == (403, "Refused: open the address that the computer shows.")
        assert client.post("/practice", headers={"origin": address}).status_code == 403


def test_the_token_is_changed_for_a_cookie_that_no_script_and_no_other_site_can_use(address: str) -> None:
    """HttpOnly, SameSite=Strict; the token can't be told from it."""
    with httpx.Client(base_url=address, trust_env=False) as client:
        told = client.get(f"/enter?token={TOKEN}").headers["set-cookie"]
    assert "HttpOnly" in told
    assert "SameSite=strict" in told
    assert told.startswith(f"{COOKIE}={cookie_of(TOKEN)}")
    assert TOKEN not in told


def test_another_name_of_the_server_is_refused(held: Phone) -> None:
    """A foreign Host, as after DNS rebinding, gets nothing."""
    assert held.client.get("/", headers={"host": "evil.example"}).status_code == 400


@pytest.mark.parametrize("origin", ["http://evil.example", "null", None])
def test_a_form_of_another_page_is_refused(held: Phone, origin: str | None, tmp_path: Path) -> None:
    """No cross-site POST: the origin must be this server's own."""
    answer = held.client.post("/practice", data={"go": "on"}, headers={} if origin is None else {"origin": origin})
    assert answer.status_code == 403
    assert list(tmp_path.glob("*.csv")) == []


def test_every_answer_says_that_nothing_of_the_outside_belongs_to_it(held: Phone) -> None:
    """A strict policy, no frame, no cache; the pages name no other address."""
    for path in ("/", "/new", "/static/page.css", "/nowhere"):
        answer = held.client.get(path)
        assert answer.headers["content-security-policy"].startswith("default-src 'none'; style-src 'self'")
        assert answer.headers["cache-control"] == "no-store"
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert not re.search(r"(src|href|action)=\"(?!/)", answer.text)
        assert " style=" not in answer.text


def test_long_bodies_and_odd_methods_are_refused(held: Phone) -> None:
    """More than a form ever has is not read; only GET and POST are known."""
    origin = {"origin": str(held.client.base_url).rstrip("/")}
    assert held.client.post("/new", data={"choice": "x" * MOST_BYTES}, headers=origin).status_code == 413
    assert held.client.put("/new").status_code == 405
    assert held.client.post("/new", files={"choice": b"x"}, headers=origin).status_code == 403


@pytest.mark.parametrize("path", [
    "/visit/../../etc/passwd", "/visit/%2e%2e%2fsecret", "/static/../views.py", "/static/%2e%2e/views.py",
    "/visit/1%0d%0aSet-Cookie:%20a=b", "/visit/-1", "/visit/99999999999999999999",
])  # fmt: skip
def test_only_logs_of_the_folder_are_reached(held: Phone, path: str) -> None:
    """Path tricks and header injection end at a plain refusal or a page that says there is no such visit."""
    answer = held.client.get(path)
    assert answer.status_code in (404, 507)
    assert "set-cookie" not in answer.headers


def test_links_and_other_files_are_no_visits(held: Phone, tmp_path: Path) -> None:
    """A link out of the folder, a hidden file and a folder are not listed and not reached."""
    outside = tmp_path.parent / "outside.csv"
    Job.create(outside, fuel="natural gas", bands=BANDS, site="secret place")
    (tmp_path / "link.csv").symlink_to(outside)
    (tmp_path / "folder.csv").mkdir()
    assert "secret place" not in held.get("/").text
    assert held.client.get(f"/visit/{number_of('link.csv')}").status_code == 507


def test_script_in_every_text_is_shown_as_text(held: Phone, tmp_path: Path) -> None:
    """What is typed comes back as text, from logs of others too."""
    Job.create(tmp_path / "a.csv", fuel="natural gas", bands=BANDS, site=SCRIPT, boiler=SCRIPT)
    address = f"/visit/{number_of('a.csv')}"
    held.get(address)
    for act, name in (("note", "words"), ("skip", "why"), ("word", "word"), ("strike", "why"), ("turn", "far")):
        row, stage = held.get(address).forms[0].fields["row"], "before"
        held.send(address, act=act, row=row, stage=stage, **{name: SCRIPT})
        assert "<script>alert" not in held.page.html
    for path in ("/", address, f"{address}/curve"):
        assert "<script>alert" not in held.get(path).html


def test_alone_it_listens_on_this_device_only(tmp_path: Path) -> None:
    """Without --lan the socket is bound to 127.0.0.1."""
    with server._listening(server.HERE, 0) as listens:
        assert listens.getsockname()[0] == "127.0.0.1"
        with pytest.raises(LogError, match="can't be used"):
            server._listening(server.HERE, listens.getsockname()[1])


def test_on_the_network_it_shows_a_code_and_says_what_that_means(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """--lan prints the address as a QR code and that others may read and write; alone there is none."""
    monkeypatch.setattr(server, "lan_address", lambda: "192.0.2.7")
    monkeypatch.setattr(server.uvicorn.Server, "run", lambda self, sockets: None)
    said: list[str] = []
    server.serve(tmp_path, 0, True, said.append)
    assert "http://192.0.2.7:" in said[0]
    assert "█" in said[1]
    assert "can read and write" in said[2]
    said.clear()
    server.serve(tmp_path, 0, False, said.append)
    assert len(said) == 2
    assert "http://127.0.0.1:" in said[0]


def test_the_token_outlives_the_server(tmp_path: Path) -> None:
    """The same folder gives the same token again, readable by its owner alone."""
    assert kept_token(tmp_path) == kept_token(tmp_path)
    assert (tmp_path / ".advisor-page").stat().st_mode & 0o77 == 0


# ---- what is asked and logged


def test_the_page_asks_what_the_guide_asks(held: Phone, tmp_path: Path, site: OnSite) -> None:
    """At every step what the page asks is what `dialogue.asked` says of the same log."""
    from advisor.dialogue.asked import standing

    held.start()
    for _ in range(20):
        job = Job.load(the_log(tmp_path))
        now = standing(job, job.moment(site.now()))
        if now.asked and now.asked.question:
            assert held.page.headline.startswith(now.asked.question.words.asks)
        held.step()


def test_a_page_asks_several_things_but_never_two_dangers(held: Phone, tmp_path: Path) -> None:
    """With a question that is a danger stands nothing but facts, and what the guide's Enter says yes or no to."""
    harmless = {"maker's instructions", "water trap", "cover on", EXTRAS, "adjusters sealed", PLATE_PRESSURE}
    held.start()
    dangers, most, rows = [], 0, 0
    while held.step():
        made = Job.load(the_log(tmp_path)).events[rows:]
        rows += len(made)
        items = [event.item for event in made if event.event == "check" and CHECK_ITEMS[event.item].kind != "text"]
        most = max(most, len(made))
        dangers.append([item for item in items if item not in harmless])
    assert most > 4
    several = [each for each in dangers if len(each) > 1]
    assert several == [
        [CLEAN_AIR_O2, CLEAN_AIR_CO],
        ["throttle clockwise", "offset clockwise"],
        ["other appliances", WORKING],
    ]


def test_no_to_the_first_of_two_things_answers_that_alone(held: Phone, tmp_path: Path) -> None:
    """The trap is not empty: that is logged, the sample line is not; each is asked by itself then."""
    held.start()
    held.until("Water trap")
    held.tap(held.page.form("answer"), ("choice", "no"))
    assert (Job.load(the_log(tmp_path)).events[-1].item, held.page.headline[:10]) == ("water trap", "Water trap")
    assert [value for _, value, _ in held.page.form("answer").buttons] == ["yes", "no"]
    held.tap(held.page.form("answer"), ("choice", "yes"))
    assert held.page.headline.startswith("Sample line")


def test_a_fact_that_can_not_be_keeps_the_whole_page(held: Phone, tmp_path: Path) -> None:
    """A CO limit without its basis: asked back, nothing logged, all that was typed still there; then all is logged."""
    held.start()
    typed = {"CO limit": "200", "boiler": "typed; already", "serial number": "12"}
    held.tap(held.page.form("answer"), ("choice", "yes"), **typed)
    assert (held.page.status, held.page.form("answer").fields["boiler"]) == (422, "typed; already")
    assert Job.load(the_log(tmp_path)).events == ()
    held.tap(held.page.form("answer"), ("choice", "yes"), unit="ppm air-free")
    made = {event.item: event.value for event in Job.load(the_log(tmp_path)).events if event.event == "check"}
    assert made == {"maker's instructions": "yes", "CO limit": "200", "boiler": "typed, already", "serial number": "12"}


def test_both_bands_are_needed_and_asked_back_together(held: Phone) -> None:
    """A band left empty, or back from the read-back: both are asked on one page again."""
    held.get("/new")
    for choice in ("service", "propane"):
        held.tap(held.page.forms[0], ("choice", choice))
    held.tap(held.page.forms[0], ("choice", "O2"), low0="4,3", high0="5.0")
    assert (held.page.status, held.page.forms[0].fields["low0"]) == (422, "4,3")
    held.tap(held.page.forms[0], ("choice", "O2"), low1="5", high1="5.8")
    assert "O2 5.0 to 4.3" in held.page.headline
    held.tap(held.page.forms[0], ("choice", "back"))
    assert set(held.page.forms[0].fields) >= {"low0", "high0", "low1", "high1"}


def test_a_slip_is_asked_back_and_what_was_typed_stays(held: Phone, tmp_path: Path) -> None:
    """81 for 8.1: the same question back as on the command line, nothing logged, the fields still filled."""
    held.start()
    held.until("Read CO2")
    rows = len(Job.load(the_log(tmp_path)).events)
    held.tap(held.page.form("read"), co2="81", o2="6,5", co="24")
    assert held.page.status == 422
    assert "Did you mean 8.1?" in held.page.text
    assert held.page.form("read").fields["co2"] == "81"
    assert len(Job.load(the_log(tmp_path)).events) == rows


def test_a_form_counts_once(held: Phone, tmp_path: Path) -> None:
    """Sent again by a second tap, the back button or another phone it logs nothing and says so."""
    held.start()
    form = held.page.form("answer")
    held.tap(form, ("choice", "yes"))
    held.tap(form, ("choice", "yes"))
    assert held.page.status == 409
    assert "logged meanwhile" in held.page.text
    assert answered_once(tmp_path)


def test_two_phones_at_once_log_one_row(held: Phone, tmp_path: Path, address: str) -> None:
    """Ten answers to one question at the same moment: one row."""
    held.start()
    action, fields = held.address, held.page.form("answer").fields | {"choice": "yes"}

    def send() -> None:
        with browser(address) as client:
            client.post(action, data=fields, headers={"origin": address})

    threads = [threading.Thread(target=send) for _ in range(10)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert answered_once(tmp_path)


def test_co_and_burner_off_are_heard_from_every_page_but_once(held: Phone, tmp_path: Path) -> None:
    """In a wait, from a page that is out of date too; the same tap twice logs one row."""
    held.start()
    held.until("Wait")
    form = held.page.forms[0]
    for _ in range(2):
        held.tap(form, ("act", "co"), co="900")
    assert [event.co_ppm for event in Job.load(the_log(tmp_path)).events].count(900.0) == 1
    held.get(held.address)
    assert held.page.headline.startswith("BURNER OFF")
    for _ in range(2):
        held.tap(form, ("act", "off"))
    assert [event.firing for event in Job.load(the_log(tmp_path)).events].count("off") == 1


def test_a_wait_is_not_skipped_without_a_reason(held: Phone, tmp_path: Path) -> None:
    """It is the server's clock; cut short it is with words that are kept, and no figures."""
    held.start()
    held.until("Wait")
    for why in ("", "8.1 6.5 24"):
        held.tap(held.page.form("cut"), why=why)
        assert held.page.status == 422
        assert held.page.headline.startswith("Wait")
    assert "pass" not in [form.fields.get("act") for form in held.page.forms]
    held.send(held.address, act="pass", row=held.page.forms[0].fields["row"], seconds="60")
    assert held.page.status == 422
    held.tap(held.page.form("cut"), why="steady by eye")
    assert Job.load(the_log(tmp_path)).events[-1].item == "wait cut short"


def test_the_last_entry_is_taken_back_a_turn_only_if_never_made(held: Phone, tmp_path: Path) -> None:
    """As in the guide: struck, never erased."""
    held.start()
    held.until("Throttle screw")
    held.step()
    row = held.page.forms[0].fields["row"]
    held.send(held.address, act="strike", row=row, never="")
    assert "turned back with a turn of its own" in held.page.text
    held.send(held.address, act="strike", row=row, never="yes")
    assert Job.load(the_log(tmp_path)).events[-1].event == "void"


def test_a_form_that_was_late_is_logged_for_the_moment_of_the_tap(held: Phone, tmp_path: Path, site: OnSite) -> None:
    """Sent 40 s after the tap, the network having been gone, the row's time is that of the tap."""
    held.start()
    site.visit.wait(100.0)
    held.send(held.address, act="answer", row="0", item="maker's instructions", choice="yes", late_s="40")
    made = Job.load(the_log(tmp_path)).events[0].time
    assert 39 < (site.now() - made).total_seconds() < 42


def test_as_last_time_takes_over_what_the_screws_did(held: Phone, tmp_path: Path) -> None:
    """A finished visit offers a new one with its facts and its response."""
    held.start()
    held.go_on()
    first = the_log(tmp_path)
    held.send("/again", visit=str(number_of(first.name)), kind="service")
    second = next(path for path in tmp_path.glob("*.csv") if path != first)
    setup = Job.load(second).setup
    assert (setup.visit, setup.bands) == ("service", Job.load(first).setup.bands)
    assert first.name in setup.prior_source


def test_a_made_up_boiler_says_practice_and_goes_on_from_its_log(held: Phone, tmp_path: Path) -> None:
    """Marked on page and in the log; what its instruments show follows from the log alone; a wait may pass at once."""
    held.send("/practice")
    assert "PRACTICE" in held.page.text
    path = the_log(tmp_path)
    assert Job.load(path).setup.practice
    held.send(held.address, act="run", row=held.page.forms[0].fields["row"], firing="high")
    assert re.search(r"It shows CO2 [1-9]\d?\.\d %", held.page.text)


@pytest.mark.parametrize("away", ["server", "phone"])
@pytest.mark.parametrize("found", ["high", "low", "off"])
def test_a_visit_taken_up_again_asks_first_how_the_burner_runs(
    held: Phone, tmp_path: Path, site: OnSite, away: str, found: str
) -> None:
    """As the guide does, once: what was found is logged where it is another; a stop of CO still stands above it."""
    held.start()
    held.until("Throttle screw")
    held.send(held.address, act="co", row=held.page.forms[0].fields["row"], co="900")
    rows = len(Job.load(the_log(tmp_path)).events)
    with ExitStack() as stack:
        if away == "phone":
            site.visit.wait(2000.0)
        else:
            held.client = stack.enter_context(browser(stack.enter_context(served(tmp_path, site.now))))
        assert held.get(held.address).headline == "Taken up again. How does the burner run now?"
        assert "BURNER OFF" in held.page.text
        held.tap(held.page.form("how"), ("firing", found))
        assert not held.get(held.address).headline.startswith("Taken up")
    made = Job.load(the_log(tmp_path)).events[rows:]
    assert [(event.firing, event.note) for event in made] == {
        "high": [], "low": [("low", "")], "off": [("off", "found off when the visit was taken up again")],
    }[found]  # fmt: skip


# ---- what breaks


def test_a_full_disk_gives_a_page_that_says_so(held: Phone, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing is logged, the page names the reason, and the visit goes on once there is space."""
    held.start()
    form = held.page.form("answer")

    def full(handle: object, data: bytes) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr(file, "_write_all", full)
        held.tap(form, ("choice", "yes"))
    assert held.page.status == 507
    assert "the disk is full" in held.page.text
    held.tap(form, ("choice", "yes"))
    assert answered_once(tmp_path)


def test_a_folder_that_can_not_be_written_gives_a_page_that_says_so(
    held: Phone, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A new visit in a read-only folder: a page with the reason, no half-made log."""

    def refused(path: str, data: bytes) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(file, "_write_new", refused)
    held.send("/practice")
    assert held.page.status == 507
    assert "may not be read or written" in held.page.text


def test_a_log_that_can_not_be_read_is_listed_as_such(held: Phone, tmp_path: Path) -> None:
    """Its page and the list say where it is wrong; the others are not touched by it."""
    (tmp_path / "broken.csv").write_text("what is this\n", encoding="utf-8")
    assert "Can't be read" in held.get("/").text
    assert held.get(f"/visit/{number_of('broken.csv')}").status == 507


def test_without_the_extra_one_sentence_says_what_to_install(tmp_path: Path) -> None:
    """`advisor page` without starlette: one sentence, exit status 1."""
    code = (
        "import sys; sys.modules['starlette'] = None; sys.argv = ['advisor', 'page', '.']\n"
        "from advisor.cli.main import main\nmain()"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=tmp_path)
    assert (done.returncode, done.stdout) == (1, "")
    assert "pip install 'advisor[page]'" in done.stderr
    assert len(done.stderr.splitlines()) <= 2


def test_the_command_serves_the_same_visit_again_after_kill_9(tmp_path: Path) -> None:
    """`advisor page` killed and started again: the same token, the cookie still good, the confirmed row in the log."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    job = Job.create(tmp_path / "visit.csv", fuel="natural gas", bands=BANDS)
    address, path = f"http://127.0.0.1:{port}", f"/visit/{number_of('visit.csv')}"
    command = [sys.executable, "-m", "advisor", "page", str(tmp_path), "--port", str(port)]
    with httpx.Client(base_url=address, trust_env=False, follow_redirects=True, timeout=20) as client:
        for count in range(2):
            running = subprocess.Popen(
                command, stdout=subprocess.PIPE, text=True, env={**os.environ, "PYTHONPATH": str(ROOT)}
            )
            assert running.stdout
            address_told = running.stdout.readline()
            if not client.cookies:
                client.get(f"/enter?token={address_told.strip().rpartition('=')[2]}")
            fields = {"act": "note", "row": str(count), "words": f"entry {count}"}
            assert client.post(path, data=fields, headers={"origin": address}).status_code == 200
            running.kill()
            running.wait()
            running.stdout.close()
    job.refresh()
    assert [event.note for event in job.events] == ["entry 0", "entry 1"]


def whole_visit(folder: Path, seed: int, dies: Callable[[int], bool]) -> int:
    """A visit from the first question to the PDF at a server that dies before some requests; how often it did.

    What was answered to a form is in the log whenever it dies; address and token stay; no turn is logged twice.
    """
    site = OnSite(boiler(seed))
    with Killable(folder, site, dies) as killed:
        held = Phone(killed.client, site)
        held.start()
        address = held.address
        held.go_on(600)
        assert held.client.get(f"{address}/record.pdf").content.startswith(b"%PDF")
        assert "<svg" in held.get(f"{address}/curve").html
        assert "in service" in held.get("/").text
    job = Job.load(the_log(folder))
    assert job.next(job.ended).has("closed")
    made = [turn.turns_cw for turn in site.visit.turns]
    assert [event.turns_cw for event in job.events if event.event == "turn"] == pytest.approx(made)
    return killed.kills


def test_a_whole_visit_without_a_script_outlives_kill_9_at_ten_places(tmp_path: Path) -> None:
    """From the first question to the PDF, the server killed before every eighth request, forms and pages alike."""
    assert whole_visit(tmp_path, 2, lambda asked: asked % 8 == 0) >= 10


@pytest.mark.slow
def test_whole_visits_outlive_kill_9_a_hundred_times(tmp_path: Path) -> None:
    """Killed at places drawn by lot, two or more requests apart, a hundred times and more in all."""
    kills = 0
    for seed in range(1, 20):
        rng, folder = random.Random(seed), tmp_path / str(seed)
        folder.mkdir()
        places = set(accumulate(rng.randint(2, 5) for _ in range(600)))
        kills += whole_visit(folder, seed, places.__contains__)
        if kills >= 100:
            break
    print(f"{kills} kills on {seed} visits")
    assert kills >= 100


def load(folder: Path, phones: int, steps: int, apart_s: float) -> list[float]:
    """Seconds of each answer of phones that each work on a visit of their own, its taps so far apart."""
    from advisor.dialogue import moments

    took: list[float] = []
    lost: list[str] = []
    with served(folder, moments.now) as address:
        origin = {"origin": address}

        def work(number: int) -> None:
            with browser(address) as client:
                name = f"visit {number}.csv"
                Job.create(folder / name, fuel="natural gas", bands=BANDS).run_at("high")
                path = f"/visit/{number_of(name)}"
                for step in range(steps):
                    fields = {"act": "co", "row": str(step + 1), "co": str(20 + step)}
                    for send in (partial(client.get, path), partial(client.post, path, data=fields, headers=origin)):
                        began = time.perf_counter()
                        answer = send()
                        took.append(time.perf_counter() - began)
                        lost.extend([answer.text] if answer.status_code != 200 else [])
                        time.sleep(apart_s)

        threads = [threading.Thread(target=work, args=(number,)) for number in range(phones)]
        for thread in threads:
            thread.start()
            time.sleep(apart_s / phones)
        for thread in threads:
            thread.join()
    assert lost == []
    for number in range(phones):
        assert len(Job.load(folder / f"visit {number}.csv").events) == steps + 1
    return took


def test_several_phones_are_answered_and_nothing_is_lost(tmp_path: Path) -> None:
    """Three phones here, on three visits."""
    assert len(load(tmp_path, 3, 2, 0.05)) == 12


@pytest.mark.slow
def test_twenty_phones_are_answered_at_once(tmp_path: Path) -> None:
    """Twenty phones on twenty visits, a tap a second each: the median answer within 150 ms."""
    took = load(tmp_path, 20, 10, 1.0)
    print(f"median {statistics.median(took):.3f} s, 95 % within {sorted(took)[int(0.95 * len(took))]:.3f} s")
    assert statistics.median(took) < 0.15
