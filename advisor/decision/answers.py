"""The answers as records: what to do next, and whether a turn may be made."""

from dataclasses import dataclass, fields
from typing import Any, Literal

from advisor.messages import Finding, Reason
from advisor.screws import Firing, Screw

Action = Literal["read", "run_at", "turn", "wait", "finish", "halt"]


@dataclass(frozen=True)
class Advice:
    """What to do next. Turns clockwise positive, seconds, % CO2, chances 0 to 1; None where it does not apply.

    action      `read` (take a reading), `run_at` (change the firing rate to `firing`), `turn`, `wait` (not settled yet:
                `wait_s` more), `finish` (both rates hold) or `halt` (stop: see `findings`)
    wait_s      after the move, or still to go
    expect_*    the next displayed reading with its 90 % range
    chance_in_band, chance_past_band  of the true settled CO2 after the move; past: beyond the edge ahead
    gain_*      % CO2 per turn clockwise at the present point, 90 % range
    why         reasons as data; `reasons` are the same as sentences
    minutes_left, turns_left  expected until both rates are set
    open_items  names of what is still to be proved or done; with `finish` they are due before the job is finished
    """

    action: Action
    firing: Firing | None = None
    screw: Screw | None = None
    turns_cw: float | None = None
    wait_s: float | None = None
    expect_co2_pct: float | None = None
    expect_low_pct: float | None = None
    expect_high_pct: float | None = None
    chance_in_band: float | None = None
    chance_past_band: float | None = None
    gain_per_turn: float | None = None
    gain_low: float | None = None
    gain_high: float | None = None
    findings: tuple[Finding, ...] = ()
    why: tuple[Reason, ...] = ()
    open_items: tuple[str, ...] = ()
    minutes_left: float | None = None
    turns_left: float | None = None

    @property
    def reasons(self) -> tuple[str, ...]:
        """Why, in short sentences; of a stop, what stops the job."""
        return tuple(reason.text for reason in self.why) or tuple(stop.text for stop in self.stops)

    @property
    def stops(self) -> tuple[Finding, ...]:
        """The findings that stop the job."""
        return tuple(finding for finding in self.findings if finding.severity == "halt")

    def has(self, code: str) -> bool:
        """Whether there is a finding of this code."""
        return any(finding.code == code for finding in self.findings)

    @property
    def asks_co(self) -> bool:
        """Whether CO alone is what is to be read."""
        return self.action == "read" and any(map(self.due, ("co-first", "co-first-lit", "co-again")))

    @property
    def stopped_before(self) -> bool:
        """Whether the stop is of CO before the burner was lit again: a steady reading clears it."""
        return self.action == "halt" and self.stops[0].is_past

    def due(self, code: str) -> bool:
        """Whether this reason is among those of the answer."""
        return any(reason.code == code for reason in self.why)

    def as_dict(self) -> dict[str, Any]:
        """The fields as plain values, for a program."""
        return _plain(self)


@dataclass(frozen=True)
class Verdict:
    """May I turn this far? The first reason is the one that matters; the rest, those of Advice, concern this turn."""

    allowed: bool
    screw: Screw
    turns_cw: float
    why: tuple[Reason, ...]
    firing: Firing | None = None
    wait_s: float | None = None
    expect_co2_pct: float | None = None
    expect_low_pct: float | None = None
    expect_high_pct: float | None = None
    chance_in_band: float | None = None
    chance_past_band: float | None = None
    findings: tuple[Finding, ...] = ()

    @property
    def reasons(self) -> tuple[str, ...]:
        """Why, in short sentences; where a stop stands, what stops the job too."""
        stopped = self.why[0].code == "stopped"
        stops = [finding.text for finding in self.findings if stopped and finding.severity == "halt"]
        return tuple(dict.fromkeys([*(reason.text for reason in self.why), *stops]))

    def as_dict(self) -> dict[str, Any]:
        """The fields as plain values, for a program."""
        return _plain(self)


def _plain(answer: Advice | Verdict) -> dict[str, Any]:
    """Fields in their order; reasons as sentences, with their codes beside them."""
    record: dict[str, Any] = {}
    for entry in fields(answer):
        if entry.name == "why":
            record["reasons"] = list(answer.reasons)
            record["reason_codes"] = [reason.code for reason in answer.why]
        elif entry.name == "findings":
            record["findings"] = [plain_finding(finding) for finding in answer.findings]
        else:
            record[entry.name] = getattr(answer, entry.name)
    return record


def plain_finding(finding: Finding) -> dict[str, Any]:
    """A finding as plain values, for a program."""
    return {
        "code": finding.code, "severity": finding.severity, "firing": finding.firing, "screw": finding.screw,
        "text": finding.text,
    }  # fmt: skip
