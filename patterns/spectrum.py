"""A spectrometer's columns, one for each wavelength, become one reading for each position."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class DyeBand:
    """Where a dye shines.

    Parameters
    ----------
    name : str
        The dye family.
    band_nm : (float, float)
        From and to of the band that is integrated [nm].
    flank_nm : float
        Width of the flank on either side on which the baseline is fitted [nm].
    source : str
        Where the place of the band comes from.
    """

    name: str
    band_nm: tuple[float, float]
    flank_nm: float
    source: str


RHODAMINE = DyeBand(
    name="rhodamine family",
    band_nm=(560.0, 610.0),
    flank_nm=15.0,
    source=(
        "Emission peak 572–577 nm in water (peak-fitting code of a university spectrofluorometer); "
        "580–582 nm from memory. Both lie inside 560–610 nm; the lower flank stays clear of an "
        "excitation lamp around 540 nm (manual of a dye sensor). The width of band and flanks is "
        "an own choice."
    ),
)
