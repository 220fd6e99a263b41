"""Spread factors against a computed table and against the second published form."""

import math

import numpy as np
import pytest

from patterns.cards.drops import (
    NO_SPREAD,
    WATER_ON_WATER_SENSITIVE,
    general_spread,
    spread_factor,
    spread_factor_names,
    to_drops,
)
from patterns.errors import InputError

STAIN_UM = np.array([50, 100, 150, 200, 300, 400, 500, 600, 800, 1000], dtype=float)
# Computed from D = 0.95·S^0.910, to two decimals. The coefficients are from memory (attributed to a
# maker's data; Sánchez-Hermosilla & Medina 2004, Applied Eng. in Agric. 20(5)).
DROP_UM = (33.40, 62.77, 90.78, 117.94, 170.57, 221.61, 271.51, 320.51, 416.42, 510.18)
RATIO = (1.497, 1.593, 1.652, 1.696, 1.759, 1.805, 1.842, 1.872, 1.921, 1.960)


def test_computed_table_of_water_on_water_sensitive_paper():
    drops = to_drops(STAIN_UM).diameter_um
    assert drops == pytest.approx(DROP_UM, abs=0.0051)
    assert STAIN_UM / drops == pytest.approx(RATIO, abs=0.00051)


def test_second_published_form_is_the_same_curve():
    # D = 1.06·A^0.455, A the stain's area in µm²: Zhu, Salyani & Fox (2011), Comput. Electron.
    # Agric. 76:38-43; from memory. That both agree is computed: 1.06·(π/4)^0.455 = 0.94967.
    assert 1.06 * (math.pi / 4) ** 0.455 == pytest.approx(0.94967, abs=5e-6)
    by_area = 1.06 * (math.pi / 4 * STAIN_UM**2) ** 0.455
    assert to_drops(STAIN_UM).diameter_um == pytest.approx(by_area, rel=5e-4)


def test_stains_outside_the_range_are_flagged():
    factor = WATER_ON_WATER_SENSITIVE
    assert factor.valid_to_um is not None
    edges = np.array([factor.valid_from_um, factor.valid_to_um])
    assert not to_drops(edges).outside.any()
    assert to_drops(edges * [0.999, 1.001]).outside.all()


def test_general_form():
    factor = general_spread(1.2, 0.85)
    assert to_drops(np.array([200.0]), factor).diameter_um == pytest.approx([1.2 * 200.0**0.85])
    assert not to_drops(np.array([1.0, 5000.0]), factor).outside.any()
    assert to_drops(STAIN_UM, NO_SPREAD).diameter_um == pytest.approx(STAIN_UM)


@pytest.mark.parametrize(
    ("a", "b"), [(0, 0.9), (-1, 0.9), (101, 0.9), (math.nan, 0.9), (0.95, 0), (0.95, 3), (1, -0.5)]
)
def test_factors_that_cannot_be(a, b):
    with pytest.raises(InputError, match=r"spread factor: [AB] = .* cannot be; give"):
        general_spread(a, b)


@pytest.mark.parametrize("bad", [0.0, -1.0, math.nan, math.inf])
def test_stains_that_cannot_be(bad):
    with pytest.raises(InputError, match="stain diameters"):
        to_drops(np.array([100.0, bad]))


def test_every_factor_names_its_source_and_range():
    for key in spread_factor_names():
        factor = spread_factor(key)
        assert factor.source
        assert factor.valid_source
    assert "from memory" in WATER_ON_WATER_SENSITIVE.source
    with pytest.raises(InputError, match="water_on_water_sensitive"):
        spread_factor("oil")
