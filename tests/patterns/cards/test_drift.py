"""Drift potential in words: limits as printed in their sources, and always some potential left."""

import itertools
import math

import numpy as np
import pytest

from patterns.cards.drift import DriftConditions, drift_potential
from patterns.cards.spectrum import SpectrumParameters, spectrum
from patterns.data import load
from patterns.errors import InputError
from patterns.units import to_si

GOOD = DriftConditions(
    wind_m_s=2.5, delta_t_c=5.0, release_height_m=2.8, boom_m=10.0, span_m=15.0, craft="wing"
)


def fine(percent_below_150, **settings):
    """A spectrum with this share of the volume in drops of 140 µm and the rest in some of 400 µm.

    Drops of 149.999 µm make the share below 150 µm exact under the mid-step rule.
    """
    share = percent_below_150 / 100.0
    drops = np.array([140.0, 149.999, 150.001, 400.0])
    weights = np.array([share, 1e-9, 1e-9, 1.0 - share]) / drops**3 * 1e9
    return spectrum(drops, weights, parameters=SpectrumParameters(**settings))


def by_code(found):
    return {one.code: one for one in found.statements}


class TestFines:
    # GRDC Spray Application Manual 4.2 (January 2025), read: under 150 µm Medium up to 20 %,
    # Coarse under 10 %, Very Coarse under 5 %.
    @pytest.mark.parametrize(
        ("percent", "name", "weight"),
        [
            (4.8, "Very Coarse", "states"),
            (5.2, "Coarse", "states"),
            (9.8, "Coarse", "states"),
            (10.2, "Medium", "states"),
            (19.8, "Medium", "states"),
            (20.2, "Medium", "raises"),
        ],
    )
    def test_by_class(self, percent, name, weight):
        found = by_code(drift_potential(fine(percent)))["fines_by_class"]
        assert found.weight == weight
        assert f"for a {name} spray" in found.text
        assert "GRDC Spray Application Manual 4.2" in found.text
        assert found.value == pytest.approx(percent, abs=0.01)

    def test_every_cut_off_is_told_and_none_called_absolute(self):
        text = by_code(drift_potential(fine(10.0)))["fines"].text
        for cut in (100, 141, 150, 200):
            assert f"below {cut} µm" in text
        assert "no cut-off is absolute" in text

    def test_other_cut_offs(self):
        found = by_code(drift_potential(fine(10.0, cut_offs_um=(120.0,))))
        assert found["fines_by_class"].weight == "unknown"
        assert "fines" not in by_code(drift_potential(fine(10.0, cut_offs_um=())))


# Label texts read: 2003 insecticide label quoted by Clemson (under 10 mph), cotton precautions (not
# over 15 mph), brush herbicide label (under 3 mph first establish that there is no inversion).
@pytest.mark.parametrize(
    ("mph", "raised"),
    [
        (2.9, {"wind_inversion"}),
        (3.0, set()),
        (9.9, set()),
        (10.0, {"wind_insecticide"}),
        (15.0, {"wind_insecticide"}),
        (15.1, {"wind_insecticide", "wind_cotton"}),
    ],
)
def test_wind_limits_as_printed(mph, raised):
    found = drift_potential(None, DriftConditions(wind_m_s=to_si(mph, "mph")))
    assert {one.code for one in found.raising} == raised


# Brush herbicide label: 10 ft above canopy; Arkansas and North Carolina: 15 ft; read.
@pytest.mark.parametrize(
    ("feet", "raised"),
    [
        (10.0, set()),
        (10.1, {"height_label"}),
        (15.0, {"height_label"}),
        (15.1, {"height_label", "height_state"}),
    ],
)
def test_height_limits_as_printed(feet, raised):
    found = drift_potential(None, DriftConditions(release_height_m=to_si(feet, "ft")))
    assert {one.code for one in found.raising} == raised


# Brush herbicide label: 75 % of the wingspan or 90 % of the rotor; extension (read): 75 % and 80 %.
@pytest.mark.parametrize(
    ("craft", "percent", "raised"),
    [
        ("wing", 75.0, set()),
        ("wing", 76.0, {"boom_label_wing", "boom_extension_wing"}),
        ("rotor", 80.0, set()),
        ("rotor", 90.0, {"boom_extension_rotor"}),
        ("rotor", 91.0, {"boom_extension_rotor", "boom_label_rotor"}),
    ],
)
def test_boom_limits_as_printed(craft, percent, raised):
    known = DriftConditions(boom_m=percent / 10.0, span_m=10.0, craft=craft)
    assert {one.code for one in drift_potential(None, known).raising} == raised


# Australian guidance, 2 to 8 °C; T. Wolf, sprayers101.com/delta-t; read.
@pytest.mark.parametrize(
    ("delta_t", "code", "weight"),
    [
        (1.0, "delta_t_below", "raises"),
        (5.0, "delta_t_inside", "states"),
        (9.5, "delta_t_above", "raises"),
    ],
)
def test_delta_t(delta_t, code, weight):
    found = by_code(drift_potential(None, DriftConditions(delta_t_c=delta_t)))
    assert found[code].weight == weight


def test_what_is_not_known_is_said():
    found = by_code(drift_potential(None))
    for code in ("fines", "wind", "delta_t", "height", "boom"):
        assert found[f"{code}_unknown"].weight == "unknown"
        assert "not known" in found[f"{code}_unknown"].text


SPECTRA = (None, fine(0.1), fine(60.0))
CONDITIONS = (DriftConditions(), GOOD, DriftConditions(8.0, 12.0, 6.0, 14.0, 15.0))


@pytest.mark.parametrize(("spray", "known"), list(itertools.product(SPECTRA, CONDITIONS)))
def test_there_is_always_some_potential_and_nothing_is_called_safe(spray, known):
    found = drift_potential(spray, known)
    assert found.statements[-1].code == "always"
    assert found.text.rstrip().endswith("(common practice, no source).")
    assert "There is always some potential for drift" in found.statements[-1].text
    for word in ("safe ", "no drift", "no potential", "green", "good", "ideal", "no risk"):
        assert word not in found.text.lower()
    for one in found.statements:
        assert one.text.endswith(".")


def test_at_best_nothing_is_raised():
    assert drift_potential(fine(1.0), GOOD).raising == ()


def test_every_limit_of_the_data_names_a_source_and_is_what_was_printed():
    rows = load("drift_limits")
    for group, field in (
        ("wind", "value_m_s"),
        ("release_height", "value_m"),
        ("boom_share", "value_percent"),
    ):
        for row in rows[group]:
            assert row["source"]
            assert row["trust"] == "seen"
            printed, unit = row["as_printed"].split()
            value = float(printed) if unit == "%" else to_si(float(printed), unit)
            assert row[field] == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize(
    "known",
    [
        DriftConditions(wind_m_s=-1.0),
        DriftConditions(wind_m_s=math.nan),
        DriftConditions(delta_t_c=70.0),
        DriftConditions(release_height_m=0.0),
        DriftConditions(boom_m=50.0, span_m=10.0),
        DriftConditions(craft="balloon"),
    ],
)
def test_numbers_that_cannot_be(known):
    with pytest.raises(InputError):
        drift_potential(None, known)
