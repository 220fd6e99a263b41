"""The command: a list of cards as JSON, blocks for people, one line for what cannot be used."""

import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from fixtures.cards import CardPlan, draw_bed, draw_card
from fleet.management.commands.measure_card import Command

ROOT = Path(__file__).resolve().parents[2]
PLAN = CardPlan(width_mm=14.0, height_mm=24.0, cover_percent=5.0, seed=4)
# What is promised for every image.
PROMISED = {
    "file", "dpi", "area_cm2", "stains", "stains_per_cm2", "coverage_percent", "stain_um",
    "drop_um", "relative_span", "volume_below_percent", "deposit_l_per_ha", "size_class",
    "warnings",
}  # fmt: skip


@pytest.fixture(scope="module")
def drawn():
    return draw_card(PLAN)


@pytest.fixture
def run(capsys, tmp_path, monkeypatch):
    """Run the command as from a shell, in a folder of its own: exit status, output, errors."""
    monkeypatch.chdir(tmp_path)

    def _run(*arguments):
        status = 0
        try:
            Command().run_from_argv(["manage.py", "measure_card", *map(str, arguments)])
        except SystemExit as stop:
            status = stop.code
        out, err = capsys.readouterr()
        return status, out, err

    return _run


@pytest.fixture
def folder(tmp_path, drawn):
    """One card as PNG and TIFF, without a resolution, and a few that cannot be used."""
    picture = Image.fromarray(drawn.pixels)
    picture.save(tmp_path / "card.png", dpi=(1200, 1200))
    picture.save(tmp_path / "card.tif", dpi=(1200, 1200))
    picture.save(tmp_path / "bare of dpi.png")
    (tmp_path / "cut.png").write_bytes((tmp_path / "card.png").read_bytes()[:5000])
    (tmp_path / "words.png").write_text("no picture at all")
    blank = np.full((600, 500, 3), (236, 208, 72), dtype=np.uint8)
    Image.fromarray(blank).save(tmp_path / "blank.png", dpi=(1200, 1200))
    return tmp_path


def found(result):
    """The documents of a run that went well."""
    status, out, err = result
    assert (status, err) == (0, "")
    return json.loads(out)


def refused(result):
    """Exit status 2, nothing on standard output, no traceback; the lines of standard error."""
    status, out, err = result
    assert status == 2
    assert out == ""
    assert "Traceback" not in err
    return err.splitlines()


class TestJson:
    def test_what_was_promised(self, run, folder, drawn):
        (card,) = found(run("card.png", "--json"))
        assert set(card) >= PROMISED
        assert (card["file"], card["dpi"], card["card"], card["cards"]) == ("card.png", 1200, 1, 1)
        # Truth: the discs as drawn.
        true = drawn.diameter_um
        assert card["area_cm2"] == pytest.approx(1.4 * 2.4, rel=0.01)
        assert card["stains"] == pytest.approx(np.sum(true > card["smallest_stain_um"]), rel=0.03)
        assert card["stains_per_cm2"] == pytest.approx(true.size / (1.4 * 2.4), rel=0.05)
        assert card["coverage_percent"] == pytest.approx(drawn.coverage_percent, rel=0.02)
        # D = 0.95·S^0.910, from memory, for every disc; 10, 50 and 90 % of the volume by mid-steps.
        sizes = np.sort(0.95 * true**0.910)
        reached = (np.cumsum(sizes**3) - sizes**3 / 2) / np.sum(sizes**3)
        for name, share in (("dv10", 0.1), ("dv50", 0.5), ("dv90", 0.9)):
            truth = np.interp(share, reached, sizes)
            assert card["drop_um"][name] == pytest.approx(truth, rel=0.03)
        drops = card["drop_um"]
        span = (drops["dv90"] - drops["dv10"]) / drops["dv50"]
        assert card["relative_span"] == pytest.approx(span)
        assert list(card["volume_below_percent"]) == ["100", "141", "150", "200"]
        shares = list(card["volume_below_percent"].values())
        assert shares == sorted(shares)
        assert all(isinstance(text, str) for text in card["warnings"])

    def test_size_class_names_its_table(self, run, folder):
        (card,) = found(run("card.png", "--json"))
        size = card["size_class"]
        assert size["letters"] in ("VF", "F", "M", "C", "VC", "XC", "UC")
        assert size["table"] == "ag_aviation_2014"
        assert "approximate" in size["table_name"]
        assert size["source"]
        (other,) = found(run("card.png", "--json", "--class-table", "us_extension"))
        assert other["size_class"]["table"] == "us_extension"

    def test_bounds_hold_the_figures(self, run, folder):
        (card,) = found(run("card.png", "--json"))
        bounds = card["bounds"]
        for name in ("dv10", "dv50", "dv90"):
            low, high = bounds["drop_um"][name]
            assert low <= card["drop_um"][name] <= high
        for name in ("coverage_percent", "stains_per_cm2", "deposit_l_per_ha", "relative_span"):
            low, high = bounds[name]
            assert low <= card[name] <= high

    def test_one_entry_an_image_in_order(self, run, folder):
        cards = found(run("card.tif", "card.png", "--json"))
        assert [one["file"] for one in cards] == ["card.tif", "card.png"]
        assert cards[0]["drop_um"] == cards[1]["drop_um"]

    def test_same_scan_same_text(self, run, folder):
        assert run("card.png", "--json") == run("card.png", "--json")

    def test_spread(self, run, folder):
        (card,) = found(run("card.png", "--json", "--spread", "0.5,1"))
        for name in ("dv10", "dv50", "dv90"):
            assert card["drop_um"][name] == pytest.approx(0.5 * card["stain_um"][name])
        assert (card["spread"]["a"], card["spread"]["b"]) == (0.5, 1.0)
        (alike,) = found(run("card.png", "--json", "--spread", "none"))
        assert alike["drop_um"]["dv50"] == pytest.approx(alike["stain_um"]["dv50"])

    def test_dpi(self, run, folder):
        (named,) = found(run("bare of dpi.png", "--json", "--dpi", "1200"))
        (card,) = found(run("card.png", "--json"))
        assert named["drop_um"] == card["drop_um"]
        (half,) = found(run("card.png", "--json", "--dpi", "600"))
        assert half["stain_um"]["dv50"] == pytest.approx(2 * card["stain_um"]["dv50"], rel=0.01)
        assert half["area_cm2"] == pytest.approx(4 * card["area_cm2"], rel=0.01)

    def test_cut_offs(self, run, folder):
        (card,) = found(run("card.png", "--json", "--cut-offs", "200,120.5"))
        assert list(card["volume_below_percent"]) == ["120.5", "200"]

    def test_blank_card_is_no_error(self, run, folder):
        (card,) = found(run("blank.png", "--json"))
        assert set(card) >= PROMISED
        assert (card["stains"], card["deposit_l_per_ha"], card["size_class"]) == (0, 0, None)
        assert card["drop_um"]["dv50"] is None
        assert card["volume_below_percent"]["100"] is None
        assert any("Hardly any stain" in text for text in card["warnings"])

    def test_stain_of_which_none_can_be_counted(self, run, tmp_path):
        striped = np.full((600, 400), 230, dtype=np.uint8)
        striped[:, 10::20] = 20
        Image.fromarray(striped).save(tmp_path / "striped.png", dpi=(600, 600))
        (card,) = found(run("striped.png", "--json"))
        assert (card["stains"], card["deposit_l_per_ha"], card["stains_per_cm2"]) == (0, None, None)
        assert any("not a single one could be counted" in text for text in card["warnings"])
        status, out, _ = run("striped.png")
        assert status == 0
        assert "0 counted, - per cm2" in out

    def test_bed_of_cards(self, run, tmp_path):
        plans = [CardPlan(dpi=600.0, width_mm=26.0, height_mm=40.0, cover_percent=cover, seed=seed)
                 for seed, cover in enumerate((2.0, 4.0, 8.0))]  # fmt: skip
        bed = draw_bed(plans, across=3, angles_deg=[0.0, 2.0, -1.5], pitch_mm=(40.0, 55.0))
        Image.fromarray(bed.pixels).save(tmp_path / "bed.png", dpi=(600, 600))
        cards = found(run("bed.png", "--json"))
        assert [(one["file"], one["card"], one["cards"]) for one in cards] == [
            ("bed.png", number, 3) for number in (1, 2, 3)
        ]
        covers = [one["coverage_percent"] for one in cards]
        assert covers == pytest.approx([2.0, 4.0, 8.0], rel=0.15)


class TestTable:
    def test_for_people(self, run, folder):
        status, out, err = run("card.png", "blank.png")
        assert (status, err) == (0, "")
        for words in (
            "CARD card.png",
            "CARD blank.png",
            "Dv0.5",
            "Sauter mean",
            "L/ha",
            "gal/acre",
            "per cm2",
            "under 150 um",
            "Ag aviation trade article 2014",
            "warning:",
        ):
            assert words in out
        assert "there is always some potential for drift" in out


class TestRefused:
    def test_every_scan_that_cannot_be_used_has_its_line(self, run, folder):
        lines = refused(run("card.png", "cut.png", "words.png", "none.png", ".", "--json"))
        assert [line.split(":")[0] for line in lines] == ["cut.png", "words.png", "none.png", "."]
        assert lines[2] == "none.png: there is no such file; give the path of a scan"
        assert lines[3] == ".: this is a folder; give the scans themselves"

    def test_no_resolution(self, run, folder):
        (line,) = refused(run("bare of dpi.png"))
        assert "resolution" in line
        assert "give the dpi" in line

    def test_the_same_scan_twice(self, run, folder):
        assert refused(run("card.png", "./card.png")) == [
            "./card.png: the same file is given twice; give each scan once"
        ]

    def test_name_with_a_line_break(self, run, folder):
        assert refused(run("a\nb.png")) == [
            "a b.png: there is no such file; give the path of a scan"
        ]

    @pytest.mark.skipif(os.geteuid() == 0, reason="root may read everything")
    def test_no_right_to_read(self, run, folder):
        (folder / "card.png").chmod(0)
        assert "it cannot be read" in refused(run("card.png"))[0]

    @pytest.mark.parametrize(
        ("options", "start"),
        [
            (["--dpi", "many"], "--dpi: 'many' is not a number; give pixels per inch"),
            (["--dpi", "3"], "--dpi: 3 is no resolution of a scanner; give pixels per inch"),
            (["--dpi", "nan"], "--dpi: 'nan' is not a number"),
            (["--spread", "1"], "--spread: '1' has 1 parts; give A,B such as 0.95,0.91"),
            (["--spread", "1,x"], "--spread: 'x' is not a number"),
            (["--spread", "0,1"], "--spread: A = 0 cannot be"),
            (["--spread", "1,9"], "--spread: B = 9 cannot be"),
            (["--class-table", "s641"], "--class-table: 's641' is not known; give one of"),
            (["--cut-offs", "0"], "--cut-offs: '0' cannot be"),
            (["--cut-offs", "a"], "--cut-offs: 'a' is not a number"),
        ],
    )
    def test_options(self, run, folder, options, start):
        (line,) = refused(run("card.png", *options))
        assert line.startswith(start)

    def test_usage(self, run):
        assert refused(run())[0].startswith("measure_card: the following arguments are required")
        assert len(refused(run("card.png", "--colour"))) == 1


def test_from_a_shell_without_database(folder):
    ran = subprocess.run(
        [sys.executable, ROOT / "manage.py", "measure_card", "card.png", "--json"],
        cwd=folder,
        capture_output=True,
        text=True,
        env={**os.environ, "PYTHONIOENCODING": "ascii"},
        check=False,
    )
    assert (ran.returncode, ran.stderr) == (0, "")
    assert json.loads(ran.stdout)[0]["stains"] > 100
