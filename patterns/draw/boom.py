"""The boom seen from behind: span, boom, and where each nozzle sits."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final, Literal

from patterns.draw.frame import WIDE, Size
from patterns.draw.lettering import wrapped
from patterns.draw.palette import FONT
from patterns.draw.scales import System, length_words
from patterns.draw.svg import checked_id, element, escape, line, num, words
from patterns.errors import InputError

SpanName = Literal["wingspan", "rotor diameter", "span"]
_EDGE: Final = 16.0
_BODY_PX: Final = 13.0


@dataclass(frozen=True, slots=True)
class NozzlePlace:
    """One nozzle: its place on the boom [m], left wing negative, and whether it is open."""

    offset_m: float
    is_open: bool = True


def boom_sketch(
    nozzles: Sequence[NozzlePlace],
    *,
    boom_width_m: float,
    span_m: float,
    system: System,
    span_name: SpanName = "wingspan",
    chart_id: str = "boom",
    size: Size = WIDE,
) -> str:
    """Draw the boom under the wing or rotor, to scale across.

    Parameters
    ----------
    nozzles : sequence of NozzlePlace
        Every nozzle; those shut off are drawn hollow.
    boom_width_m : float
        From the outermost left to the outermost right end of the boom [m], above 0.
    span_m : float
        Wingspan or rotor diameter [m], above 0.
    system : {"us", "metric"}
        Feet or metres in the words.
    span_name : {"wingspan", "rotor diameter", "span"}
        What the span is called.
    chart_id : str
        Id of the drawing.
    size : Size
        Its width and font are used.

    Returns
    -------
    str
        A complete ``<svg>``.

    Raises
    ------
    InputError
        For a width that is not above 0.
    """
    for what, value in (("boom width", boom_width_m), ("span", span_m)):
        if not value > 0.0:
            raise InputError(what, f"{value!r} m is no width", "give metres above 0")
    ident = checked_id(chart_id)
    reach = max([span_m, boom_width_m, *(2 * abs(n.offset_m) for n in nozzles)]) / 2
    scale = (size.width / 2 - _EDGE) / reach
    middle, font = size.width / 2, size.font
    wing_y = 2.4 * font
    boom_y = wing_y + 30.0
    parts = _aircraft(middle, wing_y, boom_y, span_m * scale / 2, boom_width_m * scale / 2)
    half = _nozzle_half_px([nozzle.offset_m * scale for nozzle in nozzles])
    parts += [_nozzle(n, middle + n.offset_m * scale, boom_y, half) for n in nozzles]
    measure_y = boom_y + 34.0
    parts += _measure(middle, measure_y, boom_width_m * scale / 2)
    y = measure_y + 1.5 * font
    for row in wrapped(
        _caption(nozzles, boom_width_m, span_m, span_name, system), font, size.width - 2 * _EDGE
    ):
        parts.append(words("sw-label", middle, y, row, anchor="middle"))
        y += 1.4 * font
    parts.append(words("sw-axis-name", _EDGE, 1.3 * font, "Left wing"))
    parts.append(words("sw-axis-name", size.width - _EDGE, 1.3 * font, "Right wing", anchor="end"))
    title = "Boom and nozzles, seen from behind"
    text = _description(nozzles, boom_width_m, span_m, span_name, system)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" id="{ident}" class="sw-chart sw-boom-sketch" '
        f'viewBox="0 0 {num(size.width)} {num(y - 0.6 * font)}" role="img" '
        f'aria-labelledby="{ident}-title {ident}-desc" font-family="{FONT}" '
        f'font-size="{num(font)}"><title id="{ident}-title">{title}</title>'
        f'<desc id="{ident}-desc">{escape(text)}</desc>{"".join(parts)}</svg>'
    )


def _aircraft(
    middle: float, wing_y: float, boom_y: float, half_span: float, half_boom: float
) -> list[str]:
    hangers = (-half_boom * 0.72, -half_boom * 0.3, half_boom * 0.3, half_boom * 0.72)
    return [
        line("sw-flight-line", middle, wing_y - 14, middle, boom_y + 26),
        line("sw-wing", middle - half_span, wing_y, middle - _BODY_PX, wing_y),
        line("sw-wing", middle + _BODY_PX, wing_y, middle + half_span, wing_y),
        *(line("sw-measure", middle + x, wing_y, middle + x, boom_y) for x in hangers),
        line("sw-boom", middle - half_boom, boom_y, middle + half_boom, boom_y),
        element("circle", "sw-body", cx=middle, cy=wing_y, r=_BODY_PX),
    ]


def _nozzle_half_px(places: Sequence[float]) -> float:
    """Narrow the signs until neighbours stay apart."""
    ordered = sorted(places)
    gaps = [b - a for a, b in pairwise(ordered) if b - a > 0.1]
    return max(1.0, min([3.5, *(0.38 * gap for gap in gaps)]))


def _nozzle(nozzle: NozzlePlace, x: float, y: float, half: float) -> str:
    d = f"M{num(x - half)},{num(y + 3)}H{num(x + half)}L{num(x)},{num(y + 14)}Z"
    return element("path", "sw-nozzle" if nozzle.is_open else "sw-nozzle-off", d=d)


def _measure(middle: float, y: float, half: float) -> list[str]:
    left, right = middle - half, middle + half
    ends = [line("sw-measure", x, y - 5, x, y + 5) for x in (left, right)]
    return [line("sw-measure", left, y, right, y), *ends]


def _caption(
    nozzles: Sequence[NozzlePlace],
    boom_width_m: float,
    span_m: float,
    span_name: SpanName,
    system: System,
) -> str:
    share = 100.0 * boom_width_m / span_m
    shut = sum(not nozzle.is_open for nozzle in nozzles)
    text = (
        f"Boom {length_words(boom_width_m, system)}, {share:.0f} % of the {span_name} of "
        f"{length_words(span_m, system)}; {len(nozzles)} nozzle{'' if len(nozzles) == 1 else 's'}"
    )
    return f"{text}, {shut} shut off (hollow)" if shut else text


def _description(
    nozzles: Sequence[NozzlePlace],
    boom_width_m: float,
    span_m: float,
    span_name: SpanName,
    system: System,
) -> str:
    left = sum(nozzle.offset_m < 0 for nozzle in nozzles)
    right = sum(nozzle.offset_m > 0 for nozzle in nozzles)
    centre = len(nozzles) - left - right
    text = _caption(nozzles, boom_width_m, span_m, span_name, system)
    return f"{text}. {left} left of the middle, {centre} in the middle, {right} right of it."
