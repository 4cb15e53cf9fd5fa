"""Words that the shell offers when Tab is pressed: rates, screws, checks with their answers, logs.

Names of checks are offered with hyphens, `sample-line`, so that no shell needs quotes; `check` takes them so.
"""

from collections.abc import Callable, Iterable
from pathlib import Path

from typer import Context

from advisor.log.check_items import CHECK_ITEMS, item_of
from advisor.screws import FIRINGS, RUNNING, SCREWS

Complete = Callable[[str], list[str]]


def _of(words: Iterable[str]) -> Complete:
    def offer(incomplete: str) -> list[str]:
        return [word for word in words if word.lower().startswith(incomplete.lower())]

    return offer


firings, running, screws = _of(FIRINGS), _of(RUNNING), _of(SCREWS)
checks = _of(sorted((name.replace(" ", "-") for name in CHECK_ITEMS), key=str.lower))


def answers(ctx: Context, incomplete: str) -> list[str]:
    """The answers that a check has, where it has a choice."""
    item = CHECK_ITEMS.get(item_of(str(ctx.params.get("item") or "")))
    return _of(item.choices if item else ())(incomplete)


def logs(incomplete: str) -> list[str]:
    """Job logs and folders that begin so."""
    start = Path(incomplete)
    folder, begun = (start, "") if incomplete.endswith(("/", "\\")) else (start.parent, start.name)
    shown = incomplete[: len(incomplete) - len(begun)] if begun else incomplete
    try:
        found = sorted(folder.iterdir())
    except OSError:
        return []
    fitting = [path for path in found if path.name.startswith(begun) and (begun or not path.name.startswith("."))]
    return [
        f"{shown}{path.name}{'/' if path.is_dir() else ''}"
        for path in fitting
        if path.is_dir() or path.suffix.lower() == ".csv"
    ]
