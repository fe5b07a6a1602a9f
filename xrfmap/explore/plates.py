"""Maps side by side: one figure each, with shared ranges, pointer and outlines.

Bokeh walks through all models of a page whenever one may have got a part it did not
know. Few models, and titles and marks that are data, keep the page quick.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt
from bokeh.events import DoubleTap, MouseMove, SelectionGeometry, Tap

from xrfmap.explore.frame import Frame, Patch, cut
from xrfmap.explore.markup import clean
from xrfmap.explore.rasters import Raster
from xrfmap.explore.widgets import SHEET, bk, figure, script
from xrfmap.report import style

__all__ = ["MODES", "Plate", "Ring", "Shared", "image_data", "plate_size", "show_raster"]

Array = npt.NDArray[np.float64]

MODES = ("point", "corners", "free-hand", "zoom", "pan")  # as in static/mode.js
"""What clicking and dragging on a map does."""

FONT = "Georgia, Liberation Serif, serif"
AXIS_PX, GAP_PX = 48, 24  # room for the numbers of an axis, and around a map
RAGGED = 0.75  # maps may be that much smaller before a row is left half empty
TALLEST_PX = 430  # all rows of maps together, so that maps and spectrum are seen at once
PALETTE = [f"#{r:02x}{g:02x}{b:02x}" for r, g, b in style.map_lut()]
IMAGE = ("image", "x", "y", "dw", "dh")
LINE = ("xs", "ys", "colour", "width", "dash")
NAME = ("x", "y", "name", "size", "alpha", "dx", "dy")


@dataclass(frozen=True)
class Ring:
    """An outline on the maps: of area A or B, or of the study."""

    corners: Sequence[tuple[float, float]]
    name: str
    kind: str  # "A", "B", "saved"


@dataclass
class Shared:
    """What all plates have in common."""

    frame: Frame
    x_range: Any
    y_range: Any
    drawn: Callable[[Sequence[float], Sequence[float]], None]
    probe: Any = field(default_factory=lambda: _source("x", "y", "held"))
    lines: Any = field(default_factory=lambda: _source(*LINE))
    names: Any = field(default_factory=lambda: _source(*NAME))
    photo: Any = field(default_factory=lambda: _source(*IMAGE))
    sketch: Any = field(default_factory=lambda: _source("x", "y"))  # corners being set
    closed: Any = field(default_factory=lambda: _source("x", "y", "n"))  # sent when closed
    viewport: Any = field(default_factory=lambda: bk.ColumnDataSource({"w": [1280]}))
    undo: Any = field(default_factory=lambda: bk.ColumnDataSource({"n": [0]}))  # by keys
    tools: dict[str, list[Any]] = field(default_factory=lambda: {m: [] for m in MODES})

    @classmethod
    def of(cls, frame: Frame, drawn: Callable[[Sequence[float], Sequence[float]], None]) -> Shared:
        """Shared parts for one scan."""
        g, (dx, dy) = frame.grid, frame.step
        room = 0.02 * max(g.x1 - g.x0, g.y1 - g.y0)
        return cls(
            frame,
            bk.Range1d(g.x0, g.x1, bounds=(g.x0 - room, g.x1 + room), min_interval=3 * dx),
            bk.Range1d(g.y1, g.y0, bounds=(g.y0 - room, g.y1 + room), min_interval=3 * dy),
            drawn,
        )

    def whole(self) -> None:
        """Show the whole scan."""
        g = self.frame.grid
        self.x_range.update(start=g.x0, end=g.x1)
        self.y_range.update(start=g.y1, end=g.y0)

    def zoom(self, factor: float) -> None:
        """Zoom about the middle of the view; above 1 shows more detail."""
        for axis in (self.x_range, self.y_range):
            low, high = float(axis.start), float(axis.end)
            middle, half = (low + high) / 2, (high - low) / 2 / factor
            ends = np.clip([middle - half, middle + half], *axis.bounds).tolist()
            axis.update(start=ends[0], end=ends[1])

    def show_rings(self, rings: Sequence[Ring]) -> None:
        """Draw outlines, white on black, which reads on every colour of the scale."""
        lines: dict[str, list[Any]] = {key: [] for key in LINE}
        names: dict[str, list[Any]] = {key: [] for key in NAME}
        for ring in rings:
            saved = ring.kind == "saved"
            dash = [6, 4] if ring.kind == "B" else []
            for row in (
                (*_closed(ring.corners), "black", 2.6 if saved else 4.5, []),
                (*_closed(ring.corners), "white", 1.0 if saved else 2.0, dash),
            ):
                for key, value in zip(LINE, row, strict=True):
                    lines[key].append(value)
            x, y = np.mean(ring.corners, axis=0) if saved else ring.corners[0]
            beside = 0 if saved else -11  # clear of the corner that it names
            size, alpha = ("10px", 0.6) if saved else ("14px", 1.0)
            told: tuple[Any, ...] = (float(x), float(y), ring.name, size, alpha, beside, beside)
            for key, value in zip(NAME, told, strict=True):
                names[key].append(value)
        self.lines.data, self.names.data = lines, names


def _source(*columns: str) -> Any:
    return bk.ColumnDataSource({name: [] for name in columns})


def _closed(corners: Sequence[tuple[float, float]]) -> tuple[list[float], list[float]]:
    ring = [*corners, corners[0]]
    return [x for x, _ in ring], [y for _, y in ring]


def plate_size(width: float, plates: int, aspect: float) -> tuple[int, int, int]:
    """Inner width and height of a plate, and plates in a row, so that all are in view.

    Parameters
    ----------
    width : float
        Room for all. [screen pixels]
    plates : int
        How many are shown.
    aspect : float
        Height over width of the scan.
    """
    plates = max(plates, 1)
    best: tuple[float, int, int] = (0, 90, 1)
    for rows in range(1, plates + 1):
        columns = -(-plates // rows)
        inner = int(min((width - AXIS_PX) / columns - GAP_PX, TALLEST_PX / rows / aspect))
        fit = int((width - AXIS_PX) // (inner + GAP_PX)) if inner > 0 else 0
        # plates flow into a row as long as they fit: a row that would take more of them
        # than planned leaves a ragged rest
        worth = inner * (RAGGED if plates % columns else 1)
        if inner >= 90 and worth > best[0] and (rows == 1 or fit == columns):
            best = (worth, inner, fit)
    _, inner, columns = best
    return inner, max(round(inner * aspect), 40), min(columns, plates)


class Plate:
    """One map with its colour bar and caption; empty until something is shown.

    Parameters
    ----------
    shared : Shared
        Ranges, pointer, outlines.
    number : int
        Place in the row, for the name by which a test finds it.
    hover : dict
        What the scripts in the browser need.
    """

    def __init__(self, shared: Shared, number: int, hover: dict[str, Any]) -> None:
        self.shared = shared
        self._values: Array | None = None
        self._patch: Patch | None = None
        self.source, self.colours = _source(*IMAGE), _source(*IMAGE)
        self.mapper = bk.LinearColorMapper(palette=PALETTE, low=0, high=1, nan_color=style.MASK)
        self.figure = self._figure(f"map-{number}", named=number == 0)
        self._listen(hover)
        self.title = bk.Div(text="", stylesheets=[SHEET], css_classes=["title"])
        self.caption = bk.Div(text="", stylesheets=[SHEET], css_classes=["caption"])
        self.root = bk.Column(
            self.title, self.figure, self.caption, name=f"plate_{number}", visible=False,
            stylesheets=[SHEET],
        )  # fmt: skip

    def _figure(self, name: str, named: bool) -> Any:
        shared = self.shared
        plot = figure(
            name=name, x_range=shared.x_range, y_range=shared.y_range, toolbar_location=None,
            tools="", frame_width=250, frame_height=200, background_fill_color="#e9e4da",
            border_fill_color=None, min_border=4, min_border_right=10,
            outline_line_color=style.INK,
        )  # fmt: skip
        plot.grid.visible = False
        for axis in (*plot.xaxis, *plot.yaxis):
            axis.major_label_text_font_size = "11px"
            axis.major_label_text_color = style.INK
            axis.minor_tick_line_color = None
            axis.ticker = bk.BasicTicker(desired_num_ticks=5)
        at = {"image": "image", "x": "x", "y": "y", "dw": "dw", "dh": "dh"}
        image = bk.Image(**at, color_mapper=self.mapper)
        self._image = plot.add_glyph(self.source, image)
        self._rgb = plot.add_glyph(self.colours, bk.ImageRGBA(**at))
        self.photo = plot.add_glyph(shared.photo, bk.ImageRGBA(**at))
        self._bar = bk.ColorBar(
            color_mapper=self.mapper, height=8, padding=4, margin=0, label_standoff=4,
            major_label_text_font_size="11px", major_label_text_color=style.INK,
            background_fill_color=None, ticker=bk.BasicTicker(desired_num_ticks=4),
        )  # fmt: skip
        plot.add_layout(self._bar, "below")
        _draw_marks(plot, shared, named)
        if shared.frame.grid.unit == "mm":
            plot.add_layout(_scale_bar(shared.x_range))
        return plot

    def _listen(self, hover: dict[str, Any]) -> None:
        plot, shared = self.figure, self.shared
        tools = {
            "free-hand": bk.LassoSelectTool(renderers=[], continuous=False),
            "zoom": bk.BoxZoomTool(match_aspect=True),
            "pan": bk.PanTool(),
        }
        wheel = bk.WheelZoomTool(zoom_on_axis=False)
        plot.add_tools(*tools.values(), wheel)
        plot.toolbar.active_scroll = wheel
        plot.toolbar.active_drag = plot.toolbar.active_tap = None
        for mode, tool in tools.items():
            shared.tools[mode].append(tool)
        for event, name in ((MouseMove, "pointer"), (Tap, "tap"), (DoubleTap, "double_tap")):
            plot.js_on_event(event, bk.CustomJS(args=hover, code=script(name)))

        def chosen(event: SelectionGeometry) -> None:
            shape: Any = event.geometry or {}
            if event.final and shape.get("type") == "poly":
                shared.drawn(shape.get("x", []), shape.get("y", []))

        plot.on_event(SelectionGeometry, chosen)

    def show_map(
        self, title: str, values: Array, low: float, high: float, caption: str, unit: str
    ) -> None:
        """Show a map in the colours of single maps.

        Parameters
        ----------
        title : str
            Over the map.
        values : ndarray, shape (rows, columns)
            In the order of the page; NaN where there is no measurement.
        low, high : float
            Values of the darkest and lightest colour.
        caption : str
            HTML below the map, escaped already.
        unit : str
            Of the values.
        """
        self._begin(title, unit, caption)
        self._values, self._patch = values, None
        self.mapper.update(low=low, high=high if high > low else low + 1)
        self._bar.visible = self._image.visible = True
        self._rgb.visible = False
        self.look()

    def show_colours(self, title: str, picture: Array, caption: str) -> None:
        """Show red, green and blue from 0 to 1, shape (rows, columns, 3)."""
        self._begin(title, "", caption)
        self._values = None
        self._bar.visible = self._image.visible = False
        rgba = np.full((*picture.shape[:2], 4), 255, np.uint8)
        rgba[..., :3] = np.round(np.clip(picture, 0, 1) * 255)
        step = max(1, int(np.ceil(np.sqrt(rgba[..., 0].size / 250_000))))
        g = self.shared.frame.grid
        self.colours.data = image_data(rgba[::step, ::step], g.x0, g.y0, g.x1 - g.x0, g.y1 - g.y0)
        self._rgb.visible = True

    def _begin(self, title: str, unit: str, caption: str) -> None:
        more = f" <span>[{clean(unit)}]</span>" if unit else ""
        self.title.text = f"<h3>{clean(title)}{more}</h3>"
        self.caption.text = caption
        self.root.visible = True

    def hide(self) -> None:
        """Show nothing."""
        self.root.visible = False
        self._values = None

    def look(self) -> None:
        """Send the part of the map that is in view, unless it is there already."""
        if self._values is None:
            return
        x, y = self.shared.x_range, self.shared.y_range
        spans = [(float(r.start), float(r.end)) for r in (x, y)]
        patch = cut(self._values, self.shared.frame.grid)
        if patch.step > 1:  # too large to be sent whole: the visible part, a little beyond
            across, down = (_wider(span) for span in spans)
            patch = cut(self._values, self.shared.frame.grid, across, down)
        old = self._patch
        if old is not None and _place(old) == _place(patch):
            return
        self._patch = patch
        self.source.data = image_data(patch.values, patch.x, patch.y, patch.width, patch.height)

    def resize(self, width: int, height: int, first: bool) -> None:
        """Give the inner part of the map a size [screen pixels]; the first in a row has an axis."""
        left = AXIS_PX if first else 4
        self.figure.update(frame_width=width, frame_height=height, min_border_left=left)
        self.figure.yaxis.visible = first
        self.title.update(width=width, margin=(0, 0, 0, left))
        self.caption.update(width=width, margin=(0, 0, 6, left))


def _wider(span: tuple[float, float]) -> tuple[float, float]:
    room = 0.25 * abs(span[1] - span[0])
    return min(span) - room, max(span) + room


def _place(patch: Patch) -> tuple[float, ...]:
    return patch.x, patch.y, patch.width, patch.height, patch.step


def image_data(
    image: npt.NDArray[Any], x: float, y: float, width: float, height: float
) -> dict[str, list[Any]]:
    """Columns of an image glyph; four bytes of a colour become one number."""
    if image.dtype == np.uint8:
        image = np.ascontiguousarray(image).view(np.uint32)[..., 0]
    return {"image": [image], "x": [x], "y": [y], "dw": [width], "dh": [height]}


def _scale_bar(x_range: Any) -> Any:
    return bk.ScaleBar(
        range=x_range, unit="mm", location="bottom_right", padding=3, margin=4, bar_length=0.2,
        bar_line_width=2, label_text_font_size="10px", label_standoff=2, border_line_color=None,
        label_text_color=style.INK, background_fill_alpha=0.75,
    )  # fmt: skip


def _draw_marks(plot: Any, shared: Shared, named: bool) -> None:
    """Outlines, the pixel under the pointer, corners being set."""
    dx, dy = shared.frame.step
    lines = bk.MultiLine(
        xs="xs", ys="ys", line_color="colour", line_width="width", line_dash="dash"
    )  # fmt: skip
    plot.add_glyph(shared.lines, lines)
    if named:  # names on one map only, to leave the others free
        names = bk.Text(
            x="x", y="y", text="name", text_font_size="size", x_offset="dx", y_offset="dy",
            background_fill_alpha="alpha", text_color="white", background_fill_color="black",
            text_font={"value": FONT}, text_align="center", text_baseline="middle", padding=2,
        )  # fmt: skip
        plot.add_glyph(shared.names, names)
    plot.add_glyph(shared.sketch, bk.Line(x="x", y="y", line_color="white", line_width=2))
    dots = {"marker": "square", "size": 7, "fill_color": "white", "line_color": "black"}
    plot.add_glyph(shared.sketch, bk.Scatter(x="x", y="y", **dots))
    pixel = {"width": dx, "height": dy, "fill_color": None, "line_color": "white"}
    plot.add_glyph(shared.probe, bk.Rect(x="x", y="y", **pixel))
    # a pixel may be too small to be found: a cross about it can be seen
    for colour, width in (("black", 4), ("white", 1.5)):
        cross = {"marker": "x", "size": 13, "line_color": colour, "line_width": width}
        plot.add_glyph(shared.probe, bk.Scatter(x="x", y="y", **cross))


def show_raster(raster: Raster, plate: Plate) -> None:
    """Show a map with its own stretch and caption."""
    plate.show_map(
        raster.title, raster.values, raster.low, raster.high, raster.caption, raster.unit
    )
