"""What is said, as data: a code with its figures. The words are in `wording`, one table by code."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

from advisor import wording
from advisor.screws import Firing, Screw

Severity = Literal["note", "warn", "halt"]
SEVERITIES: tuple[Severity, ...] = ("note", "warn", "halt")


@dataclass(frozen=True)
class Reason:
    """Why an answer is as it is. `code` names a sentence in `wording.reasons`, `data` holds what it mentions."""

    code: str
    data: Mapping[str, Any] = field(default_factory=dict, hash=False)

    @property
    def text(self) -> str:
        """The sentence, as the command line says it."""
        return wording.reason_text(self.code, self.data)


@dataclass(frozen=True)
class Finding:
    """Something seen in the data. A `halt` stops all move advice until new readings or a void clear it.

    code      short fixed name, for programs; with `severity` and `variant` it names sentences in `wording.findings`
    severity  one of SEVERITIES
    firing, screw   the rate or the screw it is about; None where it is about the whole job
    variant   which of the code's sentences fits, where it has several
    data      what the sentence mentions: CO2 in % by volume, CO in ppm, turns, seconds, row numbers
    """

    code: str
    severity: Severity
    firing: Firing | None = None
    screw: Screw | None = None
    variant: str = ""
    data: Mapping[str, Any] = field(default_factory=dict, hash=False)

    @property
    def is_past(self) -> bool:
        """Whether it is of CO that was read again since, and stands until a steady reading clears it."""
        return "before" in self.variant.split("_")

    @property
    def text(self) -> str:
        """What was seen and what to do first, as the command line says it."""
        return wording.finding_text(self)
