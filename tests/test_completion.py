"""What the shell offers when Tab is pressed."""

import os
import subprocess
import sys
from pathlib import Path

from advisor.cli import completion
from advisor.log.check_items import CHECK_ITEMS, item_of

ENTRY = """
import os, sys
from contextlib import suppress
from advisor.cli.main import main
asked, sys.argv = sys.argv[1:], ["advisor"]
for words in asked:
    os.environ |= {"COMP_WORDS": words, "COMP_CWORD": str(words.count(" "))}
    with suppress(SystemExit):
        main()
    print("--")
"""


def offered() -> dict[str, list[str]]:
    """What bash is given for the last of the words of each line, by a program of its own."""
    command, env = [sys.executable, "-c", ENTRY, *LINES], os.environ | {"_ADVISOR_COMPLETE": "complete_bash"}
    done = subprocess.run(command, env=env, capture_output=True, text=True)
    assert not done.stderr
    return dict(zip(LINES, (told.split() for told in done.stdout.split("--\n")), strict=False))


LINES = {
    "advisor ru": ["run-at"],
    "advisor run-at x.csv ": ["high", "low", "off"],
    "advisor read x.csv h": ["high"],
    "advisor turn x.csv ": ["offset", "throttle"],
    "advisor may x.csv t": ["throttle"],
    "advisor trace x.csv pyproject.toml --sh": ["--shift"],
    "advisor check x.csv sample": ["sample-line"],
    "advisor check x.csv sample-line ": ["tight", "leaking"],
}


def test_commands_rates_screws_checks_and_answers_are_offered() -> None:
    """The shell, here bash, is told the words that may stand at this place."""
    assert offered() == LINES


def test_logs_are_offered_with_the_folders_they_may_be_in(tmp_path: Path) -> None:
    """Of files only logs; hidden ones not; a folder with a stroke behind it, so that one can go on."""
    for name in ("visit.csv", "other.pdf", ".hidden.csv"):
        (tmp_path / name).touch()
    (tmp_path / "van").mkdir()
    assert completion.logs(f"{tmp_path}/") == [f"{tmp_path}/van/", f"{tmp_path}/visit.csv"]
    assert completion.logs(f"{tmp_path}/vi") == [f"{tmp_path}/visit.csv"]
    assert completion.logs(f"{tmp_path}/nowhere/") == []


def test_every_name_that_is_offered_is_the_check_of_that_name() -> None:
    """Hyphens stand for blanks, capitals do not matter; words that name no check stay as typed."""
    assert {item_of(name) for name in completion.checks("")} == set(CHECK_ITEMS)
    assert item_of("Co-Alarm") == "CO alarm"
    assert item_of("left-hand door") == "left-hand door"
