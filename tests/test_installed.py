"""The wheel in a bare environment: no test extra, nothing of the repository, home and folder read-only, no network."""

import os
import re
import shutil
import subprocess
import tempfile
import venv
import zipfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from console import BLOCK, ROOT

from advisor.cli.main import app

pytestmark = pytest.mark.slow  # it downloads and installs; .ci/run runs it
NOBODY = 65534  # the uid that owns nothing, where the tests run as root and rights would not bite
COMMANDS = [command.name or command.callback.__name__ for command in app.registered_commands if command.callback]
NO_NETWORK = """
import socket
def refuse(*_, **__):
    raise AssertionError("the network was asked for")
socket.socket.connect = socket.socket.connect_ex = socket.socket.sendto = refuse
socket.create_connection = socket.getaddrinfo = socket.gethostbyname = refuse
"""


class Bare:
    """An installed `advisor` and where it is started: a home and a folder that nobody may write to."""

    def __init__(self, place: Path) -> None:
        self.bin, self.home = place / "venv" / ("Scripts" if os.name == "nt" else "bin"), place / "home"
        self.logs, self.place = place / "logs", place  # the logs' folder is the only one that may be written to

    def run(self, *words: str, typed: str = "") -> subprocess.CompletedProcess[str]:
        """One command of the installed program, in the read-only home."""
        kept = {name: value for name, value in os.environ.items() if name in ("PATH", "SYSTEMROOT", "LANG")}
        other = {"user": NOBODY, "group": NOBODY, "extra_groups": []} if os.name == "posix" and not os.geteuid() else {}
        return subprocess.run(
            [self.bin / "advisor", *words], cwd=self.home, input=typed, capture_output=True, encoding="utf-8",
            env={**kept, "HOME": str(self.home), "USERPROFILE": str(self.home), "TMPDIR": str(self.home)}, **other,
        )  # fmt: skip


@pytest.fixture(scope="module")
def bare() -> Iterator[Bare]:
    """Build the wheel, install it with what it needs to run, and shut home, folder and network off.

    Not in pytest's own folder: another user must find the way in, and pytest shuts its own to others.
    """
    place = Path(tempfile.mkdtemp())
    place.chmod(0o755)
    source = place / "source"
    shutil.copytree(ROOT / "advisor", source / "advisor", ignore=shutil.ignore_patterns("__pycache__"))
    for name in ("pyproject.toml", "README.md"):
        shutil.copy(ROOT / name, source / name)
    made = Bare(place)
    venv.create(place / "venv", with_pip=True)
    pip = [made.bin / "python", "-E", "-m", "pip", "--quiet", "--disable-pip-version-check"]
    subprocess.run([*pip, "wheel", "--no-deps", "--wheel-dir", place, source], check=True, capture_output=True)
    subprocess.run([*pip, "install", *place.glob("*.whl")], check=True, capture_output=True)
    packages = next((place / "venv").glob("**/site-packages"))
    # by a .pth file: some systems have a sitecustomize of their own, which is found first
    (packages / "no_network.py").write_text(NO_NETWORK, encoding="utf-8")
    (packages / "no_network.pth").write_text("import no_network\n", encoding="utf-8")
    shutil.copytree(ROOT / "demo_logs", made.home / "demo_logs")
    made.logs.mkdir(mode=0o777)
    made.logs.chmod(0o777)
    for folder in (made.home, made.home / "demo_logs"):
        folder.chmod(0o555)
    yield made
    for folder in (made.home, made.home / "demo_logs"):
        folder.chmod(0o755)
    shutil.rmtree(place)


def test_no_test_package_is_there_and_nothing_can_be_written(bare: Bare) -> None:
    """The environment is bare, and the shut folders are shut: or the tests below would show nothing."""
    done = subprocess.run([bare.bin / "python", "-E", "-m", "pip", "list"], capture_output=True, text=True, check=True)
    assert "advisor" in done.stdout
    assert not re.search(r"^(pytest|hypothesis|mypy|statsmodels) ", done.stdout, re.MULTILINE)
    asked = subprocess.run([bare.bin / "python", "-c", "import socket; socket.create_connection(('127.0.0.1', 9))"],
                           capture_output=True, text=True, check=False)  # fmt: skip
    assert "the network was asked for" in asked.stderr
    refused = bare.run("open", "new.csv", "--fuel", "propane", "--high", "10.0:10.4", "--low", "9.6:10.0")
    assert refused.returncode == 1
    assert "may not be read or written" in " ".join(refused.stderr.split())
    assert not (bare.home / "new.csv").exists()


def test_the_wheel_carries_every_package_and_data_file(bare: Bare) -> None:
    """What lies in `advisor` in the repository lies in the wheel."""
    files = {path.relative_to(ROOT).as_posix() for path in (ROOT / "advisor").rglob("*") if path.is_file()}
    (wheel,) = bare.place.glob("*.whl")
    assert {name for name in files if "__pycache__" not in name} <= set(zipfile.ZipFile(wheel).namelist())


@pytest.mark.parametrize("command", ["", *COMMANDS])
def test_every_command_explains_itself(bare: Bare, command: str) -> None:
    """`--help` works for each, with nothing on standard error and no name of a Python type."""
    done = bare.run(*[command] * bool(command), "--help")
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.startswith("Usage: advisor")
    assert "<" not in done.stdout
    assert all(len(line) <= 80 for line in done.stdout.splitlines())


def test_the_first_session_of_the_readme_is_what_is_printed_there(bare: Bare) -> None:
    """Word for word."""
    first = next(BLOCK.finditer((ROOT / "README.md").read_text(encoding="utf-8")))[1]
    typed, _, printed = first.partition("\n")
    done = bare.run(*typed.removeprefix("$ advisor ").split())
    assert (done.returncode, done.stdout, done.stderr) == (0, printed, "")


def test_a_visit_a_lesson_and_a_study_run_there(bare: Bare) -> None:
    """Each command answers with its status, warns of nothing and writes its files."""
    log, whole = str(bare.logs / "visit.csv"), "demo_logs/whole_visit.csv"
    bands = ["--fuel", "natural gas", "--high", "9.0:9.4", "--low", "8.6:9.0"]
    for words, status in (
        (["open", log, *bands], 0),
        (["check", log, "sample line", "tight"], 0),
        (["run-at", log, "high"], 0),
        (["read", log, "high", "8.3", "--o2", "6.2", "--co", "22"], 0),
        (["turn", log, "throttle", "1/24", "cw"], 0),
        (["may", log, "throttle", "1/4", "cw"], 3),
        (["void", log], 0),
        (["note", log, "-"], 0),
        (["next", log, "--json"], 0),
        (["show", whole], 0),
        (["show", whole, "--plot", str(bare.logs / "plot.svg")], 0),
        (["sheet", whole, str(bare.logs / "sheet.pdf")], 0),
        (["lesson"], 0),
        (["lesson", "slack", "--plot", str(bare.logs / "slack.png")], 0),
        (["study", "demo_logs", "--out", str(bare.logs / "desk")], 0),
    ):
        done = bare.run(*words)
        assert done.returncode == status, (words, done.stderr)
        assert not re.search("Traceback|arning|Matplotlib", done.stderr), (words, done.stderr)
    for name in ("plot.svg", "sheet.pdf", "slack.png", "desk/prior.toml", "desk/study.json"):
        assert (bare.logs / name).stat().st_size > 500, name
    done = bare.run("practise", "--seed", "21", typed="high\nwait 120\nread\nstop\n")
    assert done.returncode == 0
    assert "PRACTICE" in done.stdout
    done = bare.run("guide", str(bare.logs / "guided.csv"), typed="\nnatural gas\n9.0:9.4\n8.6:9.0\n\nstop\n")
    assert done.returncode == 0
    assert (bare.logs / "guided.csv").exists()
