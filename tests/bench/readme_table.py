"""README's table out of the bench's: `python tests/bench/readme_table.py FOLDER...` reads each FOLDER/bench.md.

The folders are those of `run.py --out FOLDER`. Fewer columns, and the policies that matter for a scenario.
"""

import sys
from pathlib import Path

COLUMNS = {
    "scenario": "boilers",
    "policy": "policy",
    "both truly in band at finish, %": "truly in band at both rates at the finish, %",
    "overshot, %": "ever overshot, %",
    "to where CO begins, %": "to where CO begins, %",
    "minutes": "minutes",
    "x omniscient": "x omniscient",
    "halted wrongly, %": "stopped wrongly, %",
}
POLICIES = ("omniscient", "adviser", "guarded secant", "secant, stops near the middle")
ALSO = {"base": ("fixed 1/12", "fixed 1/24"), "everything-at-once": ("fixed 1/12", "fixed 1/24")}


def rows_of(markdown: str) -> list[dict[str, str]]:
    """The rows of the first Markdown table of a text, by column."""
    lines = [line.strip("| ").split(" | ") for line in markdown.split("\n\n")[0].splitlines()]
    return [dict(zip(lines[0], line, strict=True)) for line in lines[2:]]


def table(rows: list[dict[str, str]]) -> str:
    """README's table, in Markdown."""
    lines = ["| " + " | ".join(COLUMNS.values()) + " |", "|" + "---|" * len(COLUMNS)]
    for row in rows:
        if row["policy"] in (*POLICIES, *ALSO.get(row["scenario"], ())):
            lines.append("| " + " | ".join(row[column] for column in COLUMNS) + " |")
    return "\n".join(lines)


def main(folders: list[str]) -> None:
    print(table([row for folder in folders for row in rows_of((Path(folder) / "bench.md").read_text("utf-8"))]))


if __name__ == "__main__":
    main(sys.argv[1:])
