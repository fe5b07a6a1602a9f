"""Maps side by side: one figure each, with shared ranges, pointer and outlines."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from math import pi
from typing import Any

import numpy as np
import numpy.typing as npt
from bokeh.events import MouseMove, SelectionGeometry, Tap

from xrfmap.explore.frame import Frame, Patch, cut
from xrfmap.explore.widgets import SHEET, bk, figure, script
from xrfmap.report import style

__all__ = ["MODES", "Plate", "Shared", "plate_size"]

Array = npt.NDArray[np.float64]

MODES = ("point", "corners", "free-hand", "zoom", "pan")
"""What clicking and dragging on a map does."""

AXIS_PX, GAP_PX = 48, 14  # room for the numbers of an axis, and around a map
PALETTE = [f"#{r:02x}{g:02x}{b:02x}" for r, g, b in style.map_lut()]


@dataclass
class Shared:
    """What all plates have in common."""

    frame: Frame
    x_range: Any
    y_range: Any
    probe: Any  # the pixel under the pointer: x, y, held
    outlines: dict[str, Any]  # "A", "B": xs, ys; label x, y, text
    saved: Any  # areas of the study: xs, ys, x, y, name
    photo: Any  # image
    drawn: Callable[[Sequence[float], Sequence[float]], None]
    tools: dict[str, list[Any]] = field(default_factory=lambda: {m: [] for m in MODES})

    @classmethod
    def of(cls, frame: Frame, drawn: Callable[[Sequence[float], Sequence[float]], None]) -> Shared:
        """Shared parts for one scan."""
        g, (dx, dy) = frame.grid, frame.step
        room = 0.02 * max(g.x1 - g.x0, g.y1 - g.y0)
        ring: dict[str, list[Any]] = {"xs": [], "ys": [], "x": [], "y": [], "name": []}
        return cls(
            frame,
            bk.Range1d(g.x0, g.x1, bounds=(g.x0 - room, g.x1 + room), min_interval=3 * dx),
            bk.Range1d(g.y1, g.y0, bounds=(g.y0 - room, g.y1 + room), min_interval=3 * dy),
            bk.ColumnDataSource({"x": [], "y": [], "held": []}),
            {name: bk.ColumnDataSource({k: [] for k in ring}) for name in ("A", "B")},
            bk.ColumnDataSource({k: [] for k in ring}),
            bk.ColumnDataSource({"image": [], "x": [], "y": [], "dw": [], "dh": []}),
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
            bound_low, bound_high = axis.bounds
            ends = [
                float(np.clip(v, bound_low, bound_high)) for v in (middle - half, middle + half)
            ]
            axis.update(start=ends[0], end=ends[1])


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
    columns = plates if plates <= 3 else 2 if plates == 4 else 3
    columns = max(columns, 1)
    tallest = 400 if plates <= columns else 280
    inner = (width - AXIS_PX) / columns - GAP_PX
    inner = max(min(inner, tallest / aspect), 90)
    return int(inner), max(round(inner * aspect), 40), columns


class Plate:
    """One map with its colour bar and caption; empty until something is shown.

    Parameters
    ----------
    shared : Shared
        Ranges, pointer, outlines.
    number : int
        Place in the row, for the name by which a test finds it.
    """

    def __init__(self, shared: Shared, number: int, hover: dict[str, Any]) -> None:
        self.shared = shared
        self._values: Array | None = None
        self._patch: Patch | None = None
        self.title = ""
        self.source = bk.ColumnDataSource({"image": [], "x": [], "y": [], "dw": [], "dh": []})
        self.colours = bk.ColumnDataSource({"image": [], "x": [], "y": [], "dw": [], "dh": []})
        self.mapper = bk.LinearColorMapper(palette=PALETTE, low=0, high=1, nan_color=style.MASK)
        self.figure = self._figure(f"map-{number}")
        self._listen(hover)
        self.caption = bk.Div(text="", stylesheets=[SHEET], css_classes=["caption"])
        self.root = bk.Column(
            self.figure, self.caption, name=f"plate_{number}", visible=False, stylesheets=[SHEET]
        )

    def _figure(self, name: str) -> Any:
        shared, g = self.shared, self.shared.frame.grid
        plot = figure(
            name=name, x_range=shared.x_range, y_range=shared.y_range, toolbar_location=None,
            tools="", frame_width=250, frame_height=200, background_fill_color="#e9e4da",
            min_border=4, min_border_right=10, outline_line_color=style.INK, title="",
        )  # fmt: skip
        plot.title.text_font_size, plot.title.text_font_style = "15px", "normal"
        plot.title.text_color = style.INK
        plot.grid.visible = False
        for axis in (*plot.xaxis, *plot.yaxis):
            axis.axis_label = None
            axis.major_label_text_font_size = "11px"
            axis.major_label_text_color = style.INK
            axis.minor_tick_line_color = None
        plot.xaxis.ticker = bk.BasicTicker(desired_num_ticks=5)
        self._image = plot.image(
            image="image", x="x", y="y", dw="dw", dh="dh", source=self.source,
            color_mapper=self.mapper,
        )  # fmt: skip
        self._rgb = plot.image_rgba(
            image="image", x="x", y="y", dw="dw", dh="dh", source=self.colours
        )
        self.photo = plot.image_rgba(
            image="image", x="x", y="y", dw="dw", dh="dh", source=shared.photo
        )
        self._bar = bk.ColorBar(
            color_mapper=self.mapper, height=8, padding=4, margin=0, label_standoff=4,
            major_label_text_font_size="11px", major_label_text_color=style.INK,
            background_fill_color=None, ticker=bk.BasicTicker(desired_num_ticks=5),
        )  # fmt: skip
        plot.add_layout(self._bar, "below")
        _draw_outlines(plot, shared)
        if g.unit == "mm":
            plot.add_layout(
                bk.ScaleBar(
                    range=shared.x_range, unit="mm", location="bottom_right", padding=4, margin=5,
                    label_text_font_size="11px", background_fill_alpha=0.8, bar_length=0.25,
                    border_line_color=None,
                )
            )  # fmt: skip
        return plot

    def _listen(self, hover: dict[str, Any]) -> None:
        plot, shared = self.figure, self.shared
        tools = {
            "corners": bk.PolySelectTool(renderers=[]),
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
        plot.js_on_event(MouseMove, bk.CustomJS(args=hover, code=script("pointer")))
        plot.js_on_event(Tap, bk.CustomJS(args=hover, code=script("tap")))

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
        self._begin(f"{title}  [{unit}]" if unit else title, caption)
        self._values, self._patch = values, None
        self.mapper.update(low=low, high=high if high > low else low + 1)
        self._bar.visible = self._image.visible = True
        self._rgb.visible = False
        self.look()

    def show_colours(self, title: str, picture: Array, caption: str) -> None:
        """Show red, green and blue from 0 to 1, shape (rows, columns, 3)."""
        self._begin(title, caption)
        self._values = None
        self._bar.visible = self._image.visible = False
        rgba = np.full((*picture.shape[:2], 4), 255, np.uint8)
        rgba[..., :3] = np.round(np.clip(picture, 0, 1) * 255)
        step = max(1, int(np.ceil(np.sqrt(rgba[..., 0].size / 250_000))))
        g = self.shared.frame.grid
        self.colours.data = image_data(rgba[::step, ::step], g.x0, g.y0, g.x1 - g.x0, g.y1 - g.y0)
        self._rgb.visible = True

    def _begin(self, title: str, caption: str) -> None:
        self.title = title
        self.figure.title.text = style.visible_text(title)
        self.caption.text = caption
        self.root.visible = True

    def hide(self) -> None:
        """Show nothing."""
        self.root.visible = False
        self._values, self.title = None, ""

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
        self.figure.update(frame_width=width, frame_height=height)
        self.figure.yaxis.visible = first
        left = AXIS_PX if first else 4
        self.figure.min_border_left = left
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


def _draw_outlines(plot: Any, shared: Shared) -> None:
    """Outlines in white on black, which reads on every colour of the scale."""
    dx, dy = shared.frame.step
    for colour, width in (("black", 2.6), ("white", 1.0)):
        plot.multi_line("xs", "ys", source=shared.saved, line_color=colour, line_width=width,
                        line_alpha=0.8)  # fmt: skip
    for name, dash in (("A", "solid"), ("B", [6, 4])):
        source = shared.outlines[name]
        plot.multi_line("xs", "ys", source=source, line_color="black", line_width=4.5)
        plot.multi_line("xs", "ys", source=source, line_color="white", line_width=2, line_dash=dash)
    common: dict[str, Any] = {"text_color": "white", "background_fill_color": "black"}
    plot.text("x", "y", text="name", source=shared.saved, text_font_size="10px", padding=1,
              text_align="center", text_baseline="middle", background_fill_alpha=0.6,
              **common)  # fmt: skip
    for source in shared.outlines.values():
        plot.text("x", "y", text="name", source=source, text_font_size="13px", padding=3,
                  text_font_style="bold", text_align="center", text_baseline="middle",
                  **common)  # fmt: skip
    for colour, width in (("black", 4), ("white", 1.5)):
        plot.rect("x", "y", dx, dy, source=shared.probe, fill_color=None, line_color=colour,
                  line_width=width)  # fmt: skip
    # a pixel may be too small to be found: a cross beside it can be seen
    plot.scatter("x", "y", source=shared.probe, marker="cross", size=17, line_color="black",
                 line_width=4, angle=pi / 4)  # fmt: skip
    plot.scatter("x", "y", source=shared.probe, marker="cross", size=16, line_color="white",
                 line_width=1.5, angle=pi / 4)  # fmt: skip
