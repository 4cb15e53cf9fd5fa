"""The pages tell the truth: sessions, examples, commands and options of README.md and DEVELOPERS.md."""

import re

import pytest
from console import BLOCK, PAGE, ROOT, played


def test_the_sessions_in_the_readme_are_what_the_commands_print() -> None:
    """Every console session of README.md, word for word (`python tests/console.py` renews them)."""
    page = PAGE.read_text(encoding="utf-8")
    assert played(page) == page


def test_the_python_examples_in_the_readme_run(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The examples of README.md, of the study and of one job, work as printed."""
    monkeypatch.chdir(ROOT)
    blocks = re.findall(r"^```python\n(.*?)^```$", PAGE.read_text(encoding="utf-8"), re.MULTILINE | re.DOTALL)
    printed = []
    for code in blocks:
        exec(compile(code, "README.md", "exec"), {})
        printed.append(capsys.readouterr().out)
    many, one = printed
    assert all(word in many for word in ("demo_logs/half_way.csv", "turndown_range", "natural gas", "turned throttle"))
    assert "..." not in many  # every column is shown
    assert max(map(len, many.splitlines())) <= 80
    first, second = one.splitlines()
    assert first.startswith("turn throttle 0.0416")
    assert second == "1.259"


def test_every_command_is_in_the_readme() -> None:
    """Each command has its line in README.md."""
    from advisor.cli.main import app

    page = PAGE.read_text(encoding="utf-8")
    names = [command.name or command.callback.__name__ for command in app.registered_commands if command.callback]
    assert len(names) == 15
    for name in names:
        assert f"advisor {name} " in page, name


def test_every_option_is_in_the_pages() -> None:
    """Each argument and option of each command is named in README.md or DEVELOPERS.md."""
    from typer.main import get_command

    from advisor.cli.main import app

    pages = PAGE.read_text(encoding="utf-8") + (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
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
    page = PAGE.read_text(encoding="utf-8")
    fences = re.findall(r"^```(\w*)$", page, re.MULTILINE)
    assert fences[1::2] == [""] * (len(fences) // 2)
    assert set(fences[::2]) == {"console", "sh", "python"}
    assert page.count("```console\n") == len(BLOCK.findall(page)) >= 10
    outside = BLOCK.sub("", page)
    assert not re.search(r"^\$ ", outside, re.MULTILINE)
    for session in BLOCK.findall(page):
        assert session.startswith("$ advisor ")
