"""What `trace` says of a series that was taken, by code."""

from collections.abc import Mapping
from types import MappingProxyType
from typing import Any

from advisor.wording.templates import filled

TRACE: Mapping[str, str] = MappingProxyType({
    "taken": "{logged:,} of {readings:,} readings of {name} logged, {began:%H:%M:%S} to {ended:%H:%M:%S} by the log's clock.",
    "nothing": "No line with a reading came.",
    "reading": "{time:%H:%M:%S} {figures}",
    "followed": "Following. Ctrl-C ends it; what counts is logged as it comes.",
    "found": "the file's is {shift}, give or take {doubt:.0f} s: as turns and changes of rate tell.",
    "stated": "the file's is {shift}.",
    "behind": "{size:g} s behind the log's", "ahead": "{size:g} s ahead of the log's", "alike": "as the log's",
    "second-0": "second 0 of the file is {second_0:%H:%M:%S}.",
    "second-0-found": "second 0 of the file is {second_0:%H:%M:%S}, give or take {doubt:.0f} s: as turns and changes of rate tell.",
    "co": "highest {co:g} ppm as displayed.",
    "no-co": "not in this series: read CO and log it.",
    "there": "{there:,} are in the log already, or beside a typed reading", "in_air": "{in_air:,} have clean air in them",
    "not_lit": "{not_lit:,} are from while no burner ran, or long after an entry", "thinned": "{thinned:,} tell little more",
    "unread": "{lines}: {why}", "line": "line {lines}", "lines": "lines {lines}", "more": "{lines} and {more:,} more",
    "others": "and {more:,} more", "as-of": "{moment:%Y-%m-%d %H:%M:%S}, the log's last row.",
})  # fmt: skip


def trace_text(code: str, **data: Any) -> str:
    """The sentence of a code."""
    return filled(TRACE[code], data)
