"""Size classes by the published tables, each boundary as printed, and by whole curves."""

import numpy as np
import pytest

from patterns.cards.classes import (
    DEFAULT_TABLE,
    class_table,
    class_table_names,
    size_class,
    standard_note,
    table_from,
)
from patterns.cards.spectrum import SpectrumParameters, spectrum
from patterns.errors import InputError

# Dv0.5 in µm and the class that the table prints for it. Ag aviation trade article, December 2014
# (agairupdate.com, "The problem with fines"), called approximate there; read. Common US extension
# table: from memory. tnlab.org on ISO 25358: read, of low trust.
PRINTED = {
    "ag_aviation_2014": [(100, "VF"), (135, "VF"), (137, "F"), (176, "F"), (178, "M"), (217, "M"),
                         (219, "C"), (348, "C"), (350, "VC"), (427, "VC"), (429, "XC"),
                         (621, "XC"), (623, "UC")],
    "us_extension": [(59, "XF"), (61, "VF"), (105, "VF"), (106, "F"), (235, "F"), (236, "M"),
                     (340, "M"), (341, "C"), (403, "C"), (404, "VC"), (502, "VC"), (503, "XC"),
                     (665, "XC"), (666, "UC")],
    "iso_25358_summary": [(79, "XF"), (81, "VF"), (149, "VF"), (151, "F"), (249, "F"), (251, "M"),
                          (349, "M"), (351, "C"), (449, "C"), (451, "VC"), (549, "VC"),
                          (551, "XC")],
}  # fmt: skip
OWN = {
    "name": "Reference nozzles of the association",
    "use": "aerial",
    "standard": "ASABE S641",
    "instrument": "laser diffraction",
    "source": "invented for this test",
    "trust": "invented",
    "settled_by": "finest",
    "note": "",
    "classes": [
        {"letters": "F", "from_dv50_um": 0.0, "from_dv10_um": 0.0, "from_dv90_um": 0.0},
        {"letters": "M", "from_dv50_um": 180.0, "from_dv10_um": 90.0, "from_dv90_um": 330.0},
        {"letters": "C", "from_dv50_um": 250.0, "from_dv10_um": 120.0, "from_dv90_um": 450.0},
    ],
}


def of_size(diameter, **settings):
    return spectrum(np.full(5, float(diameter)), parameters=SpectrumParameters(**settings))


@pytest.mark.parametrize(
    ("table", "diameter", "letters"),
    [(table, *row) for table, rows in PRINTED.items() for row in rows],
)
def test_boundaries_as_printed(table, diameter, letters):
    found = size_class(of_size(diameter), class_table(table))
    assert found.letters == letters
    assert (found.table, found.source) == (table, class_table(table).source)


def test_published_tables_disagree_so_the_table_is_named():
    letters = {key: size_class(of_size(230), class_table(key)).letters for key in PRINTED}
    assert letters == {"ag_aviation_2014": "C", "us_extension": "F", "iso_25358_summary": "F"}
    found = size_class(of_size(230))
    assert found.table == DEFAULT_TABLE == "ag_aviation_2014"
    assert "approximate" in found.table_name
    assert (found.name, found.whole_curve) == ("Coarse", False)
    for field in ("standard", "instrument", "source", "trust"):
        assert getattr(found, field)


def test_every_table_of_the_data_reads():
    assert set(class_table_names()) == set(PRINTED)


def test_dv50_alone_is_told_as_such():
    assert "needs the whole curve" in size_class(of_size(230)).note


def test_aircraft_and_ground_standards_stand_apart():
    aerial, ground = standard_note("aerial"), standard_note("ground")
    assert "ASABE S641" in aerial
    assert "No published table of ASABE S641" in aerial
    assert "S572" not in aerial
    assert "ASABE S572 and ISO 25358" in ground
    by_ground = size_class(of_size(230), class_table("us_extension"))
    assert "ASABE S641" in by_ground.note
    assert "for ground sprayers" in by_ground.note
    driven = size_class(of_size(230), class_table("us_extension"), use="ground")
    assert "S641" not in driven.note


def test_bounds_reach_into_neighbouring_classes():
    drops = np.random.default_rng(2).lognormal(np.log(90.0), 0.5, 300)
    found = size_class(spectrum(drops))
    order = [one.letters for one in class_table().classes]
    places = [order.index(one) for one in (found.finest, found.letters, found.coarsest)]
    assert places == sorted(places)
    assert found.finest != found.coarsest
    without = size_class(of_size(230, resamplings=0))
    assert without.finest == without.coarsest == without.letters


class TestWholeCurve:
    def test_agreeing_diameters(self):
        found = size_class(of_size(240), table_from("own", {**OWN, "classes": [
            {**one, "from_dv10_um": one["from_dv50_um"], "from_dv90_um": one["from_dv50_um"]}
            for one in OWN["classes"]]}))  # fmt: skip
        assert (found.letters, found.by_figure, found.whole_curve) == ("M", ("M",) * 3, True)
        assert found.note == ""

    def test_the_finest_decides_and_it_is_said(self):
        # Dv0.1 lies below 90 µm while Dv0.5 lies above 250 µm.
        drops = np.concatenate([np.full(2700, 80.0), np.full(50, 400.0)])
        found = size_class(spectrum(drops), table_from("own", OWN))
        assert found.by_figure[0] == "F"
        assert found.by_figure[1] == "C"
        assert found.letters == "F"
        assert "the finest of them decides" in found.note


@pytest.mark.parametrize(
    ("change", "match"),
    [
        ({"classes": []}, "no class"),
        ({"classes": [{"letters": "Q", "from_dv50_um": 0.0}]}, "'Q' is no class"),
        ({"classes": [{"letters": "F", "from_dv50_um": 5.0}]}, "does not ascend from 0"),
        ({"classes": [OWN["classes"][0], {"letters": "M", "from_dv50_um": 180.0}]}, "missing"),
        ({"classes": [{"letters": "F", "from_dv50_um": 0.0}]}, "finest of three"),
        ({"classes": [{"letters": "F"}]}, "amiss"),
        ({"colour": "green"}, "amiss"),
    ],
)
def test_tables_that_cannot_be(change, match):
    with pytest.raises(InputError, match=match):
        table_from("own", {**OWN, **change})


def test_unknown_table():
    with pytest.raises(InputError, match="ag_aviation_2014"):
        class_table("s641")
