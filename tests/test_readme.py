"""The pages tell the truth: sessions, examples, commands and options of README.md and DEVELOPERS.md."""

import re
from pathlib import Path

import pytest
from console import BLOCK, PAGES, ROOT, played

README = PAGES[0]


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_the_sessions_of_a_page_are_what_the_commands_print(page: Path) -> None:
    """Every console session, word for word (`python tests/renew.py` renews them)."""
    printed = page.read_text(encoding="utf-8")
    assert played(printed) == printed


def test_the_python_examples_in_the_readme_run(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The examples of README.md, of the study and of one job, work as printed."""
    monkeypatch.chdir(ROOT)
    blocks = re.findall(r"^```python\n(.*?)^```$", README.read_text(encoding="utf-8"), re.MULTILINE | re.DOTALL)
    printed = []
    for code in blocks:
        exec(compile(code, "README.md", "exec"), {})
        printed.append(capsys.readouterr().out)
    one, many = printed
    assert "demo_logs/half_way.csv" in many
    assert "..." not in many  # every column is shown
    assert max(map(len, many.splitlines())) <= 80
    advice, ratio = one.splitlines()
    assert advice.startswith("turn throttle 0.0416")
    assert advice.endswith(" False")
    assert ratio == "1.259"


def test_every_command_is_in_the_readme() -> None:
    """Each command has its line in README.md."""
    from advisor.cli.main import app

    page = README.read_text(encoding="utf-8")
    names = [command.name or command.callback.__name__ for command in app.registered_commands if command.callback]
    assert len(names) == 18
    for name in names:
        assert re.search(rf"advisor {name}[ `]", page), name


def test_every_option_is_in_the_pages() -> None:
    """Each argument and option of each command is named in README.md or DEVELOPERS.md."""
    from typer.main import get_command

    from advisor.cli.main import app

    pages = README.read_text(encoding="utf-8") + (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    commands = get_command(app).commands  # type: ignore[attr-defined]
    options = {
        (name, word)
        for name, command in commands.items()
        for parameter in command.params
        for word in parameter.opts
        if word.startswith("-") and word != "--help"
    }
    assert len(options) > 30
    missing = sorted((name, word) for name, word in options if not re.search(rf"{word}(?![\w-])", pages))
    assert missing == []


def test_every_session_in_the_readme_is_one_that_is_played() -> None:
    """No block of README.md shows a prompt or an answer outside the sessions that are run."""
    page = README.read_text(encoding="utf-8")
    fences = re.findall(r"^```(\w*)$", page, re.MULTILINE)
    assert fences[1::2] == [""] * (len(fences) // 2)
    assert set(fences[::2]) == {"console", "sh", "python"}
    assert page.count("```console\n") == len(BLOCK.findall(page)) >= 2
    outside = BLOCK.sub("", page)
    assert not re.search(r"^\$ ", outside, re.MULTILINE)
    for session in BLOCK.findall(page):
        assert session.startswith("$ advisor ")
