"""What a record of service holds, held against the regulations named beside each check."""

import json
from pathlib import Path

import pytest

import fleet

DATA = json.loads(
    (Path(fleet.__file__ or fleet.__path__[0]).parent / "data/service_records.json").read_text()
)
KINDS = {"text", "date", "time", "number"}


@pytest.mark.parametrize(
    ("scheme", "asked", "months"),
    [
        # 14 CFR 137.71: person served, date, material and quantity, pilots; at least 12 months.
        (
            "14-cfr-137.71",
            "customer_name customer_address served_on material quantity pilot_name pilot_address "
            "pilot_certificate pilot_met_on",
            12,
        ),
        # 40 CFR 171.303(b)(7): at least two years.
        (
            "40-cfr-171.303",
            "customer_name customer_address location area site served_on served_at product "
            "epa_number amount applicator_name applicator_number",
            24,
        ),
    ],
)
def test_a_list_asks_for_what_the_regulation_names(scheme: str, asked: str, months: int) -> None:
    found = DATA["schemes"][scheme]
    required = [one["key"] for one in found["elements"] if one["required"]]
    assert required == asked.split()
    assert found["kept_months"] == months


def test_elements_are_well_formed_and_cite_no_rescinded_law() -> None:
    for found in DATA["schemes"].values():
        keys = [one["key"] for one in found["elements"]]
        assert len(keys) == len(set(keys))
        for one in found["elements"]:
            assert one["kind"] in KINDS
            assert one["label"]
            assert (one["kind"] == "number") == one.get("with_unit", False)
        assert "7 CFR 110" not in json.dumps(found)
