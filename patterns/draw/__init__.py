"""Results as SVG, for pages and papers alike.

Each chart is one complete ``<svg>`` with a view box, a title and a description, no script and no
style sheet, so that it can stand in a page under a strict content policy and in a paper as an
image. Text in it is escaped; the same input gives the same text.

What a page may rely on
-----------------------
- ``svg.sw-chart`` and one of ``sw-passes sw-cv sw-field sw-trace sw-spark sw-boom-sketch
  sw-spectrum sw-across sw-tally sw-story``.
- Ids: the id given, and the same followed by ``-title``, ``-desc``, ``-clip`` and the names of
  hatches. Give every chart of a page its own.
- Class names of what is drawn: `patterns.draw.palette.CLASSES`. `stylesheet` writes the rules
  that put them into the dark theme.
- Charts with axes carry ``data-x0 data-x1 data-y0 data-y1`` (the plot in pixels; y0 is the ground)
  and ``data-xmin data-xmax data-ymin data-ymax`` (what its edges stand for, lengths in metres; in
  the spectrum of drops the decimal logarithm of the diameter in micrometres).
- What a page may redraw in the field chart: see `patterns.draw.field`. In the CV chart,
  ``line.sw-chosen`` is the chosen swath; move it by ``x1`` and ``x2``.

`WIDE`, `PAPER` and `COMPACT` are the sizes for a desk, a paper and a phone.
"""

from patterns.draw.boom import NozzlePlace, boom_sketch
from patterns.draw.cards import across_chart, spectrum_chart
from patterns.draw.curve import cv_chart
from patterns.draw.field import FieldGeometry, field_chart, field_geometry
from patterns.draw.frame import COMPACT, PAPER, WIDE, Size
from patterns.draw.palette import CLASSES, DARK, LIGHT, stylesheet
from patterns.draw.passes import passes_chart, spark_chart
from patterns.draw.scales import System
from patterns.draw.story import (
    Story,
    StoryApproval,
    StoryDay,
    StoryLane,
    StoryRevision,
    StoryTest,
    story_chart,
    story_words,
)
from patterns.draw.tally import (
    ChangeBar,
    PartBar,
    SharePoint,
    change_chart,
    part_chart,
    share_chart,
)
from patterns.draw.tours import MapPlace, MapTour, tour_map
from patterns.draw.trace import trace_chart

__all__ = [
    "CLASSES",
    "COMPACT",
    "DARK",
    "LIGHT",
    "PAPER",
    "WIDE",
    "ChangeBar",
    "FieldGeometry",
    "MapPlace",
    "MapTour",
    "NozzlePlace",
    "PartBar",
    "SharePoint",
    "Size",
    "Story",
    "StoryApproval",
    "StoryDay",
    "StoryLane",
    "StoryRevision",
    "StoryTest",
    "System",
    "across_chart",
    "boom_sketch",
    "change_chart",
    "cv_chart",
    "field_chart",
    "field_geometry",
    "part_chart",
    "passes_chart",
    "share_chart",
    "spark_chart",
    "spectrum_chart",
    "story_chart",
    "story_words",
    "stylesheet",
    "tour_map",
    "trace_chart",
]
