"""The record as data for an office system: the figures of the sheet, as JSON and as CSV."""

import csv
import json
from pathlib import Path

import pytest
from console import ROOT
from replay import at_high, record

from advisor import LogError
from advisor.report.record_data import data_of, save

DEMO = ROOT / "demo_logs" / "whole_visit.csv"


def rows(path: Path) -> dict[str, str]:
    """A written CSV file as names and values."""
    with path.open(newline="", encoding="utf-8") as file:
        return {row["name"]: row["value"] for row in csv.DictReader(file)}


def test_json_holds_what_page_1_says() -> None:
    """As found, as left and their limits by rate, gas pressures, the highest CO, what is open, who and what."""
    told = at_high(8.3, boiler="as on the plate", serial="12345", reason="valve stuck").read("high", 8.4, 90.0)
    data = json.loads(json.dumps(data_of(record(told.job), "visit.csv")))
    assert (data["boiler"], data["serial"], data["reason"], data["finished"]) == (
        "as on the plate",
        "12345",
        "valve stuck",
        False,
    )
    assert data["rates"]["high"]["CO2"]["found"] == 8.3
    assert (data["rates"]["high"]["CO2"]["from"], data["rates"]["high"]["CO2"]["to"]) == (9.0, 9.4)
    assert (data["highest_co"]["co_ppm"], data["highest_co"]["firing"]) == (90.0, "high")
    assert data["open"]


def test_how_a_stop_was_cleared_is_told_in_words() -> None:
    """What was mended while it stood, then the reading that cleared it."""
    told = at_high(9.2).read("high", 9.2, 900).check("cause of CO", "mended").wait(150).read("high", 9.2)
    (stop,) = (found for found in data_of(record(told.job), "a")["findings"] if found["severity"] == "halt")
    assert [said.partition(":")[0] for said in stop["cleared_by"]] == ["check", "high fire"]


def test_csv_has_the_same_values_by_name(tmp_path: Path) -> None:
    """One name and value a row, nested names joined by points."""
    told = at_high(8.3).turn("throttle", 1 / 24)
    made = record(told.job)
    save(made, "visit.csv", tmp_path / "a.csv")
    found = rows(tmp_path / "a.csv")
    assert float(found["rates.high.CO2.found"]) == data_of(made, "")["rates"]["high"]["CO2"]["found"]
    assert (found["turns.1.screw"], found["finished"]) == ("throttle", "no")
    assert float(found["turns.1.turns_cw"]) == pytest.approx(1 / 24)


def test_no_text_becomes_a_formula_of_a_spreadsheet(tmp_path: Path) -> None:
    """A text that begins like one gets a quote before it."""
    save(record(at_high(8.3, site="=1+1").job), "visit.csv", tmp_path / "a.csv")
    assert rows(tmp_path / "a.csv")["site"] == "'=1+1"


def test_a_file_that_exists_is_kept(tmp_path: Path) -> None:
    """Unless it is to be overwritten."""
    made, path = record(at_high(8.3).job), tmp_path / "a.json"
    save(made, "visit.csv", path)
    with pytest.raises(LogError, match="this file exists"):
        save(made, "visit.csv", path)
    assert save(made, "visit.csv", path, overwrite=True) == [path]
