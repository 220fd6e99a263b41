"""What the reading and the analysis remark about a pass."""

from dataclasses import dataclass
from typing import Literal

Weight = Literal["note", "warning", "suspect"]
"""How heavy a remark is.

``note`` informs, ``warning`` asks the analyst to look, ``suspect`` leaves the pass out unless the
analyst overrules.
"""


@dataclass(frozen=True, slots=True)
class Remark:
    """One remark about a pass.

    Parameters
    ----------
    code : str
        Stable snake_case word, for programs.
    text : str
        Full plain sentence, for people; numbers in SI.
    weight : {"note", "warning", "suspect"}
        How heavy the remark is.
    from_m, to_m : float, optional
        Stretch of the string it is about [m], 0 = flight line, left wing negative.
    """

    code: str
    text: str
    weight: Weight
    from_m: float | None = None
    to_m: float | None = None
