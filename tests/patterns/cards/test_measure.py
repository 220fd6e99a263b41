"""From a drawn card of known stains to cover, spectrum, deposit, class and document."""

import json
import math

import numpy as np
import pytest
from scipy import stats

from fixtures.cards import CardPlan, draw_card
from patterns.cards.classes import class_table
from patterns.cards.decode import CardImage
from patterns.cards.document import from_document, to_bytes, to_document
from patterns.cards.drops import NO_SPREAD, general_spread, to_drops
from patterns.cards.measure import METHOD_VERSION, Parameters, interpret, measure_card
from patterns.cards.separate import Separation, separate
from patterns.cards.spectrum import SpectrumParameters
from patterns.cards.stains import Flag, Stains
from patterns.errors import InputError

SMALL = {"width_mm": 12.0, "height_mm": 30.0, "dpi": 1200.0, "cover_percent": 6.0}


def image_of(card):
    return CardImage("card.png", "0" * 64, card.dpi, np.ascontiguousarray(card.pixels))


@pytest.fixture(scope="module")
def drawn():
    return draw_card(CardPlan(**SMALL, median_um=160.0, seed=11))


@pytest.fixture(scope="module")
def result(drawn):
    return measure_card(image_of(drawn))


@pytest.fixture(scope="module")
def bare():
    return measure_card(image_of(draw_card(CardPlan(**{**SMALL, "cover_percent": 0.0}))))


def stains_of(diameter_um, area_cm2, *, weight=None, flag=None, touches_edge=None):
    """Stains as the measurement hands them on, of known sizes."""
    diameter = np.asarray(diameter_um, dtype=float)
    count = diameter.size
    area = math.pi / 4.0 * diameter**2
    return Stains(
        area_um2=area,
        diameter_um=diameter,
        centre_px=np.zeros((count, 2)),
        axes_px=np.ones((count, 2)),
        angle_deg=np.zeros(count),
        touches_edge=np.zeros(count, dtype=bool) if touches_edge is None else touches_edge,
        weight=np.ones(count) if weight is None else weight,
        flag=np.zeros(count, dtype=np.uint8) if flag is None else flag,
        split_percent=0.0,
        smallest_um=60.0,
        valid_area_cm2=area_cm2,
        coverage_percent=100.0 * area.sum() / (area_cm2 * 1e8),
        remarks=(),
    )


def said(stains, **parameters):
    image = CardImage("card.png", "0" * 64, 1200.0, np.full((40, 40), 230, dtype=np.uint8))
    empty: Separation = separate(image)
    return interpret(image, empty, stains, Parameters(**parameters))


class TestDrawnCard:
    def test_figures_are_those_of_the_stains_drawn(self, drawn, result):
        # Truth: the discs as drawn. The tolerances are those asked of plain cards at 1200 dpi; the
        # drops follow from the stains through D = 0.95·S^0.910 (from memory), so theirs are alike.
        true = drawn.diameter_um
        volume = true**3
        order = np.argsort(true)
        reached = (np.cumsum(volume[order]) - volume[order] / 2) / volume.sum()
        dv50 = float(np.interp(0.5, reached, true[order]))
        trusted = np.count_nonzero(true >= result.smallest_um)
        assert result.stains == pytest.approx(trusted, rel=0.02)
        assert result.coverage_percent.value == pytest.approx(drawn.coverage_percent, rel=0.02)
        assert result.stain_um.dv50_um == pytest.approx(dv50, rel=0.02)
        drops = to_drops(true).diameter_um
        area = 1.2 * 3.0
        deposit = float(np.sum(math.pi / 6 * drops**3)) * 1e-15 / (area * 1e-8)
        assert result.area_cm2 == pytest.approx(area, rel=0.01)
        assert result.deposit_l_per_ha.value == pytest.approx(deposit, rel=0.04)
        assert result.drops.dv50_um.low <= result.drops.dv50_um.value <= result.drops.dv50_um.high

    def test_how_it_was_measured_is_kept(self, result):
        assert result.method_version == METHOD_VERSION
        assert result.paper == "water_sensitive"
        assert "channel" in result.threshold_why
        assert result.parameters.spread.source
        assert result.size_class.table == "ag_aviation_2014"
        assert result.size_class.source

    def test_every_stain_is_handed_on(self, result):
        found = result.found
        assert found.stain_um.size == result.stains + sum(result.left_out.values())
        counted = found.weight > 0
        assert np.count_nonzero(counted) == result.stains
        assert np.isfinite(found.drop_um[counted]).all()
        assert np.isnan(found.drop_um[~counted]).all()
        assert (found.drop_um[counted] < found.stain_um[counted]).all()

    def test_same_image_same_bytes(self, drawn, result):
        assert to_bytes(measure_card(image_of(drawn))) == to_bytes(result)

    def test_placed(self, result):
        card = result.placed(-3.5)
        assert (card.position_m, card.area_cm2) == (-3.5, result.area_cm2)
        assert card.weight.size == card.diameter_um.size == result.stains
        assert card.weight.sum() / card.area_cm2 == pytest.approx(result.stains_per_cm2.value)


class TestLogNormal:
    # Computed: VMD 300 µm, geometric standard deviation 1.8: Dv0.1 141.246, Dv0.9 637.186, relative
    # span 1.65313; % below 100 µm 3.081, 141 µm 9.948, 150 µm 11.915, 200 µm 24.516.
    def test_from_stains_through_the_spread_factor_to_the_exact_values(self):
        share = (np.arange(50_000) + 0.5) / 50_000
        drops = stats.lognorm.ppf(share, math.log(1.8), scale=300.0)
        weight = 1e9 / drops**3
        stains = (drops / 0.95) ** (1 / 0.910)
        found = said(stains_of(stains, 4e5, weight=weight))
        figures = found.drops
        assert figures.dv50_um.value == pytest.approx(300.0, abs=0.01)
        assert figures.dv10_um.value == pytest.approx(141.246, abs=0.01)
        assert figures.dv90_um.value == pytest.approx(637.186, abs=0.02)
        assert figures.relative_span.value == pytest.approx(1.65313, abs=1e-4)
        below = {one.cut_off_um: one.percent.value for one in figures.volume_below}
        assert below == pytest.approx({100: 3.081, 141: 9.948, 150: 11.915, 200: 24.516}, abs=2e-3)


class TestSaidOfStains:
    def test_deposit_of_drops_of_one_size(self):
        # 20 L/ha at 200 µm are 47.75 drops on a square centimetre: N = (60/π)·(100/d)³·L/ha, from
        # memory (textbook); computed.
        found = said(stains_of(np.full(4775, 200.0), 100.0), spread=NO_SPREAD)
        assert found.stains_per_cm2.value == pytest.approx(47.75)
        assert found.deposit_l_per_ha.value == pytest.approx(20.0, rel=1e-3)

    def test_bounds_of_the_cover(self):
        # n stains of one size: cover ± 1.96 / √n of itself; common statistics.
        cover = said(stains_of(np.full(400, 200.0), 10.0)).coverage_percent
        assert cover.high / cover.value - 1 == pytest.approx(1.96 / 20, rel=1e-3)
        assert 1 - cover.low / cover.value == pytest.approx(1.96 / 20, rel=1e-3)

    def test_what_is_left_out_is_told_by_why(self):
        flag = np.array([Flag.OK, Flag.SPLIT, Flag.ODD_SHAPE, Flag.TOO_SMALL, Flag.OK])
        edge = np.array([False, False, False, False, True])
        weight = np.array([1.1, 1.0, 0.0, 0.0, 0.0])
        found = said(stains_of([200, 210, 900, 20, 300], 10.0, weight=weight,
                               flag=flag.astype(np.uint8), touches_edge=edge))  # fmt: skip
        assert found.stains == 2
        assert found.stains_per_cm2.value == pytest.approx(0.21)
        assert found.left_out == {"cut_by_edge": 1, "too_small": 1, "odd_shape": 1, "clip": 0}

    def test_stain_of_which_none_can_be_counted(self):
        cut = np.array([True, True])
        found = said(stains_of([300.0, 400.0], 1.0, weight=np.zeros(2), touches_edge=cut))
        assert found.drops is None
        assert "none_counted" in {one.code for one in found.remarks}
        assert math.isnan(found.deposit_l_per_ha.value)
        assert to_document(found)["deposit_l_per_ha"]["value"] is None

    def test_stains_outside_the_spread_factor(self):
        found = said(stains_of([70.0] * 3 + [300.0] * 7, 10.0))
        remark = next(one for one in found.remarks if one.code == "outside_spread")
        assert "3 of 10 stains" in remark.text
        assert "80 to 600 µm" in remark.text
        assert remark.weight == "note"
        large = said(stains_of([300.0] * 9 + [900.0], 10.0))
        remark = next(one for one in large.remarks if one.code == "outside_spread")
        assert remark.weight == "warning"
        assert large.outside_percent > 50.0

    def test_another_spread_factor_and_table(self):
        stains = stains_of(np.full(50, 400.0), 10.0)
        found = said(stains, spread=general_spread(0.5, 1.0), table=class_table("us_extension"))
        assert found.drops.dv50_um.value == pytest.approx(200.0)
        assert (found.size_class.letters, found.size_class.table) == ("F", "us_extension")
        assert found.stain_um.dv50_um == pytest.approx(400.0)


def test_spread_factor_of_another_paper_is_warned_of():
    card = image_of(draw_card(CardPlan(**SMALL, paper="white_pink", seed=3)))
    codes = {one.code for one in measure_card(card).remarks}
    assert "spread_of_other_paper" in codes
    own = Parameters(spread=general_spread(0.6, 1.0))
    assert "spread_of_other_paper" not in {one.code for one in measure_card(card, own).remarks}


class TestBareCard:
    def test_nothing_fell_is_an_answer(self, bare):
        assert bare.stains == 0
        assert bare.stain_um is None
        assert bare.drops is None
        assert bare.size_class is None
        assert bare.deposit_l_per_ha.value == 0.0
        assert math.isnan(bare.deposit_l_per_ha.high)
        assert "no_stain" in {one.code for one in bare.remarks}
        assert bare.placed(0.0).weight.size == 0

    def test_document(self, bare):
        assert to_bytes(from_document(to_document(bare))) == to_bytes(bare)


class TestDocument:
    def test_there_and_back(self, result):
        document = json.loads(to_bytes(result))
        again = from_document(document)
        assert to_bytes(again) == to_bytes(result)
        assert again.parameters == result.parameters
        assert again.size_class == result.size_class
        assert again.remarks == result.remarks
        assert again.drops.dv50_um.value == pytest.approx(result.drops.dv50_um.value, rel=1e-8)
        assert again.found.flag.dtype == np.uint8

    def test_settings_of_a_later_version_do_no_harm(self, result):
        document = to_document(result)
        document["parameters"]["stains"]["not_known_yet"] = 3
        del document["parameters"]["spectrum"]["resamplings"]
        again = from_document(document)
        assert again.parameters.spectrum == SpectrumParameters()

    @pytest.mark.parametrize("missing", ["drops", "found", "file", "valid_px"])
    def test_what_is_no_document(self, result, missing):
        document = to_document(result)
        del document[missing]
        with pytest.raises(InputError, match="not the document of a card"):
            from_document(document)
