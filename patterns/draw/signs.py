"""Small signs of keys, flags and notes, and the hatches, all by class."""

from __future__ import annotations

from typing import Literal

from patterns.draw.frame import Mark
from patterns.draw.palette import attributes
from patterns.draw.svg import element, line, num

Slant = Literal["rising", "falling", "upright"]


def stroke_key(class_name: str) -> Mark:
    """Sign for a curve: a short piece of it."""
    return lambda x, y, wide: line(class_name, x - wide / 2, y, x + wide / 2, y)


def area_key(fill: str, class_name: str = "", stroke: str = "") -> Mark:
    """Sign for an area: a box of its tint, its hatch over it, and its curve through it."""

    def draw(x: float, y: float, wide: float) -> str:
        box = {"x": x - wide / 2, "y": y - 6.0, "width": wide, "height": 12.0}
        parts = [element("rect", class_name, **box)] if class_name else []
        if fill:
            spots = " ".join(f'{key}="{num(value)}"' for key, value in box.items())
            parts.append(f'<rect {spots} fill="{fill}"/>')
        if stroke:
            parts.append(line(stroke, x - wide / 2, y, x + wide / 2, y))
        return "".join(parts)

    return draw


def triangle(class_name: str, *, up: bool) -> Mark:
    """Sign for high (pointing up) and low (pointing down)."""

    def draw(x: float, y: float, wide: float) -> str:
        half, tall = wide / 2, wide * 0.8
        tip, foot = (y - tall / 2, y + tall / 2) if up else (y + tall / 2, y - tall / 2)
        d = f"M{num(x - half)},{num(foot)}L{num(x + half)},{num(foot)}L{num(x)},{num(tip)}Z"
        return element("path", class_name, d=d)

    return draw


def disc(class_name: str) -> Mark:
    """Round sign."""
    return lambda x, y, wide: element("circle", class_name, cx=x, cy=y, r=wide / 2)


def square(class_name: str) -> Mark:
    """Square sign."""
    return lambda x, y, wide: element(
        "rect",
        class_name,
        x=x - wide * 0.46,
        y=y - wide * 0.46,
        width=wide * 0.92,
        height=wide * 0.92,
    )


def cross(class_name: str) -> Mark:
    """Sign like a multiplication cross."""

    def draw(x: float, y: float, wide: float) -> str:
        half = wide * 0.42
        return element(
            "path",
            class_name,
            d=f"M{num(x - half)},{num(y - half)}L{num(x + half)},{num(y + half)}"
            f"M{num(x - half)},{num(y + half)}L{num(x + half)},{num(y - half)}",
        )

    return draw


def hatch(ident: str, class_name: str, slant: Slant, gap: float = 7.0) -> str:
    """Define a hatch; fill with ``url(#ident)``."""
    turn = {"rising": 45, "falling": -45, "upright": 0}[slant]
    return (
        f'<pattern id="{ident}" patternUnits="userSpaceOnUse" width="{num(gap)}" '
        f'height="{num(gap)}" patternTransform="rotate({turn})">'
        f'<line {attributes(class_name)} x1="{num(gap / 2)}" y1="0" x2="{num(gap / 2)}" '
        f'y2="{num(gap)}"/></pattern>'
    )
