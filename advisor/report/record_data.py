"""The record as data for an office system: one JSON object, or rows of name and value for a spreadsheet."""

import csv
import io
import json
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from advisor.log.check_items import OUTCOME
from advisor.report.answers import say_event
from advisor.report.flue import quantities
from advisor.report.pages import write_new
from advisor.report.record import Record

SUFFIXES = (".csv", ".json")
_TEXTS = ("boiler", "serial", "site", "visit", "reason", "valve", "technician", "analyser", "analyser_serial",
          "calibrated")  # fmt: skip
_FORMULA = ("=", "+", "-", "@")  # what a spreadsheet would take for one at the start of a text


def data_of(record: Record, name: str) -> dict[str, Any]:
    """The record as plain values; `name` is what the log is called."""
    setup, highest = record.setup, record.highest_co
    return {
        "log": name,
        "finished": record.finished,
        "open": [missing.text for missing in record.missing],
        "practice": setup.practice,
        "began": record.began and record.began.isoformat(),
        "ended": record.ended and record.ended.isoformat(),
        **{field: getattr(setup, field) for field in _TEXTS},
        "fuel": setup.fuel.name,
        "bands_co2_pct": {firing: list(band) for firing, band in setup.bands.items()},
        "appliance_left": record.told.get(OUTCOME, ""),
        "highest_co": highest and {
            "co_ppm": highest.co_ppm, "co_air_free_ppm": highest.air_free_ppm, "firing": highest.firing,
            "time": highest.time.isoformat(), "row": highest.row,
        },
        "rates": {
            firing: {
                each.name: {"unit": each.unit, "found": each.found, "left": each.left, "from": each.low,
                            "to": each.high}
                for each in quantities(setup, rate)
            }
            for firing, rate in record.rates.items()
        },
        "supply": [
            {"name": each.name, "value": each.value, "unit": each.unit, "plate": each.plate and list(each.plate),
             "inside": each.inside}
            for each in record.supply
        ],
        "turns": [
            {"time": turn.time.isoformat(), "screw": turn.screw, "turns_cw": turn.turns_cw, "firing": turn.firing,
             "over_cap": turn.over_cap, "not_advised": turn.refused.text if turn.refused else "",
             "note": turn.note}
            for turn in record.turns
        ],
        "net_turns_cw": dict(record.net_turns_cw),
        "findings": [
            {"code": seen.finding.code, "severity": seen.finding.severity, "row": seen.row,
             "time": seen.time.isoformat(), "cleared": seen.cleared and seen.cleared.isoformat(), "struck": seen.struck,
             "cleared_by": [say_event(row.event) for row in seen.told],
             "text": seen.headline if seen.cleared else seen.finding.text}
            for seen in record.seen
        ],
        "burner_off": [
            {"time": row.event.time.isoformat(), "row": row.number, "note": row.event.note} for row in record.offs
        ],
        "skipped": dict(record.skipped),
        "checks": [
            {"time": row.event.time.isoformat(), "item": row.event.item, "value": row.event.value,
             "unit": row.event.unit}
            for row in record.checks
        ],
    }  # fmt: skip


def save(record: Record, name: str, path: Path, overwrite: bool = False) -> list[Path]:
    """Write the record to `path`, by its suffix as CSV or JSON. LogError where it can't be written."""
    data = data_of(record, name)
    if path.suffix.lower() == ".json":
        text = json.dumps(data, indent=2, ensure_ascii=False) + "\n"
    else:
        held = io.StringIO()
        writer = csv.writer(held, lineterminator="\n")
        writer.writerow(("name", "value"))
        writer.writerows((key, _safe(value)) for key, value in _flat(data))
        text = held.getvalue()
    return write_new(path, text.encode(), overwrite)


def _flat(value: Any, name: str = "") -> Iterator[tuple[str, Any]]:
    """Names with their values, the names of nested ones joined by points."""
    parts = value.items() if isinstance(value, Mapping) else enumerate(value, 1) if isinstance(value, list) else None
    if parts is None:
        yield name, value
        return
    for key, part in parts:
        yield from _flat(part, f"{name}.{key}" if name else str(key))


def _safe(value: Any) -> Any:
    """A cell as a spreadsheet takes it for a value and for nothing else."""
    if isinstance(value, str) and value.startswith(_FORMULA):
        return f"'{value}"
    return {True: "yes", False: "no", None: ""}[value] if value is None or isinstance(value, bool) else value
