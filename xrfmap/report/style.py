"""One look for every figure: type, inks, colour scales, and text that cannot misbehave.

Single maps use matplotlib's *magma*. Its lightness rises evenly from black to
cream, so equal steps in counts look like equal steps, no band is invented, and
it survives red-green colour blindness and a grey printer. Black stands for
nothing, as in a radiograph. No turquoise occurs in it, which leaves turquoise
for pixels that hold no measurement.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Callable
from functools import cache, wraps
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any, ParamSpec, TypeVar

import matplotlib as mpl
import numpy as np
import numpy.typing as npt

from xrfmap.numbers import number

if TYPE_CHECKING:
    from matplotlib.figure import Figure, SubFigure

__all__ = [
    "ACCENT",
    "AREA_INKS",
    "AREA_MARKS",
    "COMPOSITE_INKS",
    "INK",
    "MASK",
    "MUTED",
    "PAPER",
    "UNSURE",
    "VERDICT_INKS",
    "component_ink",
    "figure_text",
    "house_style",
    "map_lut",
    "new_figure",
    "rgb",
    "save_png",
    "tick_text",
    "visible_text",
]

PAPER = "#fbf9f5"
INK = "#1f1d1a"
MUTED = "#5b554c"  # 6.9 : 1 on the paper, WCAG AA asks 4.5 : 1
ACCENT = "#24475f"
MASK = "#2fd0c8"  # no measurement; a hue that magma does not hold
UNSURE = "#c9c3b8"  # measured, but too weak for what the map shows
VERDICT_INKS = {
    "out_of_period": "#8c1c13",
    "borderline": "#7a4a00",
    "later_layer": "#4a3a8c",
    "cannot_tell": "#544e45",
    "compatible": "#24533a",
}
# Found by a search for three inks that stay apart, alone and mixed, for normal sight and under
# the three dichromat simulations of Machado et al. 2009; the test repeats the measurement.
COMPOSITE_INKS = ("#f4711c", "#2e8a8a", "#7e41c1")
# Okabe and Ito's colours darkened until they read on white; dashes tell the rest apart.
_COMPONENT_INKS = (
    "#005a8c", "#a84300", "#00694c", "#8a3f6e", "#8a6500", "#3b3b98", "#7d1d1d", "#3f6212",
)  # fmt: skip
# Okabe and Ito 2008 (from memory), then four that differ from them in lightness; beyond a few
# areas marks or numbers must carry the meaning.
AREA_INKS = (
    "#0072b2", "#e69f00", "#009e73", "#cc79a7", "#56b4e9", "#d55e00", "#f0e442", "#000000",
    "#8c8c8c", "#5b2c83", "#7a4b16", "#c3d9c0",
)  # fmt: skip
AREA_MARKS = ("o", "s", "^", "D", "v", "P", "X", "*")
_COMPONENT_DASHES = ((), (5, 2), (1.5, 1.5), (7, 2, 1.5, 2))
_LEVELS = 254

_STYLE: Any = {
    # fonts that travel with matplotlib, so that a figure is the same on every machine
    "font.family": ["STIXGeneral", "DejaVu Sans"],
    "font.size": 10.0,
    "mathtext.fontset": "stix",
    "axes.titlesize": 11.5,
    "axes.titlelocation": "left",
    "axes.labelsize": 10.0,
    "axes.edgecolor": INK,
    "axes.linewidth": 0.6,
    "axes.labelcolor": INK,
    "axes.facecolor": "white",
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.unicode_minus": True,
    "text.color": INK,
    "xtick.color": INK,
    "ytick.color": INK,
    "xtick.labelsize": 9.0,
    "ytick.labelsize": 9.0,
    "xtick.major.width": 0.6,
    "ytick.major.width": 0.6,
    "xtick.direction": "out",
    "ytick.direction": "out",
    "legend.frameon": False,
    "legend.fontsize": 9.0,
    "figure.facecolor": "white",
    "savefig.facecolor": "white",
    "lines.linewidth": 1.0,
    "image.interpolation": "nearest",
}

P = ParamSpec("P")
R = TypeVar("R")


def house_style(function: Callable[P, R]) -> Callable[P, R]:
    """Run a drawing function under the project's own matplotlib settings."""

    @wraps(function)
    def styled(*args: P.args, **kwargs: P.kwargs) -> R:
        with mpl.rc_context(_STYLE):
            return function(*args, **kwargs)

    return styled


def new_figure(width_in: float, height_in: float) -> Figure:
    """Figure outside pyplot, so nothing stays open and no window system is asked for."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width_in, height_in))
    FigureCanvasAgg(figure)
    return figure


@house_style
def save_png(figure: Figure | SubFigure, target: Path | IO[bytes], dpi: float = 300) -> None:
    """Write a figure as PNG, the same bytes for the same figure."""
    whole = figure.figure if not hasattr(figure, "savefig") else figure
    # "Software" carries the matplotlib version and would make the bytes differ
    whole.savefig(
        target, format="png", dpi=dpi, metadata={"Software": None},
        pil_kwargs={"compress_level": 2},
    )  # fmt: skip


def tick_text(value: float, _: float | None = None) -> str:
    """Write the number at a tick as everywhere else; for matplotlib's ``FuncFormatter``."""
    told = f"{abs(float(value)):.5e}".split("e")[0].replace(".", "").rstrip("0")
    return number(float(value), max(1, len(told)))


def rgb(colour: str) -> npt.NDArray[np.float64]:
    """Red, green and blue of ``"#rrggbb"``, shape (3,), from 0 to 1."""
    return np.array([int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)])


@cache
def _lut() -> npt.NDArray[np.uint8]:
    table = mpl.colormaps["magma"].resampled(_LEVELS)(np.arange(_LEVELS))[:, :3]
    return np.asarray(np.round(table * 255), dtype=np.uint8)


def map_lut() -> npt.NDArray[np.uint8]:
    """Colours of a single map from low to high, shape (254, 3)."""
    return _lut().copy()


def component_ink(index: int) -> tuple[str, tuple[float, ...]]:
    """Colour and dash pattern of the n-th component of a spectrum [points]."""
    inks = len(_COMPONENT_INKS)
    return _COMPONENT_INKS[index % inks], _COMPONENT_DASHES[index // inks % 4]


def visible_text(text: object) -> str:
    """Text in which every control character can be seen and none can act.

    Terminal escapes and other C0/C1 controls become Unicode control pictures,
    and marks that turn the direction of writing become their code in brackets.
    Newlines and tabs become spaces.
    """
    plain = str(text)
    if plain.isprintable():  # nearly all are: no need to look at every character
        return plain
    return "".join(_visible(char) for char in plain)


def _visible(char: str) -> str:
    if char in "\n\t\r":
        return " "
    code = ord(char)
    if code < 0x20:
        return chr(0x2400 + code)
    if code == 0x7F:
        return "\u2421"
    if unicodedata.category(char) in {"Cc", "Cf", "Cs", "Co", "Cn"} and char not in "\u200c\u200d":
        return f"[U+{code:04X}]"
    return char


@cache
def _glyphs() -> frozenset[int]:
    from matplotlib.font_manager import FontProperties, findfont, get_font

    found: set[int] = set()
    for family in _STYLE["font.family"]:
        found |= set(get_font(findfont(FontProperties(family=[family]))).get_charmap())
    return frozenset(found)


def figure_text(text: object, longest: int = 90) -> str:
    """Text for a figure: no control characters, only glyphs the fonts hold, not too long."""
    seen = "".join(c if ord(c) in _glyphs() else "?" for c in visible_text(text))
    # a dollar would start a formula in matplotlib
    seen = seen.replace("$", r"\$")
    return seen if len(seen) <= longest else seen[: longest - 1] + "…"
