"""A whole card measured against a scikit-image pipeline and against bare labelling.

One 1200 dpi card of 26 × 76 mm (4.4 million pixels) with stains that touch by chance, and a bed of
20 cards at 600 dpi. Three sides run in every round, on the same pictures, without decoding:

* ours: `separate` and `measure_all`: threshold, regions, areas to parts of a pixel, centres,
  ellipses, edge rule, splitting of touching stains;
* scikit-image: `threshold_otsu`, `label`, `regionprops_table` with area, box, centroid, axes and
  orientation: the same figures of every region, without sub-pixel areas and without splitting;
* bare: `scipy.ndimage.label` and `numpy.bincount` on the mask of our side.

For the bed ours also takes the finding and straightening of the cards by itself, which neither of
the other sides does; they get the straightened cards. Times are processor time, so that what else
the machine does counts for no side; the ratio returned is the least of all to scikit-image.
"""

from __future__ import annotations

import io
import resource
import time
import tracemalloc
from collections.abc import Callable

import numpy as np
from PIL import Image
from scipy import ndimage
from skimage.filters import threshold_otsu
from skimage.measure import label, regionprops_table

from fixtures.cards import CardPlan, draw_bed, draw_card
from patterns.cards.bed import cut, find_cards
from patterns.cards.decode import CardImage, read_image
from patterns.cards.separate import separate
from patterns.cards.stains import measure_all

ROUNDS = 7
BED_CARDS = 20
COVERS_PERCENT = (2.0, 5.0, 10.0)
PROPERTIES = (
    "area",
    "bbox",
    "centroid",
    "axis_major_length",
    "axis_minor_length",
    "orientation",
)


def measured(images: list[CardImage]) -> int:
    """Our side: the number of stains on all cards."""
    separated = ((separate(image), image.dpi) for image in images)
    return sum(stains.area_um2.size for stains in measure_all(separated))


def by_scikit_image(image: CardImage) -> int:
    """Otsu on the red channel, labels, properties: the number of regions."""
    channel = image.pixels[..., 0]
    regions = label(channel < threshold_otsu(channel), connectivity=2)
    return int(regionprops_table(regions, properties=PROPERTIES)["area"].size)


def bare(mask: np.ndarray) -> int:
    """Labels and areas in pixels, nothing else: the number of regions."""
    regions, count = ndimage.label(mask, structure=np.ones((3, 3)))
    np.bincount(regions.ravel())
    return int(count)


def seconds(work: Callable[[], object]) -> float:
    """Processor time of one run."""
    start = time.process_time()
    work()
    return time.process_time() - start


def compare(name: str, images: list[CardImage]) -> float:
    """Time the three sides on some cards; how many times faster than scikit-image."""
    masks = [separate(image).mask for image in images]
    sides = (
        lambda: measured(images),
        lambda: [by_scikit_image(image) for image in images],
        lambda: [bare(mask) for mask in masks],
    )
    taken = np.array([[seconds(side) for side in sides] for _ in range(ROUNDS)])
    ours, scikit, plain = 1e3 * np.median(taken, axis=0)
    to_scikit = float(np.median(taken[:, 1] / taken[:, 0]))
    to_bare = float(np.median(taken[:, 0] / taken[:, 2]))
    report(name, f"ours {ours:.1f} ms, scikit-image {scikit:.1f} ms, bare label {plain:.1f} ms")
    report(f"{name}, times faster than scikit-image", f"{to_scikit:.1f}")
    report(f"{name}, times the bare label", f"{to_bare:.2f}")
    return to_scikit


def one_card(cover_percent: float) -> CardImage:
    """A drawn card at 1200 dpi."""
    plan = CardPlan(cover_percent=cover_percent, touching=True, seed=7)
    return CardImage("card", "", plan.dpi, draw_card(plan).pixels)


def bed_of_cards() -> CardImage:
    """A drawn bed at 600 dpi."""
    random = np.random.default_rng(20)
    plans = [
        CardPlan(dpi=600.0, cover_percent=float(cover), touching=True, seed=index)
        for index, cover in enumerate(np.linspace(1.0, 9.0, BED_CARDS))
    ]
    angles = random.uniform(-3.0, 3.0, BED_CARDS).tolist()
    bed = draw_bed(plans, across=min(7, BED_CARDS), angles_deg=angles, lid="black")
    return CardImage("bed", "", bed.dpi, bed.pixels)


def end_to_end(image: CardImage) -> None:
    """Cards per second from the bytes of a PNG on; peak memory above the decoded picture."""
    held = io.BytesIO()
    Image.fromarray(image.pixels).save(held, "PNG", dpi=(image.dpi, image.dpi))
    data = held.getvalue()
    taken = [seconds(lambda: measured([read_image(data, source="card")])) for _ in range(ROUNDS)]
    report("cards per second and worker, with decoding (PNG)", f"{1.0 / np.median(taken):.1f}")
    tracemalloc.start()
    measured([image])
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    pixels = image.pixels.shape[0] * image.pixels.shape[1]
    report("peak memory above the decoded picture", f"{peak / pixels:.1f} bytes a pixel")
    most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    report("largest memory of the whole benchmark", f"{most:.0f} MB")


def main() -> float:
    """Run all comparisons; the least ratio to scikit-image."""
    ratios = [
        compare(f"card with {cover:g} % cover", [one_card(cover)]) for cover in COVERS_PERCENT
    ]
    bed = bed_of_cards()
    cards = find_cards(bed)
    assert len(cards) == BED_CARDS, f"{len(cards)} cards found of {BED_CARDS}"
    images = [cut(bed, card) for card in cards]
    ratios.append(compare(f"bed of {BED_CARDS} cards, straightened", images))
    finding = seconds(lambda: find_cards(bed))
    straightening = seconds(lambda: [cut(bed, card) for card in cards])
    report("finding the cards of the bed", f"{1e3 * finding:.0f} ms")
    report("straightening them", f"{1e3 * straightening:.0f} ms")
    end_to_end(one_card(5.0))
    return min(ratios)


def report(name: str, value: str) -> None:
    """Print one line."""
    print(f"{name}: {value}", flush=True)  # noqa: T201 -- a benchmark talks to a terminal
